"""Everything that a comparison of passes comes to, in one value that table, charts and window share."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

from monitor.errors import InputError, MonitorError
from monitor.job import Job
from monitor.repeat.compare.align import AXIS_POINTS, Warp, landmarks_s, resample, warp
from monitor.repeat.compare.capability import Capability, capability
from monitor.repeat.compare.changes import Change, Changes, changes_of
from monitor.repeat.compare.control import LIMITS_FROM, Chart, Trust, individuals, moving_range, samples, trust
from monitor.repeat.compare.depth import Envelope, envelope
from monitor.repeat.compare.equal_start import with_equal_start
from monitor.repeat.compare.gauge import GaugeStudy, HandSpread, hand_spread, one_way
from monitor.repeat.compare.odd import (
    Oddity,
    chances,
    differing_passes,
    odd_passes,
    pick_reference,
    traces_in_percent,
    usual,
)
from monitor.repeat.compare.passes import (
    JUDGED,
    MEASURES,
    Pass,
    column,
    expand,
    read_job,
    read_passes,
    short_names,
    spread,
    without_copies,
)
from monitor.repeat.compare.rates import OPERATORS, SAMPLES
from monitor.repeat.compare.rules import RULES, arl
from monitor.repeat.compare.scales import from_scale, to_scale
from monitor.repeat.compare.words import CAN_BE_CHANCE, change_sentence, odd_mark, odd_sentence, perhaps_sentence
from vision.types import FloatArray

__all__ = ["BASELINE", "ChartDesign", "Comparison", "MeasureView", "compare", "compare_folders", "find_pass"]


BASELINE = "baseline: "  # before a note of what was decided
_LEARNING = ("some passes were coached or probes: a hand that learns is not steady, so there are no limits; see "
             "`plumeline learning`")


@dataclass(frozen=True)
class ChartDesign:
    """How control charts are drawn.

    Attributes
    ----------
    rules : tuple of int
        Run rules to show beside; keys of `rules.RULES`. They count for nothing.
    batch : int
        Passes per sample of like pads, for charts of means and spreads; 0 for none.
    """

    rules: tuple[int, ...] = ()
    batch: int = 0


@dataclass(frozen=True)
class MeasureView:
    """One measure over all passes.

    Attributes
    ----------
    key : str
    n, mean, sd : int, float, float
    values, ranges, drift, sums : Chart
        Single passes, moving range, weighted mean, cumulative sum (in standard deviations of a pass).
    means, spreads : Chart or None
        Of the samples, when passes were taken as batches.
    patterns : dict of index to tuple of str
        Run rules that were asked for and fire; for looking at, they count for nothing.
    capability : Capability or None
        None where the job sets no limit for it.
    hand : HandSpread or None
        Of the height, with a gauge study.
    operators_p : float
        Chance of so large a difference between operators when they are alike (one-way analysis of variance); nan with
        one operator, or fewer than two passes of one.
    operators_differ : bool
        Whether that is beyond chance, all measures together.
    """

    key: str
    n: int
    mean: float
    sd: float
    values: Chart
    ranges: Chart
    drift: Chart
    sums: Chart
    means: Chart | None
    spreads: Chart | None
    patterns: dict[int, tuple[str, ...]]
    capability: Capability | None
    hand: HandSpread | None = None
    operators_p: float = math.nan
    operators_differ: bool = False

    @property
    def sample_signals(self) -> int:
        """Samples that differ, in mean or in spread."""
        return sum(len(c.signals) for c in (self.means, self.spreads) if c is not None)


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
        Beyond chance.
    perhaps : tuple of Oddity
        Of few passes: different by what matters, which can be chance. They count for nothing.
    changes : tuple of Change
    aside : dict of pass index to str
        Passes that were left out of all judgement, and why.
    rules : tuple of int
        Run rules shown beside.
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
    perhaps: tuple[Oddity, ...]
    changes: tuple[Change, ...]
    aside: dict[int, str]
    rules: tuple[int, ...]
    notes: tuple[str, ...]

    @property
    def is_quiet(self) -> bool:
        """Whether nothing was found: no pass odd, no change over time, samples and operators alike."""
        return not (self.odd or self.changes or any(v.sample_signals or v.operators_differ
                                                    for v in self.measures.values()))

    @property
    def sentence(self) -> str:
        """Which passes are odd and why."""
        n = len(self.passes) - len(self.aside)
        return odd_sentence(self.passes, self.odd, self.job, n) + perhaps_sentence(self.passes, self.perhaps, self.job)

    @property
    def signals(self) -> str:
        """What changes over the passes, in one sentence; empty when nothing."""
        return change_sentence(self.passes, self.changes)

    @property
    def patterns_every(self) -> float:
        """Passes between two chance firings of the run rules shown, in one measure; infinite when none is."""
        return arl(self.rules) if self.rules else math.inf

    def marks(self, index: int) -> tuple[str, ...]:
        """What is remarkable about one pass, in words."""
        if index in self.aside:
            return (f"left out: {self.aside[index]}",)
        out = [mark for mark in (odd_mark(self.odd, index), odd_mark(self.perhaps, index, CAN_BE_CHANCE)) if mark]
        out += [f"{MEASURES[c.key].short} {'has drifted' if c.is_trend else 'shifts'} here" for c in self.changes
                if c.at == index]
        patterns = [f"{MEASURES[key].short}: {', '.join(view.patterns[index])}"
                    for key, view in self.measures.items() if index in view.patterns]
        return tuple(out + [f"pattern ({p})" for p in patterns])

    def landmarks(self, index: int) -> dict[str, float]:
        """Moments of one pass [s]."""
        p, (low, high) = self.passes[index], self.job.limits.height_mm
        if not len(p.t_s):
            return dict.fromkeys(("enter", "first_in_limits", "last_in_limits", "leave"), math.nan)
        return landmarks_s(p.t_s, p.height_mm, low, high)


def compare_folders(folders: Iterable[str | Path], *, by_time: bool = False, any_job: bool = False,
                    progress: Callable[[float, float], None] = lambda done, whole: None, decided: Sequence[str] = (),
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
    progress : function
        Takes recordings replayed from an equal start, and their number.
    decided : sequence of str
        Lines of the baseline's record, to be shown.
    **options
        As `compare`.

    Raises
    ------
    InputError
    """
    paths, copies = without_copies(expand(folders))
    paths, jobs, found, faults = _readable(paths)
    notes = [*copies, *(BASELINE + line for line in decided), *_differences(paths, jobs, any_job), *faults]
    found = [[replace(p, recording=name) for p in passes]
             for passes, name in zip(found, short_names(paths), strict=True)]
    if by_time:
        found.sort(key=lambda ps: ps[0].started_utc if ps else "")
    passes = [p for ps in found for p in ps]
    if not passes:
        raise InputError(f"{paths[0]}: no pass over {jobs[0].target.name} in any of {len(paths)} recordings; nothing "
                         f"to compare")
    passes = with_equal_start(passes, dict(zip(paths, jobs, strict=True)), progress)
    found_all = compare(passes, jobs[0], **options)
    return replace(found_all, notes=(*notes, *found_all.notes))


