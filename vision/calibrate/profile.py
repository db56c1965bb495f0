"""A nozzle's radii along its axis from pictures of it lying on the mat, turned from one to the next."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from skimage.measure import find_contours

from vision.camera.model import CameraModel
from vision.errors import CalibrationError
from vision.fit.least_squares import CUT_SIGMA_PX
from vision.nozzle.body import Frustum, NozzleBody, ToolPose
from vision.nozzle.silhouette import tool_hull
from vision.types import FloatArray

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

__all__ = ["LaidView", "ProfileFit", "fit_profile", "outline_px", "turn_rad"]

_STATION_MM = 0.5  # along the axis, in which radii are put together [convention]
# from either end, where the circle is seen askew; and the share of the radius behind that at which it ends [convention]
_RIM_MM, _FULL_SHARE = 3.0, 0.97
_TOLERANCE_MM = 0.3  # of the straight pieces that the outline is begun with; none is shorter [convention]


@dataclass(frozen=True)
class LaidView:
    """One picture of the lying nozzle.

    Attributes
    ----------
    cam_from_bench : array, shape (4, 4)
    edge_px : array, shape (n, 2)
        Its outline in the raw picture, in order, without what lies on the picture's border.
    """

    cam_from_bench: FloatArray
    edge_px: FloatArray


@dataclass(frozen=True)
class ProfileFit:
    """The profile, and how well it is known.

    Attributes
    ----------
    corners_mm : array, shape (k, 2)
        (radius, distance from the outlet) where straight pieces meet.
    sigma_mm : array, shape (k,)
        1 sigma of each corner across its pieces; a piece may slide along itself.
    diameter_mm, diameter_sigma_mm : float
        Of the outlet as the outline alone shows it, before the calliper's figure is used.
    tilt_rad : float
        How far the axis rises towards the handle.
    rms_px : float
        Residual of the outlines.
    turns_rad : array, shape (views,)
        Where each view's nozzle points, about the bench's z.
    """

    corners_mm: FloatArray
    sigma_mm: FloatArray
    diameter_mm: float
    diameter_sigma_mm: float
    tilt_rad: float
    rms_px: float
    turns_rad: FloatArray


_LEAST_CHANGE = 14.0  # grey levels by which the nozzle differs from the mat [convention]
_LEAST_UNEVEN = 20.0  # grey levels of the bench within a few pixels, from where on it has an edge itself [convention]


def outline_px(empty: np.ndarray, laid: np.ndarray) -> FloatArray | None:
    """Outline of the largest thing that has come between two pictures (h, w, 3) of a camera that stood still, (n, 2).

    The edge is put where the change is half of the thing's own; where the bench itself has an edge, such as a
    marker's, it is left out. None when nothing large enough has come.
    """
    if empty.shape != laid.shape:
        return None
    change = np.max(np.abs(cv2.GaussianBlur(laid, (0, 0), 1.0).astype(np.float32)
                           - cv2.GaussianBlur(empty, (0, 0), 1.0).astype(np.float32)), axis=2)
    mask = (change > max(_LEAST_CHANGE, 6 * 1.4826 * float(np.median(change)))).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9)))
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    if n < 2:
        return None
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    if stats[best, cv2.CC_STAT_AREA] < 400:
        return None
    thing = labels == best
    core = cv2.erode(thing.astype(np.uint8), np.ones((5, 5))) > 0
    half = 0.5 * float(np.median(change[core if core.any() else thing]))
    change[cv2.dilate(thing.astype(np.uint8), np.ones((5, 5))) == 0] = 0.0
    edge = max(find_contours(change, half), key=len)[:, ::-1]
    usable = np.all((edge > 1) & (edge < np.array(empty.shape[1::-1]) - 2), axis=1)
    usable &= _unevenness(empty)[tuple(np.round(edge[:, ::-1]).astype(int).T)] < max(half, _LEAST_UNEVEN)
    return edge[usable] if usable.sum() > 50 else None


def _unevenness(image: np.ndarray) -> np.ndarray:
    """Range of grey levels round each pixel, (h, w)."""
    grey, near = cv2.GaussianBlur(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), (0, 0), 1.0), np.ones((7, 7))
    return cv2.dilate(grey, near) - cv2.erode(grey, near)


def turn_rad(camera: CameraModel, view: LaidView, outer_diameter_mm: float) -> float:
    """Where the nozzle in a view points away from its outlet, about the bench's z.

    Raises
    ------
    CalibrationError
        When its outline has no two sides, or too little of it is seen.
    """
    return _start(camera, view, outer_diameter_mm / 2).turn_rad


_FIRST_STEPS, _STEPS = 12, 25  # of the least squares, for the time that they take [convention]
_HOPELESS_PX = 2.5  # residual from where on there is no body to be fitted [convention]
_LEAST_PLACED_MM = 1.0  # a corner that the outlines place worse than this is left out [convention]


def fit_profile(camera: CameraModel, views: list[LaidView], outer_diameter_mm: float) -> ProfileFit:
    """Profile and poses together, by least squares on the outlines.

    A straight body of revolution rests on the flat mat alike however it is turned about the upright: one tilt holds
    for all views, and each view adds a place and a turn. Views turned by a quarter see every step from the side at
    least once, and tell the tilt, which one view cannot.

    Parameters
    ----------
    outer_diameter_mm : float
        Of the outlet, by calliper; it sets how far out the edges are seen.

    Raises
    ------
    CalibrationError
        When an outline has no two sides, or too little of the nozzle is seen.
    """
    starts = [_start(camera, view, outer_diameter_mm / 2) for view in views]
    side_on = min(starts, key=lambda start: start.lean)
    rough = _Problem(camera, views, starts, _corners(side_on.s, side_on.radius), outer_diameter_mm / 2)
    found = _solved(rough, _FIRST_STEPS)
    if (fit := rough.fit_of(found)).rms_px > _HOPELESS_PX:
        return fit
    starts = rough.placed(found.x)
    problem = _Problem(camera, views, starts, _corners(*rough.profile_seen(found.x)), outer_diameter_mm / 2)
    fit = problem.fit_of(_solved(problem, _STEPS))
    kept = fit.sigma_mm < _LEAST_PLACED_MM
    if kept.all():
        return fit
    problem = _Problem(camera, views, starts, fit.corners_mm[kept], outer_diameter_mm / 2)
    return problem.fit_of(_solved(problem, _STEPS))


def _solved(problem: _Problem, most: int) -> OptimizeResult:
    from scipy.optimize import least_squares  # slow to load, and seldom used

    return least_squares(problem.residuals, problem.first(), bounds=problem.bounds(), x_scale=problem.scale(),
                         loss="soft_l1", f_scale=_SOFT_SIGMAS, ftol=1e-5, xtol=1e-5, max_nfev=most)


@dataclass(frozen=True)
class _Start:
    """A view's nozzle as if its axis lay level over the mat: outlet (2,), turn, profile, and how far from square to
    the axis it is seen."""

    tip_mm: FloatArray
    turn_rad: float
    s: FloatArray
    radius: FloatArray
    lean: float
    edge_px: FloatArray


_LEAST_LENGTH_MM = 15.0  # of a nozzle that is seen well enough [convention]
_LONGEST_MM = 100.0  # behind it are a grip's end and its hose [convention]
_MOST_POINTS = 180  # of an outline, for the time that they take [convention]


def _start(camera: CameraModel, view: LaidView, height_mm: float) -> _Start:
    origin, rays = _rays(camera, view.cam_from_bench, view.edge_px)
    flat = origin + rays * ((height_mm - origin[2]) / rays[:, 2:])
    centre, along, stations, radius = _level(origin, rays, flat, height_mm)
    if np.ptp(stations) < _LEAST_LENGTH_MM:
        raise CalibrationError("too little of the nozzle is seen: lay its whole length on the mat, the markers free")
    at_rim = (stations - stations[0] > _RIM_MM) & (stations - stations[0] < 3 * _RIM_MM)
    first = int(np.argmax(radius >= _FULL_SHARE * np.median(radius[at_rim])))  # before it the rim is seen askew
    last = _end(stations, radius)
    stations, radius = stations[:last], radius[:last]
    s = stations - stations[first]
    pick = (s >= 0) & (s < _LONGEST_MM)
    tip = centre + stations[first] * along
    along_edge = (flat[:, :2] - tip) @ along
    near = np.flatnonzero(along_edge < _LONGEST_MM)
    near = near[::max(1, len(near) // _MOST_POINTS)]
    lean = float(np.mean(np.abs(rays[near] @ np.array([*along, 0.0]))))
    return _Start(tip, math.atan2(along[1], along[0]), s[pick], radius[pick], lean, view.edge_px[near])


_SOFT_SIGMAS = 3.0  # from where on an edge point counts less [convention]
_ALIKE = 4.0  # neighbouring edge points that err together [convention]
_OFFSET_SIGMA_PX = 1.0  # where an edge is put, alike in all views [convention]
_TOUCH_SIGMA_MM = 0.5  # how well the resting body touches the mat [convention]
_KNOT_SIGMA_MM = (1.0, 2.0)  # radius, station: how far a corner may move from where it was begun [convention]


class _Problem:
    """Unknowns: tilt, edge offset, each corner's radius and length of the piece before it, each view's place and
    turn. The outlet's radius is the calliper's."""

    def __init__(self, camera: CameraModel, views: list[LaidView], starts: list[_Start], corners: FloatArray,
                 radius_mm: float) -> None:
        self._camera, self._views, self._starts, self._radius_mm = camera, views, starts, radius_mm
        self._corners = corners.copy()
        self._corners[:, 0] *= radius_mm / corners[0, 0]
        self._n = len(corners) - 1
        self._px_mm = float(np.mean([camera.focal_px / np.linalg.norm(
            v.cam_from_bench[:3, :3] @ [*s.tip_mm, 0] + v.cam_from_bench[:3, 3])
            for v, s in zip(views, starts, strict=True)]))

    def first(self) -> FloatArray:
        rise = np.arctan(np.max((self._corners[1:, 0] - self._radius_mm) / self._corners[1:, 1]))
        places = [[*s.tip_mm, s.turn_rad] for s in self._starts]
        pieces = np.maximum(np.diff(self._corners[:, 1]), _TOLERANCE_MM)
        return np.concatenate([[min(max(0.01, rise), 0.5), 0.0], self._corners[1:, 0], pieces, np.ravel(places)])

    def bounds(self) -> tuple[FloatArray, FloatArray]:
        low = np.full(len(self.first()), -np.inf)
        low[0], low[2:2 + self._n], low[2 + self._n:2 + 2 * self._n] = -0.2, 0.5, 0.5 * _TOLERANCE_MM
        high = np.full(len(low), np.inf)
        high[0] = 0.8
        return low, high

    def scale(self) -> FloatArray:
        return np.concatenate([[0.05, 0.3], np.full(self._n, 0.3), np.full(self._n, 1.0),
                               np.tile([1.0, 1.0, 0.03], len(self._views))])

    def corners(self, x: FloatArray) -> FloatArray:
        radius = np.concatenate([[self._radius_mm], x[2:2 + self._n]])
        return np.column_stack([radius, np.concatenate([[0.0], np.cumsum(x[2 + self._n:2 + 2 * self._n])])])

    def residuals(self, x: FloatArray) -> FloatArray:
        corners, tilt = self.corners(x), x[0]
        body = _body(corners)
        places = x[2 + 2 * self._n:].reshape(-1, 3)
        rows = []
        for view, start, place in zip(self._views, self._starts, places, strict=True):
            hulls = tool_hull(self._camera, body, _pose(view.cam_from_bench, place, tilt, self._radius_mm))
            rows.append((_outside(start.edge_px, hulls) - x[1]) / (CUT_SIGMA_PX * math.sqrt(_ALIKE)))
        clear_mm = np.min(corners[1:, 1] * math.sin(tilt) + (self._radius_mm - corners[1:, 0]) * math.cos(tilt))
        moved = (corners - self._corners)[1:] / np.array(_KNOT_SIGMA_MM)
        return np.concatenate([*rows, [x[1] / _OFFSET_SIGMA_PX, clear_mm / _TOUCH_SIGMA_MM], moved.ravel()])

    def placed(self, x: FloatArray) -> list[_Start]:
        """The views with their nozzles where the fit has them."""
        places = x[2 + 2 * self._n:].reshape(-1, 3)
        return [replace(s, tip_mm=p[:2], turn_rad=p[2]) for s, p in zip(self._starts, places, strict=True)]

    def profile_seen(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Stations and radii as the outlines show them about the fitted axes, each as the view most nearly side on has
        it."""
        seen = []
        for view, start in zip(self._views, self.placed(x), strict=True):
            up, tip = _resting(np.array([*start.tip_mm, start.turn_rad]), x[0], self._radius_mm)
            origin, rays = _rays(self._camera, view.cam_from_bench, start.edge_px)
            s, distance = _to_axis(origin, rays, tip, up)
            seen.append((float(np.mean(np.abs(rays @ up))), _binned(s, np.abs(distance) - x[1] / self._px_mm)))
        seen.sort(key=lambda one: one[0], reverse=True)
        radius = {b: r for _, bins in seen for b, r in bins.items()}
        best = sorted(seen[-1][1])
        last = best[_end(_STATION_MM * np.array(best), np.array([seen[-1][1][b] for b in best])) - 1]
        # before it the rim's circle is seen askew
        bins = [b for b in sorted(radius) if b * _STATION_MM > _RIM_MM / 2 and b <= last]
        s = _STATION_MM * (np.array(bins) + 0.5)
        return np.concatenate([[0.0], s]), np.concatenate([[self._radius_mm], [radius[b] for b in bins]])

    def fit_of(self, found: OptimizeResult) -> ProfileFit:
        x = found.x
        corners = self.corners(x)
        n_edges = sum(len(s.edge_px) for s in self._starts)
        seen = self.residuals(x)[:n_edges]
        rms_px = 1.4826 * float(np.median(np.abs(seen))) * CUT_SIGMA_PX * math.sqrt(_ALIKE)
        cov = np.linalg.pinv(found.jac.T @ found.jac) * max(1.0, (rms_px / CUT_SIGMA_PX) ** 2)
        offset_sigma = math.sqrt(cov[1, 1])
        return ProfileFit(corners, _corner_sigmas(corners, cov, self._n), 2 * (self._radius_mm + x[1] / self._px_mm),
                          2 * math.hypot(offset_sigma, 0.3) / self._px_mm, float(x[0]), rms_px,
                          x[4 + 2 * self._n::3])


