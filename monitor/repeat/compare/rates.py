"""How often a comparison of like passes may say that something is wrong, and how that chance is shared out.

One comparison says many things of many measures. Together they may be false in at most one of twenty comparisons of
passes that differ by chance alone; every test gets its share of that, and holds it over all measures at once.
"""

from __future__ import annotations

__all__ = ["IN_ORDER", "OPERATORS", "OVERALL", "SAMPLES", "SINGLE"]

OVERALL = 0.05
SINGLE = 0.030  # some pass called odd
IN_ORDER = 0.004  # each of three tests of the order in time: trend, weighted mean, cumulative sum
OPERATORS = 0.004  # operators told apart
SAMPLES = 0.004  # charts of samples, where passes were taken as batches