def compare(passes: Sequence[Pass], job: Job, design: ChartDesign = ChartDesign(), *, reference: int | None = None,
            gauge: GaugeStudy | None = None, aside: Mapping[int, str] | None = None) -> Comparison:
    """Charts, capability, traces and the odd pass.

    Parameters
    ----------
    passes : sequence of Pass
        In order of time; at least 1.
    job : Job
    design : ChartDesign
    reference : int, optional
        Index of the pass to hold the others against; picked when not given.
    gauge : GaugeStudy, optional
        Of this camera.
    aside : mapping of index to str, optional
        Passes to leave out of all judgement, and why.

    Notes
    -----
    All that it says together is false in at most `rates.OVERALL` of comparisons of like passes.
    """
    chosen, left = tuple(sorted(set(design.rules) & set(RULES))), dict(aside or {})
    judged = [i for i in range(len(passes)) if i not in left]
    alphas = chances([passes[i] for i in judged], has_samples=design.batch >= 2)
    odd, perhaps = _unlike(passes, judged, job, gauge.repeat_sigma if gauge is not None else math.nan, alphas)
    unlike = [*odd, *perhaps, *(Oddity(i, "", 0, 0, 0) for i in left)]
    index = pick_reference(passes, unlike) if reference is None else reference
    traced = tuple(i for i, p in enumerate(passes) if p.has_trace and i not in left)
    percent = traces_in_percent([passes[i] for i in traced]) if traced else np.empty((0, AXIS_POINTS))
    is_learning = any(passes[i].extra.get("coached") or passes[i].extra.get("is_probe") for i in judged)
    least = sys.maxsize if is_learning else LIMITS_FROM
    known = {key: _without(column(passes, key), left) for key in MEASURES}
    usuals = {key: _without(known[key], {o.index: "" for o in odd if o.key == key}) for key in MEASURES}
    changes = changes_of(usuals, job, least)
    odd += _off_the_line(passes, judged, changes.found, job, odd, alphas)
    judging = _Judging(job, chosen, design.batch, gauge, least, alphas, tuple(odd), changes)
    views = {key: _view(passes, key, known[key], judging) for key in MEASURES}
    return Comparison(job, tuple(passes), views, envelope(percent) if len(traced) > 1 else None, traced, percent, index,
                      _warps(passes, index), odd, perhaps, changes.found, left, chosen,
                      (_LEARNING,) if is_learning else ())


