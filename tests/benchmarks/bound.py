"""Spread of the measured height beside the least that the picture's noise allows.

usage: python -m tests.benchmarks.bound [CLIPS OUT]

Synthetic frames: a dark tool on a light bench, drawn with a known blur, at five noise levels, several poses, many draws of
noise; offsets of the edges are known. The bound is Cramer and Rao's: a blurred step of contrast c and blur s, sampled by
pixels of noise n, tells its place with information c^2 / (2 sqrt(pi) s n^2) per pixel of its length (Gaussian line spread,
see S. M. Kay, "Fundamentals of Statistical Signal Processing: Estimation Theory", 3.7, worked out by hand for an edge); all
edges of the outline together tell the pose. With CLIPS and OUT (as tests.benchmarks.clips wrote it) the spread of the live
height about its own running middle is printed too, beside the median sigma that the trace states; that is not a bound.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import cv2
import numpy as np

from vision.camera import CameraModel
from vision.fit import DEFAULT_BIAS, EdgeBias, Picture, fit_pose
from vision.nozzle import ToolPose, body_from_measures
from vision.silhouette import STEP, outline, tool_hull

CAMERA = CameraModel(np.array([[900.0, 0, 640], [0, 900.0, 360], [0, 0, 1]]), np.zeros(5), (1280, 720))
TOOL = body_from_measures([(4.0, 0.0), (4.0, 28.0), (9.0, 36.0), (11.0, 37.0), (11.0, 50.0)], [(13.0, 50.0), (14.0, 70.0)])
UP = np.array([0.0, -0.5, -0.866])
KNOWN = {key: EdgeBias(0.0, 0.02) for key in DEFAULT_BIAS}
BLUR_PX, OUTSIDE = 0.8, 0.45
INSIDE = np.array([0.14, 0.10, 0.18, 0.20, 0.08])  # linear light of each slice, tube to handle
NOISES, DRAWS, POSES = (0.004, 0.008, 0.016, 0.03, 0.06), 24, 4


def main(arguments: list[str]) -> int:
    """Print one line a noise level, then one a clip."""
    print(f"{'noise':>7}{'spread mm':>11}{'bound mm':>10}{'ratio':>7}{'bias mm':>9}{'stated mm':>11}{'error squared / stated':>24}")
    rng = np.random.default_rng(7)
    for noise in NOISES:
        rows = [_one(_pose(rng), noise, rng) for _ in range(POSES)]
        spread, bound, bias, stated, ratio = (np.sqrt(np.mean(np.square(v))) for v in zip(*rows, strict=True))
        print(f"{noise:7.3f}{spread:11.3f}{bound:10.3f}{spread / bound:7.2f}{bias:9.3f}{stated:11.3f}{ratio**2:24.2f}", flush=True)
    if len(arguments) == 2:
        for folder in sorted(Path(arguments[1]).glob("*/track.csv")):
            print(_clip(folder))
    return 0


def _pose(rng) -> ToolPose:
    lean, turn = rng.uniform(0.7, 1.0), rng.uniform(-1.9, -1.2)
    axis = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    return ToolPose(rng.uniform([-20, -20, 330], [20, 20, 380]), axis)


def _one(pose: ToolPose, noise: float, rng) -> tuple[float, float, float, float, float]:
    clean = _drawn(pose)
    bench = np.full(clean.shape, OUTSIDE, np.float32)
    known = np.full(clean.shape[:2], 255, np.uint8)
    off, stated = [], []
    for _ in range(DRAWS):
        light = np.clip(clean + rng.normal(0, noise, clean.shape), 0, 1)
        grey = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
        fit = fit_pose(CAMERA, TOOL, Picture(np.round(255 * grey).astype(np.uint8), bench, known), pose, KNOWN)
        off.append(UP @ (fit.pose.tip_mm - pose.tip_mm))
        stated.append(np.sqrt(UP @ fit.cov[:3, :3] @ UP))
    sigma = float(np.sqrt(np.mean(np.square(stated))))
    return float(np.std(off)), _bound(pose, noise), float(np.mean(off)), sigma, float(np.sqrt(np.mean(np.square(off)))) / sigma


def _bound(pose: ToolPose, noise: float) -> float:
    out = outline(CAMERA, TOOL, pose)
    h, w = CAMERA.image_size_px[::-1]
    seen = (out.px > 0).all(1) & (out.px[:, 0] < w) & (out.px[:, 1] < h)
    length_px = out.mm_per_sample * 900.0 / out.point_cam_mm[:, 2]
    own = np.maximum(out.part, 0)
    contrast = np.where(out.side == STEP, INSIDE[own - 1], OUTSIDE) - INSIDE[own]  # a step stands before the slice ahead
    per_px = 3 * contrast**2 / (2 * np.sqrt(np.pi) * BLUR_PX * noise**2)  # three channels
    jacobian = out.jacobian[seen, :5]
    cov = np.linalg.inv(jacobian.T @ ((per_px * length_px)[seen, None] * jacobian))
    return float(np.sqrt(UP @ cov[:3, :3] @ UP))


def _drawn(pose: ToolPose, scale: int = 4) -> np.ndarray:
    w, h = CAMERA.image_size_px
    light = np.full((h * scale, w * scale), OUTSIDE, np.float32)
    for inside, hull in zip(INSIDE, tool_hull(CAMERA, TOOL, pose), strict=True):  # the jet points away: the handle is nearest
        cv2.fillConvexPoly(light, np.round(((hull + 0.5) * scale - 0.5) * 16).astype(np.int32), inside, shift=4)
    light = cv2.resize(light, (w, h), interpolation=cv2.INTER_AREA)
    pixel_px = 1 / np.sqrt(12)  # averaging over a pixel blurs by so much itself
    light = cv2.GaussianBlur(light, (0, 0), float(np.sqrt(BLUR_PX**2 - pixel_px**2)))
    return light[..., None] * np.ones(3, np.float32)


def _clip(track: Path) -> str:
    with track.open(newline="", encoding="utf-8") as handle:
        rows = [r for r in csv.DictReader(handle) if r["seen"] == "1"]
    height, sigma = (np.array([float(r[k]) for r in rows]) for k in ("height_mm", "height_sigma_mm"))
    step = height[2:] - 2 * height[1:-1] + height[:-2]  # a steady hand's second difference is noise: variance six times
    spread = 1.4826 * np.median(np.abs(step)) / np.sqrt(6)
    return f"{track.parent.name}: frame to frame {spread:.2f} mm, stated sigma {np.median(sigma):.2f} mm (bias included)"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
