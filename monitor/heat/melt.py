"""What a melt that was seen, or not seen, says of the coldest joint: a robust law of one temperature.

"Settled" is a measurement: the coldest joint passed its liquidus some seconds before. A part that swims back is molten
now, one
that a person finds solid is not: inequalities. Any of them may be wrong altogether, and then it must do no harm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

__all__ = ["LAW", "Law", "Lesson", "MeltLearner", "MeltSight", "scalar_update"]

FloatArray = NDArray[np.float64]

WRONG = 0.05  # share of sights that are wrong altogether; a choice
WRONG_WIDTH_K = 150.0  # such a one says nothing within so much
LIQUIDUS_SIGMA_K = 2.0  # of a mixed joint against the table; practice, no source
LEAST_SLOPE_K_S = 0.5
_NORMAL = NormalDist()
_GRID = np.linspace(-6.0, 6.0, 241)
_LEAST_SHARE = 0.3  # of the spread that is left, carried by the members at the least
_NEAR = 1.5  # of the spread: members so far from a sight count less in the line through them; a choice
_REJECTED = 0.5  # probability of being wrong from which a sight is told to be left aside


@dataclass(frozen=True)
class Law:
    """How a kind of sight relates to the crossing of the liquidus.

    Attributes
    ----------
    is_crossing : bool
        The crossing itself was seen; else only on which side the joint is.
    is_above : bool
        Molten; else solid.
    lag_s, lag_sigma_s : float
        From the crossing to the sight, of the eye or the camera [s]; choices.
    words : str
    """

    is_crossing: bool
    is_above: bool
    lag_s: float
    lag_sigma_s: float
    words: str


LAW = {
    "settled": Law(True, True, 1.0, 1.5, "the part settled"),
    "sprang_back": Law(False, True, 0.0, 1.0, "the part swam back when nudged"),
    "molten": Law(False, True, 0.5, 1.5, "a person saw the joints molten"),
    "solid": Law(False, False, 0.5, 1.5, "a person found the joints still solid"),
}


@dataclass(frozen=True)
class MeltSight:
    """One sight: its kind, a key of LAW, its time [s], and who told it: "camera" or an operator's code."""

    t_s: float
    kind: str
    told_by: str = "camera"


@dataclass(frozen=True)
class Lesson:
    """What one sight taught about the coldest joint at its time, the model's own error included.

    Attributes
    ----------
    sight : MeltSight
    before_c, after_c : tuple of float
        Estimate and 1 sigma [C].
    liquidus_c : float
    wrong : float
        Probability that the sight is wrong altogether [-].
    slope_k_s : float
    at_zero_c, per_score_k : float, array
        The coldest joint as the chain has it at scores of zero, and its change with each score.
    input_sigma_k, form_sigma_k : float
        Its 1 sigma by what was measured of the jet; by what the chain leaves out.
    """

    sight: MeltSight
    before_c: tuple[float, float]
    after_c: tuple[float, float]
    liquidus_c: float
    wrong: float
    slope_k_s: float
    at_zero_c: float
    per_score_k: FloatArray
    input_sigma_k: float
    form_sigma_k: float

    @property
    def is_left_aside(self) -> bool:
        """Whether it does not fit what is known otherwise."""
        return self.wrong > _REJECTED


def scalar_update(law: Law, mean_c: float, sigma_k: float, mark_c: float, noise_k: float) -> tuple[float, float, float]:
    """Mean, 1 sigma and the probability of a wrong sight after it; mark_c is what the joint crossed or passed."""
    at = mean_c + sigma_k * _GRID
    prior = np.exp(-0.5 * _GRID**2)
    z = (at - mark_c) / noise_k
    if law.is_crossing:
        right, wrong = np.exp(-0.5 * z**2) / (noise_k * math.sqrt(2 * math.pi)), 1.0 / WRONG_WIDTH_K
    else:
        right, wrong = np.array([_NORMAL.cdf(v) for v in (z if law.is_above else -z)]), 0.5
    weight = prior * ((1 - WRONG) * right + WRONG * wrong)
    total = weight.sum()
    mean = float(weight @ at / total)
    spread = math.sqrt(max(float(weight @ (at - mean) ** 2 / total), 1e-9))
    return mean, min(spread, sigma_k), min(float(WRONG * wrong * prior.sum() / total), 1.0)


