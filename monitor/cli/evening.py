"""The work behind import: an evening's clips with their sheet."""

from __future__ import annotations

import argparse
import json
from collections import Counter
from dataclasses import asdict
from pathlib import Path

from monitor.cli.output import progress_bar, say
from monitor.repeat.batch_task import DONE, FAILED, KEPT
from monitor.repeat.evening import analyse_clips, read_sheet

__all__ = ["run_import"]

FAILED_CODE = 3


def run_import(args: argparse.Namespace) -> int:
    """plumeline import; 3 when a clip could not be analysed"""
    folder = Path(args.folder)
    clips = read_sheet(Path(args.sheet) if args.sheet else folder / "sheet.csv", folder, Path(args.out),
                       {"job": args.job, "camera": args.camera, "nozzle": args.nozzle})
    by_name = {clip.name: clip for clip in clips}
    states: Counter[str] = Counter()
    with progress_bar("analysing") as progress:
        for outcome in analyse_clips(clips, args.j):
            states[outcome.state] += 1
            progress(states.total(), len(clips))
            by = by_name[outcome.name].by
            if args.json:
                say(json.dumps(asdict(outcome) | {"by": asdict(by)}))
                continue
            what = {DONE: f"analysed in {outcome.took_s:.0f} s", KEPT: "there before"}.get(outcome.state,
                                                                                           f"failed: {outcome.fault}")
            say(f"{outcome.name}: {by.operator or 'no code'}, {by.recorded_utc[:16].replace('T', ' ')} UTC"
                f"{' by the file' if by.recorded_from == 'file' else ''}{f', {by.kind}' if by.kind else ''}: {what}")
    if not args.json:
        codes = sorted({clip.by.operator for clip in clips if clip.by.operator})
        guessed = sum(clip.by.recorded_from == "file" for clip in clips)
        say(f"{states[DONE]} analysed, {states[KEPT]} there before, {states[FAILED]} failed; {len(codes)} operator "
            f"codes"
            + (f"; {guessed} without a told time" if guessed else "") + f"; in {args.out}")
    return FAILED_CODE if states[FAILED] else 0
