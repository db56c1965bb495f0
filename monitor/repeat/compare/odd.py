"""Names the pass that does not belong with the others, and says why in one sentence."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from monitor.job import Job
from monitor.repeat.compare.align import percent_axis, resample
from monitor.repeat.compare.depth import band_depth
from monitor.repeat.compare.passes import MEASURES, Pass, column
from vision.types import FloatArray

__all__ = ["Oddity", "matters", "odd_passes", "odd_sentence", "pick_reference", "traces_in_percent"]

ALPHA = 0.05  # chance, for one measure, to call any of n like passes odd
PRIOR_DOF = 4  # how much the smallest difference that matters counts as a spread, in degrees of freedom
BAND_SHARE = 0.05  # of the allowed heights: smaller differences do not matter at the bench
SHARE = 0.15  # of dwell and heat
FEWEST = 3
MAD_TO_SIGMA = 1.4826  # of a normal spread


@dataclass(frozen=True)
class Oddity:
    """By how much one pass differs from the others in one measure.

    Attributes
    ----------
    index : int
        Of the pass.
    key : str
        Of the measure.
    value, others : float
        Its value, and the others' median.
    score : float
        Difference over the smallest that would be called odd; 1 and more is odd.
    """

    index: int
    key: str
    value: float
    others: float
    score: float


def matters(key: str, others: float, job: Job) -> float:
    """The smallest difference of a measure that matters at the bench, in the measure's unit (a choice, no source)."""
    low, high = job.limits.height_mm
    height = max(0.5, BAND_SHARE * (high - low))
    return {"height_mean_mm": height, "height_sd_mm": height / 2, "coverage": 0.1, "tilt_mean_deg": 5.0,
            "dwell_s": max(0.3, SHARE * abs(others)), "energy_j": max(0.1, SHARE * abs(others))}[key]


def odd_passes(passes: Sequence[Pass], job: Job) -> list[Oddity]:
    """Passes that differ from the others by more than chance and by more than matters, the oddest first.

    Parameters
    ----------
    passes : sequence of Pass
        At least 3; from fewer nothing can be said.
    job : Job

    Returns
    -------
    list of Oddity
        Several a pass where several measures differ.

    Notes
    -----
    Each pass is held against the median of the others with a Student test whose spread is theirs, pooled with the
    smallest difference that matters as if that had been seen in 5 passes before; Bonferroni over the passes. With few
    passes it therefore says that one differs by more than matters, not that such a pass is rare.
    """
    if len(passes) < FEWEST:
        return []
    found = [Oddity(i, key, *row) for key in MEASURES for i, row in enumerate(_scores(passes, key, job))]
    return sorted((o for o in found if o.score >= 1), key=lambda o: -o.score)


def odd_sentence(passes: Sequence[Pass], found: Sequence[Oddity], job: Job) -> str:
    """One sentence that names the odd pass and its reason."""
    if len(passes) < FEWEST:
        return f"{len(passes)} pass{'' if len(passes) == 1 else 'es'}: too few to tell which is odd (needs {FEWEST})."
    if not found:
        return f"None of the {len(passes)} passes stands out."
    first = found[0]
    whys = [_why(o, job, passes[o.index]) for o in found if o.index == first.index][:2]
    text = f"{_name(passes, first.index)} is the odd one of {len(passes)}: {' and '.join(whys)}"
    others = sorted({o.index for o in found} - {first.index})
    if others:
        text += f"; also odd: {', '.join(_name(passes, i) for i in others[:4])}" + (" and more" * (len(others) > 4))
    return text + "."


def traces_in_percent(passes: Sequence[Pass]) -> FloatArray:
    """Height at 0 to 100 % of each pass, shape (n, 101); every pass needs a trace."""
    share = percent_axis() / 100
    return np.array([resample(p.t_s, p.height_mm, share * (p.t_end_s - p.t_start_s)) for p in passes])


def pick_reference(passes: Sequence[Pass], found: Sequence[Oddity] = ()) -> int | None:
    """The pass to hold the others against: of those without warning and not odd, the one deepest among all.

    Where all were warned or odd, the deepest of all; None when no pass has a trace.
    """
    usable = [i for i, p in enumerate(passes) if p.has_trace]
    if not usable:
        return None
    curves = traces_in_percent([passes[i] for i in usable])
    depth = dict(zip(usable, band_depth(curves) if len(usable) > 1 else [1.0], strict=True))
    odd = {o.index for o in found}
    clean = [i for i in usable if not passes[i].warnings and i not in odd] or usable
    return max(clean, key=depth.__getitem__)


def _scores(passes: Sequence[Pass], key: str, job: Job) -> list[tuple[float, float, float]]:
    """Value, others' median and score of each pass in one measure; score 0 where it cannot be told."""
    x = column(passes, key)
    sigma = np.array([p.sigmas[key] for p in passes])
    setups = np.array([p.setup for p in passes])
    out = []
    for i, value in enumerate(x):
        rest = np.isfinite(x) & (np.arange(len(x)) != i)
        n = int(rest.sum())
        if not math.isfinite(value) or n < FEWEST - 1:
            out.append((value, math.nan, 0.0))
            continue
        others = float(np.median(x[rest]))
        step = matters(key, others, job)
        variance = (PRIOR_DOF * step**2 + (n - 1) * _variance(x[rest])) / (PRIOR_DOF + n - 1)
        # an error of the calibration is common to all passes that rest on it; between calibrations it does not cancel
        camera = 0.0 if (setups[rest] == setups[i]).all() or not math.isfinite(sigma[i]) or MEASURES[key].estimated \
            else sigma[i] ** 2
        t = abs(value - others) / math.sqrt(variance * (1 + 1 / n) + camera)
        out.append((float(value), others, t / _critical(n + 1)))
    return out


@functools.cache
def _critical(n: int) -> float:
    """Student's value that none of n like passes exceeds with probability 1 - ALPHA."""
    return float(stats.t.ppf(1 - ALPHA / (2 * n), PRIOR_DOF + n - 2))


def _variance(values: FloatArray) -> float:
    """Robust from 6 values on, so that a second odd pass does not hide the first."""
    if len(values) < 6:
        return float(values.var(ddof=1))
    return (MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))) ** 2


def _name(passes: Sequence[Pass], index: int) -> str:
    if len({p.folder for p in passes}) == 1:
        return f"Pass {passes[index].number}"
    return f"Pass {passes[index].label}"


def _why(o: Oddity, job: Job, odd: Pass) -> str:
    measure = MEASURES[o.key]
    value, others = measure.show(o.value, unit=False), measure.show(o.others)
    if o.key == "height_mean_mm":
        low, high = job.limits.height_mm
        text = (f"it hovered at {value} mm where the others hovered at {others}, "
                f"{abs(o.value - o.others):.1f} mm {'lower' if o.value < o.others else 'higher'}")
        past = [f"{s:.1f} s {word} {limit:g} mm" for s, word, limit in (
            (odd.below_s, "below the lowest allowed", low), (odd.above_s, "above the highest allowed", high)) if s >= 0.1]
        return f"{text} ({', '.join(past)})" if past else text
    verb = {"height_sd_mm": "its height wandered by {} mm (SD), theirs by {}", "dwell_s": "it stayed {} s, they {}",
            "coverage": "it swept {} % of the target, they {}", "tilt_mean_deg": "it was tilted by {} degrees, they by {}",
            "energy_j": "about {} J went into the part, theirs took {} (estimates)"}[o.key]
    return verb.format(value, others)
