"""The work behind analyse, export, report and overlay."""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from monitor.judging.alerts import EQUIPMENT
from monitor.job import Job, parse_job
from monitor.recording.reader import JOB, Recording, open_recording

__all__ = ["run_analyse", "run_export", "run_report", "run_overlay", "tell", "exit_code", "progress_bar", "say"]


def run_analyse(args: argparse.Namespace) -> int:
    """plumeline analyse"""
    from monitor.engine.analyse import analyse, read_inputs
    from monitor.judging.exposure import heat_setup
    from monitor.heat.shelf import heat_calibration

    inputs = read_inputs(args.clip, args.job, args.camera, args.nozzle)
    with progress_bar("measuring") as progress:
        recording = analyse(inputs, args.out, force=args.force, copy_video=args.copy_video, operator=args.operator,
                            calibration=heat_calibration(args.heat, heat_setup(inputs.job)), progress=progress)
    tell(recording, inputs.job, args.json)
    return exit_code(recording)


def run_export(args: argparse.Namespace) -> int:
    """plumeline export"""
    from monitor.recording.export import export_csv, export_parquet

    recording = open_recording(args.recording)
    folder = Path(args.out) if args.out else recording.folder
    written = export_csv(recording, folder) if args.format in ("csv", "both") else ()
    written += export_parquet(recording, folder) if args.format in ("parquet", "both") else ()
    for path in written:
        say(str(path))
    return 0


def run_report(args: argparse.Namespace) -> int:
    """plumeline report"""
    recording = open_recording(args.recording)
    is_pdf = args.pdf or (args.out or "").lower().endswith(".pdf")
    path = Path(args.out) if args.out else recording.folder / ("report.pdf" if is_pdf else "report.html")
    if is_pdf:
        from monitor.ui.review_report import write_pdf as write
    else:
        from monitor.review.report import write_report as write
    say(str(write(recording, path)))
    return 0


def run_overlay(args: argparse.Namespace) -> int:
    """plumeline overlay"""
    from monitor.review.overlay import write_overlay

    recording = open_recording(args.recording)
    with progress_bar("drawing") as progress:
        path = write_overlay(recording, Path(args.out) if args.out else recording.folder / "overlay.mp4", progress)
    say(str(path))
    return 0


def exit_code(recording: Recording) -> int:
    """1 when a limit was passed; what befell the equipment is no limit."""
    return int(any(w["kind"] not in EQUIPMENT for w in recording.warnings))


def tell(recording: Recording, job: Job | None, as_json: bool) -> None:
    """Print what came out."""
    from monitor.review.verdict import summary

    job = job or parse_job(recording.job_text, str(recording.folder / JOB))
    numbers = summary(recording, job)
    if as_json:
        say(json.dumps(numbers, indent=1))
        return
    say(numbers["verdict"])
    seen = 100 * (numbers["seen_share"] or 0.0)
    say(f"  measured in {seen:.0f} % of {numbers['frames']} frames over {numbers['duration_s']:.1f} s; "
        f"height sigma {_or_unknown(numbers['height_sigma_median_mm'])} mm (median)")
    for p in numbers["passes"]:
        say(f"  pass {p['number']}: {p['t_start_s']:.2f} to {p['t_end_s']:.2f} s, {p['height_mean_mm']:.1f} mm, "
            f"target swept {100 * p['coverage']:.0f} %")
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
    """Print to stdout where there is one."""
    if sys.stdout is not None:
        print(line)


def _or_unknown(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"
