"""The outline that a nozzle body draws in the picture: points, outward normals, and how they move with the pose."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numba import njit

from vision.nozzle import NozzleBody, ToolPose, axis_frame, roll_of
from vision.types import FloatArray

__all__ = ["STEP", "Outline", "outline", "turned", "moved_pose", "moved_poses", "pixel", "tool_hull", "bend_direction",
           "body_arrays", "trace", "lens_of", "project", "plane_frame"]

STEP = 2  # side of a rim seen against a slice further from us
_RING = 24  # points by which a circle's picture is judged for hiding
_MOST_ON_RIM = 24  # cuts
_HANDLE_STEP = 1.5
_RING_ANGLES = np.linspace(0, 2 * np.pi, _RING, endpoint=False)


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
    jacobian : array, shape (n, 6)
        Change of the point along its normal [px] per unit of (tip x, y, z [mm] in the camera frame, two turns of the axis
        about `axis_frame`'s vectors [rad], roll [rad]).
    """

    point_cam_mm: FloatArray
    px: FloatArray
    normal_px: FloatArray
    px_per_mm: FloatArray
    mm_per_sample: FloatArray
    part: np.ndarray
    side: np.ndarray
    along_mm: FloatArray
    jacobian: FloatArray


def outline(camera, body: NozzleBody, pose: ToolPose, step_mm: float = 0.5) -> Outline:
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
    slices, kinds = body_arrays(body)
    tip, straight, after = (np.array(v, float) for v in (pose.tip_mm, -pose.axis, bend_direction(body, pose)))
    x, px, jac, normal, labels, label_values = trace(
        slices, kinds, tip, straight, after, body.bend_at_mm, lens_of(camera), step_mm * _coarseness(body)
    )
    if len(x) == 0:
        return _empty()
    a, b = axis_frame(pose.axis)
    jacobian, normal_px, push = _rows(x, jac, normal, tip, -straight, a, b, labels[:, 2])
    return Outline(x, px, normal_px, push, label_values[:, 1], labels[:, 0], labels[:, 1], label_values[:, 0], jacobian)


@lru_cache
def _coarseness(body: NozzleBody) -> FloatArray:
    """How much more coarsely than the metal each slice is sampled: a hand hides most of a handle."""
    return np.array([_HANDLE_STEP if f.kind == "handle" else 1.0 for f in body.frusta])


def lens_of(camera) -> FloatArray:
    """A camera's numbers in the order in which `project` takes them."""
    k = camera.camera_matrix_px
    return np.array([k[0, 0], k[1, 1], k[0, 2], k[1, 2], *camera.distortion, *camera.fold])


def moved_pose(pose: ToolPose, step: FloatArray) -> ToolPose:
    """Pose after a step (6,): tip [mm], two turns of the axis and roll [rad], as in Outline.jacobian."""
    tip_mm, axis, sideways = moved_poses(pose, np.asarray(step)[None])
    return ToolPose(tip_mm[0], axis[0], roll_of(axis[0], sideways[0]))


