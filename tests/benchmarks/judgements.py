"""How often a comparison of like passes says something false, and how often it names a fault that is there.

usage: python -m tests.benchmarks.judgements [RUNS] [PASSES ...]

Hands are invented: numbers of each pass are drawn at random, without video. A steady hand scatters by 0.4 mm in height
and 5 % in dwell from pass to pass, an unsteady one by twice that; the skewed one has a lognormal dwell of 20 % and a
target that is swept whole in most passes.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
from scipy import stats

from monitor.repeat.compare.comparison import compare
from monitor.repeat.compare.passes import Pass
from tests.benchmarks.command import command
from tests.monitor.make import job

HANDS = {"steady": (0.4, 0.05, 60.0), "unsteady": (0.8, 0.10, 20.0), "skewed": (0.4, 0.20, 8.0)}
FAULTS = ("short by a quarter", "2 mm high", "drifting 0.05 mm a pass")
SIZES = (4, 8, 20, 40, 90, 200)


def hand(rng, n, kind="steady"):
    """Numbers of n passes of a hand, as arrays by measure."""
    height_sd, share, sweep = HANDS[kind]
    dwell = 3.0 * np.exp(share * rng.normal(size=n))
    return {"height_mean_mm": rng.normal(15, height_sd, n), "height_sd_mm": 0.4 * np.exp(0.15 * rng.normal(size=n)),
            "height_drift_mm": rng.normal(0, height_sd, n), "dwell_s": dwell,
            "coverage": rng.beta(0.95 * sweep, 0.05 * sweep, n), "energy_j": 3 * dwell,
            "energy_even_j": 3 * dwell * np.exp(0.03 * rng.normal(size=n)), "tilt_mean_deg": rng.normal(30, 1.5, n)}


def as_passes(values, sigma_mm=0.3):
    """Passes without traces."""
    n, none = len(values["dwell_s"]), np.zeros(0)
    sigmas = dict.fromkeys(values, math.nan) | {"height_mean_mm": sigma_mm}
    return [Pass(Path("day"), i + 1, "", "", 10.0 * i, 10.0 * i + 3, {k: float(v[i]) for k, v in values.items()},
                 sigmas, none, none, none, (), 0.0, 0.0, "same") for i in range(n)]


def faulty(rng, n, fault):
    """A steady hand with one fault in it; the pass that has it, None for a drift."""
    values, at = hand(rng, n), int(rng.integers(n))
    if fault == FAULTS[0]:
        for key in ("dwell_s", "energy_j", "energy_even_j"):
            values[key][at] *= 0.75
    elif fault == FAULTS[1]:
        values["height_mean_mm"][at] += 2.0
    else:
        values["height_mean_mm"] += 0.05 * np.arange(n)
        at = None
    return values, at


def false_alarms(kind, n, runs, seed=1):
    """Share of comparisons of like passes that are not quiet."""
    rng, here = np.random.default_rng([seed, n]), job()
    return float(np.mean([not compare(as_passes(hand(rng, n, kind)), here).is_quiet for _ in range(runs)]))


def at_most(share, runs):
    """Upper end of the 95 % interval of a rate that was seen (Clopper and Pearson)."""
    k = round(share * runs)
    return float(stats.beta.ppf(0.975, k + 1, runs - k)) if k < runs else 1.0


def found(fault, n, runs, seed=2):
    """Share of comparisons in which the fault is named for what it is, of those that name it or tell of it as what can
    be chance, and of those that name another pass or change.
    """
    rng, here, hits, told_of, wrong = np.random.default_rng([seed, n]), job(), 0, 0, 0
    for _ in range(runs):
        values, at = faulty(rng, n, fault)
        told = compare(as_passes(values), here)
        words = {FAULTS[0]: "short", FAULTS[1]: "high"}
        named = {(o.index, o.word) for o in told.odd}
        hit = (at, words[fault]) in named if at is not None else any(c.key == "height_mean_mm" for c in told.changes)
        hits += hit
        told_of += hit or (at is not None and (at, words[fault]) in {(o.index, o.word) for o in told.perhaps})
        other = {i for i, _ in named if i != at}
        wrong += bool(other) or any(at is not None or c.key != "height_mean_mm" for c in told.changes)
    return hits / runs, told_of / runs, wrong / runs


def main(arguments):
    """Print both tables."""
    runs = int(arguments[0]) if arguments else 400
    sizes = [int(a) for a in arguments[1:]] or SIZES
    print(f"{runs} comparisons each; per cent, rates of false alarms with the upper end of their 95 % interval\n"
          f"{'passes':28s}" + "".join(f"{n:>14d}" for n in sizes))
    for kind in HANDS:
        print(f"{'false alarms, ' + kind:28s}", end="")
        for n in sizes:
            share = false_alarms(kind, n, runs)
            print(f"{100 * share:8.1f} <{100 * at_most(share, runs):4.1f}", end="", flush=True)
        print()
    for fault in FAULTS if len(sizes) > 1 else ():
        cells = [found(fault, n, min(runs, 400)) for n in sizes]
        print(f"{fault:28s}" + "".join(f"{100 * a:5.0f}/{100 * b:3.0f}/{100 * c:3.0f} " for a, b, c in cells),
              flush=True)
    print("faults: named / named or told of as what can be chance / another pass or change named too")
    return 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
