"""A class on one page: how each operator code gets on, and the one thing to practise next; no ranking.

All comes from the index of recordings (`monitor.repeat.library`). What is judged are probe passes, made without help;
where a code has none yet, its passes without coaching stand in and the page says so.
"""

from __future__ import annotations

import datetime
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import stats

from monitor.repeat.learning import FEWEST_FOR_TREND
from monitor.repeat.library import IndexedPass, Library

__all__ = ["COLUMNS", "LATEST", "Trainee", "as_rows", "class_of"]

CLASS_CHANCE = 0.05  # that any code of the class is said to change when none does
LATEST = 8  # probe passes that count as the latest: enough that one slip is not the picture, few enough to be recent
FAULTS = {  # what a pass can lack -> what to practise
    "height": "hold the height between its limits",
    "sweep": "sweep the whole target",
    "unsteady": "keep the height quiet",
    "long": "leave in time",
}
NOTHING = "nothing stands out; go on"
COLUMNS = ("operator", "passes", "probes", "last_on_utc", "latest_in_limits", "progress", "practise", "because",
           "warnings_last_day", "warnings_day_before")


@dataclass(frozen=True)
class Trainee:
    """One operator code.

    Attributes
    ----------
    operator : str
    n_passes, n_probes : int
    last_on : datetime.date
    latest : tuple of float
        Share of the dwell inside the height limits of the latest probe passes, the last one last; nan where not known.
    are_probes : bool
        Whether these are probes; else passes without coaching.
    progress : str
        "better", "worse", "no sure change" or how many more probes it takes to tell.
    practise, because : str
        The one thing, and the count it rests on.
    warned, warned_before : dict of kind to int
        On the last day of practice, and on the one before.
    """

    operator: str
    n_passes: int
    n_probes: int
    last_on: datetime.date
    latest: tuple[float, ...]
    are_probes: bool
    progress: str
    practise: str
    because: str
    warned: dict[str, int]
    warned_before: dict[str, int]


def class_of(library: Library, job: str = "") -> list[Trainee]:
    """Every operator code of an index, in order of code.

    Parameters
    ----------
    library : Library
        Up to date.
    job : str
        Only jobs whose title holds this.
    """
    by_code: dict[str, list[IndexedPass]] = {}
    for p in library.passes(job):
        by_code.setdefault(p.operator, []).append(p)
    chance = CLASS_CHANCE / max(1, len(by_code))
    return [_trainee(code, passes, chance) for code, passes in sorted(by_code.items()) if code]


def as_rows(trainees: Sequence[Trainee]) -> list[list[object]]:
    """One row a code, in the order of COLUMNS."""
    return [[t.operator, t.n_passes, t.n_probes, t.last_on.isoformat(), " ".join(_percent(v) for v in t.latest),
             t.progress, t.practise, t.because, _kinds(t.warned), _kinds(t.warned_before)] for t in trainees]


def _trainee(code: str, passes: list[IndexedPass], chance: float) -> Trainee:
    passes.sort(key=lambda p: p.begun_utc)
    probes = [p for p in passes if p.is_probe]
    shown = (probes or [p for p in passes if not p.coached])[-LATEST:]
    practise, because = _practise(shown)
    days = sorted({p.begun_utc.date() for p in passes}, reverse=True)
    return Trainee(code, len(passes), len(probes), days[0], tuple(p.in_limits for p in shown), bool(probes),
                   _progress(probes, chance),
                   practise, because, _warned(passes, days[0]), _warned(passes, days[1]) if len(days) > 1 else {})


def _progress(probes: Sequence[IndexedPass], chance: float) -> str:
    """Whether probes get better, by the slope of Theil and Sen; false with so small a chance where nothing changes."""
    known = [p.in_limits for p in probes if math.isfinite(p.in_limits)]
    if len(known) < FEWEST_FOR_TREND:
        return f"{FEWEST_FOR_TREND - len(known)} more probes to tell"
    slope = stats.theilslopes(known, alpha=1 - chance)
    return "better" if slope.low_slope > 0 else "worse" if slope.high_slope < 0 else "no sure change"


def _practise(passes: Sequence[IndexedPass]) -> tuple[str, str]:
    """The fault that most of the passes have, and in how many; the first named of those that are equally frequent."""
    counts = Counter(fault for p in passes for fault in p.faults)
    if not counts:
        return NOTHING, f"no fault in {len(passes)}"
    fault = max(FAULTS, key=lambda name: counts[name])
    return FAULTS[fault], f"{counts[fault]} of the latest {len(passes)}"


def _warned(passes: Sequence[IndexedPass], day: datetime.date) -> dict[str, int]:
    """Kinds of warnings in the recordings of one day; a recording of several passes counts once."""
    total: Counter[str] = Counter()
    for warned in {p.path: p.warned for p in passes if p.begun_utc.date() == day}.values():
        total.update(warned)
    return dict(total)


def _percent(value: float) -> str:
    return "?" if not math.isfinite(value) else f"{100 * value:.0f}"


def _kinds(warned: dict[str, int]) -> str:
    return ", ".join(f"{kind.replace('_', ' ')} {n}" for kind, n in sorted(warned.items())) or "none"
