"""Control charts of one number per pass: individuals, moving range, weighted mean, and samples of like pads."""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from monitor.repeat.compare.factors import factors
from monitor.repeat.compare.rules import fired
from vision.types import FloatArray

__all__ = [
    "CUSUM_LIMIT",
    "CUSUM_SLACK",
    "FROZEN_FROM",
    "LIMITS_FROM",
    "WEIGHT",
    "WIDTH",
    "Chart",
    "Trust",
    "cusum",
    "ewma",
    "individuals",
    "moving_range",
    "samples",
    "trust",
]

# of the cumulative sum, in sigma: the usual choice for a shift of one sigma (ISO 7870-4)
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0
LIMITS_FROM, FROZEN_FROM = 20, 50  # passes; from fewer the limits themselves are too unsure
WEIGHT, WIDTH = 0.2, 2.86  # of the weighted mean: finds a shift of one sigma in about ten points


class Trust(enum.StrEnum):
    """How far limits drawn from so many passes can be trusted."""

    NONE = "no limits"
    TRIAL = "trial limits"
    FROZEN = "limits"


@dataclass(frozen=True)
class Chart:
    """One chart.

    Attributes
    ----------
    name : str
    values : array, shape (n,)
        What is drawn, nan where not known.
    centre : float
    low, high : array, shape (n,)
        Limits; nan where there are none.
    sigma : float
        Of one value, as the limits use it.
    trust : Trust
    n_basis : int
        Values that the limits rest on.
    signals : dict of int to tuple of str
        Index of a point to what fired there.
    """

    name: str
    values: FloatArray
    centre: float
    low: FloatArray
    high: FloatArray
    sigma: float
    trust: Trust
    n_basis: int
    signals: dict[int, tuple[str, ...]]

    @property
    def is_stable(self) -> bool:
        """Whether there are limits and nothing fired."""
        return self.trust is not Trust.NONE and not self.signals


def trust(n: int, least: int = LIMITS_FROM) -> Trust:
    """What so many known values allow: no limits under 20, trial limits under 50."""
    return Trust.NONE if n < least else Trust.TRIAL if n < FROZEN_FROM else Trust.FROZEN


def individuals(values: Sequence[float] | FloatArray, rules: Iterable[int] = (1,),
                least: int = LIMITS_FROM) -> Chart:
    """Chart of single values, sigma from their moving range (ISO 7870-2).

    Parameters
    ----------
    values : array, shape (n,)
        In order of time; nan where not known.
    rules : iterable of int
        Keys of `rules.RULES`.
    least : int
        Values below which no limits are drawn.

    Notes
    -----
    From 50 values on the limits rest on the first 50 and stay: later passes are judged by them, they do not move them.
    """
    values = np.asarray(values, dtype=float)
    basis = _basis(values)
    n = int(np.isfinite(basis).sum())
    centre = float(np.nanmean(basis)) if n else math.nan
    sigma = _mean(_ranges(basis)) / factors(2).d2
    state = trust(n, least)
    if state is Trust.NONE or not sigma > 0:
        return _bare("individuals", values, centre, sigma, n)
    hits = fired((values - centre) / sigma, rules)
    signals = {i: tuple(f"rule {r}" for r in at) for i, at in enumerate(hits) if at}
    return Chart("individuals", values, centre, *_flat(len(values), centre, 3 * sigma), sigma, state, n, signals)


def moving_range(values: Sequence[float] | FloatArray, least: int = LIMITS_FROM) -> Chart:
    """Chart of the differences between one pass and the next; the first has none.

    Its limit alone is passed by a steady hand once in some 110 passes, and what it finds the other charts find as well
    (Rigdon, Cruthis and Champ, J. Quality Technology 26 (1994) 274; from memory). So it is for looking at; its signals
    should not count as alarms.
    """
    values = np.asarray(values, dtype=float)
    basis = _basis(values)
    n = int(np.isfinite(basis).sum())
    ranges = np.concatenate([[math.nan], _ranges(values)]) if len(values) else values
    centre = _mean(_ranges(basis))
    if trust(n, least) is Trust.NONE or not centre > 0:
        return _bare("moving range", ranges, centre, centre / factors(2).d2, n)
    high = factors(2).D4 * centre
    signals: dict[int, tuple[str, ...]] = {int(i): ("jump",) for i in np.flatnonzero(ranges > high)}
    return Chart("moving range", ranges, centre, np.zeros(len(ranges)), np.full(len(ranges), high),
                 centre / factors(2).d2, trust(n, least), n, signals)


def ewma(values: Sequence[float] | FloatArray, *, weight: float = WEIGHT, width: float = WIDTH,
         centre: float | None = None, sigma: float | None = None, least: int = LIMITS_FROM) -> Chart:
    """Chart of the exponentially weighted mean, which sees slow drift (ISO 7870-6).

    Parameters
    ----------
    values : array, shape (n,)
        In order of time; a value that is not known leaves the mean where it is.
    weight, width : float
        Lambda, and the limits in standard deviations of the weighted mean.
    centre, sigma : float, optional
        Of the values when all is well; by default as `individuals` finds them, and then no limits under 20 values.

    Notes
    -----
    The limits open with the number of values, exactly, towards width * sigma * sqrt(weight / (2 - weight)).
    """
    values = np.asarray(values, dtype=float)
    found = individuals(values, least=least)
    is_given = centre is not None and sigma is not None
    if centre is None or sigma is None:
        centre, sigma = found.centre, found.sigma
    mean, smooth, low, high = centre, np.empty(len(values)), np.empty(len(values)), np.empty(len(values))
    remains = 1.0
    for i, value in enumerate(values):
        if math.isfinite(value):
            mean, remains = mean + weight * (value - mean), remains * (1 - weight) ** 2
        half = width * sigma * math.sqrt(weight / (2 - weight) * (1 - remains))
        smooth[i], low[i], high[i] = mean, centre - half, centre + half
    state = Trust.FROZEN if is_given else found.trust
    if state is Trust.NONE or not sigma > 0:
        return _bare("weighted mean", smooth, centre, sigma, found.n_basis)
    signals: dict[int, tuple[str, ...]] = {int(i): ("drift",) for i in np.flatnonzero((smooth > high) | (smooth < low))}
    return Chart("weighted mean", smooth, centre, low, high, sigma, state, found.n_basis, signals)


