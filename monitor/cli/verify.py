"""The work behind verify: whether recordings are as they were when they were closed."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from monitor.cli.output import progress_bar, say
from monitor.errors import InputError, MonitorError
from monitor.recording.manifest import Answer, check_manifest
from monitor.recording.reader import open_recording
from monitor.repeat.library import as_text, recordings_under

__all__ = ["run_verify"]

NOT_WHOLE = 3


def run_verify(args: argparse.Namespace) -> int:
    """Say of every recording what is whole, altered or missing; 3 when one is not whole, or cannot be told."""
    folders = [root / name for root in map(Path, args.folders) for name in _names(root)]
    answers = []
    with progress_bar("verifying") as progress:
        for done, folder in enumerate(folders, 1):
            answers.append(_answer(folder))
            progress(done, len(folders))
            if args.json:
                continue
            say(f"{as_text(str(folder))}: {answers[-1].sentence}")
    n_whole = sum(answer.is_whole for answer in answers)
    if args.json:
        say(json.dumps([{"recording": as_text(str(folder)), "whole": a.whole, "altered": a.altered,
                         "missing": a.missing,
                         "fault": a.fault} for folder, a in zip(folders, answers, strict=True)], indent=1))
    elif len(folders) > 1:
        say(f"{n_whole} of {len(folders)} recordings whole")
    return 0 if n_whole == len(folders) else NOT_WHOLE


def _names(root: Path) -> list[str]:
    if not root.is_dir():
        raise InputError(f"{root}: no such folder; name a recording, or a folder that holds recordings")
    names = sorted(name for name, _ in recordings_under(root))
    if not names:
        raise InputError(f"{root}: no recordings there; name a folder that holds what `plumeline analyse` wrote")
    return names


def _answer(folder: Path) -> Answer:
    """What the manifest says; without one, at least whether the recording can be read."""
    try:
        answer = check_manifest(folder)
        if answer.fault:
            open_recording(folder)
        return answer
    except (MonitorError, OSError) as fault:
        return Answer(fault=f"cannot be told: {fault}")
