"""Where the printed mat lies, frame by frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from vision import rigid
from vision.bench.mat import Mat
from vision.camera.lens import mean_shift_px, project
from vision.camera.model import CameraModel
from vision.camera.sources import brightness
from vision.compiled import njit, put
from vision.edges.cuts import is_inside, sample_cuts
from vision.errors import CalibrationError
from vision.types import BenchEvent, BenchPose, FloatArray, Frame, PoseMiss

__all__ = ["MOVED_PX", "STILL_S", "BenchFollower", "bench_pose", "find_markers", "marker_dictionary", "plane_pose",
           "seen_before"]

_MIN_MARKERS = 3  # that carry a pose [convention]
_AVERAGE_S = 1.0  # memory of the average while the camera stands still [convention]
MOVED_PX = 0.30  # mean shift of mat or bench in the picture that counts as a move [convention]
_CONFIRM = 3  # frames that must agree with a move: a hand deceives one or two [convention]
_GATE = 22.5  # chi-square of 6 degrees of freedom, 99.9 %: beyond it a pose is not the average's [derived]
STILL_S = 0.5  # moves that follow each other sooner are one [convention]
_RETRY_S = 0.25  # between two full searches for a mat that is not seen [convention]


def marker_dictionary(name: str):
    """OpenCV's dictionary of that name; CalibrationError when it has none."""
    number = getattr(cv2.aruco, name, None)
    if not isinstance(number, int):
        raise CalibrationError(f"dictionary: {name!r} is not known; for example DICT_APRILTAG_36h11")
    return cv2.aruco.getPredefinedDictionary(number)


def find_markers(grey: np.ndarray, mat: Mat, scale: float = 1.0) -> dict[int, FloatArray]:
    """Search a whole picture for the mat's markers.

    Parameters
    ----------
    grey : array, shape (h, w), uint8
    scale : float
        Search in a picture resized by this factor: quicker, and enough for large markers.

    Returns
    -------
    dict
        Marker id to its corners (4, 2) [px], from its own top left, clockwise.
    """
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    small = grey if scale == 1.0 else cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(marker_dictionary(mat.dictionary), options)
    corners, ids, _ = detector.detectMarkers(small)
    if ids is None:
        return {}
    known = set(mat.ids.tolist())
    return {int(i): (c.reshape(4, 2).astype(float) + 0.5) / scale - 0.5
            for i, c in zip(np.ravel(ids), corners, strict=False) if int(i) in known}


def bench_pose(camera: CameraModel, mat: Mat, grey: np.ndarray, t_s: float = 0.0) -> BenchPose | PoseMiss:
    """The mat in one picture alone, as for a photograph.

    Parameters
    ----------
    grey : array, shape (h, w), uint8
        As it came, still distorted.
    """
    camera.check_picture(grey.shape[1], grey.shape[0])
    sides = _Sides(mat)
    start = _search(camera, mat, grey)
    fit = start if isinstance(start, str) else _fit(camera, sides, grey, start, rounds=4)
    return PoseMiss(t_s, fit) if isinstance(fit, str) else fit.at(t_s, fit.pose, fit.cov + fit.shared_cov)


