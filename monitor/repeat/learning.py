"""How one trainee gets on: passes over days, muted probes kept apart, and what stays from one day to the next.

Learning is judged from passes without coaching, and after a night rather than at the end of a session: feedback that
helps at once can vanish by the next day. A trainee's work is not steady, so there are no control limits here.
"""

from __future__ import annotations

import datetime
import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

from monitor.errors import InputError, MonitorError
from monitor.recording.reader import read_meta
from monitor.repeat.compare.passes import open_trace, read_job
from monitor.repeat.library import recordings_under

__all__ = ["Attempt", "Learning", "Retention", "attempts_of", "learning_of", "learning_figure", "MEASURES"]

MEASURES = {  # name: what it is, unit, whether more is better
    "in_limits": ("share of the dwell inside the height limits", "", True),
    "height_sd_mm": ("standard deviation of the height within a pass", "mm", False),
    "coverage": ("share of the target swept", "", True),
    "evenness": ("share of the target swept evenly", "", True),
    "dwell_s": ("dwell", "s", None),
}
FEWEST_FOR_TREND = 6  # with fewer, the 90 % interval of a rank-based slope has no finite end
NIGHT_H = 24.0
NO_MODE = "no coaching noted"


@dataclass(frozen=True)
class Attempt:
    """One pass of a trainee.

    Attributes
    ----------
    begun_utc : datetime
    value : float
        Of the measure; nan when not known.
    feedback : str
        The mode of coaching.
    is_probe : bool
        Muted, to see what was learned.
    is_first_of_day : bool
    """

    recording: str
    number: int
    begun_utc: datetime.datetime
    value: float
    feedback: str
    coached: bool
    is_probe: bool
    is_first_of_day: bool = False


@dataclass(frozen=True)
class Retention:
    """What was left of a day's end at the next day's beginning; both from passes without coaching."""

    day: str
    next_day: str
    gap_h: float
    end_value: float
    start_value: float

    @property
    def change(self) -> float:
        """Next day's first minus this day's last."""
        return self.start_value - self.end_value


@dataclass(frozen=True)
class Learning:
    """The curve of one operator code.

    Attributes
    ----------
    slope, slope_low, slope_high : float
        Change of the measure from one probe to the next (Theil and Sen), and its 90 % interval; nan when too few.
    sentence : str
    """

    operator: str
    measure: str
    jobs: tuple[str, ...]
    attempts: tuple[Attempt, ...]
    retention: tuple[Retention, ...]
    slope: float
    slope_low: float
    slope_high: float
    sentence: str

    @property
    def probes(self) -> tuple[Attempt, ...]:
        """The passes from which learning is judged."""
        return tuple(a for a in self.attempts if a.is_probe)


def attempts_of(roots: Iterable[Path], operator: str, measure: str = "in_limits",
                job: str = "") -> tuple[list[Attempt], tuple[str, ...], list[str]]:
    """All passes of an operator under some folders, in order of time; the jobs' names; what could not be read.

    Raises
    ------
    InputError
        When a root is no folder.
    """
    found, jobs, faults = [], set(), []
    for root in roots:
        if not root.is_dir():
            raise InputError(f"{root}: no such folder; name a recording or a folder of recordings")
        for name, _ in recordings_under(root):
            try:
                passes, title = _passes(root / name, operator, measure)
            except (MonitorError, OSError) as fault:
                faults.append(str(fault))
                continue
            if passes and job.lower() in title.lower():
                found += passes
                jobs.add(title)
    found.sort(key=lambda a: (a.begun_utc, a.number))
    return _mark_days(found), tuple(sorted(jobs)), faults


def learning_of(attempts: Sequence[Attempt], operator: str, measure: str = "in_limits",
                jobs: tuple[str, ...] = ()) -> Learning:
    """The learning curve of passes that are in order of time."""
    probes = [a for a in attempts if a.is_probe and math.isfinite(a.value)]
    slope = (math.nan,) * 3
    if len(probes) >= FEWEST_FOR_TREND:
        fit = stats.theilslopes([a.value for a in probes], np.arange(len(probes)), alpha=0.90)
        slope = (float(fit.slope), float(fit.low_slope), float(fit.high_slope))
    kept = _retention([a for a in attempts if not a.coached and math.isfinite(a.value)])
    return Learning(operator, measure, jobs, tuple(attempts), kept, *slope,
                    _sentence(operator, measure, attempts, probes, slope, kept))