def find_pass(passes: Sequence[Pass], name: str, option: str = "--reference") -> int:
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
    raise InputError(f"{option} {name}: no such pass; there are {', '.join(labels[:6])}"
                     + (f" and {len(labels) - 6} more" if len(labels) > 6 else ""))


def _unlike(passes: Sequence[Pass], judged: Sequence[int], job: Job, repeat_sigma_mm: float,
            alphas: Mapping[str, float]) -> tuple[tuple[Oddity, ...], tuple[Oddity, ...]]:
    """Passes that are odd beyond chance, and of few passes those that differ but may by chance."""
    some = [passes[i] for i in judged]
    odd = odd_passes(some, job, repeat_sigma_mm, alphas)
    perhaps = differing_passes(some, job, repeat_sigma_mm, alphas, odd)
    return tuple(replace(o, index=judged[o.index]) for o in odd), tuple(
        replace(o, index=judged[o.index]) for o in perhaps)


def _off_the_line(passes: Sequence[Pass], judged: Sequence[int], changes: Sequence[Change], job: Job,
                  odd: Sequence[Oddity], alphas: Mapping[str, float]) -> tuple[Oddity, ...]:
    """Passes that stand out once a measure's drift is taken out: a drift widens the spread and hides them."""
    found = []
    for key in (c.key for c in changes if c.is_trend):
        y = to_scale(key, np.array([passes[i].values[key] for i in judged]))
        seen = np.isfinite(y)
        place = np.flatnonzero(seen)
        line = np.polyval(stats.theilslopes(y[seen], place)[:2], np.arange(len(y)))
        level = from_scale(key, y - line + np.median(line))
        flat = [replace(passes[i], values={key: float(v)}) for i, v in zip(judged, level, strict=True)]
        found += [replace(o, index=judged[o.index], value=passes[judged[o.index]].values[key],
                          others=float(from_scale(key, line[o.index])))
                          for o in odd_passes(flat, job, alphas={key: alphas[key]})]
    before = {(o.index, o.key) for o in odd}
    return tuple(o for o in found if (o.index, o.key) not in before)


def _without(values: FloatArray, left: Iterable[int]) -> FloatArray:
    values = values.copy()
    values[list(left)] = math.nan
    return values


@dataclass(frozen=True)
class _Judging:
    """By what the measures are judged, and what was found in all of them together.

    least: passes from which limits may be drawn; alphas: chance of a false alarm of each measure [-].
    """

    job: Job
    rules: tuple[int, ...]
    batch: int
    gauge: GaugeStudy | None
    least: int
    alphas: Mapping[str, float]
    odd: tuple[Oddity, ...]
    changes: Changes


