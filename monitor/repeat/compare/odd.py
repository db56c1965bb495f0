"""Names the passes that do not belong with the others: by more than chance, and by more than matters."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from monitor.job import Job
from monitor.repeat.compare.align import percent_axis, resample
from monitor.repeat.compare.depth import band_depth
from monitor.repeat.compare.order import FEWEST_IN_ORDER
from monitor.repeat.compare.passes import JUDGED, MEASURES, Pass, column
from monitor.repeat.compare.rates import alpha_of, singles
from monitor.repeat.compare.scales import from_scale, to_scale
from vision.types import FloatArray

__all__ = ["FEW", "FEWEST", "Oddity", "Usual", "chances", "differing_passes", "far_ones", "matters", "odd_passes",
           "pick_reference", "traces_in_percent", "usual"]

FEWEST, FEW = 3, 20
# No spread is taken to be below what matters over so much (0.17 mm, 2 % of the dwell): less is luck or rounding (a
# choice).
STEADIEST = 12.0
MOST_ODD = 4  # one of so many may be odd
Z90 = 1.645


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
        Its value, and the middle of the others.
    score : float
        Difference over the smallest that would be called odd; 1 and more is odd.
    """

    index: int
    key: str
    value: float
    others: float
    score: float

    @property
    def word(self) -> str:
        """What the pass is, in a word or two: short, high, hot."""
        return MEASURES[self.key].words[int(self.value > self.others)]


@dataclass(frozen=True)
class Usual:
    """Where one more like pass would lie, in the measure's unit.

    Attributes
    ----------
    centre, low, high : float
        nan where there are too few passes.
    sigmas : float
        How many standard errors the limits lie off the centre.
    far : dict of index to score
        Passes beyond, with their difference over the allowed one.
    """

    centre: float
    low: float
    high: float
    sigmas: float
    far: dict[int, float]


def matters(key: str, others: float, job: Job) -> float:
    """The smallest difference of a measure that matters, in the measure's unit; from the job."""
    bars = job.matters
    return {"height_mean_mm": bars.height_mm, "height_drift_mm": bars.height_mm, "height_sd_mm": bars.wander_mm,
            "coverage": bars.swept_share, "tilt_mean_deg": bars.tilt_deg, "dwell_s": bars.dwell_share * abs(others),
            "energy_even_j": bars.heat_share * abs(others), "energy_j": bars.heat_share * abs(others)}[key]


def chances(passes: Sequence[Pass], has_samples: bool = False) -> dict[str, float]:
    """How often each known measure may call some pass odd by chance; measures that are not known take no share."""
    known = [key for key in JUDGED if np.isfinite(column(passes, key)).sum() >= FEWEST]
    whole = singles(len(passes), FEWEST_IN_ORDER, has_operators=len({p.operator for p in passes}) > 1,
                    has_samples=has_samples)
    return {key: alpha_of(key, known, whole) for key in known}


def odd_passes(passes: Sequence[Pass], job: Job, repeat_sigma_mm: float = math.nan,
               alphas: Mapping[str, float] | None = None) -> list[Oddity]:
    """Passes that differ from the others by more than chance, by more than the camera's doubt, and enough to matter.

    Parameters
    ----------
    passes : sequence of Pass
        At least 3; from fewer nothing can be said.
    job : Job
        Says what matters.
    repeat_sigma_mm : float
        Standard deviation of repeat readings of the camera within a set-up; nan when not studied.
    alphas : mapping of measure key to float, optional
        As `chances` gives them.

    Returns
    -------
    list of Oddity
        Several a pass where several measures differ; causes before effects, then the oddest first.

    Notes
    -----
    The test holds its rate over all passes and measures together, however few the passes and however unsteady the hand:
    the spread of the passes themselves is all that it takes the hand to have. A difference matters unless it lies below
    the job's bar by more than its own standard error.
    """
    found = []
    for key, alpha in (chances(passes) if alphas is None else alphas).items():
        x, here = column(passes, key), usual(passes, key, job, alpha)
        for i, score in here.far.items():
            if _matters(key, x[i], here, job) and abs(x[i] - here.centre) > _camera_doubt(passes, i, key,
                                                                                          repeat_sigma_mm):
                found.append(Oddity(i, key, float(x[i]), here.centre, score))
    return sorted(found, key=lambda o: (MEASURES[o.key].estimated, -o.score))