def moved_poses(pose: ToolPose, steps: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Poses after each of some steps (n, 6): outlets, jet directions and the directions from which rolls count, each (n, 3)."""
    a, b = axis_frame(pose.axis)
    rotation = steps[:, 3:4] * a + steps[:, 4:5] * b
    axis = turned(pose.axis, rotation)
    axis /= np.sqrt(np.einsum("ij,ij->i", axis, axis))[:, None]
    # the sideways direction is carried along with the axis, so that the roll's meaning does not jump with its frame
    sideways = turned(np.cos(pose.roll_rad) * a + np.sin(pose.roll_rad) * b, rotation)
    sideways = turned(sideways, steps[:, 5:6] * axis)
    return pose.tip_mm + steps[:, :3], axis, sideways


def turned(vector: FloatArray, rotation: FloatArray) -> FloatArray:
    """Vectors (..., 3) turned by rotation vectors (..., 3) [rad]."""
    angle = np.sqrt((rotation * rotation).sum(-1, keepdims=True))
    k = rotation / np.maximum(angle, 1e-12)
    across = np.stack([k[..., 1] * vector[..., 2] - k[..., 2] * vector[..., 1], k[..., 2] * vector[..., 0] - k[..., 0] * vector[..., 2],
                       k[..., 0] * vector[..., 1] - k[..., 1] * vector[..., 0]], -1)
    return vector * np.cos(angle) + across * np.sin(angle) + k * (k * vector).sum(-1, keepdims=True) * (1 - np.cos(angle))


def tool_hull(camera, body: NozzleBody, pose: ToolPose) -> list[FloatArray]:
    """The picture of each slice: convex polygons, arrays (n, 2) [px]."""
    up, start = _axes(body, pose)
    out = []
    for i, f in enumerate(body.frusta):
        u, origin = up(i), start(i)
        a, b = axis_frame(u)
        circle = np.cos(_RING_ANGLES)[:, None] * a + np.sin(_RING_ANGLES)[:, None] * b
        ring = np.concatenate([origin + s * u + r * circle for s, r in ((f.start_mm, f.start_radius_mm), (f.end_mm, f.end_radius_mm))])
        out.append(_hull(camera.project(ring)))
    return out


def bend_direction(body: NozzleBody, pose: ToolPose) -> FloatArray:
    """Unit vector (3,) from the bend towards the handle."""
    up = -pose.axis
    if not body.is_bent:
        return up
    a, b = axis_frame(pose.axis)
    sideways = np.cos(pose.roll_rad) * a + np.sin(pose.roll_rad) * b
    return np.cos(body.bend_rad) * up + np.sin(body.bend_rad) * sideways


def _axes(body: NozzleBody, pose: ToolPose):
    """Direction and virtual origin (at distance 0) of each frustum's axis."""
    straight = -pose.axis
    after = bend_direction(body, pose)
    knee = pose.tip_mm + body.bend_at_mm * straight

    def is_after(i: int) -> bool:
        return body.is_bent and body.frusta[i].kind == "handle"

    return (lambda i: after if is_after(i) else straight), (
        lambda i: knee - body.bend_at_mm * after if is_after(i) else pose.tip_mm
    )


def body_arrays(body: NozzleBody) -> tuple[FloatArray, np.ndarray]:
    """The body as arrays for the kernel: (start, end, radius, radius) and (is after the bend, has no measured far end)."""
    last = len(body.frusta) - 1
    slices = np.array([(f.start_mm, f.end_mm, f.start_radius_mm, f.end_radius_mm) for f in body.frusta])
    kinds = np.array([(body.is_bent and f.kind == "handle", i == last and f.kind == "handle")
                      for i, f in enumerate(body.frusta)], np.int64)
    return slices, kinds


@njit(cache=True)
def trace(slices, kinds, tip, straight, after, bend_at, lens, steps_mm):
    """All visible outline points: position, pixel, its derivative, surface normal and labels."""
    n_slices = len(slices)
    most = 0
    for i in range(n_slices):
        most += 2 * max(2, int(round((slices[i, 1] - slices[i, 0]) / steps_mm[i]))) + 80
    x, tangent, normal = np.empty((most, 3)), np.empty((most, 3)), np.empty((most, 3))
    labels, values = np.empty((most, 3), np.int64), np.empty((most, 2))
    before = np.zeros(most, np.bool_)
    rings = np.empty((n_slices, 2 * _RING, 2))
    n = 0
    for i in range(n_slices):
        start_mm, end_mm, r0, r1 = slices[i]
        step_mm = steps_mm[i]
        u = after if kinds[i, 0] else straight
        origin = tip + bend_at * straight - bend_at * after if kinds[i, 0] else tip
        a, b = plane_frame(u)
        for k in range(_RING):
            radial = np.cos(_RING_ANGLES[k]) * a + np.sin(_RING_ANGLES[k]) * b
            near, far = origin + start_mm * u + r0 * radial, origin + end_mm * u + r1 * radial
            rings[i, k] = pixel(near[0], near[1], near[2], lens)
            rings[i, _RING + k] = pixel(far[0], far[1], far[2], lens)
        slope = _slope(slices[i])
        # the two angles at which the surface's normal is at right angles to the line of sight
        ca, cb = np.dot(origin, a), np.dot(origin, b)
        c = (slope * (np.dot(origin, u) + start_mm) - r0) / max(np.hypot(ca, cb), 1e-9)
        if abs(c) > 0.995:
            continue
        mid, half = np.arctan2(cb, ca), np.arccos(c)
        count = max(2, int(round((end_mm - start_mm) / step_mm)))
        for side in (-1, 1):
            th = mid + side * half
            radial = np.cos(th) * a + np.sin(th) * b
            for k in range(count):
                s = start_mm + (k + 0.5) * (end_mm - start_mm) / count
                x[n] = origin + s * u + (r0 + slope * (s - start_mm)) * radial
                tangent[n] = u + slope * radial
                normal[n] = (radial - slope * u) / np.hypot(1.0, slope)
                labels[n, 0], labels[n, 1], labels[n, 2] = i, side, kinds[i, 0]
                values[n, 0], values[n, 1] = s, (end_mm - start_mm) / count
                n += 1
        for end in range(2):
            if end == 1 and kinds[i, 1]:
                continue  # only the handle's front was measured: it goes on
            s, r = (start_mm, r0) if end == 0 else (end_mm, r1)
            away = u if end == 0 else -u
            centre = origin + s * u
            # An end that faces us shows its whole circle, and the far arc bounds the picture; one turned away its near arc.
            lo, hi = mid - half, mid + half
            is_near = np.dot(away, centre) <= 0
            if is_near:
                lo, hi = hi, lo + 2 * np.pi
            arc = min(max(int(round((hi - lo) * r / step_mm)), 5), _MOST_ON_RIM)
            for k in range(arc):
                th = lo + (k + 0.5) * (hi - lo) / arc
                radial = np.cos(th) * a + np.sin(th) * b
                x[n] = centre + r * radial
                tangent[n] = -np.sin(th) * a + np.cos(th) * b
                out = np.cross(tangent[n], x[n])
                out *= np.sign(-np.dot(out, away)) / max(np.sqrt(np.dot(out, out)), 1e-12)
                normal[n] = out
                labels[n, 0], labels[n, 1], labels[n, 2] = -1 if i == 0 and end == 0 else i, 0, kinds[i, 0]
                values[n, 0], values[n, 1] = s, (hi - lo) * r / arc
                # what lies further along the jet is further from us; without a ledge it is a crease that may not show
                before[n] = is_near and end == 0 and i > 0 and (
                    r > slices[i - 1, 3] + 1e-6 or np.dot(radial - _slope(slices[i - 1]) * u, x[n]) > 0.1 * x[n, 2])
                n += 1
    px, jac = np.empty((n, 2)), np.empty((n, 2, 3))
    for k in range(n):
        px[k], jac[k] = project(x[k], lens)
    keep = _uncovered(px, labels[:n], before, rings)
    normal_px = np.empty((n, 2, 3))
    normal_px[:, 0], normal_px[:, 1] = tangent[:n], normal[:n]
    return x[:n][keep], px[keep], jac[keep], normal_px[keep], labels[:n][keep], values[:n][keep]


@njit(cache=True)
def _slope(piece):
    """Growth of a slice's radius along the axis."""
    return (piece[3] - piece[2]) / (piece[1] - piece[0])


@njit(cache=True)
def plane_frame(axis):
    """`axis_frame` for compiled code."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.8 else np.array([0.0, 1.0, 0.0])
    a = np.cross(axis, helper)
    a /= np.sqrt(np.dot(a, a))
    return a, np.cross(axis, a)


@njit(cache=True)
def pixel(px, py, pz, lens):
    """Picture point (x, y) of a point; the model of `CameraModel`, straight on beyond its fold."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3, edge, image_of_edge = lens
    iz = 1.0 / max(pz, 1e-6)
    x, y = px * iz, py * iz
    r = math.sqrt(x * x + y * y)
    grow = 1.0
    if r > edge:
        grow = 1.0 + (r - edge) / max(image_of_edge, 1e-6)
        x, y = x * edge / r, y * edge / r
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (fx * grow * (x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)) + cx,
            fy * grow * (y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y) + cy)


