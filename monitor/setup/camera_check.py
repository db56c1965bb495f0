"""Names the faults of a camera's view as they are seen, before anything is calibrated, from the mat's markers alone."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np

from vision.bench.follower import find_markers
from vision.bench.mat import Mat
from vision.camera.model import CameraModel
from vision.fit.bias import DEFAULT_BIAS, EdgeBias
from vision.fit.expected import ExpectedEdges, expected_spread
from vision.nozzle.body import Hold, NozzleBody, ToolPose
from vision.types import FloatArray

__all__ = ["CameraCheck", "CameraReport", "guessed_camera"]

GUESSED_FOCAL = 1.0  # of the picture's width; usual webcams have 0.8 to 1.3
LEAST_MARKERS, MOST_HIDDEN = 6, 3  # hand and tool hide one or two
DARK_GREY, GLARE_GREY = 60, 250
GLARE_SHARE = 0.01  # of the mat's area
BLUR_PX = 4.5  # 10 to 90 % of an edge between black and white
STEEP_DEG, FLAT_DEG = 8.0, 55.0  # of the view from the vertical; the guessed focal length is allowed for
UNSTEADY = 0.08  # of the brightness, over the last seconds
HEIGHT_MM, FAR_MM = 15.0, 1.5  # where heights are estimated; a spread from which on the distance is called a fault
MEMORY = 8
TOO_FAR = "far for this nozzle"
# how sure an edge is once touch photographs are taken, of a nozzle that is not shiny; practice, no source
TOUCHED_PX = 0.25
_TOUCHED = {key: EdgeBias(0.0, min(b.sigma_px, TOUCHED_PX)) for key, b in DEFAULT_BIAS.items()}
_UPRIGHT = Hold(np.array([0.0, 0.0, -1.0]), np.array([1.0, 0.0, 0.0]))


@dataclass(frozen=True)
class CameraReport:
    """One look at the picture.

    Attributes
    ----------
    faults : tuple of str
        What is wrong and what to do, the worst first.
    good : tuple of str
        What is already as it should be.
    is_usable : bool
        Whether it can be worked with: being far costs accuracy, but nothing else.
    corners_px : array, shape (n, 4, 2)
        Of the markers seen.
    height_sigma_mm : float
        Expected 1 sigma of a height, from geometry with a guessed camera; nan without the mat.
    """

    faults: tuple[str, ...]
    good: tuple[str, ...]
    is_usable: bool
    corners_px: FloatArray
    height_sigma_mm: float


class CameraCheck:
    """Looks at pictures of one camera; `look` a few times a second.

    Parameters
    ----------
    mat : Mat
    body : NozzleBody
        The nozzle that heights are to be measured of.
    """

    def __init__(self, mat: Mat, body: NozzleBody) -> None:
        self._mat, self._body = mat, body
        self._light: deque[float] = deque(maxlen=MEMORY)

    def look(self, image: np.ndarray, camera: CameraModel | None = None) -> CameraReport:
        """Judge one picture; with a calibrated camera, or with a guessed one."""
        grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
        found = find_markers(grey, self._mat)
        corners = np.array(list(found.values()), float).reshape(-1, 4, 2)
        faults, good = [], []
        middle = float(np.percentile(grey, 90))
        if middle < DARK_GREY:
            faults.append("too dark: more light on the bench")
        else:
            good.append("bright enough")
        if len(found) < LEAST_MARKERS:
            faults.append("the mat's markers are not seen: lay the printed mat flat into the picture")
            return CameraReport(tuple(faults), tuple(good), False, corners, math.nan)
        self._judge_markers(found, faults, good)
        self._judge_light(grey, corners, faults, good)
        sigma = self._judge_view(image.shape[1::-1], found, camera, faults, good)
        is_usable = all(fault.startswith(TOO_FAR) for fault in faults)
        return CameraReport(tuple(faults), tuple(good), is_usable, corners, sigma)

    def _judge_markers(self, found: dict[int, FloatArray], faults: list[str], good: list[str]) -> None:
        hidden = [i for i in self._mat.ids if int(i) not in found]
        if len(hidden) > MOST_HIDDEN:
            centre = np.mean([self._mat.centres_mm[np.flatnonzero(self._mat.ids == i)[0]] for i in hidden], axis=0)
            faults.append(f"{len(hidden)} of {len(self._mat.ids)} markers hidden, {_side(centre)}: move what covers "
                          f"them, or "
                          "the camera")
        else:
            good.append(f"{len(found)} of {len(self._mat.ids)} markers seen")

    def _judge_light(self, grey: np.ndarray, corners: FloatArray, faults: list[str], good: list[str]) -> None:
        hull = cv2.convexHull(corners.reshape(-1, 2).astype(np.float32))
        inside = np.zeros(grey.shape, np.uint8)
        cv2.fillConvexPoly(inside, np.round(hull).astype(np.int32), 1)
        white = [float(np.percentile(cv2.getRectSubPix(grey, (24, 24), tuple(map(float, c.mean(0)))), 90))
                 for c in corners]
        shine = cv2.morphologyEx(((grey >= GLARE_GREY) & (inside > 0)).astype(np.uint8), cv2.MORPH_OPEN,
                                 np.ones((5, 5)))
        share = float(shine.sum()) / max(int(inside.sum()), 1)
        if share > GLARE_SHARE:
            faults.append(f"glare on {100 * share:.0f} % of the mat: turn the lamp, or soften it")
        else:
            good.append("no glare")
        width = _edge_width_px(grey, corners)
        if width > BLUR_PX:
            faults.append(f"blurred: edges are {width:.0f} pixels wide; focus on the board, and hold the camera still")
        else:
            good.append("sharp")
        self._light.append(float(np.median(white)))
        if len(self._light) == MEMORY and np.ptp(self._light) > UNSTEADY * np.median(self._light):
            faults.append("the brightness changes by itself: switch automatic exposure off, or wait for steady light")

    def _judge_view(self, size: tuple[int, int], found: dict[int, FloatArray], camera: CameraModel | None,
                    faults: list[str], good: list[str]) -> float:
        seen_by = camera if camera is not None else guessed_camera(size)
        pose = _pose(seen_by, self._mat, found)
        if pose is None:
            return math.nan
        lean = math.degrees(math.acos(min(1.0,
                                          abs(float(pose[:3, 2] @ pose[:3, 3])) / float(np.linalg.norm(pose[:3, 3])))))
        if lean < STEEP_DEG:
            faults.append(f"it looks straight down ({lean:.0f} degrees): tilt it to 20 to 40 degrees, or the tool "
                          f"hides its tip")
        elif lean > FLAT_DEG:
            faults.append(f"it looks too flat over the bench ({lean:.0f} degrees): raise it to 20 to 40 degrees")
        else:
            good.append(f"looks down at {lean:.0f} degrees")
        now, nearer = (_height_sigma_mm(seen_by, self._body, pose, share) for share in (1.0, 0.7))
        if now > FAR_MM:
            faults.append(f"{TOO_FAR}: heights to {now:.1f} mm only (1 sigma, from geometry); a third nearer "
                          f"{nearer:.1f} mm")
        elif math.isfinite(now):
            good.append(f"heights to about {now:.1f} mm (1 sigma, from geometry)")
        return now


def guessed_camera(size_px: tuple[int, int]) -> CameraModel:
    """What a webcam usually is like, before it is calibrated."""
    width, height = size_px
    focal = GUESSED_FOCAL * width
    return CameraModel(np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]]), np.zeros(5),
                       size_px)


def _pose(camera: CameraModel, mat: Mat, found: dict[int, FloatArray]) -> FloatArray | None:
    world = np.concatenate([mat.corners_mm(i) for i in found])
    pixels = np.concatenate(list(found.values()))
    distortion = np.asarray(camera.distortion, float)
    done, turn, shift = cv2.solvePnP(world, pixels, camera.camera_matrix_px, distortion, flags=cv2.SOLVEPNP_IPPE)
    if not done:
        return None
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = cv2.Rodrigues(turn)[0], shift.ravel()
    return pose


def _height_sigma_mm(camera: CameraModel, body: NozzleBody, pose: FloatArray, share: float) -> float:
    """Spread of a height over the mat's middle, with the camera at a share of its distance."""
    moved = pose.copy()
    moved[:3, 3] *= share
    tip = (moved @ np.array([0.0, 0.0, HEIGHT_MM, 1.0]))[:3]
    tool: ToolPose = _UPRIGHT.pose_at(tip, moved)
    return max(expected_spread(camera, body, tool, moved[:3, 2], ExpectedEdges(_TOUCHED, x)).height_mm
               for x in (False, True))