def differing_passes(passes: Sequence[Pass], job: Job, repeat_sigma_mm: float = math.nan,
                     alphas: Mapping[str, float] | None = None, odd: Sequence[Oddity] = ()) -> list[Oddity]:
    """Of few passes, those that differ from the others by what matters and more than the camera's doubt, chance or not.

    Parameters
    ----------
    passes, job, repeat_sigma_mm, alphas
        As for `odd_passes`.
    odd : sequence of Oddity
        Found already.

    Returns
    -------
    list of Oddity
        Their score is below 1. None from 20 passes on, where chance can be told, nor in a measure in which more than
        one of four differ: there the hand scatters, and no pass is unlike the others.
    """
    if len(passes) >= FEW:
        return []
    found, before = [], {(o.index, o.key) for o in odd}
    for key, alpha in (chances(passes) if alphas is None else alphas).items():
        x = column(passes, key)
        known = np.flatnonzero(np.isfinite(x))
        middle = float(np.median(x[known])) if len(known) else math.nan
        away = [i for i in map(int, known) if abs(x[i] - middle) >= max(matters(key, middle, job),
                                                                        _camera_doubt(passes, i, key, repeat_sigma_mm))]
        if len(away) > max(1, len(known) // MOST_ODD):
            continue
        y, others = to_scale(key, x), known[~np.isin(known, away)]
        half = _half(y[others], alpha, _steadiest(key, y[others], job))[0] if len(others) > 1 else math.inf
        score = np.minimum(0.99, np.abs(y - np.mean(y[others])) / half)
        found += [Oddity(i, key, float(x[i]), float(np.median(x[others])), float(score[i])) for i in away
                  if (i, key) not in before]
    explained = {o.index for o in odd if not MEASURES[o.key].estimated}
    found = [o for o in found if not (MEASURES[o.key].estimated and o.index in explained)]
    return sorted(found, key=lambda o: (MEASURES[o.key].estimated, -o.score))


def usual(passes: Sequence[Pass], key: str, job: Job, alpha: float) -> Usual:
    """Where like passes lie in one measure, and which lie beyond, whether it matters or not."""
    x = column(passes, key)
    known = np.flatnonzero(np.isfinite(x))
    if len(known) < FEWEST:
        return Usual(math.nan, math.nan, math.nan, math.nan, {})
    y = to_scale(key, x[known])
    centre, half, sigmas, far = far_ones(y, alpha, _steadiest(key, y, job))
    low, mid, high = (float(from_scale(key, v)) for v in (centre - half, centre, centre + half))
    return Usual(mid, low, high, sigmas, {int(known[i]): score for i, score in far.items()})


def far_ones(y: FloatArray, alpha: float, least: float = 0.0) -> tuple[float, float, float, dict[int, float]]:
    """The many-outlier test of Rosner, Technometrics 25 (1983) 165 (NIST e-Handbook 1.3.5.17.3).

    Parameters
    ----------
    y : array, shape (n,)
        n >= 3; no nan.
    alpha : float
        Chance to find any among like normal values.
    least : float
        The spread is not taken to be below; with 0 the test is the published one.

    Returns
    -------
    centre, half, sigmas : float
        Of the values that are left; one more would lie within half of it, which is so many standard errors.
    far : dict of index to score
        Distance over the allowed one, of those found.
    """
    left, taken, steps = list(range(len(y))), [], []
    for _ in range(max(1, len(left) // MOST_ODD)):
        i = left[int(np.argmax(np.abs(y[left] - np.mean(y[left]))))]
        left.remove(i)
        taken.append(i)
        steps.append(abs(y[i] - np.mean(y[left])) / _half(y[left], alpha, least)[0])
    n_far = max((k + 1 for k, score in enumerate(steps) if score > 1), default=0)
    rest = y[left + taken[n_far:]]
    centre, (half, sigmas) = float(np.mean(rest)), _half(rest, alpha, least)
    return centre, half, sigmas, {int(k): abs(y[k] - centre) / half for k in taken[:n_far]}


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


def _half(rest: FloatArray, alpha: float, least: float) -> tuple[float, float]:
    """How far from the mean of some values another may lie, and how many standard errors that is."""
    m = len(rest)
    sigmas = _critical(m + 1, m - 1, alpha)
    return max(sigmas * max(float(np.std(rest, ddof=1)), least) * math.sqrt(1 + 1 / m), 1e-12), sigmas


def _steadiest(key: str, y: FloatArray, job: Job) -> float:
    """The least spread that a hand is taken to have, on the measure's even scale."""
    middle = float(from_scale(key, np.median(y)))
    return float(np.median(y) - to_scale(key, middle - matters(key, middle, job))) / STEADIEST


@functools.cache
def _critical(n: int, dof: int, alpha: float) -> float:
    """Student's value that none of n exceeds with probability 1 - alpha, at least."""
    return float(stats.t.ppf(1 - alpha / (2 * n), dof))


def _matters(key: str, value: float, here: Usual, job: Job) -> bool:
    """Whether a difference may be as large as what matters, given its standard error."""
    edge = here.high if value > here.centre else here.low
    return abs(value - here.centre) + abs(edge - here.centre) / here.sigmas >= matters(key, here.centre, job)


def _camera_doubt(passes: Sequence[Pass], index: int, key: str, repeat_sigma_mm: float) -> float:
    """What the camera alone may make of a difference in height, at 90 %; 0 for other measures.

    Within a set-up repeat readings count, where they were studied; where not, half of a pass's variance is taken to be
    common to all and to cancel (a choice). Between set-ups nothing cancels.
    """
    if key != "height_mean_mm":
        return 0.0
    sigma = np.array([p.sigmas[key] for p in passes])
    others = np.arange(len(passes)) != index
    is_one = all(p.setup == passes[index].setup for p in passes)
    if is_one and math.isfinite(repeat_sigma_mm):
        return Z90 * math.sqrt(2) * repeat_sigma_mm
    if not math.isfinite(sigma[index]):
        return 0.0
    return Z90 * (sigma[index] if is_one else math.hypot(sigma[index], np.nanmedian(sigma[others])))
