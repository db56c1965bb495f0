"""Drawn pictures of the mat and a board, with the truth known."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from vision import rigid
from vision.bench.mat import standard_mat
from vision.camera.model import CameraModel
from vision.types import Frame

DATA = Path(__file__).parents[1] / "data"
PHOTOS = DATA / "photos"
CAMERA = CameraModel([[900, 0, 640.0], [0, 900, 362.0], [0, 0, 1]], [0.06, -0.11, 0.0008, -0.0005, 0.02], (1280, 720))
_PER_MM = 10


def looking_down(x_mm=0.0, y_mm=-190.0, z_mm=330.0, turn_deg=0.0):
    """cam_from_bench of a camera there that looks at the bench's origin."""
    place = np.array([x_mm, y_mm, z_mm])
    forward = -place / np.linalg.norm(place)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    rotation = rigid.exp_rotation(np.radians([0, 0, turn_deg])) @ np.stack([right, np.cross(forward, right), forward])
    return rigid.transform(rotation, -rotation @ place)


@lru_cache
def sheet(with_board=False):
    """The printed mat from above, 0 to 255, ten samples a mm; with a speckled board in its middle if asked for."""
    mat = standard_mat()
    w, h = (int(v * _PER_MM) for v in mat.sheet_size_mm)
    out = np.full((h, w), 230, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, mat.dictionary))
    side = int(mat.marker_size_mm * _PER_MM)
    for i, (x, y) in zip(mat.ids, mat.centres_mm, strict=False):
        left, top = int((x - mat.marker_size_mm / 2) * _PER_MM) + w // 2, h // 2 - int((y + mat.marker_size_mm / 2)
                                                                                       * _PER_MM)
        out[top:top + side, left:left + side] = 25 + cv2.aruco.generateImageMarker(dictionary, int(i),
                                                                                   side) // 255 * 205
    if with_board:
        speckle = np.random.default_rng(3).integers(40, 200, (50, 60)).astype(np.uint8)
        out[h // 2 - 450:h // 2 + 450, w // 2 - 540:w // 2 + 540] = cv2.resize(speckle, (1080, 900),
                                                                               interpolation=cv2.INTER_CUBIC)
    return out


_RAYS = {}


def _rays(camera):
    """Lines of sight (3, n) of four samples a pixel, row by row; kept for two cameras."""
    key = camera.camera_matrix_px.tobytes(), camera.distortion.tobytes(), camera.image_size_px
    if key not in _RAYS:
        w, h = camera.image_size_px
        v, u = np.mgrid[:2 * h, :2 * w].reshape(2, -1) / 2 - 0.25
        if len(_RAYS) > 1:
            _RAYS.clear()
        _RAYS[key] = np.ascontiguousarray(camera.rays(np.stack([u, v], 1)).T)
    return _RAYS[key]


def mat_light(cam_from_bench, camera, top, slid_mm=(0.0, 0.0)):
    """Linear light (h, w) of a print, four samples a pixel; slid so far along x and y, or each row of samples so far,
    (2, 2 h)."""
    w, h = camera.image_size_px
    to_bench = rigid.inverse(cam_from_bench)
    eye, look = to_bench[:3, 3], to_bench[:3, :3] @ _rays(camera)
    at = (eye[:2, None] - look[:2] * (eye[2] / look[2])).reshape(2, 2 * h, 2 * w) - np.reshape(slid_mm, (2, -1, 1))
    px = np.stack([at[0] * _PER_MM + top.shape[1] / 2 - 0.5, top.shape[0] / 2 - at[1] * _PER_MM - 0.5])
    seen = cv2.remap(top, *px.astype(np.float32), cv2.INTER_LINEAR, borderValue=90)
    light = cv2.GaussianBlur((seen / 255.0) ** 2.2, (0, 0), 1.4)
    return cv2.resize(light, (w, h), interpolation=cv2.INTER_AREA)


def picture(cam_from_bench, *, camera=CAMERA, print_=None, noise=2.0, seed=0):
    """Grey picture (h, w) of the mat: four samples a pixel in linear light, then the tone curve, then noise."""
    small = mat_light(cam_from_bench, camera, sheet() if print_ is None else print_)
    grey = 255 * small ** (1 / 2.2) + np.random.default_rng(seed).normal(0, noise, small.shape)
    return np.clip(grey, 0, 255).round().astype(np.uint8)


def frame(grey, t_s=0.0):
    """A frame of that grey picture."""
    return Frame(0, t_s, np.repeat(grey[:1, :, None], 3, 2), "drawn", grey)
