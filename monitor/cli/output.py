"""What the command line prints, and the exit code of a finished recording."""

from __future__ import annotations

import contextlib
import json
import math
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, TextIO

from monitor.plain import plain

if TYPE_CHECKING:  # what a command does not need is not loaded before its first line
    from monitor.job import Job
    from monitor.recording.reader import Recording

__all__ = ["complain", "exit_code", "progress_bar", "say", "tell", "tell_alterations"]


def exit_code(recording: Recording) -> int:
    """1 when a limit was passed; what befell the equipment is no limit."""
    from monitor.judging.alerts import EQUIPMENT

    return int(any(w["kind"] not in EQUIPMENT for w in recording.warnings))


def tell(recording: Recording, job: Job | None, as_json: bool) -> None:
    """Print what came out."""
    from monitor.job import parse_job
    from monitor.recording.reader import JOB
    from monitor.review.verdict import summary

    job = job or parse_job(recording.job_text, str(recording.folder / JOB))
    numbers = summary(recording, job)
    if as_json:
        say(json.dumps(numbers, indent=1))
        return
    say(numbers["verdict"])
    seen = 100 * (numbers["seen_share"] or 0.0)
    say(f"  measured in {seen:.0f} % of {numbers['frames']} frames over {_or_unknown(numbers['duration_s'], 1)} s; "
        f"height sigma {_or_unknown(numbers['height_sigma_median_mm'])} mm (median)")
    for p in numbers["passes"]:
        swept = "unknown" if p["coverage"] is None else f"{100 * p['coverage']:.0f} %"
        say(f"  pass {p['number']}: {p['t_start_s']:.2f} to {p['t_end_s']:.2f} s, "
            f"{_or_unknown(p['height_mean_mm'], 1)} mm, "
            f"target swept {swept}")
    for w in numbers["warnings"]:
        end = "the end" if w["t_end_s"] is None else f"{w['t_end_s']:.2f} s"
        say(f"  warning {w['kind']}: {w['t_start_s']:.2f} s to {end}: {w['text']}")
    if numbers["joint"]:
        say(f"  joints (estimate): {numbers['joint']['state']}: {numbers['joint']['reason']}")
    say(f"  in {recording.folder}")


@contextlib.contextmanager
def progress_bar(what: str) -> Iterator[Callable[[float, float], None]]:
    """A bar on stderr where someone can see it; silent elsewhere."""
    stream = sys.stderr
    if stream is None or not stream.isatty():
        yield lambda done, whole: None
        return
    from tqdm import tqdm

    with tqdm(total=1.0, desc=what, file=stream, leave=False,
              bar_format="{desc}: {percentage:3.0f}% |{bar}| {elapsed} (left {remaining})") as bar:
        def update(done: float, whole: float) -> None:
            if math.isfinite(whole) and whole > 0:
                bar.update(max(0.0, min(1.0, done / whole) - bar.n))
        yield update


def say(line: str) -> None:
    """Print to stdout where there is one; what could steer a terminal is shown, not sent."""
    if sys.stdout is not None:
        _print(line, sys.stdout)


def complain(line: str) -> None:
    """Print one line to stderr where there is one, as `say` does."""
    if sys.stderr is not None:
        _print(f"plumeline: {line}", sys.stderr)


def tell_alterations(recording: Recording) -> None:
    """Say when a recording is not as it was closed."""
    if recording.altered:
        complain(f"{recording.folder}: altered since it was closed: {', '.join(recording.altered)}; what follows rests "
                 f"on it "
                 "(`plumeline verify` tells more)")


def _print(line: str, stream: TextIO) -> None:
    try:
        print(plain(line), file=stream)
    except UnicodeEncodeError:  # a terminal that knows few letters
        print(plain(line).encode("ascii", "backslashreplace").decode(), file=stream)


def _or_unknown(value: float | None, digits: int = 2) -> str:
    return "unknown" if value is None else f"{value:.{digits}f}"
