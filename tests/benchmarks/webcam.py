"""Errors through what real webcams do to a picture, over those through an ideal one.

usage: python -m tests.benchmarks.webcam [FRAMES]

Drawn recordings (tests.vision.drawn_webcam): a hand strokes over the mat at up to 100 mm/s; rows read one after the
other, stripes of a lamp on the mains, an exposure that steps, a focus that breathes by 0.5 %; the camera's readout is
as `calibrate readout` would have it, but where it says `not told`. Each error (rms of height, of the way across, of the
lean) over that of an ideal camera whose shutter is open as long; and the mean square of heights' errors over their
sigmas. FRAMES of each recording, 45 if not given.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from tests.benchmarks.command import command
from tests.vision.drawn import CAMERA
from tests.vision.drawn_tool import TOOL
from tests.vision.drawn_webcam import CAM_FROM_BENCH, Webcam, bench_light, frames, tool_in_bench
from vision.bench.follower import BenchFollower
from vision.bench.mat import standard_mat
from vision.fit.bias import DEFAULT_BIAS, EdgeBias
from vision.nozzle.body import ToolPose, hold_of
from vision.track.tracker import NozzleModel, Tracker
from vision.types import TrackStatus

EDGES = {key: EdgeBias(0.0, 0.1) for key in DEFAULT_BIAS}
RECORDINGS = 3  # of each webcam
SHORT_S = 0.004  # a shutter open so briefly shows stripes; over 10 ms they would even out
WEBCAMS = {
    "rows within 16 ms": Webcam(readout_s=0.016),
    "rows within 33 ms": Webcam(readout_s=0.033),
    "rows at once, not told": Webcam(),
    "rows within 16 ms, not told": Webcam(readout_s=0.016),
    "rows within 33 ms, not told": Webcam(readout_s=0.033),
    "100 Hz, 40 %, 16 ms": Webcam(readout_s=0.016, open_s=SHORT_S, flicker_hz=100, flicker=0.4),
    "120 Hz, 40 %, 16 ms": Webcam(readout_s=0.016, open_s=SHORT_S, flicker_hz=120, flicker=0.4),
    "exposure 1, 0.7, 1.25, 0.8": Webcam(steps=(1.0, 0.7, 1.25, 0.8)),
    "focus breathes by 0.5 %": Webcam(breathing=0.005),
}


def main(arguments: list[str]) -> int:
    """Print one line a webcam."""
    n = int(arguments[0]) if arguments else 45
    ideal = {open_s: _errors(Webcam(open_s=open_s), n) for open_s in sorted({w.open_s for w in WEBCAMS.values()})}
    print(f"{'':30}{'seen':>6}{'height mm':>11}{'across mm':>11}{'lean deg':>10}{'z2':>6}   over the ideal")
    for open_s, of in ideal.items():
        print(_line(f"ideal, open for {1e3 * open_s:.0f} ms", of), flush=True)
    for name, webcam in WEBCAMS.items():
        found = _errors(webcam, n, is_told="not told" not in name)
        print(_line(name, found), "  ", "  ".join(f"{r:.2f}" for r in found[1:4] / ideal[webcam.open_s][1:4]),
              flush=True)
    return 0


def _line(name: str, found: np.ndarray) -> str:
    return f"{name:30}{found[0]:6.2f}{found[1]:11.3f}{found[2]:11.3f}{found[3]:10.3f}{found[4]:6.2f}"


def _errors(webcam: Webcam, n: int, is_told: bool = True) -> np.ndarray:
    """Share of frames with a height, rms of height [mm], way across [mm] and lean [deg], and mean square of heights'
    errors over their sigmas, over some recordings."""
    camera = replace(CAMERA, readout_ms=1e3 * webcam.readout_s) if is_told else CAMERA
    light = bench_light()[..., None] * np.ones(3, np.float32)
    rows = []
    for seed in range(2, 2 + RECORDINGS):
        tip, axis = tool_in_bench(0.3, seed)
        turn, shift = CAM_FROM_BENCH[:3, :3], CAM_FROM_BENCH[:3, 3]
        hold = hold_of(ToolPose(turn @ tip + shift, turn @ axis), CAM_FROM_BENCH)
        tracker = Tracker(camera, BenchFollower(camera, standard_mat()), NozzleModel(TOOL, EDGES, light, holds=(hold,)),
                          0.0)
        for frame, tip_mm, axis in frames(webcam, n, seed, seed):
            track = tracker.step(frame).track
            off = np.full(4, np.nan)
            if track.status is TrackStatus.TRACKING:
                away = track.tip_mm - tip_mm
                lean_deg = np.degrees(np.arccos(min(float(track.axis @ axis), 1.0)))
                off = np.array([abs(away[2]), np.hypot(*away[:2]), lean_deg, away[2] / np.sqrt(track.cov[2, 2])])
            rows.append(off)
    squares = np.nanmean(np.square(rows), axis=0)
    return np.array([np.isfinite(rows).all(1).mean(), *np.sqrt(squares[:3]), squares[3]])


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