class BenchFollower:
    """Follows the mat through a recording, at the cost of a few thousand samples a frame.

    Between full searches the sides of the markers are measured where the last pose expects them. While the camera
    stands still the pose is averaged over about a second; a bump or a new focus ends the average at once.
    """

    def __init__(self, camera: CameraModel, mat: Mat):
        cv2.setNumThreads(1)
        self._camera, self._mat, self._sides = camera, mat, _Sides(mat)
        self._corners = mat.all_corners_mm.reshape(-1, 3)
        self._pose: FloatArray | None = None
        self._info: FloatArray = np.zeros((6, 6))
        self._t_s = self._t_moved_s = self._t_searched_s = -np.inf
        self._before_jump: tuple[FloatArray, FloatArray] | None = None
        self._n_agreeing = 0
        self._is_lost: bool | None = None

    def warm_up(self) -> None:
        """Load or compile what the first frame needs; changes nothing."""
        w, h = self._camera.image_size_px
        from_above = np.diag([1.0, -1.0, -1.0, 1.0])
        from_above[2, 3] = 400.0
        rows, offset, _ = _measure_sides(self._camera, self._sides, np.zeros((h, w), np.uint8), from_above)
        _solve(rows, offset, np.ones(len(rows), bool))
        _averaged(np.eye(6), np.zeros(6), np.eye(6))
        self._shift_px(from_above, from_above)

    def step(self, frame: Frame) -> tuple[BenchPose | PoseMiss, tuple[BenchEvent, ...]]:
        """The pose at this frame, and what happened to camera or mat."""
        grey, t_s = brightness(frame), frame.t_s
        if self._pose is None:
            self._camera.check_picture(grey.shape[1], grey.shape[0], frame.source or "picture")
        fit = self._measure(grey, t_s)
        if isinstance(fit, str):
            lost = () if self._is_lost or self._is_lost is None else (BenchEvent(t_s, "mat_lost", fit),)
            self._is_lost = True
            return PoseMiss(t_s, fit), lost
        events = [BenchEvent(t_s, "mat_found", f"mat seen again, {fit.n_markers} markers")] if self._is_lost else []
        self._is_lost = False
        events += self._average(fit, t_s)
        assert self._pose is not None  # by now there is an average
        cov = np.linalg.inv(self._info) + fit.shared_cov
        return fit.at(t_s, self._pose, cov), tuple(events)

    def _measure(self, grey: np.ndarray, t_s: float) -> _Fit | str:
        if self._pose is not None and not self._is_lost:
            fit = _fit(self._camera, self._sides, grey, self._pose, rounds=3)
            if not isinstance(fit, str):
                return fit
        if t_s - self._t_searched_s < _RETRY_S:
            return "the mat is hidden or out of view"
        start = _search(self._camera, self._mat, grey)
        fit = start if isinstance(start, str) else _fit(self._camera, self._sides, grey, start, rounds=4)
        if isinstance(fit, str):
            self._t_searched_s = t_s  # a search in vain is costly: not again at once
        return fit

    def _average(self, fit: _Fit, t_s: float) -> list[BenchEvent]:
        """Take a measured pose into the average, or begin a new one after a move."""
        dt_s, self._t_s = t_s - self._t_s, t_s
        if self._pose is None:
            self._pose, self._info = fit.pose, np.asarray(np.linalg.inv(fit.cov), float)
            return []
        shift_px = self._shift_px(fit.pose, self._pose)
        if shift_px > max(MOVED_PX, 5.0 * fit.sigma_px):
            before = self._before_jump
            if before is not None and self._shift_px(fit.pose, before[0]) < MOVED_PX:  # one frame had gone astray
                (self._pose, self._info), self._before_jump = before, None
                return []
            self._before_jump = before or (self._pose, self._info)
            self._pose, self._info, self._n_agreeing = fit.pose, np.asarray(np.linalg.inv(fit.cov), float), 0
            return []
        events = self._confirm_jump(t_s, self._pose)
        kept = math.exp(-min(dt_s, 10.0) / _AVERAGE_S) * self._info
        self._info, step = _averaged(kept, rigid.difference(fit.pose, self._pose), fit.cov)
        self._pose = rigid.moved(self._pose, step)
        return events

    def _confirm_jump(self, t_s: float, now: FloatArray) -> list[BenchEvent]:
        """Report a jump once some frames agree with it: a hand passing over the mat deceives one or two."""
        self._n_agreeing += 1
        if self._before_jump is None or self._n_agreeing < _CONFIRM:
            return []
        (old, _), self._before_jump = self._before_jump, None
        if self._shift_px(now, old) < MOVED_PX:
            return []
        is_new = t_s - self._t_moved_s > STILL_S
        self._t_moved_s = t_s
        return [BenchEvent(t_s, "camera_moved", self._describe(old, now))] if is_new else []

    def _describe(self, old: FloatArray, new: FloatArray) -> str:
        before, now = (self._camera.project(rigid.apply(pose, self._corners)) for pose in (old, new))
        spread = [np.sqrt(np.mean((p - p.mean(0)) ** 2)) for p in (before, now)]
        shift = float(np.linalg.norm((now - before).mean(0)))
        grown = 100 * (spread[1] / spread[0] - 1)
        return f"the camera moved or focused anew: the mat shifted by {shift:.1f} px and grew by {grown:+.2f} %"

    def _shift_px(self, a: FloatArray, b: FloatArray) -> float:
        """Mean distance in the picture between the mat's corners under two poses."""
        shift_px = mean_shift_px(self._corners, a, b, self._camera.lens)
        return math.inf if math.isnan(shift_px) else shift_px