class MeltLearner:
    """Lets the members of an estimate follow what was seen.

    The members run on as they are; what they say is changed by a matrix, since every quantity is nearly linear in what
    is not known: one that moves with the coldest joint moves with it here too.

    Parameters
    ----------
    scores : array, shape (parameters, members)
        Of the members, the first of which is the estimate itself.
    inputs : array, shape (inputs, members)
        Each member's own error of what is measured.
    n_members : int
        Members that carry the spread; any beyond them stand for what an unseen nozzle may have done.
    """

    def __init__(self, scores: FloatArray, inputs: FloatArray, n_members: int) -> None:
        self._scores, self._inputs, self._n = scores, inputs, n_members
        self._matrix: FloatArray | None = None
        self._seen: list[tuple[MeltSight, FloatArray, float, float, float]] = []
        self.lessons: tuple[Lesson, ...] = ()

    def fresh(self) -> MeltLearner:
        """One for the same members that has learned nothing."""
        return MeltLearner(self._scores, self._inputs, self._n)

    def told(self, values: FloatArray) -> FloatArray:
        """Values (..., members) after all that was seen."""
        return values if self._matrix is None else values @ self._matrix

    def see(
        self, sight: MeltSight, coldest_c: FloatArray, slope_k_s: float, liquidus_c: float, form_sigma_k: float
    ) -> Lesson:
        """Learn from a sight.

        Parameters
        ----------
        coldest_c : array, shape (members,)
            The coldest joint at that time, as the chain has it.
        slope_k_s : float
            By which it rises.
        """
        self._seen.append((sight, coldest_c, slope_k_s, liquidus_c, form_sigma_k))
        law, raw = LAW[sight.kind], coldest_c
        now = self.told(raw)
        spread = now[1 : self._n]
        centre, sigma = float(spread.mean()), max(float(spread.std()), 0.5)
        slope = max(slope_k_s, LEAST_SLOPE_K_S)
        whole, noise = math.hypot(sigma, form_sigma_k), math.hypot(slope * law.lag_sigma_s, LIQUIDUS_SIGMA_K)
        mean, left, wrong = scalar_update(law, centre, whole, liquidus_c + slope * law.lag_s, noise)
        # what the chain leaves out is the same a moment later: what is left of the spread holds it
        after = min(sigma, max(math.sqrt(max(left**2 - form_sigma_k**2, 0.0)), _LEAST_SHARE * left))
        moved = mean + (after / sigma) * (now - centre) - now
        pull = np.zeros_like(now)
        pull[1 : self._n] = (spread - centre) / float(((spread - centre) ** 2).sum())
        step = np.eye(now.size) + np.outer(pull, moved)
        self._matrix = step if self._matrix is None else self._matrix @ step
        lesson = Lesson(
            sight,
            (centre, whole),
            (mean, math.hypot(after, form_sigma_k)),
            liquidus_c,
            wrong,
            slope,
            *self._slopes(raw, liquidus_c + slope * law.lag_s, math.hypot(whole, noise)),
            form_sigma_k,
        )
        self.lessons = (*self.lessons, lesson)
        return lesson

    def forget(self, sight: MeltSight) -> None:
        """Unlearn a sight that was taken back; what the others taught stays."""
        others = [seen for seen in self._seen if seen[0] != sight]
        self._matrix, self._seen, self.lessons = None, [], ()
        for seen in others:
            self.see(*seen)

    @property
    def molten_s(self) -> float:
        """Time of the last sight of molten joints that was believed; nan after a later one of solid joints, and
        without any."""
        believed = [lesson.sight for lesson in self.lessons if not lesson.is_left_aside]
        if not believed:
            return math.nan
        last = max(believed, key=lambda sight: sight.t_s)
        return last.t_s if LAW[last.kind].is_above else math.nan

    def _slopes(self, raw: FloatArray, mark_c: float, spread_k: float) -> tuple[float, FloatArray, float]:
        """The chain's value at scores of zero, its change with each score, and its 1 sigma by the inputs.

        The chain is not linear: the line is fitted where the sight places the joint, members far from it count less
        (posterior linearisation: Garcia-Fernandez et al., IEEE Trans. Signal Process. 63 (2015) 5561, from memory).
        """
        rows = np.vstack([np.ones(raw.size), self._scores, self._inputs])[:, 1 : self._n]
        values = raw[1 : self._n]
        root = np.sqrt(np.exp(-0.5 * ((values - mark_c) / (_NEAR * spread_k)) ** 2) + 1e-6)
        fit = np.linalg.lstsq((rows * root).T, values * root, rcond=None)[0]
        n = len(self._scores) + 1
        return float(fit[0]), fit[1:n], float(np.sqrt((fit[n:] ** 2).sum()))