def _corner_sigmas(corners: FloatArray, cov: FloatArray, n: int) -> FloatArray:
    """1 sigma of each corner across the flatter and the steeper of its pieces, the better known one's direction
    free."""
    out = [0.0]
    turn = np.tril(np.ones((n, n)))
    for k in range(1, n + 1):
        rows = np.zeros((2, len(cov)))
        rows[0, 1 + k], rows[1, 2 + n:2 + 2 * n] = 1.0, turn[k - 1]
        here = rows @ cov @ rows.T
        across = []
        for a, b in itertools.pairwise(range(max(0, k - 1), min(n, k + 1) + 1)):
            piece = corners[b] - corners[a]
            normal = np.array([piece[1], -piece[0]]) / np.linalg.norm(piece)
            across.append(float(normal @ here @ normal))
        out.append(math.sqrt(max(across)))
    return np.array(out)


def _body(corners: FloatArray) -> NozzleBody:
    return NozzleBody(tuple(Frustum("cone", s0, s1, r0, r1) for (r0, s0), (r1, s1) in itertools.pairwise(corners)),
                      math.inf, 0.0)


def _pose(cam_from_bench: FloatArray, place: FloatArray, tilt_rad: float, radius_mm: float) -> ToolPose:
    """Outlet's rim on the mat, axis rising towards the handle; camera frame."""
    up, tip = _resting(place, tilt_rad, radius_mm)
    r = cam_from_bench[:3, :3]
    return ToolPose(r @ tip + cam_from_bench[:3, 3], -(r @ up))