def seen_before(camera: CameraModel, then: FloatArray, now: FloatArray, pixels: FloatArray,
                height_mm: float = 0.0) -> FloatArray:
    """Where the camera saw, before it moved, what it sees now.

    Parameters
    ----------
    then, now : arrays, shape (4, 4)
        Camera from bench.
    pixels : array, shape (n, 2)
        In the picture now.
    height_mm : float
        Over the mat, of the level plane that they show.

    Returns
    -------
    array, shape (n, 2)
        In the picture then [px]; nan where no point of the plane is in view.
    """
    rays, bench_from_cam = camera.rays(pixels), rigid.inverse(now)
    rays_bench, eye_mm = rays @ bench_from_cam[:3, :3].T, bench_from_cam[:3, 3]
    with np.errstate(divide="ignore", invalid="ignore"):
        far = (height_mm - eye_mm[2]) / rays_bench[:, 2:]
        points_mm = np.where(far > 0, eye_mm + far * rays_bench, np.nan)
    return camera.project(rigid.apply(then, points_mm))


_OFFSETS_PX = np.arange(-3.0, 4.25, 0.5)  # of a cut's samples, from inside the black to outside it [convention]
_LEVEL = 3  # samples at either end of a cut that tell its levels [convention]


class _Side(NamedTuple):
    """Each side of a marker: at how many places its edge is measured [convention]; how far these scatter about a
    straight edge, at the least [px, measured: on recordings]; and what all of them share and time does not average:
    codec blocks, print, lens model [px, convention]."""

    cuts: int = 8
    sigma_px: float = 0.12
    shared_px: float = 0.06


_SIDE = _Side()


class _Sides:
    """Points along the sides of all markers: bench frame, with the direction along the side and the one outwards."""

    def __init__(self, mat: Mat):
        corners = mat.all_corners_mm
        along = np.roll(corners, -1, axis=1) - corners
        share = np.linspace(0.12, 0.88, _SIDE.cuts)  # away from the corners, which are rounded by blur
        points = corners[:, :, None, :] + share[:, None] * along[:, :, None, :]
        self.points_mm = points.reshape(-1, 3)
        self.along = np.repeat(along.reshape(-1, 3) / mat.marker_size_mm, _SIDE.cuts, axis=0)
        outward = points - corners.mean(axis=1)[:, None, None, :]
        self.outward_mm = outward.reshape(-1, 3)
        self.n_markers = len(corners)


@dataclass(frozen=True)
class _Fit:
    pose: FloatArray
    cov: FloatArray
    shared_cov: FloatArray
    n_markers: int
    rms_px: float
    inset_px: float
    sigma_px: float

    def at(self, t_s: float, pose: FloatArray, cov: FloatArray) -> BenchPose:
        return BenchPose(t_s, pose, cov, self.n_markers, self.rms_px)


def _search(camera: CameraModel, mat: Mat, grey: np.ndarray) -> FloatArray | str:
    """A first pose from a full search, or why there is none."""
    found: dict[int, FloatArray] = {}
    for scale in (0.5, 1.0) if grey.shape[1] >= 1000 else (1.0,):
        found = find_markers(grey, mat, scale)
        if len(found) >= 6:
            break
    if len(found) < _MIN_MARKERS:
        return f"too little of the mat in view: {len(found)} of {len(mat.ids)} markers" if found else "no mat in view"
    world = np.concatenate([mat.corners_mm(i) for i in found])
    rays = camera.rays(np.concatenate(list(found.values())))[:, :2]
    _, agrees = cv2.findHomography(world[:, :2], rays, cv2.RANSAC, 4.0 / camera.focal_px)
    fits = np.zeros(len(world), bool) if agrees is None else agrees.ravel() > 0
    if fits.sum() < 4 * _MIN_MARKERS - 2:
        return "the markers in view do not lie as on the mat; is it another print, or bent?"
    return plane_pose(world[fits], rays[fits])


