"""Are plans right? Plans bench jobs, then runs truths drawn from the stated priors on a finer grid.

python -m tests.benchmarks.heat_jobs [TRUTHS] [PART OF A NAME]
"""

from __future__ import annotations

import sys
import time

import numpy as np

from monitor.heat.chain import Fineness
from monitor.heat.uncertainty import PARAMETERS, prior
from monitor.plan.chance import judge
from monitor.plan.course import AIM_SIGMA_M, HEIGHT_SIGMA_M, Ensemble, run_stages
from monitor.plan.types import Plan
from monitor.plan.window import make_plan
from tests.heat.jobs import JOBS, BenchJob

FINER = Fineness(
    part_cells=20,
    smallest_m=0.1e-3,
    coarsest_m=4e-3,
    neighbour_m=1.5e-3,
    growth=0.4,
    board_levels=8,
    package_levels=5,
    shrink=1.3,
)
STEPS_FINER = 2.0


def truths(job: BenchJob, plan: Plan, n: int, rng: np.random.Generator) -> dict[str, float]:
    """Shares of n truths: melt before any limit, by the latest stop, by the clock, and melts inside their bands."""
    scores = np.concatenate([np.zeros((len(PARAMETERS) + 3, 1)), rng.normal(size=(len(PARAMETERS) + 3, n))], axis=1)
    drawn = Ensemble(scores, prior())
    heights = [np.maximum(s.height_m + HEIGHT_SIGMA_M * scores[-3], 1e-3) for s in plan.passes]
    course = run_stages(
        drawn.chain(job.setup, FINER),
        plan.passes,
        plan.closest.setpoint_c,
        heights,
        AIM_SIGMA_M * scores[-2:],
        finer=STEPS_FINER,
    )
    judged = judge(course, plan.limits, plan.melt)
    both = np.minimum(judged.joint_k, judged.spare_k)[:, 1:]
    melts = judged.melt_s[1:][np.isfinite(judged.melt_s[1:])]
    inside = lambda low, high: float(np.mean((melts >= low) & (melts <= high))) if melts.size else float("nan")
    at = int(np.searchsorted(course.times_s, plan.closest.dwell_s - 1e-6))
    return {
        "melt": float(np.mean(judged.best_k[1:] > 0)),
        "clock": float(np.mean(both[min(at, both.shape[0] - 1)] > 0)),
        "stop": float(np.mean(both[course.times_s <= plan.latest_stop_s + 1e-6].max(axis=0) > 0)),
        "melts": melts.size / n,
        "in 90": inside(*plan.melt_band_s),
        "in 80": inside(plan.melt_seen_s[0], plan.melt_seen_s[2]),
    }


def main(arguments: list[str]) -> int:
    """Print a line for every job, and what it comes to."""
    n, wanted = int(arguments[0]) if arguments else 200, arguments[1] if arguments[1:] else ""
    rows = []
    for number, (name, job) in enumerate(JOBS.items()):
        if wanted not in name:
            continue
        began = time.process_time()
        plan = make_plan(job.setup, job.limits)
        spent = time.process_time() - began
        told = truths(job, plan, n, np.random.default_rng(number))
        as_expected = plan.verdict in job.expected
        rows.append((as_expected, told, plan))
        stages = ", ".join(f"{1e3 * s.height_m:.0f} mm {s.seconds:.0f} s" for s in plan.closest.stages)
        print(
            f"{name}: expected {' or '.join(job.expected)}, came {plan.verdict}{'' if as_expected else ' (NOT SO)'}; "
            f"{plan.closest.setpoint_c:.0f} C [{stages}], ramp {plan.closest.ramp_k_s.mid:.1f} K/s; melt before limits "
            f"{plan.chance_stop_on_melt:.2f} (truths {told['melt']:.2f}), by {plan.latest_stop_s:.0f} s "
            f"{plan.chance_by_latest_stop:.2f} ({told['stop']:.2f}), by clock {plan.chance_by_clock:.2f} "
            f"({told['clock']:.2f}); melts in 90 % band {told['in 90']:.2f}, in 10-90 {told['in 80']:.2f} "
            f"({told['melts']:.0%} melt); first help: {plan.measures[0].what if plan.measures else '-'}; {spent:.1f} s",
            flush=True,
        )
    misses = [abs(plan.chance_stop_on_melt - told["melt"]) for _, told, plan in rows]
    clocks = [abs(plan.chance_by_clock - told["clock"]) for _, told, plan in rows]
    held = [(told["in 90"], told["melts"]) for _, told, _ in rows if told["melts"] > 0.05]
    print(
        f"{sum(r[0] for r in rows)} of {len(rows)} as expected; chance on melt wrong by {np.mean(misses):.3f}, "
        f"{max(misses):.3f} at most; by clock {np.mean(clocks):.3f}, {max(clocks):.3f}; melts in their 90 % band: "
        f"{np.average([h for h, _ in held], weights=[w for _, w in held]):.1%}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
