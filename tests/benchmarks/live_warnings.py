"""Compares the live path's warnings with those of `analyse` on recordings that the clips benchmark has prepared.

usage: .venv/bin/python -m tests.benchmarks.live_warnings CLIPS OUT [NAME ...]

OUT is what `tests.benchmarks.clips CLIPS OUT` wrote: job and calibrations are taken from there. Each clip is analysed,
and goes through the live engine frame by frame, so that nothing is dropped; the live path's tables go to OUT/live/NAME,
for the clips' score.
"""

from __future__ import annotations

import shutil
import sys
import tomllib
from pathlib import Path

from monitor.engine.analyse import analyse, read_inputs
from monitor.judging.alerts import EQUIPMENT
from monitor.judging.tracking import make_tracker
from monitor.recording.export import export_csv
from monitor.recording.reader import open_recording
from tests.benchmarks.command import command
from tests.engine.make import run_lockstep


def main(arguments: list[str]) -> int:
    """Print one line a clip; 1 when any differ."""
    clips, out, names = Path(arguments[0]), Path(arguments[1]), arguments[2:]
    n_different = 0
    for folder in sorted(p.parent for p in out.glob("*/nozzle.toml") if p.parent.parent.name != "live"):
        if names and folder.name not in names:
            continue
        n_different += not _same(clips / folder.name, folder, out / "live" / folder.name)
    return 1 if n_different else 0


def _same(clip: Path, prepared: Path, live_out: Path) -> bool:
    video = clip / tomllib.loads((clip / "scene.toml").read_text(encoding="utf-8"))["clip"]
    inputs = read_inputs(video, prepared / "job.toml", prepared / "camera.toml", prepared / "nozzle.toml")
    shutil.rmtree(live_out, ignore_errors=True)
    live_out.parent.mkdir(parents=True, exist_ok=True)
    live = open_recording(run_lockstep(inputs, video, make_tracker(inputs.camera, inputs.nozzle_path, inputs.job),
                                       live_out))
    export_csv(live, live.folder)
    ours, theirs = _told(live), _told(analyse(inputs, live_out.with_name(f"{clip.name}_analysed"), force=True))
    step_s = live.frames["dt_s"][1:].mean()
    late = [abs(a[2] - b[2]) for a, b in zip(ours, theirs, strict=False)]
    is_same = [w[:2] for w in ours] == [w[:2] for w in theirs] and all(d <= step_s + 1e-6 for d in late)
    print(f"{clip.name}: live {[(k, round(t, 2)) for k, _, t in ours]}, analyse "
          f"{[(k, round(t, 2)) for k, _, t in theirs]}: "
          f"{'same' if is_same else 'DIFFERENT'}", flush=True)
    return is_same


def _told(recording) -> list[tuple[str, str, float]]:
    return [(w["kind"], w["region"], w["t_start_s"]) for w in recording.warnings if w["kind"] not in EQUIPMENT
            or w["kind"] == "not_seen"]


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
