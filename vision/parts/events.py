"""What happened to a part, from how it lies frame by frame: settled, moved, sprang back, stood up, removed.

A movement is believed when several frames in a row agree that the part lies elsewhere, by more than noise, shadow and
coding can feign. Nothing is concluded from frames in which it is covered.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from statistics import median
from typing import NamedTuple

import numpy as np

from vision.parts.gates import AT_REST, STILL_GREY, Least
from vision.types import FloatArray, PartEvent, PartMotion

__all__ = ["AGREE", "GAP_S", "MOVED", "PartEventDetector"]

GAP_S = 0.5  # without a reading, after which what was under way has ended [convention]
# what a movement, and an excursion that came back, must pass [measured: tests.benchmarks.parts_drawn false, for none]
MOVED, _SPRANG = Least(0.05, 0.35, 5.0), Least(0.12, 0.8, 8.0)
AGREE = 3  # readings in a row that must agree, that a part lies elsewhere or that it rests [convention]


class _Lasting(NamedTuple):
    """Seconds that readings must last [convention], for each thing that they may tell."""

    away: float = 0.06  # it lies elsewhere: three pictures at 30 a second
    rest: float = 0.14  # it lies still: a finger that nudges holds a part for 0.1 s
    moving: float = 0.4  # a movement that goes on
    gone: float = 0.25  # its place is bare and still
    seat: float = 1.0  # memory of where it rests


class _Settling(NamedTuple):
    """How a part moves that melts [convention]: no further than that [mm], with so much of it and of the board on the
    most covered side in view throughout [-]."""

    mm: float = 0.8
    seen: float = 0.85
    clear: float = 0.6


class _Bare(NamedTuple):
    """How the place of a part looks that is gone [convention]: so much of the board on the most covered side in view,
    no more than that of the part and of the contrasts of its edge [-]. A part that stands instead hides more than a
    half of what it would hide."""

    clear: float = 0.75
    seen: float = 0.5
    edges: float = 0.35
    half: float = 0.5


_LASTS_S, _SETTLES, _BARE = _Lasting(), _Settling(), _Bare()


class PartEventDetector:
    """Follows one part's readings, in order of time.

    Parameters
    ----------
    size_mm : float
        Its longer side: a turn moves its ends by half of that.
    may_settle : bool
        Whether its joints are meant to melt.
    """

    def __init__(self, size_mm: float, may_settle: bool) -> None:
        self._half_mm, self._may_settle = size_mm / 2, may_settle
        self._seat: _Seat | None = None
        self._recent: deque[PartMotion] = deque()
        self._move: _Move | None = None
        self._gone_since_s, self._is_gone = math.nan, False
        self._changes: list[tuple[float, float]] = []
        self._t_s, self._stood = -math.inf, math.nan

    def step(self, now: PartMotion) -> tuple[PartEvent, ...]:
        """What this frame lets one conclude, at most one event."""
        if not now.is_measured:
            event = self._unseen(now)
            return () if event is None else (event,)
        self._gone_since_s, self._is_gone = math.nan, False
        if now.t_s - self._t_s > GAP_S:
            self._recent.clear()
            self._move = None
        self._t_s = now.t_s
        self._keep(now)
        if self._seat is None or self._seat.is_young:
            self._seat = _Seat.of(now) if self._seat is None else self._seat.with_reading(now)
            return ()
        seat, move = self._seat, self._move
        event = self._still(now, seat) if move is None else self._moving(now, move, seat)
        return () if event is None else (event,)

    def _keep(self, now: PartMotion) -> None:
        """The readings by which rest is told, and where a movement began."""
        self._recent.append(now)
        while len(self._recent) > AGREE + 2 and now.t_s - self._recent[1].t_s >= _LASTS_S.rest:
            self._recent.popleft()

    def _still(self, now: PartMotion, seat: _Seat) -> PartEvent | None:
        """At rest as far as is known: does it begin to move?"""
        if not self._is_away(now, seat):
            self._seat = seat.with_reading(now)
            return None
        recent = self._last(_LASTS_S.away)
        away = [p for p in list(self._recent)[-len(recent) - 2 :] if self._is_away(p, seat)]
        if not recent or not all(self._is_away(p, seat) for p in recent):
            return None
        if not _agree([seat.offset(p) for p in recent]):
            return None
        move = _Move(
            away[0].t_s,
            now.t_s,
            self._furthest(recent, seat),
            min(p.seen for p in recent),
            min(p.clear for p in recent),
        )
        return self._moving(now, move, seat)

    def _moving(self, now: PartMotion, move: _Move, seat: _Seat) -> PartEvent | None:
        move = self._move = move.went_on(self._furthest([move.furthest, now], seat), now)
        last = self._last(_LASTS_S.rest)
        if self._is_at_rest(last):
            self._move, self._seat = None, _Seat.of(*last)
            return self._concluded(now, move, seat, self._seat)
        if not move.is_reported and now.t_s - move.t_known_s > _LASTS_S.moving:
            self._move = replace(move, is_reported=True)
            return self._event(now, move, "moved", seat.offset(move.furthest), seat)
        return None

    def _concluded(self, now: PartMotion, move: _Move, before: _Seat, after: _Seat) -> PartEvent | None:
        """It lies still again: where?"""
        offset = after.mean - before.mean
        if self._size_mm(offset) < self._threshold_mm(now, before):
            self._seat = before
            return (
                self._event(now, move, "sprang_back", before.offset(move.furthest), before)
                if self._did_spring(move, before)
                else None
            )
        if move.is_reported:
            return None
        is_clear = move.least_seen >= _SETTLES.seen and move.clear > _SETTLES.clear
        is_slight = np.hypot(*offset[:2]) < _SETTLES.mm and is_clear
        settles = (
            self._may_settle and is_slight and self._size_mm(before.offset(move.furthest)) < 1.5 * self._size_mm(offset)
        )
        return self._event(now, move, "settled" if settles else "moved", offset, before)

    def _did_spring(self, move: _Move, seat: _Seat) -> bool:
        far = move.furthest
        least = _SPRANG.at(far.px_per_mm, max(far.noise_mm, seat.noise_mm))
        return move.least_seen >= _SETTLES.seen and self._size_mm(seat.offset(far)) > least

    def _unseen(self, now: PartMotion) -> PartEvent | None:
        """Covered, or gone? Gone only when the board around is clear and what is there lies still."""
        is_bare = now.clear > _BARE.clear and now.seen < _BARE.seen and now.edges < _BARE.edges
        if not is_bare or self._seat is None or self._seat.is_young or self._is_gone:
            self._gone_since_s = math.nan
            return None
        if math.isnan(self._gone_since_s):
            self._gone_since_s, self._stood, self._changes = now.t_s, now.stands, []
        change = now.change if math.isfinite(now.change) else math.inf
        self._changes = [(t, c) for t, c in [*self._changes, (now.t_s, change)] if now.t_s - t <= _LASTS_S.gone]
        self._stood = 0.5 * (self._stood + now.stands)
        is_still = median(c for _, c in self._changes) < STILL_GREY  # a shadow's edge may cross it now and then
        if now.t_s - self._gone_since_s < _LASTS_S.gone or not is_still:
            return None
        self._is_gone, self._move = True, None
        nan2 = np.full(2, np.nan)
        return PartEvent(
            now.t_s,
            self._gone_since_s,
            now.name,
            "stood_up" if self._stood > _BARE.half else "removed",
            nan2,
            math.nan,
            math.nan,
        )

    @property
    def is_gone(self) -> bool:
        """Whether it was told to be gone, and has not been seen since."""
        return self._is_gone

    def _event(self, now: PartMotion, move: _Move, kind: str, offset: FloatArray, seat: _Seat) -> PartEvent:
        return PartEvent(
            now.t_s,
            move.t_start_s,
            now.name,
            kind,
            offset[:2].copy(),
            float(offset[2]),
            math.hypot(move.furthest.sigma_mm, seat.noise_mm),
        )

    def _size_mm(self, offset: FloatArray) -> float:
        """How far a shift (3,) moves the part's ends."""
        x, y, turn = offset.tolist()
        return max(math.hypot(x, y), abs(turn) * self._half_mm)

    def _threshold_mm(self, now: PartMotion, seat: _Seat) -> float:
        sigma = max(now.noise_mm, seat.noise_mm, max(now.turn_sigma_rad, seat.turn_sigma_rad) * self._half_mm)
        return MOVED.at(now.px_per_mm, sigma)

    def _is_away(self, p: PartMotion, seat: _Seat) -> bool:
        return self._size_mm(seat.offset(p)) > self._threshold_mm(p, seat)

    def _furthest(self, readings: list[PartMotion], seat: _Seat) -> PartMotion:
        return max(readings, key=lambda p: self._size_mm(seat.offset(p)))

    def _last(self, least_s: float) -> list[PartMotion]:
        """As many of the newest readings as must agree, over at least so long; none before there are."""
        now_s = self._recent[-1].t_s
        last: list[PartMotion] = []
        for p in reversed(self._recent):
            last.insert(0, p)
            if len(last) >= AGREE and now_s - p.t_s >= least_s:
                return last
        return []

    def _is_at_rest(self, last: list[PartMotion]) -> bool:
        if not last:
            return False
        spread = max(float(np.hypot(*(p.shift_mm - last[0].shift_mm))) for p in last[1:])
        return spread < AT_REST.at(last[0].px_per_mm, min(p.noise_mm for p in last))


