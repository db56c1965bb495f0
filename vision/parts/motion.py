"""How parts lie against where they lay first: each one's picture registered against its own, and against the board
around it.

A part that is covered is not known, never unmoved. Nothing here reads the tool's pose: what covers is told from the
picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from vision import rigid
from vision.camera.model import CameraModel
from vision.camera.sources import brightness
from vision.parts.events import MOVED
from vision.parts.gates import AGAIN_S, CONTRAST_GREY, FLOOR_PX, LEAST_POINTS, Likeness
from vision.parts.patch import Patch, PatchFit, blurred, grey_at, make_patch, register, search_shift, shown
from vision.parts.place import AROUND_MM, SECTORS, PartSpec, Place, Window, make_place, windows_of
from vision.parts.reference import ReferenceViews, grey_around, slopes_of
from vision.parts.standing import Standing, make_standing
from vision.types import BenchPose, FloatArray, Frame, PartMotion, PoseMiss

__all__ = ["PartSpec", "PartWatcher"]

# to their references, from which a part, and the board around it, are taken to be seen [convention]
_PART, _RING = Likeness(0.6, 0.75), Likeness(0.4, 0.5)
_EDGE_STAYS = 0.4  # share of an edge's contrast that is still one [convention]
_SEARCH_S = 0.1  # a part that is not seen is looked for so often [convention]
_FAR_PX = 3.0  # of the board around, from where it was told to be: then it is not that [convention]


class _Errors(NamedTuple):
    """What a shift may be wrong by [convention]: so far pulled by what covers a part, times the share covered [px];
    seen from elsewhere, so much of its height, and beside; by what one that melts sinks, or a nudged one rises [mm]."""

    hidden_px: float = 0.3
    height_share: float = 0.2
    height_mm: float = 0.2
    sinks_mm: float = 0.1


_ERRORS = _Errors()


class PartWatcher:
    """Watches some parts of a board; feed frames in order of time.

    Parameters
    ----------
    camera : CameraModel
    board_top_mm : float
        Height of the board's top face over the mat.
    parts : list of PartSpec
        As they lie when the watch begins.
    """

    def __init__(self, camera: CameraModel, board_top_mm: float, parts: list[PartSpec]) -> None:
        self._camera, self._top_mm = camera, board_top_mm
        self._parts = [
            _Part(camera, board_top_mm, spec, [o.outline_mm for o in parts if o is not spec]) for spec in parts
        ]

    def warm_up(self) -> None:
        """Compile what the first frames need; changes nothing."""
        picture = blurred(np.tile(np.arange(64, dtype=np.uint8) * 3, (64, 1)))
        points = np.stack(np.meshgrid(np.arange(20.0, 40.0), np.arange(20.0, 40.0)), -1).reshape(-1, 2)
        views = grey_at(picture, np.eye(3), points, np.zeros(3))[None]
        patch = make_patch(points, views, np.ones((2, len(points))), 1.0)
        register(picture, np.eye(3), patch, np.zeros(3))
        search_shift(picture, np.eye(3), patch, np.zeros(3), 1.0, 1.0)

    def step(self, frame: Frame, bench: BenchPose | PoseMiss, board_shift: FloatArray) -> tuple[PartMotion, ...]:
        """Every part in one frame.

        Parameters
        ----------
        board_shift : array, shape (3,)
            Of the board as `VisionResult` tells it.
        """
        if isinstance(bench, PoseMiss):
            return tuple(part.miss(frame.t_s) for part in self._parts)
        pose, grey = bench.cam_from_bench, brightness(frame)
        if grey.shape[::-1] != tuple(self._camera.image_size_px):
            return tuple(part.miss(frame.t_s) for part in self._parts)
        places = [part.place_in(pose) for part in self._parts]
        windows = windows_of(self._camera, pose, places, self._top_mm, board_shift)
        eye = rigid.inverse(pose)[:3, 3]
        return tuple(part.step(grey, frame.t_s, place, window, pose, eye)
                     for part, place, window in zip(self._parts, places, windows, strict=True))


@dataclass(frozen=True)
class _First:
    """What a part and the board around it looked like at first."""

    top: Patch
    ring: Patch
    edge: FloatArray
    lean: FloatArray
    standing: Standing | None


@dataclass(frozen=True)
class _Sight:
    """A part in one picture, cut out and blurred.

    lean : array, shape (2,)
        By how many mm a point one mm higher is seen further away.
    """

    t_s: float
    picture: np.ndarray
    place: Place
    window: Window
    lean: FloatArray


class _Part:
    """One part: its reference, and where it was a moment ago."""

    def __init__(self, camera: CameraModel, board_top_mm: float, spec: PartSpec, others: list[FloatArray]) -> None:
        self._camera, self._top_mm, self._spec, self._others = camera, board_top_mm, spec, others
        self._place: Place | None = None
        self._forget()

    def _forget(self) -> None:
        self._first: _First | None = None
        self._views: ReferenceViews[FloatArray] = ReferenceViews()
        self._shift, self._ring_shift = np.zeros(3), np.zeros(3)
        self._before: FloatArray | None = None
        self._t_search_s, self._t_ring_s = -np.inf, np.nan

    def miss(self, t_s: float) -> PartMotion:
        """Nothing is known of it in this frame."""
        self._before = None
        return PartMotion(t_s, self._spec.name)

    def place_in(self, pose: FloatArray) -> Place:
        """Its points, made when it is first seen."""
        if self._place is None:
            self._place = make_place(self._spec, self._others, _scale(self._camera, pose, self._spec, self._top_mm))
        return self._place

    def step(
        self, grey: np.ndarray, t_s: float, place: Place, window: Window | None, pose: FloatArray, eye: FloatArray
    ) -> PartMotion:
        """How it lies in one frame, seen by an eye (3,) in the bench frame."""
        if window is None or len(place.ring_mm) < SECTORS * LEAST_POINTS:  # too little of the board to go by
            return self.miss(t_s)
        x, y, w, h = window.box
        lean = (place.centre_mm - eye[:2]) / eye[2]
        sight = _Sight(t_s, blurred(grey[y : y + h, x : x + w]), place, window, lean)
        if self._first is None:
            self._gather(sight, pose)
            return self.miss(t_s)
        return self._measure(sight, self._first)

    def _gather(self, sight: _Sight, pose: FloatArray) -> None:
        """Gather views until they have been alike for a while; then they are the reference."""
        now, place, window = _grey_of(sight), sight.place, sight.window
        if not np.isfinite(now).all():
            self._views.clear()
            return
        alike = self._views.take(sight.t_s, now[0], now)
        if alike is None:
            return
        views = np.stack(alike)
        n, k = len(place.top_mm), len(place.ring_mm)
        slopes = slopes_of(views, window.px_per_mm)
        pair = views[:, 0, n + k :].mean(0)
        half = len(place.inner_mm)
        self._first = _First(
            make_patch(place.top_mm, views[:, 0, :n], slopes[:, :n], window.px_per_mm),
            make_patch(place.ring_mm, views[:, 0, n : n + k], slopes[:, n : n + k], window.px_per_mm),
            pair[half:] - pair[:half],
            sight.lean,
            make_standing(self._camera, pose, self._spec, self._top_mm, sight.picture, window),
        )
        self._views.clear()
        self._t_ring_s = sight.t_s

    def _measure(self, sight: _Sight, first: _First) -> PartMotion:
        t_s, place, window = sight.t_s, sight.place, sight.window
        ring = register(sight.picture, window.ring_px, first.ring, self._ring_shift)
        if not _is_seen(ring, _RING) or math.hypot(*ring.shift[:2].tolist()) * window.px_per_mm > _FAR_PX:
            if t_s - self._t_ring_s > AGAIN_S:
                self._forget()
            self._ring_shift = np.zeros(3)
            return replace(self.miss(t_s), seen=0.0)
        self._t_ring_s, self._ring_shift = t_s, ring.shift
        fit = self._top(sight, first, ring)
        clear = _clear(ring, first.ring, place)
        if not _is_seen(fit):
            return self._elsewhere(sight, first, fit, ring, clear)
        self._before, self._shift = None, fit.shift - ring.shift
        x, y, turn = self._shift.tolist()
        noise_mm = self._noise_mm(fit, ring, window.px_per_mm, sight.lean - first.lean)
        stirred = math.hypot(x, y) * window.px_per_mm > MOVED.px
        # seen at a slant it seems to shift
        sinks_mm = _ERRORS.sinks_mm * math.hypot(*sight.lean.tolist()) if stirred else 0.0
        return PartMotion(
            t_s,
            self._spec.name,
            shift_mm=self._shift[:2].copy(),
            turn_rad=turn,
            sigma_mm=math.hypot(noise_mm, sinks_mm / math.sqrt(2)),
            turn_sigma_rad=math.sqrt(
                fit.cov[2, 2] + ring.cov[2, 2] + (FLOOR_PX / window.px_per_mm / place.size_mm) ** 2
            ),
            noise_mm=noise_mm,
            seen=fit.share,
            clear=clear,
            is_present=True,
            gain=fit.gain,
            px_per_mm=window.px_per_mm,
        )

    def _elsewhere(self, sight: _Sight, first: _First, fit: PatchFit, ring: PatchFit, clear: float) -> PartMotion:
        """What is seen in a part's place that does not look like the part: by what its leaving can be told."""
        now = grey_at(sight.picture, sight.window.top_px, sight.place.top_mm, ring.shift)
        change = math.nan if self._before is None else _change(self._before, now)
        self._before, standing = now, first.standing
        # a flat fit to something else shows nothing of the part, however well it fits
        shown = fit.share * min(fit.gain / ring.gain, 1.0) * max(fit.alike, 0.0)
        stands = math.nan if standing is None else standing.share(sight.picture, sight.window, ring.shift, ring.gain)
        return PartMotion(
            sight.t_s,
            self._spec.name,
            seen=shown,
            clear=clear,
            edges=_edges(sight, first.edge, ring),
            stands=stands,
            change=change,
            gain=fit.gain,
            px_per_mm=sight.window.px_per_mm,
        )

    def _top(self, sight: _Sight, first: _First, ring: PatchFit) -> PatchFit:
        """The part near where it was; when it is not there, looked for around its seat now and then."""
        picture, window, t_s = sight.picture, sight.window, sight.t_s
        fit = register(picture, window.top_px, first.top, self._shift + ring.shift, ring.gain)
        if _is_seen(fit) or t_s - self._t_search_s < _SEARCH_S:
            return fit
        self._t_search_s = t_s
        start = search_shift(picture, window.top_px, first.top, ring.shift, AROUND_MM, 0.8 / window.px_per_mm)
        other = register(picture, window.top_px, first.top, start, ring.gain)
        return other if _is_seen(other) and other.share > fit.share else fit

    def _noise_mm(self, fit: PatchFit, ring: PatchFit, px_per_mm: float, lean_change: FloatArray) -> float:
        height_mm = _ERRORS.height_mm + _ERRORS.height_share * self._spec.height_mm
        x, y = lean_change.tolist()
        variances = (
            float(fit.cov[0, 0] + fit.cov[1, 1] + ring.cov[0, 0] + ring.cov[1, 1]) / 2,
            (FLOOR_PX / px_per_mm) ** 2,
            (_ERRORS.hidden_px * (1 - fit.share) / px_per_mm) ** 2,
            height_mm**2 * (x * x + y * y) / 2,
        )
        return math.sqrt(sum(variances))


