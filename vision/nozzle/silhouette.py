"""The outline that a nozzle body draws in the picture: points, outward normals, and how they move with the pose."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from vision.camera.lens import pixel, project
from vision.camera.model import CameraModel
from vision.compiled import njit, put
from vision.nozzle.body import NozzleBody, ToolPose, axis_frame, cross, roll_of, sideways_of
from vision.types import FloatArray

__all__ = ["STEP", "Outline", "Placed", "Poses", "outline", "turned", "turned_pose", "moved_pose", "moved_poses",
           "tool_hull", "bend_direction", "bent", "body_arrays", "coarseness", "trace", "trace_inputs"]

STEP = 2  # side of a rim seen against a slice further from us
_HANDLE_STEP = 1.5  # times as far apart as on the metal are cuts of the handle, which tells less [convention]
_DEEP_PX = 0.5  # inside the picture of another slice, from where on that is what a step stands before [convention]
_RING = 24  # points of a circle: by which its picture hides, and of cuts at most [convention]


class Placed(NamedTuple):
    """A body where it stands, for compiled code.

    Attributes
    ----------
    slices, kinds : array, shape (k, 4), (k, 2)
        As `body_arrays` gives them.
    tip_mm : array, shape (3,)
        Outlet.
    straight, after : array, shape (3,)
        Directions up the metal part and up the handle.
    bend_at_mm : float
    """

    slices: np.ndarray
    kinds: np.ndarray
    tip_mm: FloatArray
    straight: FloatArray
    after: FloatArray
    bend_at_mm: float


class Poses(NamedTuple):
    """Several poses: outlets [mm], jet directions, and the directions from which rolls count, each (n, 3)."""

    tips: FloatArray
    axes: FloatArray
    sideways: FloatArray


class _Points(NamedTuple):
    """Points of an outline (n, 3) [mm], change of their pixels with them (n, 2, 3), tangents and normals (n, 3)."""

    x: np.ndarray
    change: np.ndarray
    tangent: np.ndarray
    normal: np.ndarray


@dataclass(frozen=True)
class Outline:
    """Points on the visible outline, in the camera frame and in the raw picture.

    Attributes
    ----------
    point_cam_mm : array, shape (n, 3)
    px : array, shape (n, 2)
    normal_px : array, shape (n, 2)
        Unit outward normal in the picture.
    px_per_mm : array, shape (n,)
        How far the picture point moves along its normal when the surface grows by 1 mm along its own normal.
    mm_per_sample : array, shape (n,)
        Length of outline that each point stands for.
    part : array, shape (n,), int
        Index of the frustum; -1 for the outlet's rim.
    side : array, shape (n,), int
        -1 and +1 for the two long edges, 0 for rims, STEP for rims seen against a slice of the tool further from us.
    along_mm : array, shape (n,)
        Distance from the outlet.
    place : array, shape (n,)
        Where on its edge each point lies: from -1 to 1 along a side, from -1 in the middle of a rim to 1 at its ends.
    jacobian : array, shape (n, 6)
        Change of the point along its normal [px] per unit of (tip x, y, z [mm] in the camera frame, two turns of the
        axis about `axis_frame`'s vectors [rad], roll [rad]).
    """

    point_cam_mm: FloatArray
    px: FloatArray
    normal_px: FloatArray
    px_per_mm: FloatArray
    mm_per_sample: FloatArray
    part: np.ndarray
    side: np.ndarray
    along_mm: FloatArray
    place: FloatArray
    jacobian: FloatArray

    def at(self, which: np.ndarray) -> Outline:
        """Some of the points, by index or mask."""
        return Outline(*(getattr(self, field)[which] for field in self.__dataclass_fields__))


def outline(camera: CameraModel, body: NozzleBody, pose: ToolPose, step_mm: float = 0.5) -> Outline:
    """Visible outline of the body, sampled every step_mm along its edges, the handle's more coarsely.

    A smooth surface's outline lies where its normal is at right angles to the line of sight; on a frustum those
    are two straight lines in space. Points that another slice covers are left out.

    Parameters
    ----------
    camera : CameraModel
    pose : ToolPose
        In the camera frame; the jet points along pose.axis.

    Returns
    -------
    Outline
        Empty (n = 0) when the axis points at the camera so that no edge is seen from the side.
    """
    x, px, normal_px, push, labels, values, jacobian = trace(*trace_inputs(camera, body, pose, step_mm))
    (along_mm, length_mm, place), (part, side, _) = np.ascontiguousarray(values.T), np.ascontiguousarray(labels.T)
    return Outline(x, px, normal_px, push, length_mm, part, side, along_mm, place, jacobian)


def trace_inputs(camera: CameraModel, body: NozzleBody, pose: ToolPose,
                 step_mm: float) -> tuple[Placed, FloatArray, FloatArray]:
    """What `trace` takes."""
    return _placed(body, pose), camera.lens, step_mm * coarseness(body)


@lru_cache
def coarseness(body: NozzleBody) -> FloatArray:
    """How much more coarsely than the metal each slice is sampled: a hand hides most of a handle."""
    return np.array([_HANDLE_STEP if f.kind == "handle" else 1.0 for f in body.frusta])


def moved_pose(pose: ToolPose, step: FloatArray) -> ToolPose:
    """Pose after a step (6,): tip [mm], two turns of the axis and roll [rad], as in Outline.jacobian."""
    axis, sideways = turned_pose(pose.axis, pose.roll_rad, np.ascontiguousarray(step, float))
    return ToolPose(pose.tip_mm + step[:3], axis, roll_of(axis, sideways))


@njit(cache=True, nogil=True)
def moved_poses(tip_mm, axis, roll_rad, steps):
    """`Poses` after each of some steps (n, 6)."""
    n = len(steps)
    tips, axes, sideways = np.empty((n, 3)), np.empty((n, 3)), np.empty((n, 3))
    for i in range(n):
        put(tip_mm + steps[i, :3], tips[i])
        new, side = turned_pose(axis, roll_rad, steps[i])
        put(new, axes[i])
        put(side, sideways[i])
    return Poses(tips, axes, sideways)


@njit(cache=True, nogil=True)
def turned_pose(axis, roll_rad, step):
    """Jet direction, and that from which the roll counts, after the turns of a step (6,) as in `moved_pose`."""
    a, b = axis_frame(axis)
    rotation = step[3] * a + step[4] * b
    new = turned(axis, rotation)
    new /= math.sqrt((new * new).sum())
    # the sideways direction is carried along with the axis, so that the roll's meaning does not jump with its frame
    return new, turned(turned(sideways_of(axis, roll_rad), rotation), step[5] * new)


@njit(cache=True, nogil=True)
def turned(vector, rotation):
    """A vector (3,) turned by a rotation vector (3,) [rad]."""
    (x, y, z), (kx, ky, kz) = vector, rotation
    angle = math.sqrt(kx * kx + ky * ky + kz * kz)
    scale = 1.0 / max(angle, 1e-12)
    kx, ky, kz = kx * scale, ky * scale, kz * scale
    c, s = math.cos(angle), math.sin(angle)
    along = (kx * x + ky * y + kz * z) * (1 - c)
    return np.array([x * c + (ky * z - kz * y) * s + kx * along, y * c + (kz * x - kx * z) * s + ky * along,
                     z * c + (kx * y - ky * x) * s + kz * along])


def tool_hull(camera: CameraModel, body: NozzleBody, pose: ToolPose) -> list[FloatArray]:
    """The picture of each slice: convex polygons, counter-clockwise in (x, y), arrays (n, 2) [px]."""
    points, ends = _hulls(_placed(body, pose), camera.lens)
    return np.split(points, ends[:-1])


def bend_direction(body: NozzleBody, pose: ToolPose) -> FloatArray:
    """Unit vector (3,) from the bend towards the handle."""
    up = -pose.axis
    return bent(up, sideways_of(pose.axis, pose.roll_rad), body.bend_rad) if body.is_bent else up


@njit(cache=True, nogil=True)
def bent(up, sideways, bend_rad):
    """A direction (3,) turned towards another, at right angles to it, by so much."""
    return math.cos(bend_rad) * up + math.sin(bend_rad) * sideways


def _placed(body: NozzleBody, pose: ToolPose) -> Placed:
    return Placed(*body_arrays(body), np.asarray(pose.tip_mm, float), -pose.axis, bend_direction(body, pose),
                  body.bend_at_mm)


@lru_cache
def body_arrays(body: NozzleBody) -> tuple[FloatArray, np.ndarray]:
    """The body as arrays for the kernel: (start, end, radius, radius) and (is after the bend, has no measured far
    end).
    """
    last = len(body.frusta) - 1
    slices = np.array([(f.start_mm, f.end_mm, f.start_radius_mm, f.end_radius_mm) for f in body.frusta])
    kinds = np.array([(body.is_bent and f.kind == "handle", i == last and f.kind == "handle")
                      for i, f in enumerate(body.frusta)], np.int64)
    return slices, kinds


@njit(cache=True, nogil=True)
def _hulls(placed, lens):
    """Corners of the picture of each slice, one slice after the other (n, 2) [px], and where each ends (slices,)."""
    rings = _rings(placed, lens)
    points, ends, n = np.empty((rings.shape[0] * rings.shape[1], 2)), np.empty(len(rings), np.int64), 0
    for i in range(len(rings)):
        hull = _convex(rings[i])
        for k in range(len(hull)):
            put(hull[k], points[n + k])
        n += len(hull)
        ends[i] = n
    return points[:n].copy(), ends


@njit(cache=True, nogil=True)
def _rings(placed, lens):
    """Picture of the two circles that bound each slice, shape (slices, 2 * _RING, 2) [px]."""
    slices = placed.slices
    rings = np.empty((len(slices), 2 * _RING, 2))
    for i in range(len(slices)):
        u, origin = _axis_of(placed, i)
        a, b = axis_frame(u)
        for end in range(2):
            centre, r = origin + slices[i, end] * u, slices[i, 2 + end]
            for k in range(_RING):
                c, s = r * math.cos(2 * math.pi * k / _RING), r * math.sin(2 * math.pi * k / _RING)
                put(pixel(centre[0] + c * a[0] + s * b[0], centre[1] + c * a[1] + s * b[1],
                          centre[2] + c * a[2] + s * b[2], lens), rings[i, end * _RING + k])
    return rings


@njit(cache=True, nogil=True)
def _axis_of(placed, i):
    """Direction and virtual origin (at distance 0) of a slice's axis."""
    if placed.kinds[i, 0]:
        return placed.after, placed.tip_mm + placed.bend_at_mm * (placed.straight - placed.after)
    return placed.straight, placed.tip_mm


@njit(cache=True, nogil=True)
def trace(placed, lens, steps_mm):
    """All visible outline points as `Outline` has them: points, pixels, normals, px per mm of growth, labels (part,
    side, is after the bend), values (distance from the outlet, length, place), jacobian."""
    slices, kinds = placed.slices, placed.kinds
    n_slices = len(slices)
    most = 0
    for i in range(n_slices):
        most += 2 * max(2, round((slices[i, 1] - slices[i, 0]) / steps_mm[i])) + 2 * _RING
    x, tangent, normal = np.empty((most, 3)), np.empty((most, 3)), np.empty((most, 3))
    labels, values = np.empty((most, 3), np.int64), np.empty((most, 3))
    before = np.zeros(most, np.bool_)
    n = 0
    for i in range(n_slices):
        start_mm, end_mm, r0, r1 = slices[i]
        u, origin = _axis_of(placed, i)
        a, b = axis_frame(u)
        slope = _slope(slices[i])
        steep = math.hypot(1.0, slope)
        # the two angles at which the surface's normal is at right angles to the line of sight
        ca, cb, cu = (origin * a).sum(), (origin * b).sum(), (origin * u).sum()
        c = (slope * (cu + start_mm) - r0) / max(math.hypot(ca, cb), 1e-9)
        if abs(c) > 0.995:
            continue
        mid, half = math.atan2(cb, ca), math.acos(c)
        count = max(2, round((end_mm - start_mm) / steps_mm[i]))
        for side in (-1, 1):
            cos, sin = math.cos(mid + side * half), math.sin(mid + side * half)
            for k in range(count):
                s = start_mm + (k + 0.5) * (end_mm - start_mm) / count
                r = r0 + slope * (s - start_mm)
                for j in range(3):
                    radial = cos * a[j] + sin * b[j]
                    x[n, j] = origin[j] + s * u[j] + r * radial
                    tangent[n, j] = u[j] + slope * radial
                    normal[n, j] = (radial - slope * u[j]) / steep
                labels[n, 0], labels[n, 1], labels[n, 2] = i, side, kinds[i, 0]
                values[n, 0], values[n, 1], values[n, 2] = s, (end_mm - start_mm) / count, (2 * k + 1) / count - 1
                n += 1
        inner = origin + 0.5 * (start_mm + end_mm) * u
        for end in range(1 if kinds[i, 1] else 2):  # only the front of the handle was measured: it goes on
            s, r, away = (start_mm, r0, 1.0) if end == 0 else (end_mm, r1, -1.0)
            # An end that faces us shows its whole circle, and the far arc bounds the picture; one turned away its near
            # arc.
            lo, hi = mid - half, mid + half
            is_near = away * (cu + s) <= 0
            if is_near:
                lo, hi = hi, lo + 2 * np.pi
            arc = min(max(round((hi - lo) * r / steps_mm[i]), 5), _RING)
            for k in range(arc):
                th = lo + (k + 0.5) * (hi - lo) / arc
                cos, sin = math.cos(th), math.sin(th)
                for j in range(3):
                    x[n, j] = origin[j] + s * u[j] + r * (cos * a[j] + sin * b[j])
                    tangent[n, j] = cos * b[j] - sin * a[j]
                out = cross(tangent[n], x[n])
                # the plane through the eye and this tangent leaves all of the slice on one side
                put(out * ((1.0 if (out * inner).sum() < 0 else -1.0) / max(math.sqrt((out * out).sum()), 1e-12)),
                    normal[n])
                labels[n, 0], labels[n, 1], labels[n, 2] = -1 if i == 0 and end == 0 else i, 0, kinds[i, 0]
                values[n, 0], values[n, 1] = s, (hi - lo) * r / arc
                values[n, 2] = 2 * ((2 * k + 1) / arc - 1) ** 2 - 1
                if is_near and end == 0 and i > 0:
                    # what lies further along the jet is further from us; without a ledge it is a crease that may not
                    # show
                    lean = 0.0
                    for j in range(3):
                        lean += (cos * a[j] + sin * b[j] - _slope(slices[i - 1]) * u[j]) * x[n, j]
                    before[n] = r > slices[i - 1, 3] + 1e-6 or lean > 0.1 * x[n, 2]
                n += 1
    px, jac = np.empty((n, 2)), np.empty((n, 2, 3))
    for k in range(n):
        project(x[k], lens, px[k], jac[k])
    keep = _uncovered(px, labels[:n], before, _rings(placed, lens))
    x, px, labels = x[:n][keep], px[keep], labels[:n][keep]
    normal_px, push, jacobian = _rows(_Points(x, jac[keep], tangent[:n][keep], normal[:n][keep]), placed.tip_mm,
                                      -placed.straight, labels[:, 2])
    return x, px, normal_px, push, labels, values[:n][keep], jacobian


@njit(cache=True, nogil=True)
def _slope(piece):
    """Growth of a slice's radius along the axis."""
    return (piece[3] - piece[2]) / (piece[1] - piece[0])


@njit(cache=True, nogil=True)
def _uncovered(px, labels, before, rings):
    """Which points no other slice's picture covers (each slice's picture is the hull of its two circles).

    A point that lies before the slices ahead of its own, and over the picture of one, is labelled as a step.
    """
    n, n_slices = len(px), len(rings)
    keep = np.ones(n, np.bool_)
    for i in range(n_slices):
        hull = _convex(rings[i])
        m = len(hull)
        edge, beyond = np.empty((m, 3)), 0
        for j in range(m):
            dx, dy = hull[(j + 1) % m, 0] - hull[j, 0], hull[(j + 1) % m, 1] - hull[j, 1]
            length = np.hypot(dx, dy) + 1e-12
            edge[j, 0], edge[j, 1] = dy / length, -dx / length
            edge[j, 2] = edge[j, 0] * hull[j, 0] + edge[j, 1] * hull[j, 1]
        for k in range(n):
            if not keep[k] or max(labels[k, 0], 0) == i:
                continue
            hides = not before[k] or i > labels[k, 0]
            # at its own edge nothing of it is seen beyond the point
            least_px = -_DEEP_PX if not hides else 0.5 if labels[k, 1] == 0 else -0.3
            is_within = True
            for j in range(beyond, beyond + m):  # a point is mostly beyond the same edge as the one before
                e = j % m
                if edge[e, 0] * px[k, 0] + edge[e, 1] * px[k, 1] - edge[e, 2] > least_px:
                    is_within, beyond = False, e
                    break
            if is_within and hides:
                keep[k] = False
            elif is_within:
                labels[k, 1] = STEP
    return keep


@njit(cache=True, nogil=True)
def _convex(points):
    """Convex hull, counter-clockwise in (x, y) (monotone chain)."""
    order = np.argsort(points[:, 0] + 1e-9 * points[:, 1])
    n = len(order)
    hull = np.empty((2 * n, 2))
    k = 0
    for turn in range(2):
        base = k
        for j in range(n):
            p = points[order[j]] if turn == 0 else points[order[n - 1 - j]]
            while k >= base + 2 and (
                (hull[k - 1, 0] - hull[k - 2, 0]) * (p[1] - hull[k - 2, 1])
                - (hull[k - 1, 1] - hull[k - 2, 1]) * (p[0] - hull[k - 2, 0])
            ) <= 0:
                k -= 1
            put(p, hull[k])
            k += 1
        k -= 1  # the end of one chain begins the other
    return hull[:k].copy()


@njit(cache=True, nogil=True)
def _rows(points, tip, axis, is_after):
    """Normals in the picture, px per mm of growth, and how each point moves along its normal with the six steps of the
    pose.
    """
    x, jac, tangent, normal = points
    n = len(x)
    a, b = axis_frame(axis)
    rows, normal_px, push = np.zeros((n, 6)), np.empty((n, 2)), np.empty(n)
    arm = np.empty(3)
    for k in range(n):
        tx = ty = gx = gy = 0.0
        for j in range(3):
            tx += jac[k, 0, j] * tangent[k, j]
            ty += jac[k, 1, j] * tangent[k, j]
            gx += jac[k, 0, j] * normal[k, j]
            gy += jac[k, 1, j] * normal[k, j]
        length = math.hypot(tx, ty) + 1e-12
        nx, ny = -ty / length, tx / length
        if nx * gx + ny * gy < 0:
            nx, ny = -nx, -ny
        normal_px[k, 0], normal_px[k, 1] = nx, ny
        push[k] = nx * gx + ny * gy
        for j in range(3):
            rows[k, j] = nx * jac[k, 0, j] + ny * jac[k, 1, j]
            arm[j] = x[k, j] - tip[j]
        rows[k, 3] = _turns_by(rows[k], a, arm)
        rows[k, 4] = _turns_by(rows[k], b, arm)
        if is_after[k]:
            rows[k, 5] = _turns_by(rows[k], axis, arm)
    return normal_px, push, rows


@njit(cache=True, nogil=True)
def _turns_by(row, axis, arm):
    """row . (axis x arm)."""
    return (row[0] * (axis[1] * arm[2] - axis[2] * arm[1]) + row[1] * (axis[2] * arm[0] - axis[0] * arm[2])
            + row[2] * (axis[0] * arm[1] - axis[1] * arm[0]))
