"""The work behind `plumeline guide`."""

from __future__ import annotations

import argparse
from pathlib import Path

from monitor.cli.output import say, tell_alterations
from monitor.errors import InputError
from monitor.recording.guide_file import guide_of, save_guide, warnings_in
from monitor.recording.outputs import check_output, sources_of
from monitor.recording.reader import open_recording
from monitor.review.verdict import WARNING_WORDS

__all__ = ["run_guide"]


def run_guide(args: argparse.Namespace) -> int:
    """Write a pass as a guide; 1 when warnings stood during it."""
    recording = open_recording(args.recording)
    tell_alterations(recording)
    numbers = [p["number"] for p in recording.passes]
    if not numbers:
        raise InputError(f"{recording.folder}: has no pass")
    if args.number is None and len(numbers) > 1:
        raise InputError(f"{recording.folder}: has {len(numbers)} passes; say which with --pass N (1 to {numbers[-1]})")
    number = args.number or numbers[0]
    guide, path = guide_of(recording, number), Path(args.out)
    check_output(path, sources_of(recording))
    save_guide(guide, path)
    say(f"{path}: {guide.name}, {guide.duration_s:.1f} s")
    warned = warnings_in(recording, number)
    if warned:
        words = ", ".join(WARNING_WORDS.get(kind, kind) for kind in warned)
        say(f"warnings stood during this pass ({words}); a better one may be the better guide")
    return int(bool(warned))