def learning_figure(learning: Learning) -> Any:
    """Passes in order; probes filled and joined, practice hollow, one shape a mode of coaching, a line between days."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    figure = Figure(figsize=(9.0, 4.2), layout="constrained")
    axes = figure.add_subplot()
    x = np.arange(1, len(learning.attempts) + 1)
    y = np.array([a.value for a in learning.attempts], float)
    modes = sorted({a.feedback for a in learning.attempts})
    for mode, marker, colour in zip(modes, "osD^vP", ("#0b5c8a", "#a3480f", "#0d7a5f", "#8a3ffc", "#5f6b78", "#1c2733"),
                                    strict=False):
        for is_probe in (True, False):
            pick = np.array([a.feedback == mode and a.is_probe == is_probe for a in learning.attempts], bool)
            if pick.any():
                axes.scatter(x[pick], y[pick], s=46 if is_probe else 26, marker=marker, edgecolors=colour,
                             facecolors=colour if is_probe else "none",
                             label=f"{mode}, {'muted probe' if is_probe else 'practice'}", zorder=3)
    probes = np.array([a.is_probe for a in learning.attempts], bool)
    axes.plot(x[probes], y[probes], color="#1c2733", lw=1.0)
    _draw_days(axes, learning.attempts)
    what, unit, _ = MEASURES[learning.measure]
    axes.set_xlabel("pass, in order of time")
    axes.set_ylabel(f"{what}{f', {unit}' if unit else ''}", fontsize=9)
    axes.set_title(learning.sentence, fontsize=9, loc="left", wrap=True)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    if not unit:
        axes.set_ylim(-0.03, 1.1)
    axes.grid(color="#d5dae0", lw=0.6)
    axes.legend(fontsize=8, frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.16), ncol=3)
    return figure


def _passes(folder: Path, operator: str, measure: str) -> tuple[list[Attempt], str]:
    with open_trace(folder, ("meta", "passes")) as db:
        meta = read_meta(db, folder)
        if meta.get("operator", "") != operator:
            return [], ""
        rows = [dict(row) for row in db.execute("SELECT * FROM passes ORDER BY number")]
    started = _time(meta["started_utc"])
    job = read_job(folder)
    return [Attempt(folder.name, r["number"], started + datetime.timedelta(seconds=r["t_start_s"]),
                    math.nan if r[measure] is None else float(r[measure]), r["feedback"] or NO_MODE,
                    bool(r["coached"]), bool(r["is_probe"])) for r in rows], job.title or job.target.name


def _time(text: str) -> datetime.datetime:
    moment = datetime.datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=datetime.UTC)


def _mark_days(attempts: list[Attempt]) -> list[Attempt]:
    days = [a.begun_utc.date() for a in attempts]
    return [Attempt(**{**vars(a), "is_first_of_day": i == 0 or days[i] != days[i - 1]}) for i, a in enumerate(attempts)]


def _retention(uncoached: list[Attempt]) -> tuple[Retention, ...]:
    """Last pass of a day against the first of the next day of practice."""
    out = []
    for before, after in itertools.pairwise(uncoached):
        if before.begun_utc.date() != after.begun_utc.date():
            gap = (after.begun_utc - before.begun_utc).total_seconds() / 3600
            out.append(Retention(str(before.begun_utc.date()), str(after.begun_utc.date()), gap, before.value,
                                 after.value))
    return tuple(out)


def _sentence(operator: str, measure: str, attempts: Sequence[Attempt], probes: Sequence[Attempt],
              slope: tuple[float, float, float], kept: Sequence[Retention]) -> str:
    days = len({a.begun_utc.date() for a in attempts})
    head = f"{operator}: {_count(len(attempts), 'pass')} on {_count(days, 'day')}, {_count(len(probes), 'muted probe')}"
    if not math.isfinite(slope[0]):
        trend = f"too few probes to speak of learning ({FEWEST_FOR_TREND} are needed)"
    else:
        better = MEASURES[measure][2]
        toward = "" if better is None else " (better)" if (slope[0] > 0) == better else " (worse)"
        sure = (f"changes by {_amount(slope[0], measure)} a probe{toward}" if slope[1] > 0 or slope[2] < 0
                else "shows no sure change from probe to probe")
        low, high = _amount(slope[1], measure), _amount(slope[2], measure)
        trend = f"the {MEASURES[measure][0]} {sure}, 90 % interval {low} to {high}"
    text = f"{head}; {trend}"
    if kept:
        middle = float(np.median([k.change for k in kept]))
        shortest = min(k.gap_h for k in kept)
        text += (f"; from one day's last pass without coaching to the next day's first it changes by "
                 f"{_amount(middle, measure)} "
                 f"(median of {len(kept)}{f', some after less than {NIGHT_H:.0f} h' if shortest < NIGHT_H else ''})")
    return text + "."


def _count(n: int, word: str) -> str:
    return f"{n} {word}{'es' if word.endswith('s') else 's'}" if n != 1 else f"1 {word}"


def _amount(value: float, measure: str) -> str:
    unit = MEASURES[measure][1]
    return f"{value:+.2f} {unit}" if unit else f"{100 * value:+.1f} percentage points"


def _draw_days(axes: Any, attempts: Sequence[Attempt]) -> None:
    for i, a in enumerate(attempts):
        if a.is_first_of_day:
            if i:
                axes.axvline(i + 0.5, color="#9aa5b1", lw=0.8, ls=":")
            axes.annotate(str(a.begun_utc.date()), (i + 0.6, 0.02), xycoords=("data", "axes fraction"), fontsize=7,
                          color="#44515f", va="bottom", rotation=90 if len(attempts) > 40 else 0)
