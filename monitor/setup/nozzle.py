"""A nozzle's calibration from a folder of touch photographs and the table of their heights."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np

from monitor.errors import InputError
from monitor.files import read_table
from monitor.job import Job
from monitor.judging.tracking import bench_relief, nozzle_body
from monitor.plain import plain
from vision.bench.follower import bench_pose
from vision.bench.mat import standard_mat
from vision.calibrate.nozzle_file import NozzleCalibration
from vision.calibrate.touch import TouchPhoto, calibrate_edges
from vision.camera.model import CameraModel
from vision.camera.sources import brightness, read_photo
from vision.types import BenchPose, Frame, PoseMiss

__all__ = ["calibrate_nozzle", "read_seen", "touch_photo", "touch_rows"]

HEIGHTS = "heights.csv"


def calibrate_nozzle(folder: Path, job: Job, camera: CameraModel,
                     progress: Callable[[float, float], None] = lambda done, whole: None) -> NozzleCalibration:
    """Learn a nozzle's edges from touch photographs.

    Parameters
    ----------
    folder : Path
        Photographs and heights.csv with columns file, over ("board" or "mat"), height_above_it_mm.

    Raises
    ------
    InputError, VisionError
        One line naming the file, and the row or photograph.
    """
    photos = [touch_photo(folder, row, i, job, camera) for i, row in enumerate(touch_rows(folder), 2)]
    result = calibrate_edges(camera, nozzle_body(job), photos, progress, bench_relief(camera, job))
    # linear light back to the picture's grey levels (IEC 61966-2-1), so that the file opens as a photograph
    light = np.clip(result.bench, 0.0, 1.0)
    grey = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    errors = result.height_error_mm
    return NozzleCalibration(
        camera.calibration_id, job.nozzle.outer_diameter_mm, job.nozzle.bend_deg, result.bias,
        float(np.sqrt(np.mean(errors**2))) if len(errors) else math.nan, len(result.used),
        np.round(grey * 255).astype(np.uint8), result.bench_pose, result.holds, result.metal_appearance)


def touch_rows(folder: Path) -> list[dict[str, str]]:
    """The table of heights in a folder of touch photographs."""
    path = folder / HEIGHTS
    rows = read_table(path, ("file", "over", "height_above_it_mm"),
                      "table of photographs (CSV) with columns file, over, "
                      "height_above_it_mm", InputError)
    if not rows:
        raise InputError(f"{path}: lists no photographs")
    return rows


def touch_photo(folder: Path, row: dict[str, str], line: int, job: Job, camera: CameraModel) -> TouchPhoto:
    """The photograph that a row of the table names; `line` is the row's in the file, for faults."""
    where = f"{folder / HEIGHTS}: line {line}"
    if row["over"] not in ("board", "mat"):
        raise InputError(f"{where}: over must be board or mat, got {row['over']!r}")
    try:
        height = float(row["height_above_it_mm"])
    except (TypeError, ValueError):
        height = math.nan
    if not 0 <= height <= 200:
        raise InputError(f"{where}: height_above_it_mm must be a number from 0 to 200, got "
                         f"{row['height_above_it_mm']!r}")
    photo = folder / row["file"]
    if photo.resolve().parent != folder.resolve() or photo.is_symlink():
        raise InputError(f"{where}: file {plain(row['file'])!r} lies elsewhere; photographs lie beside the table")
    image, pose = read_seen(photo, camera)
    surface = job.board.top_height_mm if row["over"] == "board" else 0.0
    return TouchPhoto(image, pose.cam_from_bench, surface, height, row["file"])


def read_seen(path: Path, camera: CameraModel) -> tuple[np.ndarray, BenchPose]:
    """A photograph and where the bench is in it."""
    image = read_photo(path)
    camera.check_picture(image.shape[1], image.shape[0], str(path))
    pose = bench_pose(camera, standard_mat(), brightness(Frame(0, 0.0, image)))
    if isinstance(pose, PoseMiss):
        raise InputError(f"{path}: the bench mat is not seen ({pose.reason}); take it again with the markers in view")
    return image, pose
