"""The work behind analyse, rerun, review, export, report and overlay."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from monitor.cli.output import exit_code, progress_bar, say, tell, tell_alterations
from monitor.errors import InputError
from monitor.files import read_text
from monitor.recording.reader import open_recording

__all__ = ["run_analyse", "run_export", "run_overlay", "run_report", "run_rerun", "run_review"]


def run_analyse(args: argparse.Namespace) -> int:
    """plumeline analyse"""
    from monitor.engine.analyse import Filming, analyse, read_inputs
    from monitor.engine.teaching import teach_shelf
    from monitor.heat.shelf import heat_calibration
    from monitor.judging.exposure import heat_setup
    from monitor.recording.attribution import attributed

    inputs = read_inputs(args.clip, args.job, args.camera, args.nozzle)
    filming = Filming(attributed(inputs.clip, args.operator, args.recorded, args.kind))
    with progress_bar("measuring") as progress:
        inputs = replace(inputs, heat=heat_calibration(args.heat, heat_setup(inputs.job)))
        recording = analyse(inputs, args.out, filming, force=args.force, copy_video=args.copy_video, progress=progress)
    if (n_melts := teach_shelf(recording, inputs.job)) and not args.json:
        say(f"kept for the next jobs with this nozzle, sights of melts: {n_melts}")
    tell(recording, inputs.job, args.json)
    return exit_code(recording)


def run_export(args: argparse.Namespace) -> int:
    """plumeline export"""
    from monitor.recording.export import export_csv, export_parquet

    recording = open_recording(args.recording)
    tell_alterations(recording)
    folder = Path(args.out) if args.out else recording.folder
    written = export_csv(recording, folder) if args.format in ("csv", "both") else ()
    written += export_parquet(recording, folder) if args.format in ("parquet", "both") else ()
    for path in written:
        say(str(path))
    return 0


def run_report(args: argparse.Namespace) -> int:
    """plumeline report"""
    recording = open_recording(args.recording)
    tell_alterations(recording)
    is_pdf = args.pdf or (args.out or "").lower().endswith(".pdf")
    path = Path(args.out) if args.out else recording.folder / ("report.pdf" if is_pdf else "report.html")
    if is_pdf:
        from monitor.ui.review_report import write_pdf

        say(str(write_pdf(recording, path, args.page)))
    else:
        from monitor.review.report import write_report

        say(str(write_report(recording, path)))
    return 0


def run_overlay(args: argparse.Namespace) -> int:
    """plumeline overlay"""
    from monitor.review.overlay import write_overlay

    recording = open_recording(args.recording)
    tell_alterations(recording)
    with progress_bar("drawing") as progress:
        path = write_overlay(recording, Path(args.out) if args.out else recording.folder / "overlay.mp4", progress)
    say(str(path))
    return 0


def run_rerun(args: argparse.Namespace) -> int:
    """plumeline rerun"""
    from monitor.engine.rerun import calibration_of, rerun
    from monitor.engine.teaching import recording_key
    from monitor.heat.shelf import heat_calibration
    from monitor.job import load_job, parse_job
    from monitor.judging.exposure import heat_setup
    from monitor.review.whatif import MOST_HIGHER_MM

    recording = open_recording(args.recording)
    tell_alterations(recording)
    if args.job is None and not args.higher_mm:
        raise InputError("plumeline rerun: name another job with --job, or a height with --higher-mm")
    if abs(args.higher_mm) > MOST_HIGHER_MM:
        raise InputError(f"--higher-mm {args.higher_mm:g}: expected -{MOST_HIGHER_MM:g} to {MOST_HIGHER_MM:g} mm")
    text = recording.job_text if args.job is None else read_text(Path(args.job), "job file (TOML)", InputError)
    job = parse_job(text, str(recording.folder)) if args.job is None else load_job(args.job)
    keeps_own = args.heat is None and calibration_of(recording) is not None
    again = rerun(recording, job, text, args.out, force=args.force, higher_mm=args.higher_mm,
                  calibration="own" if keeps_own else heat_calibration(args.heat, heat_setup(job),
                                                                       recording_key(recording)))
    tell(again, job, args.json)
    return exit_code(again)


def run_review(args: argparse.Namespace) -> int:
    """plumeline review"""
    from monitor.ui.review_window import show_review

    if args.recording is not None:
        open_recording(args.recording)  # a fault is said here, in one line, before a window comes up
    return show_review(Path(args.recording) if args.recording is not None else None, args.theme,
                       args.language)
