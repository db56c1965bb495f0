"""The lens model of `vision.camera.model` for compiled code, a point at a time."""

from __future__ import annotations

import math

import numpy as np

from vision.compiled import njit

__all__ = ["mean_shift_px", "pixel", "pixels", "project"]


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def project(p, lens, px, jac):
    """`pixel` (2,) of a point (3,) and its derivative (2, 3), into arrays that are given."""
    fx, fy, k1, k2, p1, p2, k3, edge = lens[0], lens[1], lens[4], lens[5], lens[6], lens[7], lens[8], lens[9]
    px[0], px[1] = pixel(p[0], p[1], p[2], lens)
    iz = 1.0 / max(p[2], 1e-6)
    x, y = p[0] * iz, p[1] * iz
    beyond = math.sqrt(x * x + y * y) / edge
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


@njit(cache=True, nogil=True)
def pixels(points, cam_from_world, lens):
    """`pixel` (n, 2), float32, of points (n, 3) of a frame from which that transform (4, 4) leads to the camera's; nan
    where a point is not before the camera."""
    out = np.full((len(points), 2), np.nan, np.float32)
    for i in range(len(points)):
        x, y, z = _moved(points[i], cam_from_world)
        if z > 0.0:
            out[i, 0], out[i, 1] = pixel(x, y, z, lens)
    return out


@njit(cache=True, nogil=True)
def mean_shift_px(points, then, now, lens):
    """Mean distance in the picture between points (n, 3) under two transforms (4, 4) to the camera's frame, of those
    that are before the camera; nan when none is."""
    total, n = 0.0, 0
    for i in range(len(points)):
        (xa, ya, za), (xb, yb, zb) = _moved(points[i], then), _moved(points[i], now)
        if za > 0.0 and zb > 0.0:
            (ua, va), (ub, vb) = pixel(xa, ya, za, lens), pixel(xb, yb, zb, lens)
            total += math.hypot(ub - ua, vb - va)
            n += 1
    return total / n if n else np.nan


@njit(cache=True, nogil=True)
def _moved(p, cam_from_world):
    """A point (3,) in the camera's frame, as three numbers."""
    m = cam_from_world
    return (m[0, 0] * p[0] + m[0, 1] * p[1] + m[0, 2] * p[2] + m[0, 3],
            m[1, 0] * p[0] + m[1, 1] * p[1] + m[1, 2] * p[2] + m[1, 3],
            m[2, 0] * p[0] + m[2, 1] * p[1] + m[2, 2] * p[2] + m[2, 3])
