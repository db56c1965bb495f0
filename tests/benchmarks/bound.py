"""Spread of the measured height beside the least that the picture's noise allows.

usage: python -m tests.benchmarks.bound [CLIPS OUT]

Synthetic frames: a dark tool on a light bench, drawn with a known blur, with five shares of a webcam's noise, many
poses, each with some draws of noise; where edges appear is known, but for those against metal (steps) no better than
`DEFAULT_BIAS` knows it, and along a side as far as `CHANGE_PX` tells. The bound is Cramer and Rao's: a step blurred by
s tells its place with information integral of (its slope / noise)^2 per pixel of its length; with even noise n and
contrast c that is c^2 / (2 sqrt(pi) s n^2) (Gaussian line spread, see S. M. Kay, "Fundamentals of Statistical Signal
Processing: Estimation Theory", 3.7, worked out by hand for an edge); all edges of the outline together tell the pose.
The light on both sides is taken as known. The band holds 95 % of the mean of as many squared errors, each over its
stated variance, when that is right; of each pose the first draw alone is taken, since what of an error all its draws
share would count several times.

With CLIPS and OUT (as tests.benchmarks.clips wrote it) each clip's height from single frames is set beside the bound
that the contrast of those frames, the blur of motion, and the noise beside the tool give; that noise is what the
tracker measures, more where neighbours share it, as a codec's errors are. Outline beyond which no bench is seen counts
for nothing: fingers hide it. The spread is that of second differences of the error, so that neither the hand's motion
nor a lasting bias shows; the bound, of an estimate that knows the offsets no better than this nozzle's file does.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import numpy as np
from scipy.special import ndtr
from scipy.stats import chi2

from monitor.job import load_job
from monitor.judging.tracking import make_tracker
from tests.benchmarks.command import command
from tests.benchmarks.scene import read_truth
from tests.vision.drawn_tool import CAMERA, INSIDE, OUTSIDE, TOOL, as_camera, drawn_exactly, independent
from vision.bench.background import OWN_NOISE
from vision.camera.model import load_camera
from vision.camera.sources import open_video
from vision.edges.cuts import CutGrid
from vision.edges.likelihood import noise_sigma
from vision.edges.profiles import BLUR_PX, COLOUR_BLUR_PX
from vision.fit.bias import CHANGE_PX, DEFAULT_BIAS, EdgeBias, group_key, group_of
from vision.fit.pose import Picture, fit_pose, inside_picture, picture_cuts
from vision.nozzle.body import ToolPose
from vision.nozzle.silhouette import STEP, outline
from vision.track.chart import pose_of
from vision.types import NozzleObservation, TrackStatus

UP = np.array([0.0, -0.5, -0.866])
DRAWN_PX, STEP_PX = 0.001, 0.6  # how well it is known where the drawing's edges appear, and those against metal
KNOWN = {key: EdgeBias(0.0, STEP_PX if key[0] == "step" else DRAWN_PX) for key in DEFAULT_BIAS}
NOISES, POSES, DRAWS = (0.25, 0.5, 1.0, 1.5, 2.0), 96, 4  # shares of a webcam's noise
_AROUND_PX = 30  # the tool, where noise is drawn
_ACROSS_PX = np.linspace(-4, 4, 81)
_SHADES, _AS_BENCH = (0.3, 1.2), 2.5  # of a bench in shadow; and how many times the noise it may be off


def main(arguments: list[str]) -> int:
    """Print one line a noise level, then one a clip."""
    low, high = chi2.ppf([0.025, 0.975], POSES) / POSES
    rng = np.random.default_rng(7)
    rows = np.array([_one(_pose(rng), rng) for _ in range(POSES)])
    print(f"{'noise':>6}{'spread mm':>11}{'bound mm':>10}{'ratio':>7}{'bias mm':>9}{'stated mm':>11}   "
          f"error squared / stated (95 % band {low:.2f} to {high:.2f})")
    for noise, one in zip(NOISES, rows.transpose(1, 0, 2), strict=True):
        off, stated, bound = one[:, :DRAWS], one[:, DRAWS], one[:, DRAWS + 1]
        spread, least, claimed = np.sqrt([np.mean(off.var(1, ddof=1)), np.mean(bound**2), np.mean(stated**2)])
        print(f"{noise:6.2f}{spread:11.3f}{least:10.3f}{spread / least:7.2f}{off.mean():9.3f}{claimed:11.3f}   "
              f"{np.mean((off[:, 0] / stated) ** 2):.2f}", flush=True)
    if len(arguments) == 2:
        clips, out = map(Path, arguments)
        for job in sorted(out.glob("*/job.toml")):
            print(_clip(clips / job.parent.name, job.parent), flush=True)
    return 0


def _pose(rng) -> ToolPose:
    lean, turn = rng.uniform(0.7, 1.0), rng.uniform(-1.9, -1.2)
    axis = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    return ToolPose(rng.uniform([-20, -20, 330], [20, 20, 380]), axis)


def _one(pose: ToolPose, rng) -> list[tuple[float, ...]]:
    """At each noise level the errors of some draws, what the first states, and the bound [mm]."""
    clean = drawn_exactly(pose)
    bench = np.full(clean.shape, OUTSIDE, np.float32)
    known = np.full(clean.shape[:2], 255, np.uint8)
    where = np.argwhere(clean[..., 0] < OUTSIDE - 1e-4)
    first, last = np.maximum(where.min(0) - _AROUND_PX, 0), where.max(0) + _AROUND_PX
    around = np.s_[first[0]:last[0], first[1]:last[1]]
    out = []
    for noise in NOISES:
        image, off, stated = as_camera(clean), [], []
        for _ in range(DRAWS):
            light = clean[around]
            image[around] = as_camera(light + noise * noise_sigma(light) * rng.normal(0, 1, light.shape))
            fit = fit_pose(CAMERA, TOOL, Picture(image, bench, known, independent(noise)), pose, KNOWN)
            off.append(UP @ (fit.pose.tip_mm - pose.tip_mm))
            stated.append(np.sqrt(UP @ fit.cov[:3, :3] @ UP))
        out.append((*off, stated[0], _drawn_bound(pose, noise)))
    return out


def _drawn_bound(pose: ToolPose, noise: float) -> float:
    out = inside_picture(outline(CAMERA, TOOL, pose), CAMERA.image_size_px[::-1])
    own = np.maximum(out.part, 0)
    outside = np.where(out.side == STEP, INSIDE[own - 1], OUTSIDE)  # a step stands before the slice ahead
    grey = np.array([1.0, 0.0, 0.0])  # as `to_opponent` gives it
    return _bound(out, _length_px(out), INSIDE[own, None] * grey, outside[:, None] * grey, independent(noise)[0], UP,
                  lambda group: KNOWN[group_key(TOOL, group)])


def _bound(out, length_px, inside, outside, noise: float, up, bias, travel_mm=(0.0, 0.0, 0.0)) -> float:
    """Least scatter of the height [mm] from edges of that length between levels (n, 3) on both sides, in light as
    `to_opponent`
    gives it.

    Of an estimate that leans on what is known of each group's offset (`bias`) as far as that goes: with the information
    F of the picture about pose and offsets, and K of what is known, it scatters by (F + K)^-1 F (F + K)^-1 and no less.
    """
    blur = np.hypot(BLUR_PX, [0.0, COLOUR_BLUR_PX, COLOUR_BLUR_PX])[:, None]
    slope = np.exp(-0.5 * (_ACROSS_PX / blur) ** 2) / (np.sqrt(2 * np.pi) * blur)
    contrast = (outside - inside)[..., None]
    level = inside[:, :1, None] + contrast[:, :1] * ndtr(_ACROSS_PX / BLUR_PX)  # the noise goes by the brightness
    per_px = (contrast * slope / (noise * noise_sigma(level))) ** 2
    per_px = per_px.sum((1, 2)) * (_ACROSS_PX[1] - _ACROSS_PX[0])
    per_px *= BLUR_PX / np.hypot(BLUR_PX, out.jacobian[:, :3] @ travel_mm / np.sqrt(12))  # a moving edge is softer
    n = 6 if np.abs(out.jacobian[:, 5]).max() > 0 else 5
    groups, at = np.unique([group_of(*row) for row in zip(out.part, out.side, outside[:, 0] > inside[:, 0],
                                                          strict=False)], return_inverse=True)
    of_group = np.eye(len(groups))[at]
    design = np.concatenate([out.jacobian[:, :n], of_group, of_group * out.place[:, None]], 1)
    known = np.diag([0.0] * n + [bias(int(g)).sigma_px ** -2 for g in groups]
                    + [CHANGE_PX[bool(g % 2)] ** -2 for g in groups])
    seen = design.T @ ((per_px * length_px)[:, None] * design)
    least = np.linalg.inv(seen + known)
    return float(np.sqrt(up @ (least @ seen @ least)[:3, :3] @ up))


def _length_px(out) -> np.ndarray:
    """Length of outline in the picture that each point stands for: the way to its neighbours on the same edge, on the
    mean.
    """
    on = np.stack([out.part, out.side], 1)
    is_next = (on[1:] == on[:-1]).all(1)
    way_px = np.where(is_next, np.hypot(*np.diff(out.px, axis=0).T), 0.0)
    total, count = (np.append(a, 0.0) + np.insert(a, 0, 0.0) for a in (way_px, is_next))
    return total / np.maximum(count, 1.0)


def _clip(clip: Path, out: Path) -> str:
    scene = tomllib.loads((clip / "scene.toml").read_text(encoding="utf-8"))
    camera = load_camera(out / "camera.toml")
    tracker = make_tracker(camera, out / "nozzle.toml", load_job(out / "job.toml"))
    true_z_mm = read_truth(clip)["tip_z_mm"]
    off, stated, bound = [], [], []
    with open_video(clip / scene["clip"]) as video:
        for frame in video:
            seen = tracker.step(frame)
            is_seen = seen.track.status is TrackStatus.TRACKING and isinstance(seen.observation, NozzleObservation)
            off.append(seen.observation.tip_bench_mm[2] - true_z_mm[frame.index] if is_seen else np.nan)
            stated.append(np.sqrt(seen.observation.cov[2, 2]) if is_seen else np.nan)
            bound.append(_frame_bound(tracker, camera, frame, seen.bench) if is_seen else np.nan)
    step = np.diff(off, 2)
    spread = 1.4826 * np.nanmedian(np.abs(step)) / np.sqrt(6)  # of white noise the variance is six times as large
    least = np.nanmedian(bound)
    return (f"{clip.name}: single frames {spread:.2f} mm, bound {least:.2f} mm, ratio {spread / least:.2f}; "
            f"stated sigma {np.nanmedian(stated):.2f} mm (bias included)")


def _frame_bound(tracker, camera, frame, bench) -> float:
    pose = ToolPose(*pose_of(tracker.state.mean[:6], bench.cam_from_bench))
    view, body = tracker._view, tracker._body
    out = inside_picture(outline(camera, body, pose, step_mm=0.8), frame.image.shape)
    grid = CutGrid(6.0)
    noise = tuple(n / OWN_NOISE for n in view.noise)
    cuts, back = picture_cuts(Picture(frame.image, view.light, view.known, noise), out, grid)
    off = grid.offsets_px
    inside, outside = (cuts[:, :, m].mean(-1) for m in ((off > -4) & (off < -1.5), (off > 1.5) & (off < 4)))
    is_seen = _is_before_bench(cuts[..., off > 1.5], back[..., off > 1.5], noise[0]) | (out.side == STEP)
    follower = tracker._follower
    travel_mm = follower.velocity_mm_s(tracker.state, bench) * follower.shutter.open_s
    return _bound(out, _length_px(out) * is_seen, inside, outside, noise[0], bench.cam_from_bench[:3, 2],
                  lambda group: tracker._nozzle.bias[group_key(body, group)], travel_mm)


def _is_before_bench(outside, bench, noise: float) -> np.ndarray:
    """Whether what lies beyond each point (n, 3, m) is the bench, in whatever shade: else a finger hides the
    outline.
    """
    shade = (outside[:, 0] * bench[:, 0]).sum(-1) / np.maximum((bench[:, 0] ** 2).sum(-1), 1e-9)
    away = (outside - np.clip(shade, *_SHADES)[:, None, None] * bench) / (noise * noise_sigma(outside[:, :1]))
    return (np.sqrt((away ** 2).mean(-1)) < _AS_BENCH).all(-1)


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
