"""Picture of the compare window for the README, of invented passes.

usage: python -m tests.benchmarks.compare_picture OUT [light|dark]

Writes compare_light.jpg (or compare_dark.jpg) into OUT: thirty passes, one of them high, one short, and one left out.
"""

from __future__ import annotations

import dataclasses
import sys
import tempfile
from pathlib import Path

import numpy as np

from monitor.repeat.compare.baseline import LEFT_OUT, aside_of, words_of
from monitor.repeat.compare.comparison import ChartDesign, compare
from tests.benchmarks.command import command
from tests.benchmarks.judgements import as_passes, hand
from tests.monitor.make import job

N, HIGH, SHORT, TRIPPED = 30, 11, 21, 4


def passes():
    """A steady hand's, with traces."""
    rng = np.random.default_rng(4)
    values = hand(rng, N)
    values["height_mean_mm"][HIGH] += 4.0
    for key in ("dwell_s", "energy_j", "energy_even_j"):
        values[key][SHORT] *= 0.6
    out = []
    for p in as_passes(values):
        t = np.linspace(0.0, p.values["dwell_s"], 60)
        wander = 0.5 * np.sin(2.1 * t + rng.uniform(0, 6)) + 0.3 * np.sin(5.3 * t + rng.uniform(0, 6))
        out.append(dataclasses.replace(p, t_end_s=p.t_start_s + t[-1], t_s=t, sigma_mm=np.full(60, 0.3),
                                       height_mm=p.values["height_mean_mm"] + wander))
    return out


def main(arguments):
    """Write the picture."""
    from monitor.ui.app import application
    from monitor.ui.compare_window import CompareWindow

    look = arguments[1] if len(arguments) > 1 else "light"
    app, shown = application(theme=look), passes()

    def again(rules, reference, decisions):
        new = compare(shown, job(), ChartDesign(rules), reference=reference, aside=aside_of(shown, decisions))
        return dataclasses.replace(new, notes=tuple(words_of(decisions)))
    with tempfile.TemporaryDirectory() as scratch:
        window = CompareWindow(compare(shown, job()), again, Path(scratch) / "baseline.toml")
        window.show()
        window.baseline.decide(LEFT_OUT, shown[TRIPPED], "nozzle fell off", "INS1")
        window.statusBar().clearMessage()
        window.choose(SHORT)
        app.processEvents()
        path = Path(arguments[0]) / f"compare_{look}.jpg"
        window.grab().save(str(path), quality=88)
    print(path)
    return 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 1))
