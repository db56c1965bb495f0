"""Touch photographs of a drawn nozzle that long use has left its marks on: a tube in the colours that heat gives steel,
with flux burnt onto it, over a speckled board and over the white mat."""

from __future__ import annotations

from unittest.mock import patch

import cv2
import numpy as np

from tests.vision import drawn_tool
from tests.vision.drawn import looking_down
from tests.vision.drawn_tool import CAMERA, OUTSIDE, TOOL, as_camera, drawn_exactly
from vision.calibrate.touch import TouchPhoto
from vision.nozzle.body import ToolPose
from vision.nozzle.silhouette import tool_hull

BOARD_MM = 6.0
# linear light (blue, green, red) of steel by how hot it was: bare, straw, brown, purple, blue, grey [common practice
# for their order, no source; values ours]
_TINTS = np.array([[0.30, 0.30, 0.30], [0.13, 0.28, 0.34], [0.08, 0.14, 0.24], [0.18, 0.10, 0.18], [0.28, 0.15, 0.1],
                   [0.16, 0.16, 0.15]])
_FLUX, _BOARD, _SILK = np.array([0.03, 0.10, 0.20]), np.array([0.05, 0.14, 0.04]), np.array([0.5, 0.5, 0.5])
_SLICES = np.array([[0.0] * 3, [0.2] * 3, [0.24] * 3, [0.24] * 3, [0.03, 0.03, 0.035], [0.03, 0.03, 0.035]])


def tinted_photo(surface_mm: float, height_mm: float, x_mm: float, y_mm: float, tilt_deg: float,
                 seed: int) -> TouchPhoto:
    """The nozzle with its outlet's middle so far over the board, or over the mat where surface_mm is 0."""
    rng = np.random.default_rng(seed)
    from_bench = looking_down(y_mm=190.0)
    tilt = np.radians(tilt_deg)
    axis = from_bench[:3, :3] @ [rng.uniform(-0.15, 0.15), np.sin(tilt), -np.cos(tilt)]
    pose = ToolPose(from_bench[:3, :3] @ [x_mm, y_mm, surface_mm + height_mm] + from_bench[:3, 3],
                    axis / np.linalg.norm(axis))
    with patch.object(drawn_tool, "INSIDE", np.zeros(len(TOOL.frusta))):
        cover = 1.0 - drawn_exactly(pose) / OUTSIDE
    light = _bench(from_bench) * (1.0 - cover) + _metal(pose, rng) * cover
    light = light * (1.0 + rng.normal(0, 0.012, light.shape)) + rng.normal(0, 0.002, light.shape)
    return TouchPhoto(as_camera(light), from_bench, surface_mm, height_mm, f"{seed}.png")


def _bench(from_bench) -> np.ndarray:
    """The mat, and on it a board with its silk screen; always the same."""
    rng = np.random.default_rng(1)
    grain = cv2.GaussianBlur(rng.normal(0, 0.2, (900, 1200, 1)), (0, 0), 2)[..., None]
    top = np.clip(np.full((900, 1200, 3), 0.72) + grain, 0, 1)
    board = np.broadcast_to(_BOARD, (360, 480, 3)).copy()
    for _ in range(160):
        x, y, w, h = rng.integers([0, 0, 3, 2], [470, 350, 18, 10])
        board[y:y + h, x:x + w] = _SILK * rng.uniform(0.2, 1.0)
    top[270:630, 360:840] = board
    corners = np.array([[-120, 90], [120, 90], [120, -90], [-120, -90]], float)
    px = CAMERA.project(np.c_[corners, np.zeros(4)] @ from_bench[:3, :3].T + from_bench[:3, 3])
    to_picture = cv2.getPerspectiveTransform(np.float32([[0, 0], [1200, 0], [1200, 900], [0, 900]]), np.float32(px))
    return cv2.warpPerspective(top.astype(np.float32), to_picture, CAMERA.image_size_px[:2], flags=cv2.INTER_AREA,
                               borderValue=(0.2, 0.25, 0.2))


def _metal(pose: ToolPose, rng) -> np.ndarray:
    """Light of the tool wherever it is seen: heat's colours along the tube, flux in drops and runs."""
    w, h = CAMERA.image_size_px
    out = np.zeros((h, w, 3), np.float32)
    outlet, end = CAMERA.project(np.stack([pose.tip_mm, pose.tip_mm - 28.0 * pose.axis]))
    y, x = np.mgrid[:h, :w]
    along = ((x - outlet[0]) * (end - outlet)[0] + (y - outlet[1]) * (end - outlet)[1]) / ((end - outlet) ** 2).sum()
    patchy = 0.1 * cv2.GaussianBlur(rng.normal(0, 9.0, (h, w)), (0, 0), 9)
    heat = np.clip(1.0 - along + patchy, 0, 1) * (len(_TINTS) - 1)
    tube = np.stack([np.interp(heat, np.arange(len(_TINTS)), _TINTS[:, c]) for c in range(3)], -1)
    flux = np.zeros((h, w), np.float32)
    for _ in range(14):
        at, size = outlet + rng.uniform(0, 1) * (end - outlet) + rng.normal(0, 8, 2), rng.uniform(1.5, 6)
        cv2.ellipse(flux, tuple(at.astype(int).tolist()), (int(size), int(size * rng.uniform(1, 3))),
                    float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(0.4, 0.9)), -1)
    flux = cv2.GaussianBlur(flux, (0, 0), 1.0)[..., None]
    for i, hull in enumerate(tool_hull(CAMERA, TOOL, pose)):
        mask = np.zeros((h, w), np.uint8)
        cv2.fillConvexPoly(mask, np.round(hull * 16).astype(np.int32), 255, shift=4)
        if i in (0, len(TOOL.frusta) - 1):  # beyond its rim it shows by what covers the bench there
            mask = cv2.dilate(mask, np.ones((7, 7), np.uint8))
        shown = tube if i == 0 else np.broadcast_to(_SLICES[i], tube.shape)
        out[mask > 0] = ((1 - flux) * shown + flux * _FLUX)[mask > 0]
    return out
