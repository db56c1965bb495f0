"""A drawn tool over an even bench, with the truth known."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.spatial import ConvexHull

from vision.camera.lens import project
from vision.camera.model import CameraModel
from vision.edges.profiles import BLUR_PX
from vision.nozzle.body import ToolPose, axis_frame, body_from_measures

CAMERA = CameraModel(
    camera_matrix_px=np.array([[900.0, 0, 640], [0, 900.0, 360], [0, 0, 1]]), distortion=np.zeros(5),
    image_size_px=(1280, 720), rms_px=0.2, focal_sigma_px=0.5,
)
TOOL = body_from_measures([(4.0, 0.0), (4.0, 28.0), (9.0, 36.0), (11.0, 37.0), (11.0, 50.0)],
                          [(13.0, 50.0), (14.0, 70.0)])
OUTSIDE = 0.45
INSIDE = np.array([0.14, 0.10, 0.18, 0.20, 0.08])  # linear light of each slice, tube to handle


def _grey_levels():
    light = np.arange(2**16) / (2**16 - 1)
    return np.round(255 * np.where(light <= 0.0031308, 12.92 * light,
                                   1.055 * light ** (1 / 2.4) - 0.055)).astype(np.uint8)


GREY_LEVELS = _grey_levels()  # of light in 65535ths: a fortieth of a level is the most that this is off


def as_camera(light):
    """Linear light as the grey levels of a picture, IEC 61966-2-1."""
    return GREY_LEVELS[np.round(np.clip(light, 0, 1) * (2**16 - 1)).astype(np.uint16)]


def independent(share):
    """Noise, as `Tolerance` has it, of a picture whose channels scatter by that share each on its own: of their
    mean, of one less the mean of the others, of the difference of two."""
    return share / np.sqrt(3), share * np.sqrt(1.5), share * np.sqrt(2)


def drawn_exactly(pose: ToolPose, rows: int = 16) -> np.ndarray:
    """Linear light (h, w, 3): exact along x, in so many rows a pixel along y."""
    w, h = CAMERA.image_size_px
    at_y = (np.arange(h * rows) + 0.5) / rows - 0.5
    ends = spans(CAMERA, pose, at_y)
    light = np.full((h * rows, w), OUTSIDE, np.float32)
    edge = np.arange(w + 1) - 0.5
    for k in np.flatnonzero((ends[..., 0] < ends[..., 1]).any(1)):
        light[k] -= painted(edge, ends[k], OUTSIDE - INSIDE)
    light = light.reshape(h, rows, w).mean(1)
    pixel_px = 1 / np.sqrt(12)  # averaging over a pixel blurs by so much itself
    light = cv2.GaussianBlur(light, (0, 0), float(np.sqrt(BLUR_PX**2 - pixel_px**2)))
    return light[..., None] * np.ones(3, np.float32)


def spans(camera, pose: ToolPose, at_y, n_round: int = 720):
    """Left and right of each slice of the tool in rows (n,) of a picture, shape (n, slices, 2); alike where it is
    not."""
    a, b = axis_frame(-pose.axis)
    angle = np.linspace(0, 2 * np.pi, n_round, endpoint=False)[:, None]
    ends = np.zeros((len(at_y), len(TOOL.frusta), 2))
    for i, piece in enumerate(TOOL.frusta):
        rings = [pose.tip_mm - s * pose.axis + r * (np.cos(angle) * a + np.sin(angle) * b)
                 for s, r in ((piece.start_mm, piece.start_radius_mm), (piece.end_mm, piece.end_radius_mm))]
        px = camera.project(np.concatenate(rings))
        if px[:, 1].max() > at_y[0] and px[:, 1].min() < at_y[-1]:
            first, last, right, left = _covered(px[ConvexHull(px).vertices], at_y)
            ends[first:last, i] = np.stack([left, right], 1)[first:last]
    return ends


def painted(edge, ends, levels):
    """A row of pixels between `edge` (n + 1,) with a level for each slice, whose ends (slices, 2) `spans` gives; the
    last slice is nearest to us, as the jet points away."""
    at_x = np.sort(ends, None)
    middle = 0.5 * (at_x[1:] + at_x[:-1])
    seen = np.zeros(len(middle))
    for level, (left, right) in zip(levels, ends, strict=True):
        seen[(left < middle) & (middle < right)] = level
    return np.diff(np.interp(edge, at_x, np.append(0.0, np.cumsum(seen * np.diff(at_x)))))


def _covered(hull, at_y):
    """First and last row that a convex outline (n, 2) covers, and its greatest and least x in each row."""
    top, bottom = hull[:, 1].argmin(), hull[:, 1].argmax()
    chains = [np.roll(hull, -top, 0)[:(bottom - top) % len(hull) + 1],
              np.roll(hull, -bottom, 0)[:(top - bottom) % len(hull) + 1][::-1]]
    sides = [np.interp(at_y, chain[:, 1], chain[:, 0]) for chain in chains]
    first, last = np.searchsorted(at_y, [hull[top, 1], hull[bottom, 1]])
    return first, last, np.maximum(*sides), np.minimum(*sides)


def projected(points, lens):
    """Pixels (n, 2) of points (n, 3) by compiled code, and their derivatives (n, 2, 3)."""
    px, jac = np.empty((len(points), 2)), np.empty((len(points), 2, 3))
    for point, its_px, its_jac in zip(points, px, jac, strict=True):
        project(point, lens, its_px, its_jac)
    return px, jac
