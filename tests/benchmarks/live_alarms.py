"""Simulates an hour of work at the edge of a limit, and excursions, and prints chatter, false warnings and delays (A1,
A3, A4, A6).

usage: .venv/bin/python -m tests.benchmarks.live_alarms [HOURS]

Height at 30 Hz: the tracker's noise (0.3 mm, correlation 0.6 from frame to frame) and the hand's wander (0.5 mm over
about 1 s) are drawn; the judged height is their sum, as it would be live. Delays run from the true crossing to the
first sample of the warning's sound in the rendered track.
"""

from __future__ import annotations

import sys

import numpy as np

from monitor.engine.annunciator import Annunciator
from monitor.judging.alerts import AlertBook
from monitor.judging.exposure import expose
from monitor.judging.pipeline import Judge
from monitor.judging.technique import Technique
from monitor.judging.watch_rules import WatchRules
from monitor.sound.tones import RATE_HZ, WARNING_PATTERNS, Cue, render_track
from tests.benchmarks.command import command
from tests.monitor.make import job, result, track

RATE, JITTER_MM, RHO, WANDER_MM, TAU_S = 30.0, 0.3, 0.6, 0.5, 1.0
TOTAL_MM = float(np.hypot(JITTER_MM, WANDER_MM))
LOW, HIGH = 5.0, 25.0
N_SEEDS, N_EXCURSIONS, N_CROSSINGS = 10, 300, 60


def noise(n: int, rng: np.random.Generator) -> np.ndarray:
    """Tracker noise and hand wander [mm], n frames."""
    return _ar(n, JITTER_MM, RHO, rng) + _ar(n, WANDER_MM, float(np.exp(-1 / (RATE * TAU_S))), rng)


def raised(heights_mm: np.ndarray, kind: str) -> np.ndarray:
    """When a warning of that kind is raised as the height takes this course over the target [s].

    Rules and alert book alone: what the other parts of a frame's judgement do has no bearing on a height warning.
    """
    rules, book, technique, out = WatchRules(job()), AlertBook(), Technique(job()), []
    for i, h in enumerate(heights_mm):
        now = expose(track(i / RATE, (0.0, 0.0, h + 6.0), sigma_mm=TOTAL_MM), 6.0, 1 / RATE, np.zeros(3))
        started, _ = book.step(i / RATE, rules.readings(now, now, technique, None), 0.0)
        out += [w.t_start_s for w in started if w.kind == kind]
    return np.array(out)


def chatter(hours: float) -> tuple[list[int], list[float]]:
    """Third raises within a minute, and raises per hour, at the worst mean: 0.5 mm inside the limit."""
    counts, rates = [], []
    for seed in range(N_SEEDS):
        n = round(hours * 3600 * RATE)
        starts = raised(HIGH - 0.5 + noise(n, np.random.default_rng(seed)), "too_far")
        counts.append(int(np.sum(starts[2:] - starts[:-2] < 60.0)) if len(starts) > 2 else 0)
        rates.append(len(starts) / hours)
    return counts, rates


def false_warnings(hours: float) -> list[float]:
    """Warnings per hour of work that holds its height well: mean 3 mm inside."""
    n = round(hours * 3600 * RATE)
    return [len(raised(HIGH - 3.0 + noise(n, np.random.default_rng(100 + seed)), "too_far")) / hours
            for seed in range(N_SEEDS)]


def excursions() -> tuple[int, int]:
    """Sustained excursions asked and missed: for 1 s the true height, wander included, is two spreads outside or
    more.
    """
    missed, n = 0, round(4 * RATE)
    for seed in range(N_EXCURSIONS):
        rng = np.random.default_rng(1000 + seed)
        wander = _ar(n, WANDER_MM, float(np.exp(-1 / (RATE * TAU_S))), rng)
        true = 15.0 + wander
        true[round(RATE):round(2 * RATE)] = HIGH + 2 * TOTAL_MM + np.abs(wander[round(RATE):round(2 * RATE)])
        missed += not len(raised(true + _ar(n, JITTER_MM, RHO, rng), "too_far"))
    return N_EXCURSIONS, missed


def delays(kind: str, outside_mm: float) -> np.ndarray:
    """True crossing to first sample of the warning [s]; the sound is rendered and searched."""
    found = []
    for seed in range(N_CROSSINGS):
        rng = np.random.default_rng(seed)
        n, cross_s = round(4 * RATE), 1.0 + rng.uniform(0, 1 / RATE)
        t = np.arange(n) / RATE
        heights = np.where(t < cross_s, 15.0, outside_mm) + noise(n, rng)
        judge, horn, cues = Judge(job()), Annunciator(), []
        for i in range(n):
            told = judge.step(result(i, track(t[i], (0.0, 0.0, heights[i] + 6.0), sigma_mm=TOTAL_MM)))
            fresh = [w for w in told.started if w.kind == kind]
            alarm = horn.step(told.t_s, tuple(fresh), tuple(w for w in told.standing if w.kind == kind))
            cues.append((t[i], Cue(starts=tuple(WARNING_PATTERNS[p] for p in alarm.sounds))))
        sound = np.flatnonzero(render_track(cues, 4.0))
        found.append(sound[0] / RATE_HZ - cross_s if len(sound) else np.nan)
    return np.array(found)


def main(arguments: list[str]) -> int:
    hours = float(arguments[0]) if arguments else 1.0
    counts, rates = chatter(hours)
    print(f"A3 chatter, 0.5 mm inside, {hours:g} h x {N_SEEDS} seeds: third raises within 60 s {counts}; raises per "
          f"hour, median "
          f"{np.median(rates):.1f}, most {max(rates):.1f}", flush=True)
    false = false_warnings(hours)
    print(f"A4 false warnings, 3 mm inside: per hour {[round(f, 2) for f in false]}, mean {np.mean(false):.2f}",
          flush=True)
    asked, missed = excursions()
    print(f"A6 sustained excursions missed: {missed} of {asked}", flush=True)
    late = []
    for kind, outside in (("too_far", HIGH + 2.0), ("too_close", LOW - 2.0)):
        d = delays(kind, outside)
        late.append(np.nanpercentile(d, 95))
        print(f"A1 {kind}, 2 mm outside: to the first sound sample median {np.nanmedian(d):.2f} s, p95 {late[-1]:.2f} "
              f"s, "
              f"unheard {int(np.isnan(d).sum())} of {len(d)}", flush=True)
    return 0 if sum(counts) == 0 and np.mean(false) <= 1 and missed == 0 and max(late) <= 0.5 else 1


def _ar(n: int, sd: float, keep: float, rng: np.random.Generator) -> np.ndarray:
    """Noise of a standard deviation that keeps a share of itself from frame to frame."""
    from scipy.signal import lfilter

    start = rng.normal(0, sd)
    return lfilter([np.sqrt(1 - keep**2) * sd], [1, -keep], rng.normal(size=n), zi=[keep * start])[0]


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
