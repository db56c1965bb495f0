"""Builds the tracker for a job from its calibrations, and refuses ones that do not belong together."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from monitor.errors import InputError
from monitor.job import Job
from vision.bench.board import BoardFollower
from vision.bench.follower import BenchFollower
from vision.bench.mat import standard_mat
from vision.bench.warp import BenchRelief
from vision.calibrate.nozzle_file import NozzleCalibration, load_nozzle
from vision.camera.model import CameraModel
from vision.nozzle.body import NozzleBody, body_from_measures
from vision.parts.follower import PartFollower
from vision.parts.place import PartSpec
from vision.track.tracker import NozzleModel, Tracker

__all__ = ["bench_relief", "make_part_follower", "make_tracker", "nozzle_body", "nozzle_for"]


def make_tracker(camera: CameraModel, nozzle: str | Path, job: Job, waits: bool = True) -> Tracker:
    """A tracker for one camera and the job's nozzle, `waits` as `Tracker` has it; refuses as `nozzle_for` does."""
    found = nozzle_for(camera, nozzle, job)
    model = NozzleModel(nozzle_body(job), found.bias, found.bench_light(), found.bench_pose, found.holds,
                        found.metal_appearance)
    tracker = Tracker(camera, BenchFollower(camera, standard_mat()), model, job.board.top_height_mm,
                      _board_follower(camera, job), waits)
    tracker.warm_up()
    return tracker


def make_part_follower(camera: CameraModel, job: Job) -> PartFollower:
    """Watches the job's target and the neighbours on the board's top side, under their names in the job, and what
    small things lie within a nozzle's width of the target.
    """
    target = PartSpec(job.target.name, np.array(job.target.outline_mm), job.target.height_mm)
    neighbours = [PartSpec(name, np.array(region.outline_mm), region.height_mm)
                  for name, region in zip(job.neighbour_names, job.neighbour, strict=True) if region.side == "top"]
    follower = PartFollower(camera, job.board.top_height_mm, target, neighbours, job.nozzle.outer_diameter_mm)
    follower.warm_up()
    return follower


def bench_relief(camera: CameraModel, job: Job) -> BenchRelief:
    """The mat with the job's board on it."""
    return BenchRelief(camera, job.board.top_height_mm, _board_follower(camera, job))


def _board_follower(camera: CameraModel, job: Job) -> BoardFollower:
    return BoardFollower(camera, job.board.top_height_mm, np.mean(job.target.outline_mm, axis=0))


def nozzle_for(camera: CameraModel, nozzle: str | Path, job: Job) -> NozzleCalibration:
    """The nozzle calibration in a file.

    Raises
    ------
    InputError
        When it is of another camera or nozzle.
    """
    found = load_nozzle(nozzle)
    if found.camera_id != camera.calibration_id:
        raise InputError(f"{nozzle}: camera_id: made with another camera calibration ({found.camera_id}, this one is "
                         f"{camera.calibration_id}); calibrate the nozzle again with this camera")
    measures = job.nozzle
    if abs(found.outer_diameter_mm - measures.outer_diameter_mm) > 0.02 * measures.outer_diameter_mm + 0.05 \
            or abs(found.bend_deg - measures.bend_deg) > 1.0:
        raise InputError(f"{nozzle}: outer_diameter_mm, bend_deg: calibrated for a nozzle of "
                         f"{found.outer_diameter_mm:g} mm "
                         f"and {found.bend_deg:g} degrees, but the job's is {measures.outer_diameter_mm:g} mm and "
                         f"{measures.bend_deg:g} degrees")
    return found


def nozzle_body(job: Job) -> NozzleBody:
    """The job's calliper measures as a body."""
    n = job.nozzle
    return body_from_measures(list(n.profile_mm), list(n.handle_mm), n.bend_deg, n.tube_length_mm)
