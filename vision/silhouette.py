"""The outline that a nozzle body draws in the picture: points, outward normals, and how they move with the pose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.nozzle import NozzleBody, ToolPose, axis_frame
from vision.types import FloatArray

__all__ = ["Outline", "outline", "turned", "moved_pose", "tool_hull"]

_RING = 24  # points by which a circle's picture is judged for hiding
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
        -1 and +1 for the two long edges, 0 for rims.
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
    """Visible outline of the body, sampled every step_mm along its edges.

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
    up, start = _axes(body, pose)
    points, tangents, normals, part, side, along, weight = [], [], [], [], [], [], []
    rings: list[FloatArray] = []
    for i, f in enumerate(body.frusta):
        u, origin = up(i), start(i)
        a, b = axis_frame(u)
        angles = _contour_angles(f, u, origin, a, b)
        base, top = origin + f.start_mm * u, origin + f.end_mm * u
        circle = np.cos(_RING_ANGLES)[:, None] * a + np.sin(_RING_ANGLES)[:, None] * b
        rings.append(np.concatenate([base + f.start_radius_mm * circle, top + f.end_radius_mm * circle]))
        if angles is None:
            continue
        slope = (f.end_radius_mm - f.start_radius_mm) / (f.end_mm - f.start_mm)
        n = max(2, int(round((f.end_mm - f.start_mm) / step_mm)))
        s = f.start_mm + (np.arange(n) + 0.5) * (f.end_mm - f.start_mm) / n
        r = f.start_radius_mm + slope * (s - f.start_mm)
        for sign, th in zip((-1, 1), angles):
            radial = np.cos(th) * a + np.sin(th) * b
            points.append(origin + s[:, None] * u + r[:, None] * radial)
            tangents.append(np.broadcast_to(u + slope * radial, (n, 3)))
            normals.append(np.broadcast_to((radial - slope * u) / np.hypot(1, slope), (n, 3)))
            part.append(np.full(n, i)), side.append(np.full(n, sign)), along.append(s)
            weight.append(np.full(n, (f.end_mm - f.start_mm) / n))
        for s_end, radius, away in ((f.start_mm, f.start_radius_mm, u), (f.end_mm, f.end_radius_mm, -u)):
            if away is not u and i == len(body.frusta) - 1 and f.kind == "handle":
                continue  # only the handle's front was measured: it goes on
            x, tangent, normal, length = _rim_arc(angles, origin + s_end * u, radius, away, a, b, step_mm)
            n = len(x)
            points.append(x), tangents.append(tangent), normals.append(normal)
            is_outlet = i == 0 and away is u
            part.append(np.full(n, -1 if is_outlet else i)), side.append(np.zeros(n, int)), along.append(np.full(n, s_end))
            weight.append(np.full(n, length / n))
    if not points:
        return _empty()
    x, t, n3 = (np.concatenate(v) for v in (points, tangents, normals))
    labels = [np.concatenate(v) for v in (part, side, along, weight)]
    px, jac = _project_with_jacobian(camera, x)
    keep = _uncovered(camera, px, labels[0], labels[1], rings)
    return _build(x[keep], t[keep], n3[keep], px[keep], jac[keep], [v[keep] for v in labels], body, pose)


def moved_pose(pose: ToolPose, step: FloatArray) -> ToolPose:
    """Pose after a step (6,): tip [mm], two turns of the axis and roll [rad], as in Outline.jacobian."""
    a, b = axis_frame(pose.axis)
    rotation = a * step[3] + b * step[4]
    axis = turned(pose.axis, rotation)
    axis /= np.linalg.norm(axis)
    # the sideways direction is carried along with the axis, so that the roll's meaning does not jump with its frame
    sideways = turned(np.cos(pose.roll_rad) * a + np.sin(pose.roll_rad) * b, rotation)
    a1, b1 = axis_frame(axis)
    roll = float(np.arctan2(sideways @ b1, sideways @ a1) + step[5])
    return ToolPose(pose.tip_mm + step[:3], axis, roll)


def turned(vector: FloatArray, rotation: FloatArray) -> FloatArray:
    """Vector (3,) turned by a rotation vector (3,) [rad]."""
    angle = float(np.linalg.norm(rotation))
    if angle < 1e-12:
        return vector + np.cross(rotation, vector)
    k = rotation / angle
    return vector * np.cos(angle) + np.cross(k, vector) * np.sin(angle) + k * (k @ vector) * (1 - np.cos(angle))


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


