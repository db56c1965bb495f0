"""Hypotheses of where the tool is: each followed by a filter of its own, with its log odds against no tool at all.

One tool at most is there, so hypotheses exclude each other. A picture multiplies the odds of each by how much better
that pose explains it than no tool does; pictures that follow each other closely tell the same again, and count for the
time between them. A tool leaves now and then, a hand hides it now and then. What would be rules for accepting a jump,
a hypothesis that fades or a new track elsewhere are odds that change here (integrated existence: Musicki and Evans
2004; Bernoulli filter: Ristic et al. 2013).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.fit.pose import PoseFit
from vision.track.evidence import CUTS_PER_SAMPLE
from vision.track.kalman import ToolState
from vision.types import FloatArray

__all__ = ["Hypothesis", "LOG_HIDDEN", "compete", "is_outdone", "is_same", "news", "probabilities",
           "share_for_new", "updated_log_odds"]

LOG_HIDDEN = np.log(0.1)  # of a picture of a tool that is there, that something hides it [convention]
_LOG_OPEN = np.log1p(-np.exp(LOG_HIDDEN))  # that nothing does [derived]
_MEMORY_S = 0.2  # pictures within it tell the same again: a hand, a blur or a reflection lasts so long [convention]
_STAYS_S = 10.0  # for which a tool is in the picture [convention]
_NEW_SHARE = 0.1  # of all probability, for a pose that a search has found before the picture is asked [convention]
_LEAST_ABSENT = 0.003  # probability of no tool: a tool may have left since the picture before [1 / 30 s / _STAYS_S]
_LEAST_ODDS = np.log(0.02)  # below which a hypothesis is given up [convention]
_MOST = 4  # hypotheses, for the time they take [convention]
_SAME = 11.1  # chi-square of 5 degrees of freedom, 95 %: two hypotheses that differ by less are one [derived]
_NEAR_COV = np.diag([0.5, 0.5, 1.0, 0.01, 0.01]) ** 2  # what two fits of one pose may differ by [trial]


@dataclass(frozen=True)
class Hypothesis:
    """One place and motion that the tool may have.

    Attributes
    ----------
    state : ToolState
        After the newest picture that showed it.
    log_odds : float
        Of this hypothesis against no tool in the picture.
    t_s, t_start_s, t_seen_s : float
        Of the newest picture, when it was begun or seen again after a while, and when a picture last showed it.
    fit : PoseFit or None
        To the newest picture; None where that does not show it.
    log_ratio : float
        What the newest picture said, as `evidence.log_likelihood_ratio` tells it.
    quality : float
        Running mean of the fits'.
    log_right : float
        Log odds that it is the tool's own place, and not another near by that looks alike.
    is_smoky : bool
        Whether it was seen through smoke.
    t_otherwise_s : float
        When it was last looked for through smoke, too, or around where it was expected.
    """

    state: ToolState
    log_odds: float
    t_s: float
    t_start_s: float
    t_seen_s: float
    fit: PoseFit | None
    log_ratio: float
    quality: float
    log_right: float
    is_smoky: bool = False
    t_otherwise_s: float = -np.inf


def news(dt_s: float) -> float:
    """Share of a picture, dt_s after the one before, that tells anything new."""
    return min(dt_s / _MEMORY_S, 1.0)


def updated_log_odds(log_odds: float, log_ratio: float, dt_s: float) -> float:
    """Log odds after a picture dt_s after the one before, that speaks by that log-likelihood ratio for the pose; or
    something hides the tool in it."""
    seen = np.logaddexp(_LOG_OPEN + log_ratio, LOG_HIDDEN)
    return float(log_odds + news(dt_s) * seen)


def probabilities(hypotheses: list[Hypothesis]) -> FloatArray:
    """Of no tool in the picture, then of each hypothesis, shape (n + 1,)."""
    logs = np.array([0.0] + [h.log_odds for h in hypotheses])
    return np.exp(logs - np.logaddexp.reduce(logs))


def share_for_new(hypotheses: list[Hypothesis]) -> float:
    """Log odds with which a pose that has just been found begins beside these."""
    return float(np.log(_NEW_SHARE) + np.logaddexp.reduce([0.0] + [h.log_odds for h in hypotheses]))


def compete(hypotheses: list[Hypothesis], dt_s: float) -> list[Hypothesis]:
    """The hypotheses worth following, likeliest first, after dt_s in which the tool may have left; of like ones the
    longest seen."""
    if not hypotheses:
        return []
    p = probabilities(_compared(hypotheses, dt_s))[1:] * (1.0 - min(dt_s / _STAYS_S, 0.5))
    absent = max(1.0 - p.sum(), _LEAST_ABSENT)
    kept: list[Hypothesis] = []
    for i in np.argsort(-p, kind="stable"):
        h = replace(hypotheses[i], log_odds=float(np.log(max(p[i], 1e-12) / absent)))
        twin = next((k for k, other in enumerate(kept) if is_same(other, h)), None)
        if twin is not None:
            both = float(np.logaddexp(kept[twin].log_odds, h.log_odds))
            kept[twin] = replace(min(kept[twin], h, key=lambda one: (one.fit is None, one.t_start_s)), log_odds=both)
        elif h.log_odds > _LEAST_ODDS + max(0.0, kept[0].log_odds if kept else 0.0):
            kept.append(h)
    return kept[:_MOST]


def _compared(hypotheses: list[Hypothesis], dt_s: float) -> list[Hypothesis]:
    """The hypotheses after their residuals in the newest picture are held beside each other, against those of the best
    of them: how much a picture's edges scatter is not known beforehand, so it tells poses apart, and not whether a
    tool is there."""
    fits = [h.fit for h in hypotheses if h.fit is not None]
    if len(fits) < 2:
        return hypotheses
    weight = 0.5 * min(f.n_edges for f in fits) / CUTS_PER_SAMPLE * news(dt_s)
    least = min(f.chi2_dof for f in fits)
    return [
        h
        if h.fit is None
        else replace(h, log_odds=h.log_odds - weight * float(np.log(max(h.fit.chi2_dof, 1e-3) / max(least, 1e-3))))
        for h in hypotheses
    ]


def is_outdone(new: Hypothesis, other: Hypothesis) -> bool:
    """Whether the picture in which a hypothesis was found makes it so unlikely beside another that it would be given
    up."""
    return bool(np.log(_NEW_SHARE) + new.log_ratio - other.log_ratio < _LEAST_ODDS)


def is_same(one: Hypothesis, other: Hypothesis) -> bool:
    """Whether two hypotheses at one time may be of one pose."""
    a, b = one.state, other.state
    d = a.mean[:5] - b.mean[:5]
    return float(d @ np.linalg.solve(a.cov[:5, :5] + b.cov[:5, :5] + _NEAR_COV, d)) < _SAME
