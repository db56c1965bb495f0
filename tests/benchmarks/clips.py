"""Runs every recording of a folder from its calibration photographs to its exported track.

usage: python -m tests.benchmarks.clips CLIPS OUT [NAME ...]

CLIPS holds one folder a recording (scene.toml, clip.mp4, camera/, touch/); OUT gets one folder of the same name with
camera.toml, nozzle.toml, job.toml, the recording, track.csv and warnings.csv. Ground truth is never opened.
"""

from __future__ import annotations

import shutil
import sys
import time
import tomllib
from pathlib import Path

import numpy as np

from monitor.engine.analyse import analyse, read_inputs
from monitor.job import write_job
from monitor.recording.export import export_csv
from monitor.setup.nozzle import calibrate_nozzle
from tests.benchmarks.command import command
from tests.benchmarks.scene import job_from_scene
from vision.calibrate.lens import CharucoTarget, calibrate_camera
from vision.calibrate.nozzle_file import save_nozzle
from vision.camera.model import save_camera


def run_clip(clip: Path, out: Path) -> dict[str, float]:
    """Calibrate, analyse and export one recording; seconds spent on each."""
    out.mkdir(parents=True, exist_ok=True)
    scene = tomllib.loads((clip / "scene.toml").read_text(encoding="utf-8"))
    views = scene["calibration_views"]
    target = CharucoTarget(tuple(views["squares"]), views["square_mm"], views["marker_mm"], views["dictionary"])
    spent, start = {}, time.perf_counter()

    def lap(name: str) -> None:
        nonlocal start
        spent[name], start = time.perf_counter() - start, time.perf_counter()

    camera = calibrate_camera(sorted((clip / "camera").glob("*.jpg")), target).camera
    save_camera(out / "camera.toml", camera)
    lap("camera")
    job = job_from_scene(scene)
    write_job(job, out / "job.toml")
    nozzle = calibrate_nozzle(clip / "touch", job, camera)
    save_nozzle(out / "nozzle.toml", nozzle)
    lap("nozzle")
    inputs = read_inputs(clip / scene["clip"], out / "job.toml", out / "camera.toml", out / "nozzle.toml")
    recording = analyse(inputs, out / "recording", force=True)
    lap("analyse")
    export_csv(recording, out / "export")
    for name in ("track.csv", "warnings.csv"):
        shutil.copyfile(out / "export" / name, out / name)
    print(f"{clip.name}: f {camera.focal_px:.1f} px, nozzle in {nozzle.n_photos} photographs, heights met within "
          f"{nozzle.height_error_rms_mm:.2f} mm; " + ", ".join(f"{k} {v:.0f} s" for k, v in spent.items()), flush=True)
    return spent


def main(arguments: list[str]) -> int:
    """Run all recordings, or the named ones; one that fails does not stop the rest."""
    clips, out, names = Path(arguments[0]), Path(arguments[1]), arguments[2:]
    failed = 0
    for scene in sorted(clips.glob("*/scene.toml")):
        if names and scene.parent.name not in names:
            continue
        try:
            run_clip(scene.parent, out / scene.parent.name)
        except Exception as fault:
            failed += 1
            print(f"{scene.parent.name}: {type(fault).__name__}: {fault}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    np.seterr(all="warn")
    sys.exit(command(main, __doc__, 2))
