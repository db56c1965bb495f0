"""The work behind batch: many recordings analysed again."""

from __future__ import annotations

import argparse
import json
import os
from dataclasses import asdict
from pathlib import Path

from monitor.cli.output import progress_bar, say
from monitor.repeat.batch import find_tasks, run_tasks
from monitor.repeat.batch_task import DONE, FAILED, KEPT, Outcome

__all__ = ["run_batch"]

FAILED_CODE = 3


def run_batch(args: argparse.Namespace) -> int:
    """plumeline batch"""
    root = Path(args.root)
    out = Path(args.out) if args.out else root.with_name(root.resolve().name + "_again")
    tasks = find_tasks(root, out)
    outcomes = []
    with progress_bar("analysing") as progress:
        shares = dict.fromkeys((task.name for task in tasks), 0.0)

        def tell(name: str, share: float) -> None:
            shares[name] = share
            progress(sum(shares.values()), len(shares))

        for outcome in run_tasks(tasks, out, n_workers=args.j or os.cpu_count() or 1, scheduler=args.scheduler,
                                 tell=tell):
            outcomes.append(outcome)
            tell(outcome.name, 1.0)
            say(json.dumps(asdict(outcome)) if args.json else _line(outcome))
    counts = {state: sum(o.state == state for o in outcomes) for state in (DONE, KEPT, FAILED)}
    if not args.json:
        say(f"{counts[DONE]} analysed, {counts[KEPT]} done before, {counts[FAILED]} failed; in {out}")
    return FAILED_CODE if counts[FAILED] else 0


def _line(outcome: Outcome) -> str:
    if outcome.state == FAILED:
        return f"{outcome.name}: failed: {outcome.fault}"
    return f"{outcome.name}: {'done before' if outcome.state == KEPT else f'analysed in {outcome.took_s:.1f} s'}"
