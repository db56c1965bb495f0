"""How long a camera takes to read its rows one after the other, from a recording in which the mat is waved before it,
or the camera over the mat.

A rolling shutter's model: each row has its own time, and over one picture the mat moves evenly (C. Geyer, M. Meingast,
S. Sastry, "Geometric models of rolling-shutter cameras", OMNIVIS 2005; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from vision import rigid
from vision.bench.follower import find_markers, plane_pose
from vision.bench.mat import Mat
from vision.camera.model import CameraModel
from vision.camera.sources import brightness
from vision.errors import CalibrationError
from vision.types import FloatArray, Frame

__all__ = ["Readout", "measure_readout"]

_LEAST_MARKERS = 6  # in one picture [convention]
_LEAST_PICTURES = 36  # between two others, each a little later [convention]
_MOST_GAP_S = 0.1  # between pictures: over a longer one the mat does not move evenly [convention]
MOST_SIGMA_S = 0.001  # beyond it the readout is not known: at 100 mm/s a tenth of a millimetre [derived]
_ROUNDS = 4  # the velocity comes from poses that the readout bends a little [convention]
_REJECT = 3.0  # sigmas of a picture's own answer [convention]
_ALIKE = 6  # pictures, a fifth of a second, in which corners are off alike [convention]


@dataclass(frozen=True)
class Readout:
    """From the first row's exposure to the last row's [s]; below 0 when the driver turns the picture upside down."""

    readout_s: float
    sigma_s: float
    n_pictures: int


@dataclass(frozen=True)
class _Sight:
    """The mat in one picture: corners (n, 3) [mm] and where they are seen (n, 2) [px]."""

    t_s: float
    points_mm: FloatArray
    px: FloatArray


def measure_readout(frames: Iterable[Frame], camera: CameraModel, mat: Mat) -> Readout:
    """The readout that explains best where a moving mat's corners are seen.

    Raises
    ------
    CalibrationError
        The mat is seen in too few pictures, or moves too little.
    """
    sights = [s for s in (_sight(frame, mat) for frame in frames) if s is not None]
    between = [k for k in range(1, len(sights) - 1)
               if max(np.diff([s.t_s for s in sights[k - 1:k + 2]])) < _MOST_GAP_S]
    if len(between) < _LEAST_PICTURES:
        raise CalibrationError(f"the mat is seen in {len(between)} pictures between two others; at least "
                               f"{_LEAST_PICTURES} are needed: wave it slowly enough that its markers stay sharp")
    poses = [_pose(camera, s, s.px) for s in sights]
    readout_s, sigma_s = 0.0, np.inf
    for _ in range(_ROUNDS):
        shifts = {k: _shift_px(camera, sights, poses, k) for k in between}
        answers = np.array([_answer(camera, sights[k], poses[k], shifts[k]) for k in between])
        readout_s, sigma_s = _combined(*answers.T)
        poses = [_pose(camera, s, s.px - readout_s * shifts[k] if k in shifts else s.px)
                 for k, s in enumerate(sights)]
    if not sigma_s < MOST_SIGMA_S:
        raise CalibrationError("the mat moves too little to tell how fast rows are read: wave it further to and fro, "
                               "also up and down in the picture")
    return Readout(readout_s, sigma_s, len(between))


def _sight(frame: Frame, mat: Mat) -> _Sight | None:
    found = find_markers(brightness(frame), mat)
    if len(found) < _LEAST_MARKERS:
        return None
    return _Sight(frame.t_s, np.concatenate([mat.corners_mm(i) for i in found]), np.concatenate(list(found.values())))


def _pose(camera: CameraModel, sight: _Sight, px: FloatArray) -> FloatArray:
    """Camera from mat (4, 4), by least squares from corners seen there."""
    return plane_pose(sight.points_mm, camera.rays(px)[:, :2])


def _columns(camera: CameraModel, sight: _Sight, pose: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Corners as that pose puts them (n, 2), and their change with `rigid.moved`'s step (n, 2, 6)."""
    cam = rigid.apply(pose, sight.points_mm)
    px, jac = camera.project_with_jacobian(cam)
    return px, np.concatenate([np.cross(cam[:, None, :], jac), jac], axis=2)


def _shift_px(camera: CameraModel, sights: list[_Sight], poses: list[FloatArray], k: int) -> FloatArray:
    """How far each corner of a picture has gone [px / s of readout] when its row is read, shape (n, 2)."""
    rates = rigid.difference(poses[k + 1], poses[k - 1]) / (sights[k + 1].t_s - sights[k - 1].t_s)
    _, columns = _columns(camera, sights[k], poses[k])
    return camera.row_share(sights[k].px[:, 1])[:, None] * (columns @ rates)


def _answer(camera: CameraModel, sight: _Sight, pose: FloatArray, shift_px: FloatArray) -> tuple[float, float]:
    """One picture's information about the readout, and that times what it says, with its pose left free."""
    px, columns = _columns(camera, sight, pose)
    rest, column, free = (sight.px - px).ravel(), shift_px.ravel(), columns.reshape(-1, 6)
    column = column - free @ np.linalg.lstsq(free, column, rcond=None)[0]
    return float(column @ column), float(column @ rest)


def _combined(information: FloatArray, scores: FloatArray) -> tuple[float, float]:
    """The readout, and its sigma from how the pictures disagree; those that disagree grossly are left out."""
    use = information > 0
    value = sigma = np.inf
    for _ in range(3):
        if use.sum() < _LEAST_PICTURES:
            return 0.0, np.inf
        total = information[use].sum()
        value = scores[use].sum() / total
        rest = scores - value * information
        together = np.add.reduceat(np.where(use, rest, 0.0), np.arange(0, len(rest), _ALIKE))
        sigma = float(np.sqrt((together ** 2).sum()) / total)
        # of a picture's own answer, the scatter goes by the root of its information
        own = rest / np.sqrt(np.maximum(information, 1e-300))
        spread = 1.4826 * np.median(np.abs(own[use]))
        use = (information > 0) & (np.abs(own) < _REJECT * max(spread, 1e-12))
    return float(value), sigma
