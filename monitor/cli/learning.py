"""The work behind learning: the curve of one operator code."""

from __future__ import annotations

import argparse
import datetime
import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from monitor.cli.output import say
from monitor.errors import InputError
from monitor.files import write_bytes_whole, write_text_whole
from monitor.repeat.learning import Learning, attempts_of, learning_figure, learning_of

__all__ = ["run_learning"]


def run_learning(args: argparse.Namespace) -> int:
    """plumeline learning"""
    attempts, jobs, faults = attempts_of([Path(r) for r in args.roots], args.operator, args.measure, args.job)
    if not attempts:
        raise InputError(f"{', '.join(args.roots)}: no pass by operator {args.operator!r}"
                         f"{f' at a job called {args.job!r}' if args.job else ''}; codes are set with --operator when "
                         f"measuring")
    learning = learning_of(attempts, args.operator, args.measure, jobs)
    if args.out:
        _write(learning, Path(args.out))
    if args.json:
        say(json.dumps(_as_data(learning), indent=1))
    else:
        _tell(learning, faults)
    return 0


def _write(learning: Learning, path: Path) -> None:
    from monitor.review.charts import png_of, svg_of

    figure = learning_figure(learning)
    if path.suffix.lower() == ".svg":
        write_text_whole(path, svg_of(figure))
    elif path.suffix.lower() == ".png":
        write_bytes_whole(path, png_of(figure, 130))
    else:
        raise InputError(f"{path}: --out needs a name that ends in .svg or .png")


def _tell(learning: Learning, faults: Sequence[str]) -> None:
    say(learning.sentence)
    if len(learning.jobs) > 1:
        say(f"  of several jobs, which may differ in difficulty: {', '.join(learning.jobs)}; choose one with --job")
    for a in learning.attempts:
        how = "muted probe" if a.is_probe else "coached" if a.coached else "not coached"
        value = "not known" if not math.isfinite(a.value) else f"{a.value:.2f}"
        say(f"  {a.begun_utc:%Y-%m-%d %H:%M}  {a.recording} pass {a.number}: {value}  ({a.feedback}; {how})")
    for k in learning.retention:
        say(f"  over night {k.day} to {k.next_day} ({k.gap_h:.0f} h): {k.end_value:.2f} to {k.start_value:.2f}")
    for line in faults:
        say(f"  left out: {line}")


def _as_data(learning: Learning) -> dict[str, Any]:
    def plain(value: Any) -> Any:
        if isinstance(value, float):
            return value if math.isfinite(value) else None
        return value.isoformat() if isinstance(value, datetime.datetime) else value
    data = {k: plain(v) for k, v in asdict(learning).items() if k not in ("attempts", "retention")}
    data["attempts"] = [{k: plain(v) for k, v in asdict(a).items()} for a in learning.attempts]
    data["retention"] = [{**asdict(r), "change": r.change} for r in learning.retention]
    return data
