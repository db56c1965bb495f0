"""Small things beside the target that nobody marked: corners of what lies there, each registered against the others.

Nothing tells beforehand which of them belong to a part and which are print. Print does not move against print; what
does has come loose. Only that is told, and only once it lies still and may be compared with its surroundings: what a
tool covers, what more than one thing does at once, and what has gone altogether is not told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from vision import rigid
from vision.camera.model import CameraModel
from vision.compiled import njit
from vision.parts.events import AGREE, GAP_S
from vision.parts.gates import AGAIN_S, AT_REST, CONTRAST_GREY, FLOOR_PX, STAYS_S, Least, Likeness
from vision.parts.patch import Patch, Spots, blurred, make_patch, register_all
from vision.parts.place import LEAN, SQUARE, PartSpec, Window, make_frame, outside_mm, windows_of
from vision.parts.reference import ReferenceViews, grey_around, slopes_of
from vision.types import FloatArray, PartEvent

__all__ = ["SpotWatcher"]

_EVERY_S = 0.045  # looked at no more often: every second of 30 pictures a second [derived]
_MOST_LEAN = 0.03  # change of the view from which another reference is needed [convention]
_SPOT = Likeness(0.8, 0.8)  # to its reference, from which a spot is taken to be seen [convention]
_HEIGHT_MM = 1.5  # by which a spot may be higher or lower than taken [convention]
_MOVED = Least(0.10, 0.8, 6.0)  # what a shift must pass [measured: tests.benchmarks.parts_drawn false, for none]


class _Choice(NamedTuple):
    """Which spots are chosen [convention]: at most so many; so large at least; so far apart, and from what the sides of
    marked parts may hide. Nothing is compared with fewer, or while fewer of them than that share are seen."""

    most: int = 24
    side_mm: float = 1.4
    side_px: float = 7.0
    apart_mm: float = 1.0
    fewest: int = 8
    share: float = 0.6


_CHOICE = _Choice()
_ONE_THING_MM = 3.0  # spots so near move as one; more at once are no part that came loose [convention]


@dataclass(frozen=True)
class _Reference:
    """The spots at first, from the frame's middle; how slanted they were seen (2,); and what was made of them since."""

    spots: Spots
    lean: FloatArray
    detector: _SpotDetector