@njit(cache=True)
def project(p, lens):
    """`pixel` (2,) of a point (3,) and its derivative (2, 3)."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3, edge, image_of_edge = lens
    px, jac = np.empty(2), np.empty((2, 3))
    px[0], px[1] = pixel(p[0], p[1], p[2], lens)
    iz = 1.0 / max(p[2], 1e-6)
    x, y = p[0] * iz, p[1] * iz
    beyond = np.hypot(x, y) / edge
    r2 = (x * x + y * y) / max(beyond, 1.0) ** 2
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
    cross = x * y * slope + 2.0 * (p1 * x + p2 * y)
    jac[0, 0] = fx * (radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x) * iz
    jac[0, 1] = fx * cross * iz
    jac[1, 0] = fy * cross * iz
    jac[1, 1] = fy * (radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x) * iz
    jac[0, 2] = -(jac[0, 0] * x + jac[0, 1] * y)
    jac[1, 2] = -(jac[1, 0] * x + jac[1, 1] * y)
    return px, jac


@njit(cache=True)
def _uncovered(px, labels, before, rings):
    """Which points no other slice's picture covers (each slice's picture is the hull of its two circles).

    A point that lies before the slices ahead of its own, and over the picture of one, is labelled as a step.
    """
    n, n_slices = len(px), len(rings)
    keep = np.ones(n, np.bool_)
    for i in range(n_slices):
        hull = _convex(rings[i])
        m = len(hull)
        edge = np.empty((m, 3))
        for j in range(m):
            dx, dy = hull[(j + 1) % m, 0] - hull[j, 0], hull[(j + 1) % m, 1] - hull[j, 1]
            length = np.hypot(dx, dy) + 1e-12
            edge[j, 0], edge[j, 1] = dy / length, -dx / length
            edge[j, 2] = edge[j, 0] * hull[j, 0] + edge[j, 1] * hull[j, 1]
        for k in range(n):
            if not keep[k] or max(labels[k, 0], 0) == i:
                continue
            limit = 0.5 if labels[k, 1] == 0 else -0.3
            outside = False
            for j in range(m):
                if edge[j, 0] * px[k, 0] + edge[j, 1] * px[k, 1] - edge[j, 2] > limit:
                    outside = True
                    break
            if not outside and before[k] and i < labels[k, 0]:
                labels[k, 1] = STEP
            else:
                keep[k] = outside
    return keep


@njit(cache=True)
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
            hull[k] = p
            k += 1
        k -= 1  # the end of one chain begins the other
    return hull[:k].copy()


@njit(cache=True)
def _rows(x, jac, directions, tip, axis, a, b, is_after):
    """How each point moves along its normal in the picture with the six steps of the pose; the normal; px per mm of growth."""
    n = len(x)
    rows, normal_px, push = np.zeros((n, 6)), np.empty((n, 2)), np.empty(n)
    for k in range(n):
        t = jac[k] @ directions[k, 0]
        grow = jac[k] @ directions[k, 1]
        length = np.hypot(t[0], t[1]) + 1e-12
        nx, ny = -t[1] / length, t[0] / length
        if nx * grow[0] + ny * grow[1] < 0:
            nx, ny = -nx, -ny
        normal_px[k, 0], normal_px[k, 1] = nx, ny
        push[k] = nx * grow[0] + ny * grow[1]
        row = nx * jac[k, 0] + ny * jac[k, 1]
        arm = x[k] - tip
        rows[k, :3] = row
        rows[k, 3] = np.dot(row, np.cross(a, arm))
        rows[k, 4] = np.dot(row, np.cross(b, arm))
        if is_after[k]:
            rows[k, 5] = np.dot(row, np.cross(axis, arm))
    return rows, normal_px, push


def _hull(points: FloatArray) -> FloatArray:
    """Convex hull, counter-clockwise in (x, y)."""
    hull = cv2.convexHull(points.astype(np.float32), clockwise=False).reshape(-1, 2).astype(float)
    area = np.sum(hull[:, 0] * np.roll(hull[:, 1], -1) - np.roll(hull[:, 0], -1) * hull[:, 1])
    return hull if area > 0 else hull[::-1]


def _empty() -> Outline:
    z = np.zeros((0,))
    return Outline(np.zeros((0, 3)), np.zeros((0, 2)), np.zeros((0, 2)), z, z, z.astype(int), z.astype(int), z, np.zeros((0, 6)))