def cusum(values: Sequence[float] | FloatArray, centre: float, sigma: float, *, slack: float = CUSUM_SLACK,
          limit: float = CUSUM_LIMIT) -> Chart:
    """Chart of the cumulative sums of what lies above and below the centre (ISO 7870-4; NIST e-Handbook 6.3.2.3).

    Parameters
    ----------
    values : array, shape (n,)
        In order of time; a value that is not known leaves the sums where they are.
    centre, sigma : float
        Of the values when all is well.
    slack, limit : float
        In sigma: what is taken off at each value, and where a sum signals.

    Returns
    -------
    Chart
        The larger of the two sums at each value, in the values' unit; the lower one with a minus sign.
    """
    values = np.asarray(values, dtype=float)
    up = down = 0.0
    sums = np.zeros(len(values))
    for i, value in enumerate(values):
        if math.isfinite(value):
            up, down = max(0.0, up + value - centre - slack * sigma), max(0.0, down + centre - value - slack * sigma)
        sums[i] = up if up >= down else -down
    if not sigma > 0:
        return _bare("cumulative sum", sums, 0.0, sigma, 0)
    signals: dict[int, tuple[str, ...]] = {int(i): ("shift",) for i in np.flatnonzero(np.abs(sums) > limit * sigma)}
    n = int(np.isfinite(values).sum())
    return Chart("cumulative sum", sums, 0.0, *_flat(len(values), 0.0, limit * sigma), sigma, Trust.FROZEN, n, signals)


def samples(batches: Sequence[Sequence[float]] | FloatArray, rules: Iterable[int] = (1,), least: int = LIMITS_FROM,
            chance: float | None = None) -> tuple[Chart, Chart]:
    """Charts of the mean and of the standard deviation of samples, such as the like pads of one board.

    Parameters
    ----------
    batches : sequence of samples, each of the same n >= 2 values
    chance : float, optional
        That any of these samples signals by chance, in either chart; the usual three sigma when not given.

    Returns
    -------
    means, spreads : Chart
        With limits from 20 samples on (ISO 7870-2, factors A3, B3, B4).

    Raises
    ------
    ValueError
        If the samples differ in size or hold fewer than two values.
    """
    sizes = {len(batch) for batch in batches}
    if len(sizes) != 1 or min(sizes) < 2:
        raise ValueError(f"samples of {sorted(sizes)} values: expected one size of at least 2")
    values = np.asarray(batches, dtype=float)
    f, means, spreads = factors(values.shape[1]), values.mean(1), values.std(1, ddof=1)
    basis = slice(0, FROZEN_FROM) if len(values) >= FROZEN_FROM else slice(None)
    centre, spread, n = float(means[basis].mean()), float(spreads[basis].mean()), len(values[basis])
    sigma, state = spread / f.c4, trust(n, least)
    if state is Trust.NONE or not spread > 0:
        return _bare("means", means, centre, sigma, n), _bare("standard deviations", spreads, spread, sigma, n)
    half, low, high = f.A3 * spread, f.B3 * spread, f.B4 * spread
    if chance is not None:
        half, low, high = _sample_limits(values, chance)
    hits = fired(3 * (means - centre) / half, rules)
    signals = {i: tuple(f"rule {r}" for r in at) for i, at in enumerate(hits) if at}
    wide: dict[int, tuple[str, ...]] = {int(i): ("rule 1",) for i in np.flatnonzero((spreads > high) | (spreads < low))}
    return (Chart("means", means, centre, *_flat(len(values), centre, half), sigma, state, n, signals),
            Chart("standard deviations", spreads, spread, np.full(len(values), low), np.full(len(values), high), sigma,
                  state, n, wide))


def _sample_limits(values: FloatArray, chance: float) -> tuple[float, float, float]:
    """Half-width for means, lowest and highest standard deviation, that hold a chance over all samples (Student's and
    Fisher's law).
    """
    n, size = values.shape
    dof, each = n * (size - 1), chance / (4 * n)
    pooled = math.sqrt(float(values.var(axis=1, ddof=1).mean()))
    low, high = stats.f.ppf([each, 1 - each], size - 1, dof)
    return stats.t.ppf(1 - each, dof) * pooled / math.sqrt(size), pooled * math.sqrt(low), pooled * math.sqrt(high)


def _basis(values: FloatArray) -> FloatArray:
    """The values that limits rest on: the first 50 known ones when there are so many, else all."""
    known = np.flatnonzero(np.isfinite(values))
    return values[: known[FROZEN_FROM - 1] + 1] if len(known) >= FROZEN_FROM else values


def _ranges(values: FloatArray) -> FloatArray:
    return np.abs(np.diff(values))


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else math.nan


def _flat(n: int, centre: float, half: float) -> tuple[FloatArray, FloatArray]:
    return np.full(n, centre - half), np.full(n, centre + half)


def _bare(name: str, values: FloatArray, centre: float, sigma: float, n: int) -> Chart:
    nothing = np.full(len(values), math.nan)
    return Chart(name, values, centre, nothing, nothing, sigma, Trust.NONE, n, {})