def _view(passes: Sequence[Pass], key: str, values: FloatArray, judging: _Judging) -> MeasureView:
    batch, gauge, least, changes = judging.batch, judging.gauge, judging.least, judging.changes
    chart, patterns = _singles(passes, key, values, judging)
    means = spreads = None
    if batch >= 2 and np.isfinite(values).all() and len(values) >= batch and key in JUDGED:
        whole = to_scale(key, values[: len(values) // batch * batch].reshape(-1, batch))
        means, spreads = _in_unit(key, *samples(whole, (1,), least, SAMPLES / len(JUDGED)))
    hand = None
    if gauge is not None and key == "height_mean_mm":
        hand = hand_spread(values, [p.setup for p in passes], gauge.repeat_sigma, gauge.setup_sigma,
                           gauge.anova.n_setups)
    drift = changes.weighted.get(key) or _no_chart("weighted mean", values)
    steady = not chart.signals and not any(c.key == key for c in changes.found)
    p = _operators_p(passes, to_scale(key, values)) if key in JUDGED else math.nan
    return MeasureView(key, *spread(values), chart, moving_range(values, least), drift,
                       changes.summed.get(key) or _no_chart("cumulative sum", values), means, spreads, patterns,
                       _capability(key, values, judging.job, steady, hand, gauge), hand, p, p < OPERATORS / len(JUDGED))


def _singles(passes: Sequence[Pass], key: str, values: FloatArray,
             judging: _Judging) -> tuple[Chart, dict[int, tuple[str, ...]]]:
    """Single passes with the limits beyond which one is odd, and the run rules that fire."""
    rules, least, alpha = judging.rules, judging.least, judging.alphas.get(key, math.nan)
    n = int(np.isfinite(values).sum())
    signals: dict[int, tuple[str, ...]] = {o.index: (o.word,) for o in judging.odd if o.key == key}
    text = individuals(values, rules or (1,), least)
    state, nothing = trust(n, least), np.full(len(values), math.nan)
    if state is Trust.NONE or not text.sigma > 0 or key not in JUDGED:
        return Chart("single passes", values, text.centre, nothing, nothing, text.sigma, Trust.NONE, n, signals), {}
    here = usual([replace(p, values={key: v}) for p, v in zip(passes, values, strict=True)], key, judging.job, alpha)
    patterns = {i: tuple(RULES[int(name.split()[1])] for name in hits)
                for i, hits in text.signals.items()} if rules else {}
    return Chart("single passes", values, here.centre, np.full(len(values), here.low), np.full(len(values), here.high),
                 text.sigma, state, n, signals), patterns


def _in_unit(key: str, means: Chart, spreads: Chart) -> tuple[Chart, Chart]:
    """Charts of samples from the even scale back in the measure's unit; spreads by the slope at the centre."""
    near = from_scale(key, means.centre + np.array([-1e-4, 1e-4]))
    slope = float(near[1] - near[0]) / 2e-4
    return (replace(means, values=from_scale(key, means.values), centre=float(from_scale(key, means.centre)),
                    low=from_scale(key, means.low), high=from_scale(key, means.high)),
            replace(spreads, values=slope * spreads.values, centre=slope * spreads.centre, low=slope * spreads.low,
                    high=slope * spreads.high))


def _no_chart(name: str, values: FloatArray) -> Chart:
    nothing = np.full(len(values), math.nan)
    return Chart(name, nothing, math.nan, nothing, nothing, math.nan, Trust.NONE, 0, {})


def _operators_p(passes: Sequence[Pass], values: FloatArray) -> float:
    groups: dict[str, list[float]] = {}
    for p, value in zip(passes, values, strict=True):
        if math.isfinite(value):
            groups.setdefault(p.operator, []).append(float(value))
    if len(groups) < 2 or min(map(len, groups.values())) < 2 or len({v for g in groups.values() for v in g}) < 2:
        return math.nan
    return one_way(list(groups.values()))["p"]


def _capability(key: str, values: FloatArray, job: Job, steady: bool, hand: HandSpread | None,
                gauge: GaugeStudy | None) -> Capability | None:
    if key == "height_mean_mm":
        return capability(values, *job.limits.height_mm, is_steady=steady, hand=hand,
                          gauge_share_of_limits=gauge.share_of_limits if gauge else math.nan)
    if key == "dwell_s":
        return capability(values, -math.inf, job.limits.dwell_s, is_steady=steady)
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


def _readable(paths: Sequence[Path]) -> tuple[list[Path], list[Job], list[list[Pass]], list[str]]:
    """The recordings that can be read with their jobs and passes, and a note on each other one."""
    kept, jobs, found, faults = [], [], [], []
    for path in paths:
        try:
            job = read_job(path)
            found.append(read_passes(path, job))
        except (MonitorError, OSError) as fault:
            faults.append(f"left out: {fault}")
            continue
        kept.append(path)
        jobs.append(job)
    if not kept:
        raise InputError("; ".join(faults))
    return kept, jobs, found, faults


def _differences(paths: Sequence[Path], jobs: Sequence[Job], any_job: bool) -> list[str]:
    """Notes on jobs that differ; what makes passes incomparable is refused."""
    notes, first = [], jobs[0]
    for path, job in zip(paths, jobs, strict=True):
        essential = [name for name, a, b in (
            ("[target]", job.target.outline_mm, first.target.outline_mm), ("[limits]", job.limits, first.limits),
            ("[nozzle]", job.nozzle, first.nozzle)) if a != b]
        if essential and not any_job:
            raise InputError(f"{path}: another job than {paths[0]} ({', '.join(essential)} differ); compare recordings "
                             f"of one "
                             "job, or say --any-job")
        other = [name for name in ("station", "solder", "board", "protection")
                 if getattr(job, name) != getattr(first, name)]
        if essential or other:
            notes.append(f"{path.name}: {', '.join(essential + [f'[{n}]' for n in other])} differ from {paths[0].name}")
    return notes
