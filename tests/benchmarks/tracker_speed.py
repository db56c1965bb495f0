"""Time that measuring the nozzle takes per frame, beside decoding and a full search for markers.

usage: python -m tests.benchmarks.tracker_speed CLIPS OUT [NAME ...]

OUT is what tests.benchmarks.clips wrote for CLIPS (camera.toml, nozzle.toml, job.toml per recording). One core; wall
clock, so let the machine rest. `follow` counts the frames in which the tool was measured, `all` every frame, those in
which it was searched for included.
"""

from __future__ import annotations

import sys
import time
import tomllib
from pathlib import Path

import cv2
import numpy as np

from monitor.job import load_job
from monitor.judging.tracking import make_tracker
from tests.benchmarks.command import command
from vision.bench.follower import find_markers
from vision.bench.mat import load_mat
from vision.camera.model import load_camera
from vision.camera.sources import brightness, open_video
from vision.types import TrackStatus


def main(arguments: list[str]) -> int:
    """Print one line a clip."""
    cv2.setNumThreads(1)
    clips, out = Path(arguments[0]), Path(arguments[1])
    mat = load_mat(clips / "mat.toml")
    print(f"{'clip':6}{'size':>12}{'decode':>8}{'search':>8} |{'follow':>8}{'p95':>8}{'all':>8}{'p95':>8} ms a frame |"
          f"{'follow/decode':>14}{'search/follow':>14}")
    for name in arguments[2:] or sorted(p.parent.name for p in clips.glob("*/clip.mp4")):
        print(_line(clips / name, out / name, mat), flush=True)
    return 0


def _line(clip: Path, out: Path, mat) -> str:
    scene = tomllib.loads((clip / "scene.toml").read_text(encoding="utf-8"))
    camera, job = load_camera(out / "camera.toml"), load_job(out / "job.toml")
    tracker = make_tracker(camera, out / "nozzle.toml", job)
    decode, follow, every, search = [], [], [], []
    with open_video(clip / scene["clip"]) as video:
        frames = iter(video)
        while True:
            start = time.perf_counter()
            frame = next(frames, None)
            if frame is None:
                break
            decode.append(time.perf_counter() - start)
            start = time.perf_counter()
            seen = tracker.step(frame)
            every.append(time.perf_counter() - start)
            if seen.track.status is TrackStatus.TRACKING:
                follow.append(every[-1])
            if frame.index % 20 == 0:
                start = time.perf_counter()
                find_markers(brightness(frame), mat)
                search.append(time.perf_counter() - start)
    d, s, f, e = (1e3 * float(np.median(v)) for v in (decode, search, follow, every))
    f95, e95 = (1e3 * float(np.percentile(v, 95)) for v in (follow, every))
    size = "x".join(map(str, camera.image_size_px))
    return (f"{clip.name:6}{size:>12}{d:8.1f}{s:8.1f} |{f:8.1f}{f95:8.1f}{e:8.1f}{e95:8.1f}            |"
            f"{f / d:14.2f}{s / f:14.2f}")


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
