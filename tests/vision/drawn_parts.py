"""Pictures of parts on a board, quick to make, with shadows, smoke and all that may deceive a watch over parts.

The faces of board and parts are drawn, or cut from photographs by real cameras (tests/data/photos/ORIGIN.md).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from tests.vision.drawn import PHOTOS, looking_down
from vision import rigid
from vision.camera.model import CameraModel
from vision.parts.place import PartSpec
from vision.types import BenchPose, Frame

CAMERA = CameraModel(
    [[1450, 0, 200.0], [0, 1450, 150.0], [0, 0, 1]], [0.0, 0.0, 0.0, 0.0, 0.0], (400, 300)
)  # 3.8 px a mm
POSE = looking_down()
FINE = 3  # samples a pixel, each way
PER_MM = 16  # of the drawn tops
HALF_MM = 60.0
DRAWN = "drawn"
PHOTOGRAPHED = ("aruco/choriginal", "chessboard/left01")  # at 4 of their pixels a mm
_PHOTO_PX_MM = 4


def box(x_mm, y_mm, width_mm, depth_mm):
    """Corners of a rectangle about a centre, (4, 2)."""
    w, d = width_mm / 2, depth_mm / 2
    return np.array([[x_mm - w, y_mm - d], [x_mm + w, y_mm - d], [x_mm + w, y_mm + d], [x_mm - w, y_mm + d]])


TARGET = PartSpec("U3", box(0, 0, 10, 10), 1.0)
CAN = PartSpec("can", box(14, 4, 7, 5), 1.0)
CHIP = PartSpec("C14", box(-9, 3, 0.8, 1.6), 0.5)
PARTS = [TARGET, CAN, CHIP]
LOOSE = PartSpec("C15", box(6, -11, 0.8, 1.6), 0.5)  # a chip that nobody marked


@dataclass
class Lie:
    """How a part lies: shift [mm], turn [rad], whether it is there."""

    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_rad: float = 0.0
    is_there: bool = True
    stands: bool = False  # on its far short side, as a box


@dataclass
class Scene:
    """What one frame shows; pixels (400 x 300)."""

    lies: dict[str, Lie] = field(default_factory=dict)
    pose: np.ndarray = field(default_factory=lambda: POSE)
    board_shift: np.ndarray = field(default_factory=lambda: np.zeros(3))
    light: np.ndarray | float = 1.0  # a factor, of shadows and exposure, linear
    haze: np.ndarray | float = 0.0  # added, linear
    rod: tuple[tuple[float, float], tuple[float, float], float] | None = None  # a tool's ends and width [px]
    faces: str = DRAWN  # or one of PHOTOGRAPHED


def board_top(seed=3):
    """The board from above: green, traces and speckle."""
    rng = np.random.default_rng(seed)
    side = int(2 * HALF_MM * PER_MM / 8)
    coarse = cv2.resize(
        rng.uniform(50, 95, (side // 12, side // 12)).astype(np.float32), (side, side), interpolation=cv2.INTER_CUBIC
    )
    for _ in range(220):
        x, y = rng.integers(0, side, 2)
        w, h = rng.integers(2, 14, 2)
        coarse[y : y + h, x : x + w] = rng.uniform(110, 200)
    return cv2.resize(coarse, (8 * side, 8 * side), interpolation=cv2.INTER_LINEAR)


def part_top(spec, seed=0):
    """A part's top face: dark with print, a light can, or a chip with bright ends."""
    rng = np.random.default_rng(seed)
    w, h = (int(v * PER_MM) for v in np.ptp(spec.outline_mm, axis=0))
    out = np.full((h, w), 45.0, np.float32)
    if spec.name == "can":
        out[:] = 170 + cv2.resize(rng.uniform(-12, 12, (h // 8, w // 8)).astype(np.float32), (w, h))
    elif w < 2 * PER_MM or h < 2 * PER_MM:
        out[:] = 60
        out[: h // 4] = out[-h // 4 :] = 190
    else:
        for row in range(3):
            for x in range(w // 8, w * 3 // 4, w // 8):
                out[
                    h // 6 + row * h // 4 : h // 6 + row * h // 4 + int(rng.integers(8, 24)),
                    x : x + int(rng.integers(4, 14)),
                ] = 150
    return out


@lru_cache
def faces_of(name):
    """The board's face, and each part's by its name."""
    if name == DRAWN:
        return board_top(), {spec.name: part_top(spec, i) for i, spec in enumerate([*PARTS, LOOSE])}
    photo = cv2.imread(str(PHOTOS / f"{name}.jpg"), cv2.IMREAD_GRAYSCALE).astype(np.float32)
    tops = {}
    for spec, (x, y) in zip([*PARTS, LOOSE], _busiest(photo), strict=True):
        w, h = (int(v * _PHOTO_PX_MM) for v in np.ptp(spec.outline_mm, axis=0))
        cut = photo[max(y - h // 2, 0):, max(x - w // 2, 0):][:h, :w]
        tops[spec.name] = _grown(cut)
    side = int(2 * HALF_MM * _PHOTO_PX_MM)
    x = (photo.shape[1] - side) // 2
    return _grown(photo[:side, x : x + side]), tops


def _grown(photo):
    """From a photograph's pixels to the samples of a face."""
    zoom = PER_MM // _PHOTO_PX_MM
    return np.clip(cv2.resize(photo, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC), 0, 255)


def _busiest(photo):
    """Four places with corners, apart from each other and from the rim, the most marked first."""
    found = cv2.goodFeaturesToTrack(photo[40:-40, 40:-40], 4, 0.05, 70)
    return [(int(x) + 40, int(y) + 40) for x, y in found[:, 0]]


def draw(scene, noise=2.0, seed=0, sharpen=0.0, jpeg=0):
    """Grey picture (300, 400), uint8."""
    light = _light(
        scene.pose.tobytes(),
        scene.board_shift.tobytes(),
        tuple((n, lie.shift_mm, lie.turn_rad, lie.is_there, lie.stands) for n, lie in sorted(scene.lies.items())),
        scene.rod,
        scene.faces,
    )
    grey = 255 * np.clip(light * scene.light + scene.haze, 0, 1) ** (1 / 2.2)
    if sharpen:
        grey = grey + sharpen * (grey - cv2.GaussianBlur(grey, (0, 0), 1.2))
    grey = grey + np.random.default_rng(seed).normal(0, noise, grey.shape)
    grey = np.clip(grey, 0, 255).round().astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, jpeg])[1], 0) if jpeg else grey


def frame_of(grey, index, rate_hz=30.0):
    """That picture as a frame."""
    return Frame(index, index / rate_hz, np.repeat(grey[:, :, None], 3, 2), "drawn", grey)


def bench_of(pose, t_s=0.0):
    """The pose as vision tells it."""
    return BenchPose(t_s, pose, np.eye(6) * 1e-8, 14, 0.1)


@lru_cache(maxsize=8)
def _light(pose, board_shift, lies, rod, faces):
    """Linear light (300, 400) of a scene without what its brightness does."""
    scene = Scene(
        {n: Lie(shift, turn, there, stands) for n, shift, turn, there, stands in lies},
        np.frombuffer(pose).reshape(4, 4),
        np.frombuffer(board_shift),
    )
    board, tops = faces_of(faces)
    w, h = CAMERA.image_size_px
    square = np.array([[-HALF_MM, HALF_MM], [HALF_MM, HALF_MM], [HALF_MM, -HALF_MM], [-HALF_MM, -HALF_MM]])
    out = _laid(board, square, 0.0, scene, np.full((FINE * h, FINE * w), 60.0, np.float32))
    for spec in [*PARTS, LOOSE]:
        lie = scene.lies.get(spec.name, Lie())
        if lie.stands:
            out = _box(spec, scene, out)
        elif lie.is_there:
            corners = spec.outline_mm[[3, 2, 1, 0]]
            centre = corners.mean(0)
            out = _laid(
                tops[spec.name],
                _turned(corners - centre, lie.turn_rad) + centre + lie.shift_mm,
                spec.height_mm,
                scene,
                out,
            )
    if rod is not None:
        a, b, width = rod
        ends = [tuple(round(FINE * v) for v in p) for p in (a, b)]
        cv2.line(out, *ends, 150.0, int(FINE * width))
        cv2.line(out, *ends, 110.0, int(FINE * width * 0.5))
    return cv2.resize(cv2.GaussianBlur((out / 255.0) ** 2.2, (0, 0), 0.6 * FINE), (w, h), interpolation=cv2.INTER_AREA)


def _box(spec, scene, out):
    """A part standing on its far short side, in two greys: its hull, and its end facing up."""
    (left, low), (right, high) = spec.outline_mm.min(0), spec.outline_mm.max(0)
    base = np.array([[left, high - spec.height_mm], [right, high - spec.height_mm], [right, high], [left, high]])
    faces = [np.column_stack([base, np.full(4, z)]) for z in (0.0, high - low)]
    px = [FINE * (CAMERA.project(rigid.apply(scene.pose, face)) + 0.5) - 0.5 for face in faces]
    out = out.copy()
    cv2.fillConvexPoly(out, cv2.convexHull(np.vstack(px).astype(np.float32)).round().astype(np.int32), 60.0)
    cv2.fillConvexPoly(out, px[1].round().astype(np.int32), 190.0)
    return out


def _laid(top, corners_mm, height_mm, scene, out):
    """A top face laid into the fine picture."""
    on_bench = np.column_stack(
        [_turned(corners_mm, scene.board_shift[2]) + scene.board_shift[:2], np.full(4, height_mm)]
    )
    px = FINE * (CAMERA.project(rigid.apply(scene.pose, on_bench)) + 0.5) - 0.5
    th, tw = top.shape
    matrix = cv2.getPerspectiveTransform(
        np.array([[-0.5, -0.5], [tw - 0.5, -0.5], [tw - 0.5, th - 0.5], [-0.5, th - 0.5]], np.float32),
        px.astype(np.float32),
    )
    small = cv2.GaussianBlur(top, (0, 0), max(0.3, PER_MM / (3.8 * FINE) * 0.4)) if height_mm else top
    laid = cv2.warpPerspective(small, matrix, out.shape[::-1], flags=cv2.INTER_LINEAR)
    covers = cv2.warpPerspective(np.ones_like(top), matrix, out.shape[::-1], flags=cv2.INTER_LINEAR)
    return out * (1 - covers) + laid * covers if height_mm else np.where(covers > 0.5, laid, out)


def _turned(points, turn_rad):
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return points @ np.array([[c, s], [-s, c]])
