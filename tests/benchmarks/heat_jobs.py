"""Are plans right? Plans bench jobs, then runs truths drawn from the stated priors on a finer grid.

python -m tests.benchmarks.heat_jobs [TRUTHS] [PART OF A NAME]
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.heat.chain import Fineness
from monitor.heat.uncertainty import PARAMETERS, prior
from monitor.plan.chance import Judged, judge
from monitor.plan.course import Ensemble, TimeSteps, judged_names, repeated, run_stages
from monitor.plan.surface import Way, run_members
from monitor.plan.types import Plan
from monitor.plan.window import make_plan
from tests.benchmarks.command import command
from tests.heat.jobs import JOBS, BenchJob

FloatArray = NDArray[np.float64]

FINER = Fineness(
    part_cells=28,
    smallest_m=0.06e-3,
    coarsest_m=3e-3,
    neighbour_m=1e-3,
    growth=0.32,
    board_levels=11,
    package_levels=7,
    shrink=1.35,
)
STEP_PARTS = 2
LEAST_MELTS = 20  # truths that must melt before the share in their band is told


@dataclass(frozen=True)
class Told:
    """What truths say of one chance: their plain share, and the plan's chance put right by truths paired with it.

    A pair is one draw from the prior, once on the finer grid and once as the plan has it: what they differ by is the
    plan's own error, free of the luck of the draw (a plain share of 200 has a standard error of up to 0.035).
    """

    stated: float
    plain: float
    paired: float
    sigma: float

    def __str__(self) -> str:
        return f"{self.stated:.2f} (truths {self.plain:.2f}; paired {self.paired:.2f} +- {self.sigma:.2f})"


def told(stated: float, true: NDArray[np.bool_], planned: NDArray[np.bool_]) -> Told:
    """Both shares, from whether it came true for every truth and for its pair."""
    differ = true.astype(float) - planned
    return Told(stated, float(true.mean()), stated + float(differ.mean()), float(differ.std() / np.sqrt(differ.size)))


def truths(job: BenchJob, plan: Plan, n: int, rng: np.random.Generator) -> tuple[dict[str, Told], FloatArray]:
    """What n truths say of the chances, melt before any limit, by the latest stop, by the clock; their melts [s]."""
    rows = len(PARAMETERS) + 3 + len(judged_names(job.setup))
    drawn = Ensemble(np.concatenate([np.zeros((rows, 1)), rng.normal(size=(rows, n))], axis=1), prior())
    chain = repeated(job.setup, drawn.values, FINER, 1)
    setpoint = plan.closest.setpoint_c
    fine = drawn.with_form(run_stages(chain, plan.passes, setpoint, drawn.own(plan.passes),
                                      steps=TimeSteps(STEP_PARTS)))
    planned, _ = run_members(job.setup, drawn, Way(setpoint, plan.passes))
    true, same = (judge(course, plan.limits, plan.melt) for course in (fine, planned))
    found = {
        "melt": told(plan.chance_stop_on_melt, true.best_k[1:] > 0, same.best_k[1:] > 0),
        "stop": told(plan.chance_by_latest_stop, *(_by(j, plan.latest_stop_s) for j in (true, same))),
        "clock": told(plan.chance_by_clock, *(_at(j, plan.closest.dwell_s) for j in (true, same))),
    }
    return found, true.melt_s[1:]


def _by(judged: Judged, stop_s: float) -> NDArray[np.bool_]:
    """Whether the melt came before any limit by a time."""
    both = np.minimum(judged.joint_k, judged.spare_k)[:, 1:]
    return (both[judged.times_s <= stop_s + 1e-6] > 0).any(axis=0)


def _at(judged: Judged, dwell_s: float) -> NDArray[np.bool_]:
    """Whether a moment lies after the melt and before any limit."""
    k = int(np.clip(np.searchsorted(judged.times_s, dwell_s), 1, judged.times_s.size - 1))
    early, late = judged.times_s[k - 1 : k + 1]
    share = min(max((dwell_s - early) / (late - early), 0.0), 1.0)
    return np.minimum(*((1 - share) * v[k - 1, 1:] + share * v[k, 1:] for v in (judged.joint_k, judged.spare_k))) > 0


def main(arguments: list[str]) -> int:
    """Print what came of every job, and what it comes to."""
    n, wanted = int(arguments[0]) if arguments else 200, arguments[1] if arguments[1:] else ""
    rows = []
    for number, (name, job) in enumerate(JOBS.items()):
        if wanted not in name:
            continue
        began = time.process_time()
        plan = make_plan(job.setup, job.limits)
        spent = time.process_time() - began
        found, melts = truths(job, plan, n, np.random.default_rng(number))
        rows.append((plan.verdict in job.expected, found, _held(plan, melts)))
        print(_line(name, job, plan, rows[-1], spent), flush=True)
    print(f"{sum(row[0] for row in rows)} of {len(rows)} as expected")
    for what in ("melt", "stop", "clock"):
        plain, paired = (
            np.array([abs(getattr(row[1][what], k) - row[1][what].stated) for row in rows]) for k in ("plain", "paired")
        )
        print(
            f"chance {what}: wrong by {plain.mean():.3f}, at most {plain.max():.3f}, by {n} truths; by pairs "
            f"{paired.mean():.3f}, at most {paired.max():.3f}"
        )
    held = [row[2] for row in rows if row[2][1] >= LEAST_MELTS]
    if held:
        _say_held(held)
    return 0


def _say_held(held: list[tuple[float, int]]) -> None:
    print(
        f"melts in their 90 % band: {np.average([h[0] for h in held], weights=[h[1] for h in held]):.1%}, by job "
        f"{min(h[0] for h in held):.0%} to {max(h[0] for h in held):.0%}"
    )


def _held(plan: Plan, melts: FloatArray) -> tuple[float, int]:
    """Share of the melting truths whose time is in the plan's 90 % band, and how many melt."""
    times, (low, high) = melts[np.isfinite(melts)], plan.melt_band_s
    return (float(np.mean((times >= low) & (times <= high))) if times.size else float("nan")), times.size


def _line(
    name: str, job: BenchJob, plan: Plan, row: tuple[bool, dict[str, Told], tuple[float, int]], spent_s: float
) -> str:
    """One job in words."""
    stages = ", ".join(f"{1e3 * s.height_m:.0f} mm {s.seconds:.0f} s" for s in plan.closest.stages)
    return (
        f"{name}: expected {' or '.join(job.expected)}, came {plan.verdict}{'' if row[0] else ' (NOT SO)'}; "
        f"{plan.closest.setpoint_c:.0f} C [{stages}], ramp {plan.closest.ramp_k_s.mid:.1f} K/s; "
        f"melt before limits {row[1]['melt']}; by {plan.latest_stop_s:.0f} s {row[1]['stop']}; "
        f"{plan.closest.dwell_s:.1f} s by clock {row[1]['clock']}; {row[2][0]:.2f} of {row[2][1]} melts in their band; "
        f"first help: {plan.measures[0].what if plan.measures else '-'}; {spent_s:.1f} s"
    )


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