@dataclass(frozen=True)
class _Seat:
    """Where a part rests: mean (3,) of its readings, their sigmas, how many, and the last one's time."""

    mean: FloatArray
    noise_mm: float
    turn_sigma_rad: float
    n: int
    t_s: float

    @staticmethod
    def of(*readings: PartMotion) -> _Seat:
        mean = np.mean([[*p.shift_mm, p.turn_rad] for p in readings], axis=0)
        return _Seat(
            mean,
            float(np.mean([p.noise_mm for p in readings])),
            float(np.mean([p.turn_sigma_rad for p in readings])),
            len(readings),
            readings[-1].t_s,
        )

    @property
    def is_young(self) -> bool:
        """Whether it has too few readings for anything to be told by it."""
        return self.n < AGREE

    def offset(self, p: PartMotion) -> FloatArray:
        return np.array([*p.shift_mm, p.turn_rad]) - self.mean

    def with_reading(self, p: PartMotion) -> _Seat:
        """Its mean follows the readings slowly: light that wanders is no movement."""
        share = max(1.0 / (self.n + 1), min(1.0, (p.t_s - self.t_s) / _LASTS_S.seat))
        return _Seat(
            self.mean + share * self.offset(p),
            self.noise_mm + share * (p.noise_mm - self.noise_mm),
            self.turn_sigma_rad + share * (p.turn_sigma_rad - self.turn_sigma_rad),
            self.n + 1,
            p.t_s,
        )


@dataclass(frozen=True)
class _Move:
    """A movement under way."""

    t_start_s: float
    t_known_s: float
    furthest: PartMotion
    least_seen: float
    clear: float
    is_reported: bool = False

    def went_on(self, furthest: PartMotion, now: PartMotion) -> _Move:
        return replace(
            self, furthest=furthest, least_seen=min(self.least_seen, now.seen), clear=min(self.clear, now.clear)
        )


def _agree(offsets: list[FloatArray]) -> bool:
    """Whether shifts point the same way."""
    total = np.sum(offsets, axis=0)
    if np.hypot(*total[:2]) < 1e-6:
        return True
    return all(o[:2] @ total[:2] >= 0 for o in offsets)
