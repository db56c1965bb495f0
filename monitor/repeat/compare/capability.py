"""How well a steady hand fits between the limits of a job, and how unsure that itself is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from monitor.repeat.compare.control import Chart
from vision.types import FloatArray

__all__ = [
    "LEAST_PASSES",
    "MOST_CAMERA_SHARE",
    "Capability",
    "by_percentiles",
    "capability",
    "cp_interval",
    "cpk_interval",
    "indices",
    "lower_bound",
]

LEAST_PASSES = 25
MOST_CAMERA_SHARE = 0.30  # of the width of the limits; beyond it the camera, not the hand, is seen
SKEW_ALARM = 1.0  # skewness beyond which normal theory misleads at these numbers


@dataclass(frozen=True)
class Capability:
    """Capability of one measure.

    Attributes
    ----------
    cp, cpk, cpu, cpl, off_centre : float
        Dimensionless; nan where a limit is missing. off_centre is k.
    cpk_low : float
        One-sided 95 % lower bound of cpk.
    cp_hand : float
        cp with the camera's share of the variance taken out; nan where that share is not known.
    camera_share : float
        Of the observed variance [-].
    n : int
    why_not : str
        Why no number may be stated; empty when it may.
    """

    cp: float = math.nan
    cpk: float = math.nan
    cpu: float = math.nan
    cpl: float = math.nan
    off_centre: float = math.nan
    cpk_low: float = math.nan
    cp_hand: float = math.nan
    camera_share: float = math.nan
    n: int = 0
    why_not: str = ""


def indices(mean: float, sigma: float, low: float, high: float) -> dict[str, float]:
    """cp, cpk, cpu, cpl and k of a normal process (ISO 22514-2; NIST e-Handbook 6.1.6).

    Parameters
    ----------
    mean, sigma : float
    low, high : float
        Limits in the same unit; infinite where there is none.
    """
    cpu, cpl = (high - mean) / (3 * sigma), (mean - low) / (3 * sigma)
    is_two_sided = math.isfinite(low) and math.isfinite(high)
    return {"cp": (high - low) / (6 * sigma) if is_two_sided else math.nan, "cpk": min(cpu, cpl),
            "cpu": cpu if math.isfinite(cpu) else math.nan, "cpl": cpl if math.isfinite(cpl) else math.nan,
            "k": abs((high + low) / 2 - mean) / ((high - low) / 2) if is_two_sided else math.nan}


def cp_interval(cp: float, n: int, level: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of cp from n values: chi-square, exact for a normal process."""
    tail = (1 - level) / 2
    low, high = stats.chi2.ppf([tail, 1 - tail], n - 1)
    return cp * math.sqrt(low / (n - 1)), cp * math.sqrt(high / (n - 1))


def cpk_interval(cpk: float, n: int, level: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of cpk from n values, normal approximation (Bissell, Applied Statistics 39 (1990) 331)."""
    half = stats.norm.ppf((1 + level) / 2) * _cpk_sigma(cpk, n)
    return cpk - half, cpk + half


def lower_bound(cpk: float, n: int, level: float = 0.95) -> float:
    """One-sided lower bound of cpk from n values, normal approximation."""
    return cpk - stats.norm.ppf(level) * _cpk_sigma(cpk, n)


def by_percentiles(values: Sequence[float] | FloatArray, low: float, high: float) -> dict[str, float]:
    """pp and ppk of skewed values after a log transform: percentiles 0.135, 50 and 99.865 % (idea of ISO 22514-2).

    Values must be positive; a lognormal stands for their shape.
    """
    logs = np.log(np.asarray(values, dtype=float))
    p_low, middle, p_high = np.exp(logs.mean() + logs.std(ddof=1) * stats.norm.ppf([0.00135, 0.5, 0.99865]))
    upper, lower = (high - middle) / (p_high - middle), (middle - low) / (middle - p_low)
    return {"cp": (high - low) / (p_high - p_low) if math.isfinite(high - low) else math.nan,
            "cpk": min(upper, lower)}


def capability(chart: Chart, low: float, high: float, camera_sigma: float = math.nan,
               gauge_share_of_limits: float = math.nan, beside: Sequence[Chart] = ()) -> Capability:
    """Capability of what an individuals chart shows, or the reason for which none may be stated.

    Parameters
    ----------
    chart : Chart
    low, high : float
        Limits of the job; infinite where there is none.
    camera_sigma : float
        Standard deviation of the camera's own reading from pass to pass; nan when not studied.
    gauge_share_of_limits : float
        Gauge study: 6 sigma of the camera over the width of the limits [-]; nan when not studied.
    beside : sequence of Chart
        Of the same values; a signal there is instability too.
    """
    known = chart.values[np.isfinite(chart.values)]
    n, share = len(known), math.nan
    if n >= 2 and known.std(ddof=1) > 0:
        share = (camera_sigma / known.std(ddof=1)) ** 2
    reason = _why_not((chart, *beside), n, share, gauge_share_of_limits)
    if reason:
        return Capability(camera_share=share, n=n, why_not=reason)
    sigma = float(known.std(ddof=1))
    found = indices(float(known.mean()), sigma, low, high)
    if (known > 0).all() and abs(stats.skew(known)) > SKEW_ALARM:
        found |= by_percentiles(known, low, high)
    hand = found["cp"] / math.sqrt(1 - share) if share < 1 else math.nan
    return Capability(found["cp"], found["cpk"], found["cpu"], found["cpl"], found["k"],
                      lower_bound(found["cpk"], n), hand, share, n)


def _why_not(charts: Sequence[Chart], n: int, share: float, gauge_share: float) -> str:
    if n < LEAST_PASSES:
        return f"{n} passes; capability needs {LEAST_PASSES}"
    if any(chart.signals for chart in charts):
        return "not stable: a chart signals"
    if not charts[0].is_stable:
        return "no limits yet"
    if gauge_share > MOST_CAMERA_SHARE:
        return f"the camera takes {100 * gauge_share:.0f} % of the width of the limits, more than 30 %"
    if share >= 1:
        return "the spread is no larger than the camera's own"
    return ""


def _cpk_sigma(cpk: float, n: int) -> float:
    return math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
