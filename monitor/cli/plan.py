"""The work behind `plumeline plan`."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from monitor.cli.output import progress_bar, say
from monitor.heat.shelf import heat_calibration
from monitor.job import load_job
from monitor.judging.exposure import heat_setup
from monitor.plan.search import PlanLimits
from monitor.plan.window import make_plan
from monitor.plan.words import plan_json, plan_table

__all__ = ["run_plan"]

COOLEST_C = 250.0


def run_plan(args: argparse.Namespace) -> int:
    """Say what to set for a job; 1 when it is closed."""
    job = load_job(args.job)
    low, high = job.limits.height_mm
    limits = PlanLimits(
        (max(low, 1.0) * 1e-3, high * 1e-3), (COOLEST_C, max(args.hottest, COOLEST_C + 10.0)), job.limits.dwell_s
    )
    setup = heat_setup(job)
    calibration = heat_calibration(args.heat, setup)
    with progress_bar("searching") as progress:
        plan = make_plan(setup, limits, calibration=calibration, progress=lambda share: progress(share, 1.0))
    say(json.dumps(plan_json(plan), indent=1) if args.json else plan_table(plan))
    if args.out:
        from monitor.plan.chart import draw_plan  # matplotlib takes half a second to load

        draw_plan(plan, Path(args.out))
    return 0 if plan.is_open else 1
