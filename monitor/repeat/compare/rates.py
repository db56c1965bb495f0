"""How often a comparison of like passes may say that something is wrong, and how that chance is shared out.

One comparison says many things of many measures. Together they may be false in at most one of twenty comparisons of
passes that differ by chance alone; every test gets its share of that, and holds it over all measures at once.
"""

from __future__ import annotations

from collections.abc import Collection

__all__ = ["IN_ORDER", "OPERATORS", "OVERALL", "SAMPLES", "alpha_of", "singles"]

OVERALL = 0.05
IN_ORDER = 0.004  # each of three tests of the order in time: trend, weighted mean, cumulative sum
OPERATORS = 0.004  # operators told apart
SAMPLES = 0.004  # charts of samples, where passes were taken as batches
# of the chance that some pass is called odd: most to what a hand sets and the job limits (a choice)
_WEIGHTS = {"height_mean_mm": 3.0, "dwell_s": 3.0}


def singles(n_passes: int, fewest_in_order: int, *, has_operators: bool, has_samples: bool) -> float:
    """Chance that some pass is called odd: what the other tests leave, where they are made at all."""
    in_order = 3 * IN_ORDER if n_passes >= fewest_in_order else 0.0
    return OVERALL - in_order - has_operators * OPERATORS - has_samples * SAMPLES


def alpha_of(key: str, known: Collection[str], chance: float) -> float:
    """One measure's share of the chance that some pass is called odd in any of those known."""
    return chance * _WEIGHTS.get(key, 1.0) / sum(_WEIGHTS.get(k, 1.0) for k in {*known, key})