def _edges(sight: _Sight, first: FloatArray, ring: PatchFit) -> float:
    """Share of the reference's contrasts across the part's edge that are still there; nan for too few."""
    inner, outer = (
        grey_at(sight.picture, sight.window.top_px, points, ring.shift)
        for points in (sight.place.inner_mm, sight.place.outer_mm)
    )
    strong = np.abs(first) > CONTRAST_GREY
    if strong.sum() < LEAST_POINTS:
        return math.nan
    stays = (outer - inner)[strong] * np.sign(first[strong]) / ring.gain
    return float((stays > _EDGE_STAYS * np.abs(first[strong])).mean())


def _clear(ring: PatchFit, patch: Patch, place: Place) -> float:
    """Share of the board that is seen on a part's most covered side."""
    sides = shown(patch, ring, place.sector, SECTORS).tolist()
    return min((c for c, n in zip(sides, place.in_sector, strict=True) if n >= LEAST_POINTS), default=0.0)


def _change(before: FloatArray, now: FloatArray) -> float:
    """Mean change of grey levels, but for a factor that all share: light that comes and goes is no movement."""
    known = np.isfinite(before) & np.isfinite(now)
    a, b = before[known], now[known]
    return float(np.abs(b - (a @ b) / max(float(a @ a), 1e-9) * a).mean()) if len(a) else math.nan


def _is_seen(fit: PatchFit, likeness: Likeness = _PART) -> bool:
    return fit.is_settled and bool(likeness.holds(fit))


def _grey_of(sight: _Sight) -> FloatArray:
    """Grey levels of all points as `grey_around` gives them, (5, points)."""
    place, window = sight.place, sight.window
    faces = (
        (window.top_px, place.top_mm),
        (window.ring_px, place.ring_mm),
        (window.top_px, place.inner_mm),
        (window.top_px, place.outer_mm),
    )
    return np.concatenate([grey_around(sight.picture, px, mm, window.px_per_mm) for px, mm in faces], axis=1)


def _scale(camera: CameraModel, pose: FloatArray, spec: PartSpec, board_top_mm: float) -> float:
    centre = np.array([*np.mean(spec.outline_mm, axis=0), board_top_mm + spec.height_mm])
    points = centre + np.array([[0, 0, 0], [1.0, 0, 0], [0, 1.0, 0]])
    px = camera.project(rigid.apply(pose, points))
    return float(np.sqrt(abs(np.linalg.det(px[1:] - px[0]))))
