"""False events in drawn and photographed scenes, how small a shift is found, and what watching costs.

usage: python -m tests.benchmarks.parts_drawn false [FRAMES]
       python -m tests.benchmarks.parts_drawn curve [PICTURE.png]
       python -m tests.benchmarks.parts_drawn cost

false: ten seconds of 30 frames each, with a disturbance at random: shadows hard and soft, smoke, exposure steps, the
camera knocked by 5 px, the board nudged by 2 mm (told 0.5 s later, as it is live), a tool that passes, sharpening,
MJPEG; faces drawn, or cut from photographs. curve: the share of shifts that are told within a second, by size, for a
10 mm part, for a chip of 0.8 x 1.6 mm and for one that nobody marked, at 3.8 px a mm and 15 frames a second, with 90 %
Wilson intervals. cost: processor time of one frame with ten parts, beside that of blurring a 720p picture.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import cv2
import numpy as np
from scipy.stats import binomtest

from tests.benchmarks.command import command
from tests.vision.drawn_parts import (
    CAMERA,
    CAN,
    CHIP,
    DRAWN,
    LOOSE,
    PARTS,
    PHOTOGRAPHED,
    POSE,
    TARGET,
    Lie,
    Scene,
    bench_of,
    draw,
    frame_of,
)
from vision import rigid
from vision.parts.follower import PartFollower
from vision.types import NozzleMiss, NozzleTrack, TrackStatus, VisionResult

KINDS = ("nothing", "hard shadow", "soft shadow", "smoke", "exposure", "knock", "nudge", "tool", "sharpened", "MJPEG")
N = 300
N_COST = 60  # frames of which the later half counts
REACH_MM = 10.0
CURVES = ("part, 10 x 10 mm", "chip, 0.8 x 1.6 mm", "the same, unmarked")
SIZES_MM = (0.05, 0.07, 0.1, 0.14, 0.2, 0.3, 0.5)
FACES = (DRAWN, *PHOTOGRAPHED)
SHIFT_S, CURVE_S, TOLD_S = 1.3, 2.3, 1.0  # when a shift begins; how long its scene lasts; by when it must be told
CURVE_KINDS, N_EACH = ("nothing", "soft shadow", "exposure", "MJPEG"), 1  # disturbances beside a shift; scenes of each


def seen_of(scene_pose, shift, t_s):
    """What vision would say, without a nozzle."""
    nan3 = np.full(3, np.nan)
    track = NozzleTrack(t_s, TrackStatus.LOST, nan3, nan3, nan3, np.full((6, 6), np.nan), np.nan)
    return VisionResult(0, t_s, bench_of(scene_pose, t_s), NozzleMiss(t_s, ""), track, shift)


def disturbed(kind: str, i: int, rng_state: dict) -> tuple[Scene, np.ndarray, np.ndarray]:
    """Frame i of a sequence: scene, the pose and the board's shift as vision tells them."""
    p, t = rng_state, i / 30.0
    scene, pose, shift = Scene(), POSE, np.zeros(3)
    v, u = np.mgrid[:300, :400].astype(np.float32)
    if kind.endswith("shadow"):
        x = p["x"] + p["v"] * t
        y = p["y"] + 0.3 * p["v"] * np.sin(2 * t + p["a"])
        soft = 1.0 if kind == "hard shadow" else 18.0
        inside = np.hypot(u - x, 0.7 * (v - y)) - p["r"]
        scene.light = 1 - p["deep"] / (1 + np.exp(np.clip(inside / soft, -30, 30)))
    elif kind == "smoke" and t > 1.0:
        drift = cv2.resize(
            np.random.default_rng(int(p["seed"] + i // 6)).uniform(0, 1, (5, 6)).astype(np.float32),
            (400, 300),
            interpolation=cv2.INTER_CUBIC,
        )
        scene.haze = 0.06 * np.clip(drift, 0, 1) * min(1.0, t - 1.0)
        scene.light = 1 - 0.3 * np.clip(drift, 0, 1) * min(1.0, t - 1.0)
    elif kind == "exposure" and t > 2.0:
        scene.light = 0.6 if t < 5 else 1.4
    elif kind == "knock" and t > 3.0:
        turn = np.array([p["a"], p["b"], 0.3 * p["a"]]) * 5.0 / 1450
        now = rigid.transform(rigid.exp_rotation(turn), np.array([1.0, -1.0, 1.0]) * p["b"]) @ POSE
        scene.pose = now
        pose = now if t > 3.1 else POSE
    elif kind == "nudge" and t > 3.0:
        scene.board_shift = np.array([2.0 * np.cos(p["a"]), 2.0 * np.sin(p["a"]), 0.01])
        shift = scene.board_shift if t > 3.5 else shift
    elif kind == "tool" and t > 1.5:
        x = p["x"] - 200 + 60 * (t - 1.5) if p["b"] > 0 else 200 + 30 * np.sin(t + p["a"])
        scene.rod = ((x, 150 + 40 * p["a"]), (x + 60, 330.0), 28.0)
    return scene, pose, shift


def sequence(kind: str, seed: int, faces: str = DRAWN, lies=None, seconds: float | None = None, every: int = 1) -> list:
    """Events of one sequence, of N frames where no seconds are given."""
    rng = np.random.default_rng(seed)
    p = {
        "x": rng.uniform(0, 400),
        "y": rng.uniform(50, 250),
        "v": rng.uniform(-80, 80),
        "r": rng.uniform(20, 90),
        "deep": rng.uniform(0.2, 0.7),
        "a": rng.uniform(-1, 1),
        "b": rng.uniform(-1, 1),
        "seed": seed,
    }
    follower = PartFollower(CAMERA, 0.0, TARGET, [s for s in PARTS if s is not TARGET], REACH_MM)
    events = []
    for i in range(0, N if seconds is None else round(30 * seconds), every):
        scene, pose, shift = disturbed(kind, i, p)
        scene.faces, scene.lies = faces, {} if lies is None else lies(i / 30.0)
        pose = rigid.transform(np.eye(3), rng.normal(0, 0.02, 3)) @ pose  # what a mat's pose scatters by
        grey = draw(
            scene,
            noise=2.0,
            seed=seed * N + i,
            sharpen=0.8 if kind == "sharpened" else 0.0,
            jpeg=70 if kind == "MJPEG" else 0,
        )
        events += follower.step(frame_of(grey, i), seen_of(pose, shift, i / 30.0)).part_events
    return events


def cost() -> str:
    """Processor time of one frame for ten parts, beside that of blurring a 720p picture."""
    chips = [replace(CHIP, name=f"c{i}", outline_mm=CHIP.outline_mm + (2.2 * (i % 4), -14 - 3 * (i // 4)))
             for i in range(8)]
    follower = PartFollower(CAMERA, 0.0, TARGET, [CAN, *chips], REACH_MM)
    spent, blurs = [], []
    whole = np.zeros((720, 1280), np.uint8)
    for i in range(N_COST):
        frame = frame_of(draw(Scene(), seed=i), i)
        begin = time.thread_time()
        follower.step(frame, seen_of(POSE, np.zeros(3), i / 30))
        spent.append(time.thread_time() - begin)
        begin = time.thread_time()
        cv2.GaussianBlur(whole, (0, 0), 1.5)
        blurs.append(time.thread_time() - begin)
    late = spent[N_COST // 2 :]
    ms, mean_ms, blur_ms = 1e3 * np.median(late), 1e3 * np.mean(late), 1e3 * np.median(blurs)
    return (f"ten parts and what lies around: {ms:.2f} ms a frame (mean {mean_ms:.2f} ms), {ms / blur_ms:.1f} times "
            f"the blurring of a 720p picture ({blur_ms:.2f} ms)")


def false_events(n_frames: int) -> None:
    """Print them by disturbance."""
    n_sequences = max(len(KINDS) * len(FACES), -(-n_frames // N))
    false: dict[str, list[str]] = {kind: [] for kind in KINDS}
    for k in range(n_sequences):
        kind, faces = KINDS[k % len(KINDS)], FACES[k // len(KINDS) % len(FACES)]
        false[kind] += [f"{e.name} {e.kind} {e.t_s:.1f} s ({faces}, sequence {k})" for e in sequence(kind, k, faces)]
    print(f"false events in {n_sequences * N} frames: {sum(map(len, false.values()))}")
    for kind, found in false.items():
        print(f"  {kind}: {len(found)} {found or ''}", flush=True)


def curve(path: str | None) -> None:
    """Print the share of shifts that are told, and draw it."""
    shares: dict[str, list[tuple[float, float, float, float]]] = {}
    for name in ("U3", "C14", LOOSE.name):
        for size in SIZES_MM:
            n, delays, n_drawn = 0, [], 0
            for k in range(N_EACH * len(CURVE_KINDS) * len(FACES)):
                way = np.random.default_rng(k).uniform(0, 2 * np.pi)

                def lies(t_s: float, size=size, way=way, name=name) -> dict:
                    share = min(max((t_s - SHIFT_S) / 0.1, 0.0), 1.0)
                    return {name: Lie((share * size * np.cos(way), share * size * np.sin(way)))}

                kind, faces = CURVE_KINDS[k % 4], FACES[k // 4 % 3]
                told = [e.t_s - SHIFT_S for e in sequence(kind, 500 + k, faces, lies, CURVE_S, 2)
                        if e.name == name or (name == LOOSE.name and e.name.startswith("unmarked"))]
                in_time = [t for t in told[:1] if 0 < t <= TOLD_S]
                n, delays = n + 1, delays + in_time
                n_drawn += bool(in_time) and faces == DRAWN
            low, high = binomtest(len(delays), n).proportion_ci(0.9, "wilson")
            shares.setdefault(name, []).append((size, len(delays) / n, low, high))
            late = f", told {np.median(delays):.2f} s after it began" if delays else ""
            print(f"{name} shifted by {size:.2f} mm: found {len(delays)} of {n} ({low:.0%} to {high:.0%}), "
                  f"{n_drawn} of the {n // len(FACES)} drawn ones{late}",
                  flush=True)
    if path:
        _plot(shares, path)


def _plot(shares: dict[str, list[tuple[float, float, float, float]]], path: str) -> None:
    from matplotlib.figure import Figure

    figure = Figure((6.4, 4.6), layout="constrained")
    axes = figure.add_subplot(xscale="log", xlabel="shift [mm]", ylabel="told within 1 s [%]", ylim=(-3, 103))
    for (_, rows), words, marker in zip(shares.items(), CURVES, "osd", strict=True):
        size, share, low, high = 100 * np.array(rows).T
        bars = [np.maximum(share - low, 0), np.maximum(high - share, 0)]
        axes.errorbar(size / 100, share, bars, marker=marker, capsize=3, label=words)
    axes.set_xticks(SIZES_MM, [f"{v:g}" for v in SIZES_MM])
    axes.minorticks_off()
    axes.grid(alpha=0.3)
    figure.legend(loc="outside lower center", ncols=3, title="3.8 px a mm; bars: 90 % intervals")
    figure.savefig(path, dpi=120)


def main(arguments: list[str]) -> int:
    """One of the three."""
    cv2.setNumThreads(1)
    what, *rest = arguments or [""]
    if what == "false":
        false_events(int(rest[0]) if rest else 10_000)
    elif what == "curve":
        curve(rest[0] if rest else None)
    elif what == "cost":
        print(cost())
    else:
        print(__doc__)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 1))