def _resting(place: FloatArray, tilt_rad: float, radius_mm: float) -> tuple[FloatArray, FloatArray]:
    """Direction towards the handle and the outlet's middle, bench frame."""
    x, y, turn = place
    up = np.array([math.cos(turn) * math.cos(tilt_rad), math.sin(turn) * math.cos(tilt_rad), math.sin(tilt_rad)])
    return up, np.array([x, y, radius_mm * math.cos(tilt_rad)])


def _outside(px: FloatArray, hulls: list[FloatArray]) -> FloatArray:
    """How far points (n, 2) lie outside the union of convex polygons, less than 0 inside [px]."""
    out = np.full(len(px), np.inf)
    for hull in hulls:
        side = np.roll(hull, -1, axis=0) - hull
        normal = np.column_stack([side[:, 1], -side[:, 0]])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-12
        np.minimum(out, np.max(px @ normal.T - np.sum(normal * hull, axis=1), axis=1), out=out)
    return out


def _end(s: FloatArray, radius: FloatArray) -> int:
    """How many stations come before the far end's circle, which is seen askew."""
    is_full = radius >= _FULL_SHARE * np.median(radius[s > s[-1] - 3 * _RIM_MM])
    return len(radius) - int(np.argmax(is_full[::-1]))


def _corners(s: FloatArray, radius: FloatArray) -> FloatArray:
    """A measured outline as few straight pieces, (k, 2)."""
    smooth = cv2.medianBlur(radius.astype(np.float32).reshape(1, -1), 5).ravel()
    line = cv2.approxPolyDP(np.column_stack([s, smooth]).astype(np.float32).reshape(-1, 1, 2), _TOLERANCE_MM,
                            False).reshape(-1, 2).astype(float)
    line[0, 0] = 0.0
    return line[:, ::-1]


