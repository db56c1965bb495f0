"""How well a steady hand fits between the limits of a job, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special, stats

from monitor.repeat.compare.gauge import HandSpread
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
    "more_needed",
    "share_within",
]

LEAST_PASSES = 25
MOST_CAMERA_SHARE = 0.30  # of the width of the limits; beyond it the camera, not the hand, is seen
SURE, WANTED_SHARE = 0.95, 0.95
SKEW_ALARM = 1.0  # skewness beyond which normal theory misleads at these numbers


@dataclass(frozen=True)
class Capability:
    """Capability of one measure.

    Attributes
    ----------
    cp, cpk, cpu, cpl, off_centre : float
        Dimensionless; nan where a limit is missing, or none may be stated. off_centre is k.
    n, n_inside : int
        Passes, and those of them within the limits.
    share_low : float
        So large a share of such passes lies within the limits, 95 % sure, whatever the law of the measure [-].
    n_more : int
        Passes within the limits that it still takes to be so sure of WANTED_SHARE; 0 when it is.
    cp_hand : float
        cp with the camera's repeat readings taken out; nan where they were not studied.
    camera_share : float
        Of the observed variance within a set-up [-].
    why_not : str
        Why no cp and cpk are stated; empty when they are.
    """

    cp: float = math.nan
    cpk: float = math.nan
    cpu: float = math.nan
    cpl: float = math.nan
    off_centre: float = math.nan
    n: int = 0
    n_inside: int = 0
    share_low: float = math.nan
    n_more: int = 0
    cp_hand: float = math.nan
    camera_share: float = math.nan
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


def share_within(n_inside: int, n: int, level: float = SURE) -> float:
    """Lower bound of the share of such passes that lie within the limits [-]; exact, whatever the measure's law.

    Of n passes n_inside lay within (Clopper and Pearson, Biometrika 26 (1934) 404).
    """
    return float(special.betaincinv(n_inside, n - n_inside + 1, 1 - level)) if n_inside else 0.0


def more_needed(n_inside: int, n: int, share: float = WANTED_SHARE, level: float = SURE) -> int:
    """Passes, all of them within the limits, that it still takes until `share_within` reaches a share."""
    more = 0
    while share_within(n_inside + more, n + more, level) < share:
        more += 1
    return more


def capability(values: Sequence[float] | FloatArray, low: float, high: float, *, is_steady: bool,
               hand: HandSpread | None = None, gauge_share_of_limits: float = math.nan) -> Capability:
    """Capability of the values of one measure, or the reason for which no index is stated.

    Parameters
    ----------
    values : array, shape (n,)
        nan where not known.
    low, high : float
        Limits of the job; infinite where there is none.
    is_steady : bool
        Whether no chart signals and no pass is odd in this measure.
    hand : HandSpread, optional
        With the camera's share told apart; when that is known.
    gauge_share_of_limits : float
        Gauge study: 6 sigma of the camera over the width of the limits [-]; nan when not studied.

    Notes
    -----
    Cp and Cpk are figures of what was seen, by percentiles of a lognormal law where the values are skewed. No bound
    goes with them: it would rest on tails that so few passes do not show. What is sure is the share within the limits,
    which needs no law.
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    camera_share, sigma_hand = (math.nan, math.nan) if hand is None else (hand.camera_share, hand.hand)
    n, inside = len(known), int(((known >= low) & (known <= high)).sum())
    sure: dict[str, Any] = {"n": n, "n_inside": inside, "share_low": share_within(inside, n) if n else math.nan,
            "n_more": more_needed(inside, n) if n else 0, "camera_share": camera_share}
    reason = _why_not(n, is_steady, known, camera_share, gauge_share_of_limits)
    if reason:
        return Capability(**sure, why_not=reason)
    sigma = float(known.std(ddof=1))
    found = indices(float(known.mean()), sigma, low, high)
    if (known > 0).all() and abs(stats.skew(known)) > SKEW_ALARM:
        found |= by_percentiles(known, low, high)
    return Capability(found["cp"], found["cpk"], found["cpu"], found["cpl"], found["k"], **sure,
                      cp_hand=found["cp"] * sigma / sigma_hand if sigma_hand > 0 else math.nan)


def _why_not(n: int, is_steady: bool, known: FloatArray, share: float, gauge_share: float) -> str:
    if n < LEAST_PASSES:
        return f"{n} passes; Cp and Cpk need {LEAST_PASSES}, {LEAST_PASSES - n} more"
    if not is_steady:
        return "not steady: a pass is odd or the measure changes over time"
    if not known.std() > 0:
        return "all passes are alike to the last digit"
    if gauge_share > MOST_CAMERA_SHARE:
        return f"the camera takes {100 * gauge_share:.0f} % of the width of the limits, more than 30 %"
    if share >= 1:
        return "the spread is no larger than the camera's own"
    return ""


def _cpk_sigma(cpk: float, n: int) -> float:
    return math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