class SpotWatcher:
    """Watches what lies around a target; feed frames in order of time.

    Parameters
    ----------
    camera : CameraModel
    board_top_mm : float
    marked : list of PartSpec
        The target first; what is marked is watched by others.
    reach_mm : float
        How far from the target's outline.
    """

    def __init__(self, camera: CameraModel, board_top_mm: float, marked: list[PartSpec], reach_mm: float) -> None:
        self._camera, self._top_mm, self._marked, self._reach_mm = camera, board_top_mm, marked, reach_mm
        self._frame = make_frame(marked[0], reach_mm)
        self._reference: _Reference | None = None
        self._views: ReferenceViews[tuple[FloatArray, FloatArray]] = ReferenceViews()  # pictures, and ways into them
        self._t_s = self._t_seen_s = -math.inf

    @property
    def around(self) -> PartSpec:
        """What is watched, as a square on the board."""
        return PartSpec("", self._frame.centre_mm + self._frame.reach_mm * SQUARE, 0.0)

    @property
    def centres_mm(self) -> FloatArray:
        """Of the spots that are watched, (n, 2) in the bench frame; none before there is a reference."""
        return np.empty((0, 2)) if self._reference is None else self._reference.spots.centres_mm + self._frame.centre_mm

    def warm_up(self) -> None:
        """Compile what the first frames need; changes nothing."""
        points = _square(10.0, 1.0)
        picture, rows = blurred(np.eye(64, dtype=np.uint8)), np.ones((2, 7, len(points)))
        spots = Spots(np.full((2, 2), 32.0), points, rows, rows[:, 0].copy())
        _as_one(spots.centres_mm, register_all(picture, np.eye(3), spots, np.zeros((2, 2))).shift_mm, np.ones(2, bool))

    def step(self, grey: np.ndarray, t_s: float, pose: FloatArray, board_shift: FloatArray) -> list[PartEvent]:
        """What one frame, seen from a pose, lets one conclude."""
        if 0 <= t_s - self._t_s < _EVERY_S:
            return []
        self._t_s = t_s
        window = windows_of(self._camera, pose, [self._frame], self._top_mm, board_shift)[0]
        if window is None:
            return []
        x, y, w, h = window.box
        cut = grey[y : y + h, x : x + w]
        eye = rigid.inverse(pose)[:3, 3]
        lean = (self._frame.centre_mm - eye[:2]) / eye[2]
        if self._reference is not None and math.hypot(*(lean - self._reference.lean).tolist()) > _MOST_LEAN:
            self._reference = None
        if self._reference is None:
            self._reference = self._gather(cut, window, t_s, lean)
            return []
        return self._events_in(self._reference, blurred(cut), window, t_s, lean)

    def _gather(self, cut: np.ndarray, window: Window, t_s: float, lean: FloatArray) -> _Reference | None:
        """Look on until nothing has changed for a while; then choose the spots. None until there are enough."""
        picture = blurred(cut)
        views = self._views.take(t_s, picture, (picture, window.ring_px))
        if views is None:
            return None
        centres = self._corners(cut, window)
        offsets = _square(max(_CHOICE.side_mm, _CHOICE.side_px / window.px_per_mm), 1.0 / window.px_per_mm)
        found = [(c, _patch(views, c, offsets, window.px_per_mm)) for c in centres]
        kept = [(c, patch) for c, patch in found if patch is not None and patch.rows[3].std() > CONTRAST_GREY]
        self._views.clear()
        if len(kept) < _CHOICE.fewest:
            return None
        self._t_seen_s = t_s
        at, patches = zip(*kept, strict=True)
        rows, scatter = np.stack([p.rows for p in patches]), np.stack([p.scatter for p in patches])
        return _Reference(Spots(np.array(at), offsets, rows, scatter), lean, _SpotDetector(len(kept)))

    def _corners(self, cut: np.ndarray, window: Window) -> FloatArray:
        """Corners in the picture within reach, away from marked parts, the most marked first, (n, 2)."""
        found = cv2.goodFeaturesToTrack(cut, 8 * _CHOICE.most, 0.02, _CHOICE.apart_mm * window.px_per_mm, blockSize=5)
        if found is None:
            return np.empty((0, 2))
        px = found.reshape(-1, 1, 2).astype(float)
        at = np.asarray(cv2.perspectiveTransform(px, np.linalg.inv(window.ring_px))[:, 0], float)
        on_bench = at + self._frame.centre_mm
        far = [outside_mm(spec.outline_mm, on_bench) for spec in self._marked]
        free = far[0] < self._reach_mm
        for spec, away in zip(self._marked, far, strict=True):
            free &= away > _CHOICE.apart_mm + LEAN * spec.height_mm
        return at[free][:_CHOICE.most]

    def _events_in(
        self, reference: _Reference, picture: np.ndarray, window: Window, t_s: float, lean: FloatArray
    ) -> list[PartEvent]:
        fits = register_all(picture, window.ring_px, reference.spots, reference.detector.seat_mm)
        seen = np.asarray(_SPOT.holds(fits))
        if seen.sum() < max(_CHOICE.fewest, _CHOICE.share * len(seen)):
            if t_s - self._t_seen_s > AGAIN_S:
                self._reference = None
            return []
        self._t_seen_s = t_s
        shift = fits.shift_mm - _as_one(reference.spots.centres_mm, fits.shift_mm, seen)
        parallax_mm = _HEIGHT_MM * math.hypot(*(lean - reference.lean).tolist())
        sigma = np.sqrt(fits.variance_mm2 + (FLOOR_PX / window.px_per_mm) ** 2 + parallax_mm**2)
        moved = reference.detector.step(t_s, shift, sigma, _MOVED.each(window.px_per_mm, sigma), seen)
        return [] if not len(moved) else self._events_of(reference, t_s, moved)

    def _events_of(self, reference: _Reference, t_s: float, moved: np.ndarray) -> list[PartEvent]:
        """One event for what moved as one; none when too much moved at once."""
        at = reference.spots.centres_mm[moved]
        things = _groups(at)
        shifts, sigmas, since = reference.detector.take(moved)
        if things.max() > 0:
            return []
        x, y = (at.mean(0) + self._frame.centre_mm).tolist()
        return [
            PartEvent(t_s, float(since.min()), f"unmarked at {x:.0f}, {y:.0f} mm", "moved", np.median(shifts, axis=0),
                      0.0, float(sigmas.max()))
        ]


def _patch(
    views: list[tuple[FloatArray, FloatArray]], centre: FloatArray, offsets: FloatArray, px_per_mm: float
) -> Patch | None:
    """The reference of one spot, from several pictures with the way into each; None when it is not wholly in view."""
    seen = np.array([grey_around(picture, px, offsets + centre, px_per_mm) for picture, px in views])
    if not np.isfinite(seen).all():
        return None
    return make_patch(offsets, seen[:, 0], slopes_of(seen, px_per_mm), px_per_mm)


