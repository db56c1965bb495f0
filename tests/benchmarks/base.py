"""Time and steadiness of what measuring stands on: decoding, the bench pose, the board.

usage: python -m tests.benchmarks.base CLIPS [CLIP ...]

CLIPS holds one folder a clip (clip.mp4, scene.toml, camera/*.jpg). For each: calibrates the camera, then prints per
frame the time of decoding alone, of the bench pose, of the board's check, and of a full search for markers; and how
much the bench height of a point over the target scatters. One core; wall clock, so let the machine rest.
"""

from __future__ import annotations

import sys
import time
import tomllib
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.command import command
from vision import rigid
from vision.bench.board import BoardFollower
from vision.bench.follower import BenchFollower, find_markers
from vision.bench.mat import load_mat
from vision.calibrate.lens import CharucoTarget, calibrate_camera
from vision.camera.sources import brightness, open_video
from vision.types import BenchPose


def main(arguments: list[str]) -> int:
    """Print one line a clip."""
    cv2.setNumThreads(1)
    folder = Path(arguments[0])
    names = arguments[1:] or sorted(p.parent.name for p in folder.glob("*/clip.mp4"))
    print(f"{'clip':6}{'size':>11}{'f sigma %':>10} |{'decode':>8}{'bench':>8}{'p95':>7}{'board*':>8}{'search':>8} ms |"
          f"{'scatter of height um':>22}{'no pose':>9}")
    for name in names:
        print(_line(folder / name, load_mat(folder / "mat.toml")), flush=True)
    print("* every third of a second only")
    return 0


def _line(clip: Path, mat) -> str:
    scene = tomllib.loads((clip / "scene.toml").read_text())
    views = scene["calibration_views"]
    target = CharucoTarget(tuple(views["squares"]), views["square_mm"], views["marker_mm"], views["dictionary"])
    found = calibrate_camera(sorted((clip / "camera").glob("*.jpg")), target)
    over = np.array([*np.mean(scene["target_mm"], 0), scene["board_top_mm"] + 10.0])
    bench, board = BenchFollower(found.camera, mat), BoardFollower(found.camera, scene["board_top_mm"], over[:2])
    spent: dict[str, list[float]] = {"decode": [], "bench": [], "board": [], "search": []}
    heights, missed, first = [], 0, None
    with open_video(clip / "clip.mp4") as video:
        frames = iter(video)
        while (frame := _timed(spent["decode"], lambda: next(frames, None))) is not None:
            pose, _ = _timed(spent["bench"], lambda: bench.step(frame))
            if not isinstance(pose, BenchPose):
                missed += 1
                continue
            first = rigid.apply(pose.cam_from_bench, over) if first is None else first
            heights.append(rigid.apply(rigid.inverse(pose.cam_from_bench), first)[2])
            _timed(spent["board"], lambda: board.step(frame, pose))
            if frame.index % 40 == 0:
                _timed(spent["search"], lambda: find_markers(brightness(frame), mat))
    ms = {key: 1e3 * np.array(times[1:]) for key, times in spent.items()}
    worked = ms["board"][ms["board"] > 0.5]
    size = f"{video.size_px[0]}x{video.size_px[1]}"
    return (f"{clip.name:6}{size:>11}{100 * found.verdict.focal_sigma_share:10.3f} |{np.median(ms['decode']):8.2f}"
            f"{np.median(ms['bench']):8.2f}{np.percentile(ms['bench'], 95):7.2f}{np.median(worked):8.2f}"
            f"{np.median(ms['search']):8.1f} ms |"
            f"{1e3 * np.std(heights):22.1f}{missed:9d}")


def _timed(into: list[float], job):
    start = time.perf_counter()
    out = job()
    into.append(time.perf_counter() - start)
    return out


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 1))
