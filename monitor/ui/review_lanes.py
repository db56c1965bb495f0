"""What the timeline's lanes show: curves with bands and limits, and rows of bars."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.job import Job
from monitor.review.traces import Happening, Traces
from monitor.review.verdict import WARNING_WORDS
from monitor.ui.review_keys import tr
from vision.types import FloatArray

__all__ = ["Bar", "BarLane", "Curve", "CurveLane", "JudgedAgain", "Laid", "lanes_of", "thinned", "value_at"]

WARNED, PASSED, NOTED = "warning", "pass", "note"
MOST_NEIGHBOURS = 2
LEAST_SPAN = 1.0  # of a curve's own unit: less is noise


@dataclass(frozen=True)
class Curve:
    """One line: values (n, 3) with low, middle, high; `series` picks colour and dash from the look."""

    name: str
    t_s: FloatArray
    values: FloatArray
    series: int = 0
    is_banded: bool = True


@dataclass(frozen=True)
class CurveLane:
    """Curves over one scale; `limits` is the allowed range."""

    title: str
    unit: str
    curves: tuple[Curve, ...]
    limits: tuple[float, float] | None = None
    weight: float = 1.0
    is_rising: bool = False  # its lower right is free for the reading

    @functools.cached_property
    def span(self) -> tuple[float, float]:
        """Lowest and highest value to show."""
        values = [c.values[:, 1] for c in self.curves if len(c.values)]
        known = np.concatenate(values) if values else np.empty(0)
        known = known[np.isfinite(known)]
        low, high = (min(0.0, float(known.min())), float(np.percentile(known, 99))) if len(known) else (0.0, 1.0)
        if self.limits is not None:
            low, high = min(low, self.limits[0]), min(max(high, 1.25 * self.limits[1]), 3.0 * self.limits[1])
        high = max(high, low + LEAST_SPAN)
        return low, high + 0.08 * (high - low)


@dataclass(frozen=True)
class Bar:
    """Something that lasted from one moment to another."""

    start_s: float
    end_s: float
    text: str
    kind: str
    detail: str = ""


@dataclass(frozen=True)
class BarLane:
    """A row of bars."""

    title: str
    bars: tuple[Bar, ...] = field(default=())
    weight: float = 0.34


@dataclass(frozen=True)
class Laid:
    """A pass that is laid over one of these: its height, and the distance between the two."""

    height: Curve
    distance: Curve


@dataclass(frozen=True)
class JudgedAgain:
    """The same recording under other settings: its traces and what happened."""

    traces: Traces
    found: Sequence[Happening]


def lanes_of(traces: Traces, job: Job, found: Sequence[Happening], other: tuple[str, Traces, float] | None = None,
             again: JudgedAgain | None = None, laid: Laid | None = None) -> list[CurveLane | BarLane]:
    """All lanes from top to bottom.

    Parameters
    ----------
    other : tuple of name, traces and shift, optional
        Another pass laid beside; its times plus the shift [s] are this recording's.
    again : JudgedAgain, optional
    laid : Laid, optional
        A pass that is laid over one of these.
    """
    def beside(pick: str) -> tuple[Curve, ...]:
        curves = ()
        if other is not None:
            name, theirs, shift_s = other
            curves += (Curve(name, theirs.t_s + shift_s, getattr(theirs, pick), 2, False),)
        if again is not None and pick == "height_mm" and not _same(again.traces.height_mm, traces.height_mm):
            curves += (Curve(tr("what if"), again.traces.t_s, again.traces.height_mm, 1, False),)
        if laid is not None and other is None and pick == "height_mm":
            curves += (laid.height,)
        return curves
    here = tr("this recording") if other or again or laid else ""
    lanes: list[CurveLane | BarLane] = [
        BarLane(tr("passes"), tuple(_bar(h) for h in found if h.kind == "pass")),
        *_warning_lanes(tr("warnings"), "{}", found),
        *(_warning_lanes(tr("warnings, what if"), tr("{}, what if"), again.found) if again else []),
        CurveLane(tr("height"), "mm", (Curve(here, traces.t_s, traces.height_mm), *beside("height_mm")),
                  job.limits.height_mm, 2.2),
        *([CurveLane(tr("distance, 90 %"), "mm", (laid.distance,))] if laid else []),
        CurveLane(tr("off target"), "mm", (Curve(here, traces.t_s, traces.off_target_mm), *beside("off_target_mm"))),
        CurveLane(tr("tilt"), tr("degrees"), (Curve(here, traces.t_s, traces.tilt_deg), *beside("tilt_deg"))),
        CurveLane(tr("speed"), "mm/s", (Curve(here, traces.t_s, traces.speed_mm_s, 0, False), *beside("speed_mm_s"))),
    ]
    return lanes + _heat_lanes(traces, job, None if again is None else again.traces) + _lower_lanes(found)


def thinned(t_s: FloatArray, values: FloatArray, start_s: float, end_s: float, n_columns: int) -> tuple[FloatArray,
                                                                                                        FloatArray]:
    """The part of a curve in view, at most about two points a column, keeping every column's extremes.

    Parameters
    ----------
    values : array, shape (n, 3)
    """
    first = max(0, int(np.searchsorted(t_s, start_s)) - 1)
    last = min(len(t_s), int(np.searchsorted(t_s, end_s, "right")) + 1)
    t_s, values = t_s[first:last], values[first:last]
    chunk = len(t_s) // max(1, n_columns)
    if chunk < 3:
        return t_s, values
    n = len(t_s) // chunk * chunk
    blocks = values[:n].reshape(-1, chunk, 3)
    with np.errstate(invalid="ignore"):
        low, high = (pick.reduce(blocks, axis=1) for pick in (np.fmin, np.fmax))
    middle = np.stack([low[:, 1], high[:, 1]], 1).reshape(-1)
    out = np.stack([np.repeat(low[:, 0], 2), middle, np.repeat(high[:, 2], 2)], -1)
    times = t_s[:n].reshape(-1, chunk)
    return np.stack([times[:, 0], times[:, -1]], 1).reshape(-1), out


def value_at(curve: Curve, t_s: float) -> float | None:
    """The value of the frame on show at a time; None where it is not known."""
    i = int(np.searchsorted(curve.t_s, t_s + 1e-6, "right")) - 1
    known = i >= 0 and np.isfinite(curve.values[i, 1])
    return float(curve.values[i, 1]) if known else None


def _heat_lanes(traces: Traces, job: Job, again: Traces | None) -> list[CurveLane]:
    if not len(traces.heat_t_s):
        return []
    neighbours = [n for n in job.neighbour_names if n in traces.temp_c][:MOST_NEIGHBOURS]
    named = [(tr("joint centre"), "joint centre", 1), *((n, n, 2 + i) for i, n in enumerate(neighbours))]
    temps = tuple(Curve(label, traces.heat_t_s, traces.temp_c[site], series, site == "joint centre")
                  for label, site, series in named if site in traces.temp_c)
    energy = (Curve(job.target.name, traces.heat_t_s, traces.energy_j, 1),)
    if again is not None and len(again.heat_t_s):
        temps += (Curve(tr("joint centre, what if"), again.heat_t_s, again.temp_c["joint centre"], 4, True),)
        energy += (Curve(tr("what if"), again.heat_t_s, again.energy_j, 4, True),)
    return [CurveLane(tr("temperature, estimate"), "C", temps, weight=1.9, is_rising=True),
            CurveLane(tr("heat since start, est."), "J", energy, weight=1.3, is_rising=True)]


def _lower_lanes(found: Sequence[Happening]) -> list[BarLane]:
    """Notes, before them what moved, and after them what was not analysed, where there is any."""
    parts, notes, gaps = (tuple(_bar(h) for h in found if h.kind in kinds)
                          for kinds in (("part",), ("comment", "event"), ("gap",)))
    return [*([BarLane(tr("parts"), parts)] if parts else []), BarLane(tr("notes"), notes),
            *([BarLane(tr("not analysed"), gaps)] if gaps else [])]


def _warning_lanes(none: str, name: str, found: Sequence[Happening]) -> list[BarLane]:
    """A row for every kind that came up, since they overlap; one empty row when none did."""
    warned = [h for h in found if h.kind == "warning"]
    kinds = dict.fromkeys(h.detail for h in warned)
    rows = [BarLane(name.format(tr(WARNING_WORDS.get(kind, kind))), tuple(_bar(h) for h in warned if h.detail == kind))
            for kind in kinds]
    return rows or [BarLane(none)]


def _same(a: FloatArray, b: FloatArray) -> bool:
    return a.shape == b.shape and np.allclose(a, b, equal_nan=True)


def _bar(h: Happening) -> Bar:
    return Bar(h.t_s, h.t_end_s, h.title, {"pass": PASSED, "warning": WARNED}.get(h.kind, NOTED), h.detail)
