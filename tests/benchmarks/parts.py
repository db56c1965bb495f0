"""Watches the parts of every recording of a folder, by the way that ships, for `score_parts.py` beside the recordings.

usage: python -m tests.benchmarks.parts CLIPS OUT [NAME ...]

CLIPS holds one folder a recording as for tests.benchmarks.clips; each is calibrated (unless OUT/NAME has its
calibrations from an earlier run), analysed and exported into OUT/NAME, then OUT/NAME/parts.csv and
OUT/NAME/part_events.csv are written from the recording. Ground truth is never opened. An excursion that came back is
written as "moved"; what moved unmarked, under its place.
"""

from __future__ import annotations

import csv
import math
import sys
from pathlib import Path

from monitor.engine.analyse import analyse, read_inputs
from monitor.job import Job, load_job
from monitor.recording.reader import Recording, open_recording
from tests.benchmarks.clips import run_clip
from tests.benchmarks.command import command


def write_tables(recording: Recording, job: Job, out: Path) -> None:
    """The two tables; parts are named target, n1, n2, ... in the job's order."""
    names = {job.target.name: "target"} | {name: f"n{i}" for i, name in enumerate(job.neighbour_names, 1)}
    times = dict(zip(recording.frames["frame"].astype(int).tolist(), recording.frames["t_s"].tolist(), strict=True))
    rows = [
        (
            f"{times[row['frame']]:.6f}",
            names[name],
            *map(_text, (m[0], m[1], None if m[2] is None else math.degrees(m[2]), m[3])),
            "" if m[6] is None else m[6],
        )
        for row in recording.parts
        for name, m in row["motions"].items()
    ]
    _write(out / "parts.csv", ("t_s", "part", "dx_mm", "dy_mm", "yaw_deg", "sigma_mm", "present"), rows)
    events = [
        (f"{e['t_s']:.6f}", names.get(e["part"], e["part"]), "moved" if e["kind"] == "sprang_back" else e["kind"])
        for e in recording.part_events
    ]
    _write(out / "part_events.csv", ("t_s", "part", "kind"), events)


def main(arguments: list[str]) -> int:
    """All recordings, or the named ones."""
    clips, out, names = Path(arguments[0]), Path(arguments[1]), arguments[2:]
    for scene in sorted(clips.glob("*/scene.toml")):
        name = scene.parent.name
        if names and name not in names:
            continue
        if (out / name / "nozzle.toml").exists():
            inputs = read_inputs(
                scene.parent / "clip.mp4", *(out / name / f"{kind}.toml" for kind in ("job", "camera", "nozzle"))
            )
            recording = analyse(inputs, out / name / "recording", force=True)
        else:
            run_clip(scene.parent, out / name)
            recording = open_recording(out / name / "recording")
        write_tables(recording, load_job(out / name / "job.toml"), out / name)
        for e in recording.part_events:
            print(f"{name}: {e['part']} {e['kind']} from {e['t_start_s']:.2f} s, told at {e['t_s']:.2f} s")
        print(f"{name}: {len(recording.part_events)} part events", flush=True)
    return 0


def _text(value: float | None) -> str:
    return "" if value is None else f"{value:.5f}"


def _write(path: Path, header: tuple[str, ...], rows: list[tuple]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(rows)


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