def plane_pose(points_mm: FloatArray, rays: FloatArray) -> FloatArray:
    """Camera from bench (4, 4), by least squares from points (n, 3) of one plane and where they are seen (n, 2), at z
    = 1 [-]."""
    rays = np.ascontiguousarray(rays)
    _, turns, shifts, _ = cv2.solvePnPGeneric(points_mm, rays, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    # the better of two
    turn, shift = cv2.solvePnPRefineLM(points_mm, rays, np.eye(3), None, turns[0], shifts[0])
    return rigid.transform(np.asarray(cv2.Rodrigues(turn)[0], float), np.asarray(shift, float))


def _fit(camera: CameraModel, sides: _Sides, grey: np.ndarray, pose: FloatArray, rounds: int) -> _Fit | str:
    """Pose from the markers' sides near a known one; why not, in words, when they are not there."""
    for _ in range(rounds):
        rows, offset, seen = _measure_sides(camera, sides, grey, pose)
        solved = _solve(rows, offset, seen)
        if solved is None:
            return "the mat is hidden or out of view"
        step, result = solved
        pose = rigid.moved(pose, step[:6])
        if np.abs(rows[:, :6] @ step[:6])[seen].mean() < 0.2:
            if not result:
                return "the mat is covered, moved or bent: its markers are not where they were printed"
            return _Fit(pose, *result)
    return "the mat moves too fast to be measured"


def _measure_sides(camera: CameraModel, sides: _Sides, grey: np.ndarray, pose: FloatArray):
    """How far outwards [px] each cut finds the edge from where the pose puts it.

    Returns the rows (n, 7) of its change with (turn, shift, inset), the offsets (n,) and which of them are sound (n,).
    """
    rows, px, normal = _rows(sides.points_mm, sides.along, sides.outward_mm, pose, camera.lens)
    offset, seen = _edge_offsets(sample_cuts(grey[:, :, None], px, normal, _OFFSETS_PX)[:, 0])
    return rows, offset, seen & is_inside(px, grey.shape, _OFFSETS_PX[-1])


@njit(cache=True, nogil=True)
def _rows(points, along, outward, pose, lens):
    """Rows as above, pixels (n, 2) and outward normals (n, 2) of the points; all zero when one is not before the
    camera.
    """
    n = len(points)
    rows, pixels, normals = np.zeros((n, 7)), np.zeros((n, 2)), np.zeros((n, 2))
    cam, jac, tangents = np.empty(3), np.empty((2, 3)), np.empty((2, 2))
    for i in range(n):
        for k in range(3):
            cam[k] = pose[k, 0] * points[i, 0] + pose[k, 1] * points[i, 1] + pose[k, 2] * points[i, 2] + pose[k, 3]
        if cam[2] < 1.0:
            return np.zeros((n, 7)), np.zeros((n, 2)), np.zeros((n, 2))
        project(cam, lens, pixels[i], jac)
        for row, direction in enumerate((along[i], outward[i])):
            tangents[row] = 0.0
            for k in range(3):
                turned = pose[k, 0] * direction[0] + pose[k, 1] * direction[1] + pose[k, 2] * direction[2]
                tangents[row, 0] += jac[0, k] * turned
                tangents[row, 1] += jac[1, k] * turned
        length = math.hypot(tangents[0, 0], tangents[0, 1])
        nx, ny = tangents[0, 1] / length, -tangents[0, 0] / length
        if nx * tangents[1, 0] + ny * tangents[1, 1] < 0:
            nx, ny = -nx, -ny
        normals[i, 0], normals[i, 1] = nx, ny
        for k in range(3):
            rows[i, 3 + k] = nx * jac[0, k] + ny * jac[1, k]
        for k in range(3):
            rows[i, k] = cam[(k + 1) % 3] * rows[i, 3 + (k + 2) % 3] - cam[(k + 2) % 3] * rows[i, 3 + (k + 1) % 3]
        rows[i, 6] = 1.0
    return rows, pixels, normals


@njit(cache=True, nogil=True)
def _edge_offsets(light):
    """Where black turns to white in cuts (n, samples), from the area under the rise between its two levels; and of
    which cuts that tells."""
    n, m = light.shape
    black, contrast = np.zeros(n), np.zeros(n)
    offset, seen = np.empty(n), np.empty(n, np.bool_)
    for i in range(n):
        white = 0.0
        for j in range(_LEVEL):
            black[i] += light[i, j] / _LEVEL
            white += light[i, m - 1 - j] / _LEVEL
        contrast[i] = white - black[i]
    least = 0.4 * max(np.median(contrast), 0.05)
    pitch_px = _OFFSETS_PX[1] - _OFFSETS_PX[0]
    for i in range(n):
        seen[i], scale = contrast[i] > least, contrast[i] if contrast[i] > least else 1.0
        rise, spread = 0.0, 0.0
        for j in range(m):
            rise += (light[i, j] - black[i]) / scale
        for first in (0, m - _LEVEL):
            low = high = light[i, first]
            for j in range(first + 1, first + _LEVEL):
                low, high = min(low, light[i, j]), max(high, light[i, j])
            spread = max(spread, (high - low) / scale)
        offset[i] = _OFFSETS_PX[m - 1] + 0.5 * pitch_px - pitch_px * rise
        seen[i] = seen[i] and spread < 0.3 and abs(offset[i]) < 2.0
    return offset, seen


def _solve(rows: FloatArray, offset: FloatArray, seen: np.ndarray):
    """Robust least squares for (turn, shift, inset); None when too few markers carry it."""
    use, n_markers = _carrying(seen)
    if n_markers < _MIN_MARKERS:
        return None
    step, is_good, cov, shared, rms_px, sigma_px = _solution(rows, offset, use)
    return step, (cov, shared, n_markers, rms_px, float(step[6]), sigma_px) if is_good else None


@njit(cache=True, nogil=True)
def _carrying(seen):
    """Which cuts (n,) are on sides that are seen well enough, and how many markers have two such sides."""
    use, n_markers = np.zeros(len(seen), np.bool_), 0
    for first in range(0, len(seen), 4 * _SIDE.cuts):
        n_sides = 0
        for i in range(first, first + 4 * _SIDE.cuts, _SIDE.cuts):
            if seen[i:i + _SIDE.cuts].sum() >= _SIDE.cuts // 2:
                put(seen[i:i + _SIDE.cuts], use[i:i + _SIDE.cuts])
                n_sides += 1
        n_markers += n_sides >= 2
    return use, n_markers


@njit(cache=True, nogil=True)
def _solution(rows, offset, use):
    """Step (7,), whether it is good, its pose's covariance and that of what all cuts of a side share (6, 6), how far
    off the cuts are and how far off the pose puts all sides [px]."""
    a = rows[use]
    step, rest, weight, normal, scale = _reweighted(a, offset[use])
    good = np.abs(rest) < 3.0 * scale
    noise_px = max(scale, _SIDE.sigma_px)
    inverse = np.linalg.inv(normal)
    sums, k = np.zeros((len(rows) // _SIDE.cuts, 7)), 0
    for i in range(len(rows)):
        if use[i]:
            for c in range(7):
                sums[i // _SIDE.cuts, c] += weight[k] * a[k, c]
            k += 1
    shared = inverse @ (sums.T @ sums) @ inverse * _SIDE.shared_px ** 2
    cov = inverse * noise_px ** 2
    both, total = cov + shared, 0.0
    for i in range(len(rows)):  # hidden sides too: a pose from one corner of the mat says little about the others
        for c in range(6):
            for d in range(6):
                total += rows[i, c] * both[c, d] * rows[i, d]
    rms_px = math.sqrt((rest[good] ** 2).mean()) if good.any() else np.nan
    return (step, good.mean() >= 0.6 and scale <= 0.6, cov[:6, :6].copy(), shared[:6, :6].copy(), rms_px,
            math.sqrt(max(total / len(rows), 0.0)))


@njit(cache=True, nogil=True)
def _reweighted(a, b):
    """Solution of a . step = b that far-off rows hardly pull, what each row misses then, weights, normal matrix, and
    scatter.
    """
    weight, scale = np.ones(len(b)), 1.0
    for _ in range(5):
        weighted = a.T * weight
        normal = weighted @ a
        step = np.linalg.solve(normal, weighted @ b)
        rest = b - a @ step
        scale = max(1.4826 * np.median(np.abs(rest)), 0.03)
        weight = 1.0 / (1.0 + (rest / (2.5 * scale)) ** 2) ** 2
    return step, rest, weight, normal, scale


@njit(cache=True, nogil=True)
def _averaged(kept, off, cov):
    """Information (6, 6) of an average, `kept` before, once a pose with that covariance has come that is `off` (6,)
    from it; and by how much it moves then."""
    innovation2 = off @ np.linalg.solve(np.linalg.inv(kept) + cov, off)
    if innovation2 > _GATE:  # a camera that creeps, or a focus that breathes: what was is worth the less
        kept = kept * (len(off) / innovation2)
    info = np.linalg.inv(cov)
    return kept + info, np.linalg.solve(kept + info, info @ off)