def _contour_angles(f, u, origin, a, b):
    """The two angles about the axis at which the frustum's normal is at right angles to the line of sight."""
    slope = (f.end_radius_mm - f.start_radius_mm) / (f.end_mm - f.start_mm)
    ca, cb = float(origin @ a), float(origin @ b)
    rho = np.hypot(ca, cb)
    c = (slope * (origin @ u + f.start_mm) - f.start_radius_mm) / max(rho, 1e-9)
    if abs(c) > 0.995:
        return None
    mid, half = np.arctan2(cb, ca), np.arccos(c)
    return mid - half, mid + half


def _rim_arc(angles, centre, radius, u, a, b, step_mm):
    """Points of an end circle that bound the silhouette; u points from this end into the body."""
    lo, hi = angles  # between lo and hi lies the side turned away from the camera
    # An end that faces us shows its whole circle, and the far arc bounds the picture; one turned away only its near arc.
    start, end = (lo, hi) if float(u @ centre) > 0 else (hi, lo + 2 * np.pi)
    n = int(np.clip(round((end - start) * radius / step_mm), 5, 40))
    th = start + (np.arange(n) + 0.5) * (end - start) / n
    radial = np.cos(th)[:, None] * a + np.sin(th)[:, None] * b
    x = centre + radius * radial
    tangent = -np.sin(th)[:, None] * a + np.cos(th)[:, None] * b
    ray = x / np.linalg.norm(x, axis=1, keepdims=True)
    normal = np.cross(tangent, ray)
    normal *= np.sign(np.einsum("ij,j->i", normal, -u))[:, None]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return x, tangent, normal, abs(end - start) * radius


def _project_with_jacobian(camera, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pixels (n, 2) and their derivatives (n, 2, 3) with respect to the points, by central differences."""
    h = 1e-3
    steps = np.concatenate([x] + [x + s * h * e for e in np.eye(3) for s in (1, -1)])
    px = camera.project(steps).reshape(7, -1, 2)
    jac = np.stack([(px[1 + 2 * k] - px[2 + 2 * k]) / (2 * h) for k in range(3)], axis=2)
    return px[0], jac


def _uncovered(camera, px, part, side, rings) -> np.ndarray:
    """Which points no other slice's picture covers (each slice's picture is the hull of its two circles)."""
    keep = np.ones(len(px), bool)
    ring_px = camera.project(np.concatenate(rings)).reshape(len(rings), -1, 2)
    for i, pts in enumerate(ring_px):
        hull = _hull(pts)
        edge = np.roll(hull, -1, 0) - hull
        outward = np.stack([edge[:, 1], -edge[:, 0]], 1)
        outward /= np.linalg.norm(outward, axis=1, keepdims=True) + 1e-12
        depth = ((px[:, None, :] - hull[None]) * outward[None]).sum(2).max(1)
        owner = np.where(part < 0, 0, part)
        keep &= (owner == i) | (depth > np.where(side == 0, 0.5, -0.3))
    return keep


def _hull(points: FloatArray) -> FloatArray:
    """Convex hull, counter-clockwise in (x, y)."""
    import cv2

    hull = cv2.convexHull(points.astype(np.float32), clockwise=False).reshape(-1, 2).astype(float)
    area = np.sum(hull[:, 0] * np.roll(hull[:, 1], -1) - np.roll(hull[:, 0], -1) * hull[:, 1])
    return hull if area > 0 else hull[::-1]


def _build(x, t, n3, px, jac, labels, body, pose) -> Outline:
    tangent_px = np.einsum("nij,nj->ni", jac, t)
    tangent_px /= np.linalg.norm(tangent_px, axis=1, keepdims=True) + 1e-12
    normal = np.stack([-tangent_px[:, 1], tangent_px[:, 0]], 1)
    push = np.einsum("nij,nj->ni", jac, n3)
    normal *= np.sign(np.einsum("ni,ni->n", normal, push))[:, None]
    row = np.einsum("ni,nij->nj", normal, jac)  # px along the normal per mm of the point
    a, b = axis_frame(pose.axis)
    arm = x - pose.tip_mm
    turns = [np.einsum("nj,nj->n", row, np.cross(w, arm)) for w in (a, b)]
    roll = np.zeros(len(x))
    if body.is_bent:
        after = np.array([p >= 0 and body.frusta[p].kind == "handle" for p in labels[0]])
        roll = np.where(after, np.einsum("nj,nj->n", row, np.cross(pose.axis, arm)), 0.0)
    jacobian = np.column_stack([row, *turns, roll])
    part, side, along, weight = labels
    return Outline(x, px, normal, np.einsum("ni,ni->n", normal, push), weight, part, side, along, jacobian)


def _empty() -> Outline:
    z = np.zeros((0,))
    return Outline(np.zeros((0, 3)), np.zeros((0, 2)), np.zeros((0, 2)), z, z, z.astype(int), z.astype(int), z, np.zeros((0, 6)))
