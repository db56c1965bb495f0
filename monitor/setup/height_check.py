"""One live picture of the nozzle on a known block against what is measured, and the history of such checks."""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from monitor.errors import InputError, MonitorError
from monitor.files import read_text, write_text_whole
from monitor.job import Job
from monitor.judging.tracking import bench_relief, nozzle_body, nozzle_for
from monitor.setup.trust import Verdict, gauge_verdict, trust_sentence
from vision.calibrate.gauge import GaugeMiss, read_gauge
from vision.calibrate.nozzle_file import load_nozzle
from vision.camera.model import CameraModel
from vision.track.find import Sought
from vision.types import BenchPose

__all__ = ["Checked", "check_height", "read_checks", "trust_told", "write_check"]

COLUMNS = ("made_utc", "known_mm", "difference_mm", "sigma_mm", "agrees")
WHAT = "history of checks"


@dataclass(frozen=True)
class Checked:
    """One check: when, the block's height, measured minus known, its 1 sigma [mm], and whether it agreed."""

    made_utc: str
    known_mm: float
    difference_mm: float
    sigma_mm: float
    agrees: bool


def check_height(image: np.ndarray, bench: BenchPose, camera: CameraModel, nozzle: Path, job: Job,
                 known_mm: float, told: Callable[[float], None] = lambda share: None) -> Verdict:
    """Measure the nozzle that stands on a block upon the board; InputError with the reason when it cannot be.

    `told` takes the share that is done.
    """
    told(0.1)
    found = nozzle_for(camera, nozzle, job)
    light = found.bench_light()
    if light is None or light.shape != image.shape:
        raise InputError("the nozzle calibration has no bench picture of this camera beside it: calibrate the nozzle "
                         "again")
    if found.bench_pose is not None:
        light = bench_relief(camera, job).warped(light, found.bench_pose, bench.cam_from_bench)
    sought = Sought(camera, nozzle_body(job), bench.cam_from_bench, job.board.top_height_mm, found.bias, found.holds)
    reading = read_gauge(sought, image, bench, light)
    if isinstance(reading, GaugeMiss):
        raise InputError(reading.reason)
    return gauge_verdict(np.array([reading.height_mm]), np.array([reading.sigma_mm]), known_mm)


def trust_told(nozzle: Path, camera: CameraModel, job: Job, bench: BenchPose) -> str:
    """How good heights are at the job's target, and what would halve their spread, in one sentence."""
    place = np.array([*np.mean(job.target.outline_mm, axis=0), job.board.top_height_mm])
    return trust_sentence(load_nozzle(nozzle), camera, nozzle_body(job), bench.cam_from_bench, place)


def write_check(path: Path, verdict: Verdict, known_mm: float) -> None:
    """Add a check to the history, of which every line stays; InputError when what is there cannot be read."""
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    before = read_text(path, WHAT, InputError) if path.exists() else ",".join(COLUMNS)
    row = now, f"{known_mm:g}", f"{verdict.difference_mm:.3f}", f"{verdict.sigma_mm:.3f}", str(int(verdict.agrees))
    write_text_whole(path, "\n".join((before.rstrip("\n"), ",".join(row), "")))


def read_checks(path: Path) -> list[Checked]:
    """The history, oldest first; lines that cannot be read are left out."""
    try:
        rows = list(csv.DictReader(io.StringIO(read_text(path, WHAT, InputError), newline="")))
    except (MonitorError, OSError, csv.Error):
        return []
    found = []
    for row in rows:
        try:
            known, difference, sigma = (float(row[name]) for name in COLUMNS[1:4])
            found.append(Checked(str(row["made_utc"]), known, difference, sigma, row["agrees"] == "1"))
        except (KeyError, TypeError, ValueError):
            continue
    return found
