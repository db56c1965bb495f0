"""What a picture says of a pose: the log-likelihood ratio of "the tool is there" against "something else is, or
nothing"."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from vision.compiled import njit
from vision.fit.bias import group_key, n_groups
from vision.fit.pose import PoseFit
from vision.nozzle.body import NozzleBody
from vision.types import FloatArray

__all__ = ["CUTS_PER_SAMPLE", "MOST_NATS", "log_likelihood_ratio", "log_odds_right"]

MOST_NATS = 20.0  # of one picture, either way: a model is wrong more often than once in so many [convention]
# Beta distributions of the share of a side's cuts that agree with the outline, and how often something hides that side
# [tests.benchmarks.evidence, touch photographs]
_THERE = {
    "tube": (4.0, 1.0),
    "rim": (5.0, 2.0),
    "cone": (4.0, 1.0),
    "collar": (4.0, 1.0),
    "handle": (2.0, 1.0),
    "step": (2.0, 1.5),
}
_HIDDEN = {"tube": 0.1, "rim": 0.1, "cone": 0.2, "collar": 0.2, "handle": 0.5, "step": 0.3}
_ELSEWHERE = 0.6, 2.0  # Beta of the share that agrees by chance [same, other things]
# cuts 0.8 mm apart within the length over which their errors are alike (`least_squares.CORRELATION_MM`) [derived]
CUTS_PER_SAMPLE = 3.0
# log odds that a fit has ended in the tool's own place where that is as likely as another thing, and by how much they
# grow with the logarithm of that ratio: 0.8 to 1.5 and 0.28 to 0.37 by nozzles and starts [measured:
# tests.benchmarks.optima, touch photographs]
_AS_LIKELY, _GROWTH = 1.0, 0.35
_BAR = 0.1  # share of straight bars of the tube's width among other things [convention]


def log_likelihood_ratio(body: NozzleBody, fit: PoseFit) -> float:
    """Natural logarithm of how much better the tool at that pose explains which edges are seen than another thing does.

    The share of cuts that agree is told side by side of each part, since a side is seen, or hidden, as a whole
    (beta-binomial). Other things are a lump without any of the tool's shape, and a bar as wide as the tube, which has
    its limbs and its end, but neither cone nor collar nor handle: a tool of which no more than the tube is in view
    cannot be told from a bar.
    """
    return _log_ratio(fit.label, fit.good, *_sides(body))


def log_odds_right(log_ratio: float, before: float = _AS_LIKELY, share: float = 1.0) -> float:
    """Log odds that a fit which started near the tool, and speaks by that log-likelihood ratio for its pose, has ended
    in the tool's own: the less of the outline agrees, the more often another place near by looks as good.

    Parameters
    ----------
    before : float
        The same before that picture; by default of a pose of which no other picture has told.
    share : float
        Of the picture that is new.
    """
    return min(before + share * _GROWTH * log_ratio, _AS_LIKELY + _GROWTH * MOST_NATS)


@njit(cache=True, nogil=True)
def _log_ratio(label, good, there, hidden, is_of_bar):
    """The ratio, from each cut's group and whether it agrees, and what `_sides` gives."""
    cuts, agreeing = np.zeros(len(hidden)), np.zeros(len(hidden))
    for i in range(len(label)):
        cuts[label[i] // 2] += 1.0
        agreeing[label[i] // 2] += good[i]
    total, bar = 0.0, 0.0
    for s in range(len(hidden)):
        if cuts[s] > 0.0:  # what has none tells nothing
            n, k = cuts[s] / CUTS_PER_SAMPLE, agreeing[s] / CUTS_PER_SAMPLE
            elsewhere = _log_share(k, n, _ELSEWHERE[0], _ELSEWHERE[1])
            there_or_hidden = np.logaddexp(math.log1p(-hidden[s]) + _log_share(k, n, there[s, 0], there[s, 1]),
                                           math.log(hidden[s]) + elsewhere)
            total += there_or_hidden - elsewhere
            if is_of_bar[s]:
                bar += there_or_hidden - elsewhere
    ratio = total - np.logaddexp(math.log(_BAR) + bar, math.log(1.0 - _BAR))
    return min(max(ratio, -MOST_NATS), MOST_NATS)


@njit(cache=True, nogil=True)
def _log_share(k, n, a, b):
    """Log-probability, but for the binomial coefficient, of k of n when the share has a Beta distribution (a, b)."""
    return _log_beta(k + a, n - k + b) - _log_beta(a, b)


@njit(cache=True, nogil=True)
def _log_beta(a, b):
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


@lru_cache
def _sides(body: NozzleBody) -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Of each side of each part: its Beta distribution (n, 2), how often it is hidden (n,), whether a bar has it
    (n,)."""
    kinds = [group_key(body, g)[0] for g in range(0, n_groups(body), 2)]
    return (
        np.array([_THERE[k] for k in kinds]),
        np.array([_HIDDEN[k] for k in kinds]),
        np.array([k in ("tube", "rim") for k in kinds]),
    )
