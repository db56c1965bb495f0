"""Everything that a comparison of passes comes to, in one value that table, charts and window share."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import InputError, MonitorError
from monitor.job import Job
from monitor.repeat.compare.align import AXIS_POINTS, Warp, landmarks_s, resample, warp
from monitor.repeat.compare.capability import Capability, capability
from monitor.repeat.compare.control import (
    LIMITS_FROM,
    Chart,
    ewma,
    false_alarm_every,
    individuals,
    moving_range,
    samples,
)
from monitor.repeat.compare.depth import Envelope, envelope
from monitor.repeat.compare.gauge import GaugeStudy, one_way
from monitor.repeat.compare.odd import Oddity, odd_passes, odd_sentence, pick_reference, traces_in_percent
from monitor.repeat.compare.passes import MEASURES, Pass, column, expand, read_job, read_passes, spread
from vision.types import FloatArray

__all__ = ["Comparison", "MeasureView", "compare", "compare_folders", "find_pass"]

SIGNAL_WORDS = {"rule 1": "beyond its limits", "drift": "drifting"}


@dataclass(frozen=True)
class MeasureView:
    """One measure over all passes.

    Attributes
    ----------
    key : str
    n, mean, sd : int, float, float
    values, ranges, drift : Chart
        Individuals, moving range, weighted mean.
    means, spreads : Chart or None
        Of the samples, when passes were taken as batches.
    capability : Capability or None
        None where the job sets no limit for it.
    operators_p : float
        Chance of so large a difference between operators when they are alike (one-way analysis of variance); nan with one
        operator, or fewer than two passes of one.
    """

    key: str
    n: int
    mean: float
    sd: float
    values: Chart
    ranges: Chart
    drift: Chart
    means: Chart | None
    spreads: Chart | None
    capability: Capability | None
    operators_p: float = math.nan

    @property
    def alarms(self) -> int:
        """Signals that count: of values, weighted mean and samples; moving ranges are for looking at."""
        return sum(len(c.signals) for c in (self.values, self.drift, self.means, self.spreads) if c is not None)


@dataclass(frozen=True)
class Comparison:
    """All that was found.

    Attributes
    ----------
    job : Job
        Of the first recording.
    passes : tuple of Pass
    measures : dict of key to MeasureView
    curves : Envelope or None
        Of the height traces on 0 to 100 % of each pass; `curve_of` says which passes they are.
    curve_of : tuple of int
    percent_mm : array, shape (len(curve_of), 101)
    reference : int or None
    warps : dict of pass index to Warp
        Against the reference, in seconds from the entry.
    odd : tuple of Oddity
    sentence : str
    rules : tuple of int
    alarm_every : float
        Passes between false alarms, on average.
    notes : tuple of str
        What a reader must know, such as differing stations.
    """

    job: Job
    passes: tuple[Pass, ...]
    measures: dict[str, MeasureView]
    curves: Envelope | None
    curve_of: tuple[int, ...]
    percent_mm: np.ndarray
    reference: int | None
    warps: dict[int, Warp]
    odd: tuple[Oddity, ...]
    sentence: str
    rules: tuple[int, ...]
    alarm_every: float
    notes: tuple[str, ...]

    @property
    def is_quiet(self) -> bool:
        """Whether no chart signals and no pass is odd."""
        return not self.odd and not any(view.alarms for view in self.measures.values())

    @property
    def signals(self) -> str:
        """What the charts signal, in one sentence; empty when nothing."""
        found = []
        for key, view in self.measures.items():
            for chart in (view.values, view.drift):
                if chart.signals:
                    first, n = min(chart.signals), len(chart.signals)
                    what = ", ".join(SIGNAL_WORDS.get(name, name) for name in chart.signals[first])
                    found.append(f"{MEASURES[key].short} {what} at {self.passes[first].label}"
                                 + (f" and {n - 1} more" if n > 1 else ""))
        return f"The charts signal: {'; '.join(found)}." if found else ""

    def marks(self, index: int) -> tuple[str, ...]:
        """What is remarkable about one pass, in words."""
        out = ["odd"] if any(o.index == index for o in self.odd) else []
        for key, view in self.measures.items():
            fired = [what for chart in (view.values, view.drift) for what in chart.signals.get(index, ())]
            if fired:
                out.append(f"{MEASURES[key].short}: {', '.join(SIGNAL_WORDS.get(what, what) for what in fired)}")
        if self.curves is not None and index in {self.curve_of[i] for i in self.curves.outside}:
            out.append("trace leaves the envelope")
        return tuple(out)

    def landmarks(self, index: int) -> dict[str, float]:
        """Moments of one pass [s]."""
        p, (low, high) = self.passes[index], self.job.limits.height_mm
        if not len(p.t_s):
            return dict.fromkeys(("enter", "first_in_limits", "last_in_limits", "leave"), math.nan)
        return landmarks_s(p.t_s, p.height_mm, low, high)


def compare_folders(folders: Iterable[str | Path], *, by_time: bool = False, any_job: bool = False,
                    **options: Any) -> Comparison:
    """Compare all passes of recordings of one job.

    Parameters
    ----------
    folders : iterable of path
        Recordings, or folders that hold recordings; passes are taken in this order.
    by_time : bool
        Order the recordings by when they were made instead.
    any_job : bool
        Compare although target, limits or nozzle differ.
    **options
        As `compare`.

    Raises
    ------
    InputError
    """
    paths = expand(folders)
    jobs, found, faults = [], [], []
    for path in list(paths):
        try:
            job = read_job(path)
            found.append(read_passes(path, job))
            jobs.append(job)
        except (MonitorError, OSError) as fault:
            paths.remove(path)
            faults.append(f"left out: {fault}")
    if not paths:
        raise InputError("; ".join(faults))
    notes = [*_differences(paths, jobs, any_job), *faults]
    if by_time:
        found.sort(key=lambda ps: ps[0].started_utc if ps else "")
    passes = [p for ps in found for p in ps]
    if not passes:
        raise InputError(f"{paths[0]}: no pass over {jobs[0].target.name} in any of {len(paths)} recordings; nothing to compare")
    return compare(passes, jobs[0], notes=notes, **options)


def compare(passes: Sequence[Pass], job: Job, *, rules: Iterable[int] = (1,), batch: int = 0, reference: int | None = None,
            gauge: GaugeStudy | None = None, notes: Sequence[str] = ()) -> Comparison:
    """Charts, capability, traces and the odd pass.

    Parameters
    ----------
    passes : sequence of Pass
        In order of time; at least 1.
    job : Job
    rules : iterable of int
        Run rules beside the weighted mean; keys of `rules.RULES`.
    batch : int
        Passes per sample of like pads, for charts of means and spreads; 0 for none.
    reference : int, optional
        Index of the pass to hold the others against; picked when not given.
    gauge : GaugeStudy, optional
        Of this camera.
    """
    chosen = tuple(sorted(set(rules)))
    odd = tuple(odd_passes(passes, job))
    index = pick_reference(passes, odd) if reference is None else reference
    traced = tuple(i for i, p in enumerate(passes) if p.has_trace)
    percent = traces_in_percent([passes[i] for i in traced]) if traced else np.empty((0, AXIS_POINTS))
    notes, least = list(notes), LIMITS_FROM
    if any(p.extra.get("coached") or p.extra.get("is_probe") for p in passes):
        least = sys.maxsize
        notes.append("some passes were coached or probes: a hand that learns is not steady, so there are no limits; see "
                     "`plumeline learning`")
    views = {key: _view(passes, key, job, chosen, batch, gauge, least) for key in MEASURES}
    return Comparison(job, tuple(passes), views, envelope(percent) if len(traced) > 1 else None, traced, percent, index,
                      _warps(passes, index), odd, odd_sentence(passes, odd, job), chosen, false_alarm_every(chosen),
                      tuple(notes))


def find_pass(passes: Sequence[Pass], name: str) -> int:
    """Index of the pass called FOLDER/NUMBER, or of that number in order from 1.

    Raises
    ------
    InputError
    """
    labels = [p.label for p in passes]
    if name in labels:
        return labels.index(name)
    if name.isdigit() and 1 <= int(name) <= len(passes):
        return int(name) - 1
    raise InputError(f"--reference {name}: no such pass; there are {', '.join(labels[:6])}"
                     + (f" and {len(labels) - 6} more" if len(labels) > 6 else ""))


def _view(passes: Sequence[Pass], key: str, job: Job, rules: tuple[int, ...], batch: int,
          gauge: GaugeStudy | None, least: int) -> MeasureView:
    values = column(passes, key)
    chart = individuals(values, rules, least)
    means = spreads = None
    if batch >= 2 and np.isfinite(values).all() and len(values) >= batch:
        whole = values[: len(values) // batch * batch].reshape(-1, batch)
        means, spreads = samples(whole, rules, least)
    ranges, drift = moving_range(values, least), ewma(values, least=least)
    return MeasureView(key, *spread(values), chart, ranges, drift, means, spreads,
                       _capability(key, chart, drift, job, gauge), _operators_p(passes, values))


def _operators_p(passes: Sequence[Pass], values: FloatArray) -> float:
    groups: dict[str, list[float]] = {}
    for p, value in zip(passes, values, strict=True):
        if math.isfinite(value):
            groups.setdefault(p.operator, []).append(float(value))
    if len(groups) < 2 or min(map(len, groups.values())) < 2 or len({v for g in groups.values() for v in g}) < 2:
        return math.nan
    return one_way(list(groups.values()))["p"]


def _capability(key: str, chart: Chart, drift: Chart, job: Job, gauge: GaugeStudy | None) -> Capability | None:
    camera = (gauge.camera_sigma, gauge.share_of_limits) if gauge is not None else (math.nan, math.nan)
    if key == "height_mean_mm":
        return capability(chart, *job.limits.height_mm, *camera, beside=(drift,))
    if key == "dwell_s":
        return capability(chart, -math.inf, job.limits.dwell_s, beside=(drift,))
    return None


def _warps(passes: Sequence[Pass], reference: int | None) -> dict[int, Warp]:
    """Each pass against the reference, both on the reference's seconds from the entry."""
    if reference is None or not passes[reference].has_trace:
        return {}
    ref = passes[reference]
    length = ref.t_end_s - ref.t_start_s
    at, dt = np.linspace(0.0, length, AXIS_POINTS), length / (AXIS_POINTS - 1)
    base = resample(ref.t_s, ref.height_mm, at)
    return {i: warp(base, resample(p.t_s, p.height_mm, at), dt) for i, p in enumerate(passes) if p.has_trace}


def _differences(paths: Sequence[Path], jobs: Sequence[Job], any_job: bool) -> list[str]:
    """Notes on jobs that differ; what makes passes incomparable is refused."""
    notes, first = [], jobs[0]
    for path, job in zip(paths, jobs, strict=True):
        essential = [name for name, a, b in (
            ("[target]", job.target.outline_mm, first.target.outline_mm), ("[limits]", job.limits, first.limits),
            ("[nozzle]", job.nozzle, first.nozzle)) if a != b]
        if essential and not any_job:
            raise InputError(f"{path}: another job than {paths[0]} ({', '.join(essential)} differ); compare recordings of one "
                             "job, or say --any-job")
        other = [name for name in ("station", "solder", "board", "protection") if getattr(job, name) != getattr(first, name)]
        if essential or other:
            notes.append(f"{path.name}: {', '.join(essential + [f'[{n}]' for n in other])} differ from {paths[0].name}")
    return notes
