"""How often the share that is said to lie within the limits at least really does, for laws of several shapes.

usage: python -m tests.benchmarks.capability [RUNS]
"""

from __future__ import annotations

import sys

import numpy as np
from scipy import stats

from monitor.repeat.compare.capability import capability
from tests.benchmarks.command import command

LAWS = {"normal": stats.norm(15, 2), "lognormal": stats.lognorm(0.6, scale=3),
        "weibull": stats.weibull_min(1.3, scale=3),
        "bounded": stats.beta(6, 1)}
OUTSIDE = (0.001, 0.01, 0.05, 0.15)  # true shares beyond the upper limit
SIZES = (25, 50)


def coverage(law, n, runs, outside=None, seed=3):
    """Share of runs in which the bound lies at or below the true share; the least over the true shares."""
    rng = np.random.default_rng([seed, n])
    rates = []
    for share in OUTSIDE if outside is None else (outside,):
        limit = LAWS[law].isf(share)
        draws = LAWS[law].rvs(size=(runs, n), random_state=rng)
        inside = (draws <= limit).sum(1)
        bound = {k: capability(np.where(np.arange(n) < k, 0.0, 1.0), -np.inf, 0.5, is_steady=False).share_low
                 for k in np.unique(inside)}
        rates.append(np.mean([bound[k] <= 1 - share for k in inside]))
    return float(min(rates))


def main(arguments):
    """Print the table."""
    runs = int(arguments[0]) if arguments else 20000
    print(f"coverage of the 95 % bound, the least over true shares outside of {OUTSIDE}; {runs} draws")
    for law in LAWS:
        print(f"{law:12s}" + "".join(f"  n {n}: {100 * coverage(law, n, runs):.1f} %" for n in SIZES))
    return 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
