"""Draws a body of revolution that rests on the mat, by its true silhouette: for tests and benchmarks."""

import cv2
import numpy as np

_FINE = 4  # times finer than the picture, since OpenCV fills the pixels of an edge too


def resting_tilt_rad(body):
    """How far the axis rises when rim and thickest place touch the mat; body (n, 2): radius, distance from outlet."""
    body = np.asarray(body, float)
    later = body[body[:, 1] > 0]
    return float(np.arctan(max(0.0, np.max((later[:, 0] - body[0, 0]) / later[:, 1]))))


def circles(body, tip_xy_mm, turn_deg, tilt_rad=None, step_mm=0.2):
    """The body's circles in the bench frame, (n, 90, 3) [mm]; it points away from its outlet by turn_deg about z."""
    body = np.asarray(body, float)
    tilt = resting_tilt_rad(body) if tilt_rad is None else tilt_rad
    turn, angle = np.radians(turn_deg), np.linspace(0, 2 * np.pi, 90, endpoint=False)
    up = np.array([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), np.sin(tilt)])
    across = np.array([-np.sin(turn), np.cos(turn), 0.0])
    over = np.cross(up, across)
    s = np.unique(np.concatenate([np.arange(0.0, body[-1, 1], step_mm), body[:, 1], body[:, 1] + 1e-9]))
    s = s[s <= body[-1, 1]]
    r = np.interp(s, body[:, 1] + 1e-12 * np.arange(len(body)), body[:, 0])
    tip = np.array([*tip_xy_mm, body[0, 0] * np.cos(tilt)])
    ring = np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * over
    return tip + s[:, None, None] * up + r[:, None, None] * ring


def share_covered(camera, cam_from_bench, rings, size):
    """Share of each pixel that the body covers, (h, w) from 0 to 1."""
    fine = np.zeros((_FINE * size[1], _FINE * size[0]), np.uint8)
    before = None
    for ring in rings:
        px = camera.project(ring @ cam_from_bench[:3, :3].T + cam_from_bench[:3, 3])
        px = np.round(16 * (_FINE * px + (_FINE - 1) / 2)).astype(np.int32)
        both = px if before is None else np.concatenate([before, px])
        cv2.fillConvexPoly(fine, cv2.convexHull(both), 255, shift=4)
        before = px
    return cv2.resize(fine, size, interpolation=cv2.INTER_AREA) / 255.0


def lying(camera, cam_from_bench, empty, rings, grey=85.0, lamp=None, darkness=0.4):
    """The bench with the body on it, (h, w, 3) float; lamp (3,): direction to a lamp whose shadow darkens by a share,
    softened."""
    size = empty.shape[1::-1]
    out = empty.astype(float)
    if lamp is not None:
        lamp = np.asarray(lamp, float) / np.linalg.norm(lamp)
        flat = rings - rings[..., 2:] / lamp[2] * lamp
        shade = cv2.GaussianBlur(share_covered(camera, cam_from_bench, flat, size), (0, 0), 3.0)
        out *= 1 - darkness * shade[..., None]
    share = share_covered(camera, cam_from_bench, rings, size)[..., None]
    out = out * (1 - share) + share * grey
    return cv2.GaussianBlur(out, (0, 0), 0.7)
