"""Runs the whole job on the sample recording and shows the result beside the truth."""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from monitor.cli.output import progress_bar, say, tell
from monitor.engine.analyse import analyse, read_inputs
from monitor.errors import InputError
from monitor.files import read_table
from monitor.job import Job
from monitor.places import sample_folder
from monitor.recording.export import export_csv
from monitor.recording.reader import JOB, TRACE, Recording, own_text
from monitor.review.overlay import write_overlay
from monitor.review.report import write_report
from monitor.review.traces import part_title

__all__ = ["against_truth", "of_parts", "run_demo"]

TRUTH = "truth.csv"
OUT = "demo_out"


def run_demo(args: argparse.Namespace) -> int:
    """plumeline demo"""
    sample = sample_folder()
    if sample is None:
        raise InputError("the sample recording is not there; install plumeline again, or run the demo from a checkout")
    inputs = read_inputs(sample / "clip.mp4", sample / "job.toml", sample / "camera.toml", sample / "nozzle.toml")
    out = Path(args.out or OUT)
    if (out / TRACE).exists() and own_text(out, JOB) != inputs.job_text:
        raise InputError(f"{out}: holds another recording than the demo's; name another folder with --out")
    with progress_bar("measuring") as progress:
        recording = analyse(inputs, out, force=True, copy_video=True, progress=progress)
    export_csv(recording, recording.folder)
    report = write_report(recording, recording.folder / "report.html")
    with progress_bar("drawing") as progress:
        overlay = write_overlay(recording, recording.folder / "overlay.mp4", progress)
    tell(recording, inputs.job, False)
    for line in [*against_truth(recording, sample / TRUTH), *of_parts(recording, inputs.job)]:
        say(line)
    say(f"open {report} for the report and {overlay} for the video with the measurement drawn in")
    return 0


def of_parts(recording: Recording, job: Job) -> list[str]:
    """What happened to the parts, in order of time, and whether the target is off the board."""
    lines = [f"  {e['t_s']:.2f} s: {part_title(e)}" for e in recording.part_events]
    gone = [e["t_s"] for e in recording.part_events if e["part"] == job.target.name and e["kind"] == "removed"]
    what = f"is off the board since {gone[-1]:.1f} s" if gone else "was not seen to come off"
    told = f"{job.target.name} {what}"
    return ["parts, as told while it ran:", *lines, told]


def against_truth(recording: Recording, truth_csv: Path) -> list[str]:
    """How the measurement compares with the known truth, as lines of text."""
    rows = read_table(truth_csv, ("t_s",), "truth of a sample", InputError)
    truth = {name: np.array([float(r[name] or "nan") for r in rows]) for name in rows[0]}
    frames = recording.frames
    at = np.array([int(np.argmin(np.abs(truth["t_s"] - t))) for t in frames["t_s"]])
    there = (truth["in_view"][at] > 0) & (truth["hidden"][at] == 0)
    used = there & (frames["seen"] > 0)
    if not used.any():
        return ["beside the truth: nothing was measured"]
    height = (frames["height_mm"] - truth["height_mm"][at])[used]
    tilt = (np.degrees(frames["tilt_rad"]) - truth["tilt_deg"][at])[used]
    low = used & (truth["height_mm"][at] < 40)
    aim = np.hypot(frames["aim_x_mm"] - truth["impact_x_mm"][at], frames["aim_y_mm"] - truth["impact_y_mm"][at])[low]
    inside = np.abs(height) <= 1.645 * frames["height_sigma_mm"][used]
    return ["beside the truth (the sample is rendered, so its truth is known):",
            f"  measured in {100 * used.sum() / there.sum():.0f} % of the frames in which the outlet is in view",
            f"  height: off by {np.sqrt(np.mean(height**2)):.2f} mm rms, {np.mean(height):+.2f} mm on average; "
            f"{100 * np.mean(inside):.0f} % inside the 90 % band",
            f"  aim: off by {np.sqrt(np.mean(aim**2)):.2f} mm rms; tilt: {np.sqrt(np.mean(tilt**2)):.2f} degrees rms"]