def _rays(camera: CameraModel, cam_from_bench: FloatArray, px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The camera's place and the directions of pixels, bench frame."""
    flat = cv2.undistortPoints(px.reshape(-1, 1, 2), camera.camera_matrix_px,
                               np.asarray(camera.distortion, float)).reshape(-1, 2)
    turn = cam_from_bench[:3, :3].T
    rays = np.column_stack([flat, np.ones(len(flat))]) @ turn.T
    return -turn @ cam_from_bench[:3, 3], rays / np.linalg.norm(rays, axis=1, keepdims=True)


def _level(origin: FloatArray, rays: FloatArray, flat: FloatArray,
           height_mm: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Level axis (point and direction (2,), from the thin end) and, from both sides of the outline, stations from
    that point and radii there."""
    centre, along = flat[:, :2].mean(0), np.linalg.svd(flat[:, :2] - flat[:, :2].mean(0), full_matrices=False)[2][0]
    for _ in range(4):  # the axis runs where both sides are equally far
        s, distance = _to_axis(origin, rays, np.array([*centre, height_mm]), np.array([*along, 0.0]))
        left, right = (_binned(s[pick], distance[pick]) for pick in (distance > 0, distance < 0))
        both = sorted(set(left) & set(right))
        if len(both) < 10:
            raise CalibrationError("what lies on the mat has no two long sides: lay the nozzle alone, its whole length "
                                   "in view")
        middle = np.array([(left[b] + right[b]) / 2 for b in both])
        stations = _STATION_MM * (np.array(both) + 0.5)
        near = np.abs(middle - np.median(middle)) < 3.0
        slope, shift = np.polyfit(stations[near], middle[near], 1)
        across = np.array([-along[1], along[0]])
        centre, along = centre + shift * across, along + slope * across
        along = along / np.linalg.norm(along)
    radius = np.array([(left[b] - right[b]) / 2 for b in both])
    if np.median(radius[: len(radius) // 4]) > np.median(radius[-len(radius) // 4:]):
        return centre, -along, -stations[::-1], radius[::-1]
    return centre, along, stations, radius


def _to_axis(origin: FloatArray, rays: FloatArray, at: FloatArray, axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where along an axis each ray passes nearest, and how far to its left, as seen from above."""
    normal = np.cross(rays, axis)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    distance = normal @ (at - origin)
    lean = rays @ axis
    gap = origin - at
    s = (gap @ axis - lean * (rays @ gap)) / (1 - lean**2)
    left = np.array([-axis[1], axis[0], 0.0])
    return s, np.where(normal @ left < 0, distance, -distance)


def _binned(s: FloatArray, distance: FloatArray) -> dict[int, float]:
    """Median distance at each station."""
    bins = np.floor(s / _STATION_MM).astype(int)
    order = np.argsort(bins, kind="stable")
    edges = np.flatnonzero(np.diff(bins[order])) + 1
    return {int(bins[part[0]]): float(np.median(distance[part])) for part in np.split(order, edges)}
