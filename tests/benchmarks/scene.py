"""What stands beside a benchmark recording: a job from its scene.toml, its touch photographs, and its truth."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from monitor.job import Job, load_job
from monitor.judging.tracking import nozzle_body
from monitor.setup.nozzle import touch_photo, touch_rows
from vision.calibrate.nozzle_file import load_nozzle
from vision.calibrate.touch import TouchPhoto, _plane
from vision.camera.model import load_camera
from vision.fit.pose import Picture
from vision.track.find import Sought

__all__ = ["job_from_scene", "read_truth", "touch_pictures"]


def read_truth(clip: Path) -> dict[str, np.ndarray]:
    """Columns of a recording's truth.csv, a row a frame; nan where a field is empty."""
    with (clip / "truth.csv").open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    return {name: np.array([float(r[name] or "nan") for r in rows]) for name in rows[0]}


def touch_pictures(clip: Path, out: Path) -> Iterator[tuple[TouchPhoto, Picture, tuple, Sought]]:
    """Each touch photograph of a recording, before the bench of the nozzle's calibration in `out`; the plane that the
    outlet stands on, as `fit_pose` takes it; and what is looked for in it."""
    job, camera = load_job(out / "job.toml"), load_camera(out / "camera.toml")
    nozzle = load_nozzle(out / "nozzle.toml")
    body, bench = nozzle_body(job), nozzle.bench_light()
    known = np.full(bench.shape[:2], 255, np.uint8)
    for line, row in enumerate(touch_rows(clip / "touch"), 2):
        photo = touch_photo(clip / "touch", row, line, job, camera)
        yield (photo, Picture(photo.image, bench, known), _plane(photo),
               Sought(camera, body, photo.cam_from_bench, photo.surface_mm, nozzle.bias, nozzle.holds))


def job_from_scene(scene: dict[str, Any]) -> Job:
    """The job that a person at that bench would have written."""
    nozzle = {key: scene["nozzle"][key] for key in (
        "outer_diameter_mm", "bore_diameter_mm", "tube_length_mm", "profile_mm", "handle_mm", "bend_deg")}
    data = {
        "title": f"benchmark recording {scene['name']}",
        "board": {"top_height_mm": scene["board_top_mm"]},
        "target": {"name": "target", "outline_mm": scene["target_mm"], "height_mm": scene["target_part_height_mm"]},
        "neighbour": [{"outline_mm": outline} for outline in scene["neighbours_mm"]],
        "solder": {"alloy": scene["solder"]["alloy"]},
        "nozzle": nozzle,
        "station": {"setpoint_c": scene["station"]["setpoint_c"], "airflow_l_min": scene["station"]["airflow_l_min"]},
        "limits": {"height_mm": scene["limits"]["height_mm"]},
    }
    return Job.model_validate(_tuples(data))


def _tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
