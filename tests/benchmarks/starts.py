"""Clips begun at other pictures, forwards and backwards: how often a start leads the track astray.

usage: python -m tests.benchmarks.starts CLIPS OUT [NAME ...]

OUT as tests.benchmarks.clips wrote it. A tool comes in once a clip, and only once is not often enough to judge by: so
each clip is also begun some pictures later, and played from its end, which is another recording to the tracker. Prints
for each run the share of frames in which the nozzle is seen of those in which it is in view, the errors of the heights
that were told, how many of them lie inside their 90 % interval, and how many are off by more than three sigmas; then
the same of all runs of a clip.
"""

from __future__ import annotations

import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.job import load_job
from monitor.judging.tracking import make_tracker
from tests.benchmarks.command import command
from tests.benchmarks.scene import read_truth
from vision.camera.model import load_camera
from vision.camera.sources import open_video
from vision.types import TrackStatus

STARTS = (("forwards", 0), ("forwards", 3), ("forwards", 7), *(("backwards", n) for n in (0, 2, 4, 6, 9, 12)))
_TOLD = TrackStatus.TRACKING, TrackStatus.COASTING
_SEEN = *_TOLD, TrackStatus.VAGUE


def main(arguments: list[str]) -> int:
    """Print a line a run and one a clip."""
    clips, out = map(Path, arguments[:2])
    for folder in sorted(job.parent for job in out.glob("*/job.toml")):
        if arguments[2:] and folder.name not in arguments[2:]:
            continue
        clip = clips / folder.name
        scene = tomllib.loads((clip / "scene.toml").read_text(encoding="utf-8"))
        with open_video(clip / scene["clip"]) as video:
            frames = list(video)
        runs = [_run(folder, frames, read_truth(clip), *start) for start in STARTS]
        for start, run in zip(STARTS, runs, strict=True):
            print(f"{folder.name} {start[0]} from {start[1]}: {_line(*run)}", flush=True)
        print(f"{folder.name} all: {_line(*map(np.concatenate, zip(*runs, strict=True)))}", flush=True)
    return 0


def _run(folder: Path, frames, truth, way: str, first: int):
    """Of each frame with the nozzle in view: whether it is seen, the height's error [mm] and that in sigmas, nan where
    not told.
    """
    job = load_job(folder / "job.toml")
    tracker = make_tracker(load_camera(folder / "camera.toml"), folder / "nozzle.toml", job)
    rows = []
    for index, frame in enumerate((frames if way == "forwards" else frames[::-1])[first:]):
        at = np.abs(truth["t_s"] - frame.t_s).argmin()
        t_s = frame.t_s if way == "forwards" else frames[-1].t_s - frame.t_s
        track = tracker.step(replace(frame, index=index, t_s=t_s)).track
        off = track.tip_mm[2] - job.board.top_height_mm - truth["height_mm"][at] if track.status in _TOLD else np.nan
        if truth["in_view"][at] and not truth["hidden"][at]:
            rows.append((track.status in _SEEN, off, off / np.sqrt(track.cov[2, 2])))
    return tuple(np.array(rows).T)


def _line(seen, off, sigmas) -> str:
    told = np.isfinite(off)
    return (f"seen {100 * seen.mean():5.1f} %, told {100 * told.mean():3.0f} %, rms "
            f"{np.sqrt(np.mean(off[told] ** 2)):.2f} mm, "
            f"inside {100 * np.mean(np.abs(sigmas[told]) < 1.645):3.0f} %, beyond 3 sigmas "
            f"{np.sum(np.abs(sigmas[told]) > 3):3d} of {told.sum()}")


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
