"""Gauge study of the camera itself: how much of what it reads is the camera, not the height."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from vision.types import FloatArray

__all__ = ["FEWEST_CLASSES", "GOOD", "POOR", "Anova", "GaugeStudy", "HandSpread", "crossed_anova", "hand_spread",
           "one_way", "study"]

GOOD, POOR = 0.10, 0.30  # share of the width of the limits: good up to, refused beyond (common practice, AIAG MSA)
FEWEST_CLASSES = 5
POOL_ABOVE = 0.25  # p of the interaction from which it counts as repeat error (common practice)


@dataclass(frozen=True)
class Anova:
    """Mean squares of a crossed study with their degrees of freedom.

    Attributes
    ----------
    parts, setups, interaction, error : float
        Mean squares in the reading's unit squared.
    n_parts, n_setups, n_repeats : int
    """

    parts: float
    setups: float
    interaction: float
    error: float
    n_parts: int
    n_setups: int
    n_repeats: int

    @property
    def dof(self) -> tuple[int, int, int, int]:
        """Of parts, set-ups, interaction and error."""
        p, s = self.n_parts - 1, self.n_setups - 1
        return p, s, p * s, self.n_parts * self.n_setups * (self.n_repeats - 1)

    @property
    def interaction_p(self) -> float:
        """Chance of so large an interaction when there is none."""
        if self.error <= 0:
            return 0.0 if self.interaction > 0 else 1.0
        return float(stats.f.sf(self.interaction / self.error, self.dof[2], self.dof[3]))


@dataclass(frozen=True)
class GaugeStudy:
    """What a crossed study comes to; variances in the reading's unit squared.

    Attributes
    ----------
    repeat, setup, interaction, camera, part, total : float
        Variances: repeat readings; set-up to set-up; heights read differently by set-ups; all of these; the heights.
    share_of_variance, share_of_spread, share_of_limits : float
        The camera's: of the total variance, of the total standard deviation, and 6 sigma over the limits' width [-].
    classes : int
        Number of heights that the camera can tell apart.
    pooled : bool
        Whether the interaction was taken as repeat error.
    bias_mm, worst_bias_mm : float
        Mean reading less true height: over all, and at the worst height; nan when the true heights are not known.
    """

    anova: Anova
    repeat: float
    setup: float
    interaction: float
    camera: float
    part: float
    total: float
    share_of_variance: float
    share_of_spread: float
    share_of_limits: float
    classes: int
    pooled: bool
    bias_mm: float = math.nan
    worst_bias_mm: float = math.nan

    @property
    def camera_sigma(self) -> float:
        """Standard deviation of one reading of the camera, over set-ups and repeats."""
        return math.sqrt(self.camera)

    @property
    def repeat_sigma(self) -> float:
        """What differs from reading to reading within a set-up: it adds to the spread of passes."""
        return math.sqrt(self.repeat)

    @property
    def setup_sigma(self) -> float:
        """What all readings of a set-up have in common: it leaves the spread alone and makes the mean doubtful."""
        return math.sqrt(self.setup + self.interaction)

    @property
    def verdict(self) -> str:
        """In words."""
        share = self.share_of_limits if math.isfinite(self.share_of_limits) else self.share_of_spread
        of = "the limits' width" if math.isfinite(self.share_of_limits) else "the spread"
        word = "good" if share <= GOOD else "usable with care" if share <= POOR else "too coarse for capability figures"
        return (f"the camera takes {100 * share:.1f} % of {of} and tells {self.classes} heights apart: {word}"
                + ("" if self.classes >= FEWEST_CLASSES else f" (fewer than {FEWEST_CLASSES} heights told apart)"))


def crossed_anova(readings: Sequence[Any] | FloatArray) -> Anova:
    """Analysis of variance of a crossed study.

    Parameters
    ----------
    readings : array, shape (n_parts, n_setups, n_repeats)
        At least 2 of each.

    Raises
    ------
    ValueError
        If a dimension is too small or a reading is not known.
    """
    x = np.asarray(readings, dtype=float)
    if x.ndim != 3 or min(x.shape) < 2:
        raise ValueError(f"readings of shape {x.shape}: expected heights x set-ups x repeats, at least 2 of each")
    if not np.isfinite(x).all():
        raise ValueError("a reading is not known: every height needs all repeats in every set-up")
    p, s, r = x.shape
    mean, cells = x.mean(), x.mean(2)
    parts = s * r * ((x.mean((1, 2)) - mean) ** 2).sum()
    setups = p * r * ((x.mean((0, 2)) - mean) ** 2).sum()
    both = r * ((cells - x.mean((1, 2))[:, None] - x.mean((0, 2))[None, :] + mean) ** 2).sum()
    error = ((x - cells[:, :, None]) ** 2).sum()
    return Anova(parts / (p - 1), setups / (s - 1), both / ((p - 1) * (s - 1)), error / (p * s * (r - 1)), p, s, r)


def study(anova: Anova, width_mm: float = math.nan, errors_mm: FloatArray | None = None) -> GaugeStudy:
    """Variances and shares from the mean squares.

    Parameters
    ----------
    anova : Anova
    width_mm : float
        Width of the job's limits, highest less lowest allowed; nan when there is none.
    errors_mm : array, shape (n_parts, n_setups, n_repeats), optional
        Reading less true height.
    """
    p, s, r = anova.n_parts, anova.n_setups, anova.n_repeats
    pooled = anova.interaction_p > POOL_ABOVE
    if pooled:
        _, _, dof_both, dof_error = anova.dof
        repeat = (dof_both * anova.interaction + dof_error * anova.error) / (dof_both + dof_error)
        both, below = 0.0, repeat
    else:
        repeat, below = anova.error, anova.interaction
        both = max(0.0, (anova.interaction - anova.error) / r)
    setup = max(0.0, (anova.setups - below) / (p * r))
    part = max(0.0, (anova.parts - below) / (s * r))
    camera = repeat + setup + both
    total = camera + part
    bias = (math.nan, math.nan) if errors_mm is None else _bias(errors_mm)
    return GaugeStudy(anova, repeat, setup, both, camera, part, total, camera / total if total else math.nan,
                      math.sqrt(camera / total) if total else math.nan, 6 * math.sqrt(camera) / width_mm,
                      int(1.41 * math.sqrt(part / camera)) if camera else 0, pooled, *bias)


@dataclass(frozen=True)
class HandSpread:
    """Spread of passes with the camera's share told apart; in the measure's unit.

    Attributes
    ----------
    within : float
        Standard deviation of the passes about the mean of their set-up.
    hand : float
        The same with the camera's repeat readings taken out; 0 when they explain all of it.
    mean_sigma : float
        Standard error of the mean of all passes, set-ups' common errors included.
    mean_half : float
        The true mean lies within so much of it at 90 %; wider than 1.645 errors where few set-ups were studied.
    camera_share : float
        Of the variance within a set-up [-].
    """

    within: float
    hand: float
    mean_sigma: float
    mean_half: float
    camera_share: float


def hand_spread(values: Sequence[float] | FloatArray, setups: Sequence[str], repeat_sigma: float,
                setup_sigma: float, n_setups: float = math.inf) -> HandSpread | None:
    """Take the camera out of the spread of passes, once: repeats from the spread, set-ups' errors to the mean's doubt.

    Parameters
    ----------
    values : array, shape (n,)
        nan where not known.
    setups : sequence of str
        Which calibrations each pass rests on.
    repeat_sigma, setup_sigma : float
        Of the gauge study.
    n_setups : float
        How many set-ups were studied.

    Returns
    -------
    HandSpread or None
        None when no set-up has two passes.
    """
    x, names = np.asarray(values, dtype=float), np.asarray(setups)
    groups = [x[(names == name) & np.isfinite(x)] for name in dict.fromkeys(setups)]
    groups = [g for g in groups if len(g)]
    n, dof = sum(map(len, groups)), sum(len(g) - 1 for g in groups)
    if dof < 1:
        return None
    within = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / dof
    common = setup_sigma**2 * sum((len(g) / n) ** 2 for g in groups)
    hand, parts = max(0.0, within - repeat_sigma**2), (within / n, common)
    sigma = math.sqrt(sum(parts))
    # Welch and Satterthwaite
    freedom = sigma**4 / (parts[0] ** 2 / dof + parts[1] ** 2 / (n_setups - 1)) if sigma > 0 else math.inf
    return HandSpread(math.sqrt(within), math.sqrt(hand), sigma, float(stats.t.ppf(0.95, freedom)) * sigma,
                      repeat_sigma**2 / within if within > 0 else math.nan)


def one_way(groups: Sequence[Sequence[float]]) -> dict[str, float]:
    """One-way analysis of variance: do operators, days or set-ups differ by more than their own spread?

    Returns
    -------
    dict
        f, p, between and within (sums of squares), residual_sd.
    """
    arrays = [np.asarray(g, dtype=float) for g in groups]
    f, p = stats.f_oneway(*arrays)
    everything = np.concatenate(arrays)
    between = sum(len(g) * (g.mean() - everything.mean()) ** 2 for g in arrays)
    within = sum(((g - g.mean()) ** 2).sum() for g in arrays)
    return {"f": float(f), "p": float(p), "between": float(between), "within": float(within),
            "residual_sd": math.sqrt(within / (len(everything) - len(groups)))}


def _bias(errors_mm: FloatArray) -> tuple[float, float]:
    by_height = errors_mm.mean(axis=(1, 2))
    return float(errors_mm.mean()), float(by_height[np.argmax(np.abs(by_height))])