def _edge_width_px(grey: np.ndarray, corners: FloatArray) -> float:
    """Median width, 10 to 90 %, of the markers' outer edges, across the middles of their sides."""
    widths, smooth = [], grey.astype(np.float32)
    for quad in corners:
        centre = quad.mean(0)
        for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            middle = (a + b) / 2
            out = (middle - centre) / max(float(np.linalg.norm(middle - centre)), 1e-6)
            at = middle + np.arange(-8, 8.25, 0.25)[:, None] * out
            line = cv2.remap(smooth, at[None, :, 0].astype(np.float32), at[None, :, 1].astype(np.float32),
                             cv2.INTER_LINEAR)[0]
            low, high = float(line[:12].min()), float(line[-12:].max())
            if high - low < 30:
                continue
            rise = (line - low) / (high - low)
            below = np.flatnonzero(rise < 0.1)
            first = np.flatnonzero(rise[below[-1]:] > 0.9) if len(below) else below
            if len(first):
                widths.append(0.25 * first[0])
    return float(np.median(widths)) if widths else math.nan


def _side(centre_mm: FloatArray) -> str:
    across = "left" if centre_mm[0] < -30 else "right" if centre_mm[0] > 30 else ""
    down = "at the top" if centre_mm[1] > 25 else "at the bottom" if centre_mm[1] < -25 else ""
    return " ".join(w for w in (down, across and f"on the {across}") if w) or "in the middle"
