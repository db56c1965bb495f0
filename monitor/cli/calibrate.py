"""The work behind `plumeline calibrate`: the mat's print-out, the camera, the nozzle and its check, the heat."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from monitor.cli.output import progress_bar, say, tell_alterations
from monitor.errors import InputError
from monitor.files import read_table, write_bytes_whole
from monitor.job import Job, load_job
from monitor.judging.tracking import bench_relief, nozzle_body, nozzle_for
from monitor.recording.outputs import check_output
from monitor.setup.nozzle import calibrate_nozzle, read_seen, touch_photo, touch_rows
from monitor.setup.trust import OTHER_LOOK, gauge_verdict, trust_words
from vision.bench.mat import standard_mat
from vision.calibrate.nozzle_file import NozzleCalibration, picture_path, save_nozzle
from vision.camera.model import CameraModel, load_camera
from vision.track.metal import log_appearance_ratio
from vision.types import BenchPose, Frame

if TYPE_CHECKING:
    from vision.calibrate.gauge import GaugeReading

__all__ = ["run_camera", "run_check", "run_heat", "run_mat", "run_nozzle", "run_paper", "run_readout"]

def run_mat(args: argparse.Namespace) -> int:
    """plumeline calibrate mat"""
    from monitor.setup.paper import mat_pdf

    write_bytes_whole(Path(args.out), mat_pdf(standard_mat(), args.page))
    say(f"{args.out}: print at 100 % on {args.page} and check the 100 mm line with a ruler")
    return 0

LARGEST_LOGGED = 1e7  # s or C; a logger may count from its own start


def run_paper(args: argparse.Namespace) -> int:
    """plumeline calibrate paper"""
    from monitor.setup.camera_guide import LENS_BOARD
    from monitor.setup.paper import paper_pdf

    write_bytes_whole(Path(args.out), paper_pdf(standard_mat(), args.page))
    say(f"{args.out}: two sheets, the mat and the board for the lens ({LENS_BOARD.squares[0]}x{LENS_BOARD.squares[1]} "
        f"squares of {LENS_BOARD.square_mm:g} mm); print at 100 % on {args.page} and check the 100 mm lines with a "
        f"ruler")
    return 0


def run_nozzle(args: argparse.Namespace) -> int:
    """plumeline calibrate nozzle"""
    job, camera = load_job(args.job), load_camera(args.camera)
    check_output(picture_path(Path(args.out)), Path(args.touch).iterdir() if Path(args.touch).is_dir() else ())
    with progress_bar("fitting") as progress:
        found = calibrate_nozzle(Path(args.touch), job, camera, progress)
    save_nozzle(args.out, found)
    say(f"{args.out}: nozzle found in {found.n_photos} photographs; their heights are met within "
        f"{found.height_error_rms_mm:.2f} mm (rms)")
    first = touch_photo(Path(args.touch), touch_rows(Path(args.touch))[0], 2, job, camera)
    for line in trust_words(found, camera, nozzle_body(job), first.cam_from_bench, _work_place(job)):
        say(line)
    return 0


def run_check(args: argparse.Namespace) -> int:
    """plumeline calibrate check; 1 when the readings do not agree with the gauge"""
    job, camera = load_job(args.job), load_camera(args.camera)
    found = nozzle_for(camera, args.nozzle, job)
    readings, pose = _readings([Path(p) for p in args.photos], args.over, args.empty, job, camera, found)
    verdict = gauge_verdict(np.array([r.height_mm for r in readings]), np.array([r.sigma_mm for r in readings]),
                            args.height_mm)
    words = trust_words(found, camera, nozzle_body(job), pose.cam_from_bench, _work_place(job), verdict.sigma_mm)
    if any(log_appearance_ratio(r.metal_appearance, found.metal_appearance) < 0.0 for r in readings):
        words.append(OTHER_LOOK)
    if args.json:
        say(json.dumps(asdict(verdict) | {"heights_mm": [r.height_mm for r in readings],
                                          "sigmas_mm": [r.sigma_mm for r in readings], "trust": words}, indent=1))
    else:
        for line in (verdict.sentence, *words):
            say(line)
    return 0 if verdict.agrees else 1


def _readings(photos: list[Path], over: str, empty: str | None, job: Job, camera: CameraModel,
              found: NozzleCalibration) -> tuple[list[GaugeReading], BenchPose]:
    """What each photograph says, and the bench pose of the last."""
    from vision.calibrate.gauge import GaugeMiss, read_gauge
    from vision.edges.cuts import linear_light
    from vision.track.find import Sought

    bench, bench_pose = found.bench_light(), found.bench_pose
    if empty is not None:
        image, pose = read_seen(Path(empty), camera)
        bench, bench_pose = linear_light(image), pose.cam_from_bench
    if bench is None:
        raise InputError("the nozzle calibration has no bench picture beside it: take one photograph of the bench "
                         "without "
                         "the tool and name it with --empty")
    relief = bench_relief(camera, job)
    surface, readings = job.board.top_height_mm if over == "board" else 0.0, []
    for path in photos:
        image, pose = read_seen(path, camera)
        if image.shape != bench.shape:
            raise InputError(f"{empty or 'the bench picture beside the nozzle calibration'}: not of the same size as "
                             f"{path}")
        here = bench if bench_pose is None else relief.warped(bench, bench_pose, pose.cam_from_bench)
        sought = Sought(camera, nozzle_body(job), pose.cam_from_bench, surface, found.bias, found.holds)
        reading = read_gauge(sought, image, pose, here)
        if isinstance(reading, GaugeMiss):
            hint = "; name a photograph of it without the tool with --empty" if reading.is_bench_changed else ""
            raise InputError(f"{path}: {reading.reason}{hint}")
        readings.append(reading)
    return readings, pose


def _work_place(job: Job) -> np.ndarray:
    """Middle of the target on the board's top, bench frame [mm]."""
    return np.array([*np.mean(job.target.outline_mm, axis=0), job.board.top_height_mm])


