"""Analyses benchmark recordings: python -m tests.benchmarks.clips CLIPS OUT.

CLIPS holds one folder a recording (scene.toml, clip, camera/, touch/) as the sample folders do; OUT gets a folder of the
same name with track.csv and warnings.csv. Cameras and nozzles are calibrated from their photographs; the truth is never
opened here.
"""

from __future__ import annotations

import argparse
import sys
import time
import tomllib
from pathlib import Path

from monitor.analyse import analyse, read_inputs
from monitor.calibrate_commands import calibrate_nozzle
from monitor.errors import MonitorError
from monitor.export import export_csv
from monitor.job import write_job
from tests.benchmarks.scene import job_from_scene
from vision.calibrate import CharucoTarget, calibrate_camera
from vision.camera import save_camera
from vision.errors import VisionError
from vision.nozzle_file import save_nozzle

__all__ = ["main", "analyse_folder"]


def main() -> int:
    """Analyse every recording; one that fails does not stop the rest."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.clips", description=__doc__.splitlines()[0])
    parser.add_argument("clips", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--only", nargs="*", help="names of recordings")
    args = parser.parse_args()
    failed = 0
    for scene in sorted(args.clips.glob("*/scene.toml")):
        if args.only and scene.parent.name not in args.only:
            continue
        try:
            print(analyse_folder(scene.parent, args.out / scene.parent.name), flush=True)
        except (MonitorError, VisionError) as fault:
            failed += 1
            print(f"{scene.parent.name}: {fault}", file=sys.stderr, flush=True)
    return 1 if failed else 0


def analyse_folder(folder: Path, out: Path) -> str:
    """Calibrate, analyse and export one recording; gives a line on what it took."""
    scene = tomllib.loads((folder / "scene.toml").read_text(encoding="utf-8"))
    made = out.parent / f"{folder.name}_inputs"
    made.mkdir(parents=True, exist_ok=True)
    job = job_from_scene(scene)
    write_job(job, made / "job.toml")
    started = time.perf_counter()
    camera = _camera(folder, scene)
    save_camera(made / "camera.toml", camera)
    save_nozzle(made / "nozzle.toml", calibrate_nozzle(folder / "touch", job, camera))
    calibrated = time.perf_counter()
    inputs = read_inputs(folder / scene["clip"], made / "job.toml", made / "camera.toml", made / "nozzle.toml")
    recording = analyse(inputs, out, force=True)
    export_csv(recording, out)
    spent = time.perf_counter() - calibrated
    n = len(recording.frames["t_s"])
    return (f"{folder.name}: calibrated in {calibrated - started:.0f} s, {n} frames in {spent:.0f} s "
            f"({1000 * spent / n:.0f} ms a frame with everything), seen in {100 * recording.frames['seen'].mean():.0f} %")


def _camera(folder: Path, scene: dict):
    views = scene["calibration_views"]
    target = CharucoTarget(tuple(views["squares"]), views["square_mm"], views["marker_mm"], views["dictionary"])
    return calibrate_camera(sorted((folder / "camera").glob("*.jpg")), target).camera


if __name__ == "__main__":
    sys.exit(main())
