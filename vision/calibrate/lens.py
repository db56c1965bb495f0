"""A camera's calibration from photographs of a flat target, judged by what it leaves unknown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np

from vision import rigid
from vision.bench.follower import find_markers, marker_dictionary
from vision.bench.mat import Mat
from vision.camera.model import CameraModel
from vision.camera.sources import read_photo
from vision.errors import CalibrationError
from vision.types import FloatArray

__all__ = ["CharucoTarget", "ChessboardTarget", "CalibrationVerdict", "CameraCalibration", "View", "calibrate_camera",
           "find_target"]

# of the focal length: beyond it heights cannot be trusted: 0.3 % of 400 mm is 1.2 mm [convention]
_MAX_SIGMA_SHARE = 0.003
_REJECT = 4.0  # robust sigmas, beyond which a corner is misread [convention]


class _Asked(NamedTuple):
    """What photographs must show [convention]: so many corners each; so many of them, and for good; so many with the
    target tilted, its normal leaning by that sine or more."""

    corners: int = 8
    views: int = 6
    good_views: int = 12
    tilted: int = 3
    lean: float = float(np.sin(np.radians(15.0)))


_ASKED = _Asked()


@dataclass(frozen=True)
class CharucoTarget:
    """A chessboard with a marker in every white square.

    Attributes
    ----------
    squares : tuple of int
        Across and down.
    square_mm, marker_mm : float
    dictionary : str
        As OpenCV spells it.
    """

    squares: tuple[int, int]
    square_mm: float
    marker_mm: float
    dictionary: str

    def __post_init__(self) -> None:
        if len(self.squares) != 2 or min(self.squares) < 3:
            raise CalibrationError(f"squares: expected two whole numbers of at least 3, got {self.squares}")
        if not 0 < self.marker_mm < self.square_mm < np.inf:
            raise CalibrationError("square_mm, marker_mm: expected 0 < marker_mm < square_mm, "
                                   f"got {self.square_mm:g} and {self.marker_mm:g}")
        marker_dictionary(self.dictionary)


@dataclass(frozen=True)
class ChessboardTarget:
    """A plain chessboard.

    Attributes
    ----------
    inner_corners : tuple of int
        Points where four squares meet, across and down.
    square_mm : float
    """

    inner_corners: tuple[int, int]
    square_mm: float

    def __post_init__(self) -> None:
        if len(self.inner_corners) != 2 or min(self.inner_corners) < 3 or not 0 < self.square_mm < np.inf:
            raise CalibrationError("inner_corners, square_mm: expected at least 3 by 3 corners and a size above 0 mm")


Target = CharucoTarget | ChessboardTarget | Mat
Size = tuple[int, int]  # width, height [px]
Kind = tuple[bool, bool]  # of a ChArUco print: begun as older tools do, white on black


@dataclass(frozen=True)
class View:
    """The target's corners in one photograph.

    Attributes
    ----------
    name : str
    points_mm : array, shape (n, 3)
        On the target, z = 0.
    points_px : array, shape (n, 2)
    """

    name: str
    points_mm: FloatArray
    points_px: FloatArray


@dataclass(frozen=True)
class CalibrationVerdict:
    """How far a calibration can be trusted.

    Attributes
    ----------
    is_usable : bool
        The focal length is known to 0.3 % or better, and some views are tilted: without them that figure means little.
    focal_sigma_share : float
        Standard deviation of the focal length, as a share of it [-].
    n_views, n_corners, n_rejected : int
    missing : tuple of str
        Photographs that would help, one sentence each; empty when the set is complete.
    """

    is_usable: bool
    focal_sigma_share: float
    n_views: int
    n_corners: int
    n_rejected: int
    missing: tuple[str, ...]

    def sentence(self) -> str:
        """The verdict in one line."""
        known = f"known to {100 * self.focal_sigma_share:.2f} %" if self.focal_sigma_share < 0.1 else "not known"
        head = (f"focal length {known} from {self.n_views} photographs"
                f"{'' if self.is_usable else ' (0.3 %, and tilted views, are needed)'}")
        return head + ("; " + "; ".join(self.missing) if self.missing else "; views complete")


@dataclass(frozen=True)
class CameraCalibration:
    """A camera with the verdict on it, and the photographs that were left out, each with the reason."""

    camera: CameraModel
    verdict: CalibrationVerdict
    views: tuple[View, ...]
    left_out: dict[str, str] = field(default_factory=dict)


def calibrate_camera(photos: Sequence[Path | str], target: Target, *, square_pixels: bool = True,
                     progress: Callable[[int, int], None] = lambda done, whole: None) -> CameraCalibration:
    """Calibrate a camera.

    Parameters
    ----------
    photos : sequence of paths
        Of the flat target from many sides, all of one size and with one focus.
    square_pixels : bool
        One focal length for both directions, as sensors have.

    Raises
    ------
    CalibrationError
        When the photographs do not fix the focal length to 0.3 %; the text says which are missing.

    Notes
    -----
    Zhang's method as in OpenCV's calibrateCamera: Z. Zhang, "A flexible new technique for camera calibration", IEEE
    TPAMI 22 (2000) 1330-1334. Corners off by more than four robust sigmas are left out, again and again until none is:
    the mean square hardly shows them, but a few of them shift the focal length. Its sigma allows for errors shared by
    all corners of a photograph (a bent target, a blur).
    """
    cv2.setNumThreads(1)  # with more, the sums' last digits change from call to call
    views, left_out, size = _read_views(photos, target, progress)
    if len(views) < _ASKED.views:
        raise CalibrationError(_too_few(len(views), left_out))
    n_all = sum(len(v.points_px) for v in views)
    views, solved = _solve_without_outliers(views, size, square_pixels)
    camera = _camera_with_sigma(views, solved, size)
    share = camera.focal_sigma_px / camera.focal_px
    n = sum(len(v.points_px) for v in views)
    missing = _missing_views(views, solved, size)
    usable = bool(share <= _MAX_SIGMA_SHARE and _n_tilted(solved) >= _ASKED.tilted)
    verdict = CalibrationVerdict(usable, share, len(views), n, n_all - n, missing)
    if not verdict.is_usable:
        more = "; take more photographs, nearer and at 30 to 45 degrees, with the target glued flat"
        advice = "" if missing else more
        raise CalibrationError(f"camera calibration refused: {verdict.sentence()}{advice}")
    return CameraCalibration(camera, verdict, tuple(views), left_out)


def find_target(image: np.ndarray, target: Target, name: str = "") -> View | None:
    """The target's corners in one picture (BGR or grey); None when too few are seen.

    ChArUco boards are tried as printed today, as by older tools (which began even-row boards with the other colour),
    and white on black.
    """
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    if isinstance(target, ChessboardTarget):
        return _find_chessboard(grey, target, name)
    if isinstance(target, Mat):
        return _find_mat(grey, target, name)
    kinds = [(legacy, negative) for negative in (False, True)
             for legacy in ((False, True) if target.squares[1] % 2 == 0 else (False,))]
    return max((v for v in (_find_charuco(grey, target, name, *kind) for kind in kinds) if v), default=None,
               key=lambda v: len(v.points_px))


@dataclass(frozen=True)
class _Solved:
    rms_px: float
    matrix: FloatArray
    distortion: FloatArray
    poses: list[FloatArray]


def _read_views(photos: Sequence[Path | str], target: Target,
                progress: Callable[[int, int], None]) -> tuple[list[View], dict[str, str], Size]:
    """What the photographs show, those that are left out with the reason, and the size of all."""
    views: list[View] = []
    left_out: dict[str, str] = {}
    size, kind = (0, 0), None
    names = [str(p) for p in photos]
    for i, name in enumerate(names):
        image = read_photo(name)
        if i == 0:
            size = (image.shape[1], image.shape[0])
        elif (image.shape[1], image.shape[0]) != size:
            raise CalibrationError(f"{name}: {image.shape[1]} x {image.shape[0]} px, but {names[0]} has {size[0]} x "
                                   f"{size[1]}; "
                                   "use photographs of one size, as the recordings have it")
        view, kind = _find_as_before(image, target, name, kind)
        if view is None:
            left_out[name] = "no target found in it"
        else:
            views.append(view)
        progress(i + 1, len(names))
    return views, left_out, size


def _too_few(n_views: int, left_out: dict[str, str]) -> str:
    """That so few photographs show the target, in words."""
    why = "; ".join(f"{name}: {reason}" for name, reason in list(left_out.items())[:3])
    return (f"the target was found in {n_views} of {n_views + len(left_out)} photographs; at least {_ASKED.views} are "
            f"needed, better 15 to 25{' (' + why + ')' if why else ''}")


def _find_as_before(image: np.ndarray, target: Target, name: str,
                    kind: Kind | None) -> tuple[View | None, Kind | None]:
    """Find the target, trying first the kind of print that the photographs before showed."""
    if isinstance(target, (ChessboardTarget, Mat)):
        return find_target(image, target, name), None
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    if kind is not None:
        return _find_charuco(grey, target, name, *kind), kind
    best, best_kind = None, None
    for candidate in [(False, False), (True, False), (False, True), (True, True)]:
        view = _find_charuco(grey, target, name, *candidate)
        if view is not None and (best is None or len(view.points_px) > len(best.points_px)):
            best, best_kind = view, candidate
            if len(view.points_px) > 0.6 * (target.squares[0] - 1) * (target.squares[1] - 1):
                break
    return best, best_kind


def _find_charuco(grey: np.ndarray, target: CharucoTarget, name: str, legacy: bool, negative: bool) -> View | None:
    board = cv2.aruco.CharucoBoard(target.squares, target.square_mm, target.marker_mm,
                                   marker_dictionary(target.dictionary))
    board.setLegacyPattern(legacy)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(255 - grey if negative else grey)
    if corners is None or len(corners) < _ASKED.corners:
        return None
    world = np.asarray(board.getChessboardCorners())[np.ravel(ids)].astype(float)
    if np.linalg.matrix_rank(world[:, :2] - world[:, :2].mean(0), tol=1e-6) < 2:
        return None
    return View(name, world, corners.reshape(-1, 2).astype(float))


def _find_mat(grey: np.ndarray, mat: Mat, name: str) -> View | None:
    """The bench mat held or laid about, on something stiff: corners of its markers."""
    found = find_markers(grey, mat)
    if 4 * len(found) < _ASKED.corners:
        return None
    return View(name, np.concatenate([mat.corners_mm(i) for i in found]), np.concatenate(list(found.values())))


def _find_chessboard(grey: np.ndarray, target: ChessboardTarget, name: str) -> View | None:
    found, corners = cv2.findChessboardCorners(grey, target.inner_corners)
    if not found:
        return None
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    corners = cv2.cornerSubPix(grey, np.ascontiguousarray(corners, np.float32), (5, 5), (-1, -1), stop)
    across, down = target.inner_corners
    world = np.zeros((across * down, 3))
    world[:, :2] = np.mgrid[:across, :down].T.reshape(-1, 2) * target.square_mm
    return View(name, world, corners.reshape(-1, 2).astype(float))


def _solve(views: list[View], size: Size, square_pixels: bool) -> _Solved:
    start = np.array([[float(max(size)), 0, (size[0] - 1) / 2], [0, float(max(size)), (size[1] - 1) / 2], [0, 0, 1]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | (cv2.CALIB_FIX_ASPECT_RATIO if square_pixels else 0)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-9)
    try:
        rms, matrix, distortion, turns, shifts = cv2.calibrateCamera(
            [v.points_mm.astype(np.float32) for v in views], [v.points_px.astype(np.float32) for v in views], size,
            start, np.zeros(5), flags=flags, criteria=stop)
    except cv2.error as error:
        raise CalibrationError("these photographs do not determine a camera: take some at 30 to 45 degrees, "
                               "both ways") from error
    poses = [rigid.transform(np.asarray(cv2.Rodrigues(t)[0], float), np.asarray(s, float))
             for t, s in zip(turns, shifts, strict=False)]
    return _Solved(rms, np.asarray(matrix, float), np.asarray(np.ravel(distortion)[:5], float), poses)


def _solve_without_outliers(views: list[View], size: Size, square_pixels: bool) -> tuple[list[View], _Solved]:
    for _ in range(8):
        solved = _solve(views, size, square_pixels)
        camera = CameraModel(solved.matrix, solved.distortion, size)
        rest = [np.linalg.norm(v.points_px - camera.project(rigid.apply(p, v.points_mm)), axis=1)
                for v, p in zip(views, solved.poses, strict=False)]
        sigma = float(np.median(np.concatenate(rest))) / 1.1774  # median of a Rayleigh distribution
        good = [r < _REJECT * max(sigma, 0.02) for r in rest]
        if all(g.all() for g in good):
            break
        views = [View(v.name, v.points_mm[g], v.points_px[g]) for v, g in zip(views, good, strict=False)
                 if g.sum() >= _ASKED.corners]
        if len(views) < _ASKED.views:
            raise CalibrationError("the corners do not fit one camera: was the focus locked, is the target flat, are "
                                   "its sizes right?")
    return views, _solve(views, size, square_pixels)


def _camera_with_sigma(views: list[View], solved: _Solved, size: Size) -> CameraModel:
    """The camera with the covariance of its parameters: the larger of two, from single corners or from whole views."""
    camera = CameraModel(solved.matrix, solved.distortion, size)
    information, scores, square, count = np.zeros((8, 8)), [], 0.0, 0
    for view, pose in zip(views, solved.poses, strict=False):
        cam = rigid.apply(pose, view.points_mm)
        px, jac = camera.project_with_jacobian(cam)
        rest = (view.points_px - px).ravel()
        inner = _parameter_rows(camera, cam)
        outer = np.concatenate([np.cross(cam[:, None, :], jac), jac], axis=2).reshape(-1, 6)
        inner -= outer @ np.linalg.lstsq(outer, inner, rcond=None)[0]  # what the view's own pose cannot imitate
        information += inner.T @ inner
        scores.append(inner.T @ rest)
        square, count = square + float(rest @ rest), count + len(rest) - 6
    unit = 1.0 / np.sqrt(np.diag(information))  # even out f and k3, or the unknown hides in rounding
    values, vectors = np.linalg.eigh(information * unit[:, None] * unit)
    half = unit[:, None] * vectors / np.sqrt(np.maximum(values, 1e-14))
    inverse = half @ half.T
    cov = inverse * square / max(count - 8, 1)
    n = len(views)
    by_view = inverse @ sum(np.outer(s, s) for s in scores) @ inverse * n / max(n - 4, 1)
    cov *= max(1.0, float(by_view[0, 0] / cov[0, 0]))
    rms = float(np.sqrt(square / sum(len(v.points_px) for v in views)))
    return CameraModel(solved.matrix, solved.distortion, size, rms, float(np.sqrt(cov[0, 0])), cov)


def _parameter_rows(camera: CameraModel, cam: FloatArray) -> FloatArray:
    """Change of pixels (2 n, 8) with f, cx, cy, k1, k2, p1, p2, k3."""
    x, y = cam[:, 0] / cam[:, 2], cam[:, 1] / cam[:, 2]
    r2, f, k = x * x + y * y, camera.focal_px, camera.camera_matrix_px
    px = camera.project(cam)
    rows = np.zeros((len(x), 2, 8))
    rows[:, 0, 0], rows[:, 1, 0] = (px[:, 0] - k[0, 2]) / k[0, 0], (px[:, 1] - k[1, 2]) / k[1, 1]
    rows[:, 0, 1] = rows[:, 1, 2] = 1.0
    for column, power in ((3, 1), (4, 2), (7, 3)):
        rows[:, 0, column], rows[:, 1, column] = f * x * r2**power, f * y * r2**power
    rows[:, 0, 5] = rows[:, 1, 6] = 2 * f * x * y
    rows[:, 1, 5], rows[:, 0, 6] = f * (r2 + 2 * y * y), f * (r2 + 2 * x * x)
    return rows.reshape(-1, 8)


def _n_tilted(solved: _Solved) -> int:
    return sum(float(np.hypot(*p[:2, 2])) > _ASKED.lean for p in solved.poses)


def _missing_views(views: list[View], solved: _Solved, size: Size) -> tuple[str, ...]:
    """Photographs that would help, in words."""
    out = []
    if len(views) < _ASKED.good_views:
        out.append(f"only {len(views)} photographs show the target well: take 15 to 25")
    points = np.concatenate([v.points_px for v in views]) / size
    bare = [f"{down} {across}" for down, y in (("top", 0), ("bottom", 1)) for across, x in (("left", 0), ("right", 1))
            if np.sum(np.all(np.abs(points - (x, y)) < 0.25, axis=1)) < 4]
    if bare:
        out.append(f"no corner of the target was near the picture's {', '.join(bare)}: hold it there")
    normals = np.array([p[:3, 2] * -np.sign(p[:3, 2] @ p[:3, 3]) for p in solved.poses])  # towards the camera
    sides = (("left", -normals[:, 0]), ("right", normals[:, 0]), ("up", -normals[:, 1]), ("down", normals[:, 1]))
    flat = [name for name, lean in sides if np.sum(lean > _ASKED.lean) < 2]
    if flat:
        out.append(f"the target hardly faced {', '.join(flat)}: tilt it 30 to 45 degrees that way")
    return tuple(out)