def run_camera(args: argparse.Namespace) -> int:
    """plumeline calibrate camera"""
    from vision.calibrate.lens import CharucoTarget, calibrate_camera
    from vision.camera.model import save_camera

    target = CharucoTarget(args.squares, args.square_mm, args.marker_mm, args.dictionary)
    with progress_bar("reading") as progress:
        found = calibrate_camera([Path(p) for p in args.photos], target, progress=progress)
    save_camera(args.out, found.camera)
    say(f"{args.out}: {found.verdict.sentence()}")
    for name, reason in found.left_out.items():
        say(f"  left out {name}: {reason}")
    return 0


def run_readout(args: argparse.Namespace) -> int:
    """plumeline calibrate readout"""
    from vision.calibrate.readout import measure_readout
    from vision.camera.model import save_camera
    from vision.camera.sources import open_video

    camera = load_camera(args.camera)
    with open_video(args.video) as video, progress_bar("reading") as progress:
        camera.check_picture(*video.size_px, where=str(args.video))

        def frames() -> Iterator[Frame]:
            for frame in video:
                progress(frame.t_s, video.duration_s)
                yield frame

        found = measure_readout(frames(), camera, standard_mat())
    save_camera(args.out, replace(camera, readout_ms=1e3 * found.readout_s, readout_sigma_ms=1e3 * found.sigma_s))
    say(f"{args.out}: rows are read within {1e3 * found.readout_s:.1f} \u00b1 {1e3 * found.sigma_s:.1f} ms, from "
        f"{found.n_pictures} pictures")
    return 0


def run_heat(args: argparse.Namespace) -> int:
    """plumeline calibrate heat"""
    from monitor.engine.rerun import stored_inputs
    from monitor.heat.calibration import save_calibration
    from monitor.heat.chart import draw_residuals
    from monitor.heat.fit import fit_thermocouple
    from monitor.heat.shelf import keep
    from monitor.job import parse_job
    from monitor.judging.exposure import heat_setup
    from monitor.recording.reader import JOB, open_recording

    recording = open_recording(args.recording)
    tell_alterations(recording)
    job = parse_job(recording.job_text, str(recording.folder / JOB))
    times, temps = _log(Path(args.log), args.site)
    found = fit_thermocouple(heat_setup(job), stored_inputs(recording, job), times, temps, site=args.site)
    for line in found.report:
        say(line)
    picture = Path(args.plot) if args.plot else Path(args.out or args.recording).with_suffix(".residuals.png")
    draw_residuals(found, check_output(picture, [Path(args.log)]))
    say(f"{picture}: the log and the chain over time, and what is left between them")
    if args.out:
        save_calibration(found.calibration, Path(args.out))
        say(f"{args.out}: use it with --heat")
    else:
        say(f"{keep(found.calibration)}: used from now on for such a board with this nozzle and airflow")
    return 0


def _log(path: Path, sites: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Times and temperatures of a logger's file: columns t_s and temp_c, or t_s and one named for every site."""
    columns = ("temp_c",) if len(sites) == 1 else tuple(sites)
    rows = read_table(path, ("t_s", *columns), f"table (CSV) with columns t_s, {', '.join(columns)}", InputError)
    try:
        found = np.array([[float(row[c]) for c in ("t_s", *columns)] for row in rows], float)
    except ValueError as fault:
        raise InputError(f"{path}: a value is not a number ({fault})") from None
    found = found.reshape(-1, 1 + len(columns))
    rises = bool((np.diff(found[:, 0]) > 0).all())
    if not np.isfinite(found).all() or np.abs(found).max(initial=0.0) > LARGEST_LOGGED or not rises:
        raise InputError(f"{path}: times must rise, and all values be finite and in s and C")
    return found[:, 0], found[:, 1:]