# readings before anything can be told; of which the seat is the mean: it follows nothing after, least of all what hides
# it slowly [convention]
_KNOWN, _SEAT = 10, 40


class _SpotDetector:
    """Where each spot rests against the others, and since when it lies elsewhere."""

    def __init__(self, n: int) -> None:
        self.seat_mm = np.zeros((n, 2))
        self._sigma_mm = np.zeros(n)
        self._n, self._t_s = np.zeros(n, int), np.full(n, np.nan)
        self._since_s, self._count = np.full(n, np.nan), np.zeros(n, int)
        self._there_mm, self._from_mm = np.zeros((n, 2)), np.zeros((n, 2))

    def step(
        self, t_s: float, shift: FloatArray, sigma: FloatArray, least: FloatArray, seen: np.ndarray
    ) -> np.ndarray:
        """Indices of spots that have come to lie elsewhere."""
        dt = np.where(np.isnan(self._t_s), 0.0, t_s - self._t_s)
        self._since_s[seen & (dt > GAP_S)] = np.nan
        off = shift - self.seat_mm
        away = seen & (np.hypot(*off.T) > least) & (self._n >= _KNOWN)
        begins = away & (
            np.isnan(self._since_s)
            | (np.hypot(*(shift - self._there_mm).T) > AT_REST.each(1.0, sigma))
        )
        self._since_s[begins], self._count[begins], self._there_mm[begins] = t_s, 0, shift[begins]
        self._count[away] += 1
        rests = seen & ~away
        self._since_s[rests] = np.nan
        young = rests & (self._n < _SEAT)
        self._n[young] += 1
        self.seat_mm[young] += off[young] / self._n[young, None]
        self._t_s[seen], self._sigma_mm[seen] = t_s, sigma[seen]
        return np.flatnonzero(away & (t_s - self._since_s >= STAYS_S) & (self._count >= AGREE))

    def take(self, moved: np.ndarray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Shifts, sigmas and beginnings of those; they rest where they lie from now on."""
        shifts, since = self._there_mm[moved] - self.seat_mm[moved], self._since_s[moved].copy()
        self.seat_mm[moved], self._since_s[moved] = self._there_mm[moved], np.nan
        return shifts, self._sigma_mm[moved], since


@njit(cache=True, nogil=True)
def _as_one(at: FloatArray, shift: FloatArray, seen: np.ndarray) -> FloatArray:
    """The shift and turn that most spots share, told at each, (n, 2)."""
    sure = np.flatnonzero(seen)
    common = np.array([np.median(shift[sure, 0]), np.median(shift[sure, 1])])
    arm, out = np.empty(at.shape), np.empty(at.shape)
    for k in range(2):
        arm[:, k] = at[:, k] - at[sure, k].mean()
    turn = 0.0
    for _ in range(4):
        x, y = shift[:, 0] - common[0] + turn * arm[:, 1], shift[:, 1] - common[1] - turn * arm[:, 0]
        size = np.hypot(x, y)
        scale = max(np.median(size[sure]), 0.005)
        weight = np.where(seen, 1.0 / (1.0 + (size / (2 * scale)) ** 2) ** 2, 0.0)
        common[0] += (weight * x).sum() / weight.sum()
        common[1] += (weight * y).sum() / weight.sum()
        across = arm[:, 0] * y - arm[:, 1] * x
        turn += (weight * across).sum() / max((weight * (arm[:, 0] ** 2 + arm[:, 1] ** 2)).sum(), 1e-9)
    out[:, 0], out[:, 1] = common[0] - turn * arm[:, 1], common[1] + turn * arm[:, 0]
    return out


def _groups(at: FloatArray) -> np.ndarray:
    """A number for each place, the same for those that are near one another in a chain."""
    near = np.hypot(*(at[:, None] - at[None]).T) < _ONE_THING_MM
    label = np.arange(len(at))
    for _ in range(len(at)):
        label = np.array([label[row].min() for row in near])
    return np.unique(label, return_inverse=True)[1]


def _square(side_mm: float, pitch_mm: float) -> FloatArray:
    n = max(3, round(side_mm / pitch_mm) + 1)
    x = (np.arange(n) - (n - 1) / 2) * pitch_mm
    return np.stack(np.meshgrid(x, x), -1).reshape(-1, 2)
