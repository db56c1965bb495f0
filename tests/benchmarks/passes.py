"""Whether the passes of an analysed recording begin and end when the true aim enters and leaves the target.

usage: python -m tests.benchmarks.passes CLIPS OUT [NAME ...]

CLIPS holds one folder a recording with scene.toml and truth.csv, OUT what `python -m tests.benchmarks.clips CLIPS OUT`
made of it. A true pass lasts from the moment at which the true aim enters the target below the upper height limit to
the moment at which it leaves; being out for less than 1.5 s (a wide sweep) does not end it.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import numpy as np
import shapely

from monitor.recording.reader import Recording, open_recording
from tests.benchmarks.command import command
from tests.benchmarks.scene import read_truth

ALLOWED_S, AWAY_S, SHORTEST_S = 0.2, 1.5, 0.3


def true_passes(clip: Path) -> list[tuple[float, float]]:
    """First and last moment of each true pass [s]; between two frames the crossing is taken half way."""
    scene = tomllib.loads((clip / "scene.toml").read_text(encoding="utf-8"))
    truth = read_truth(clip)
    turn = truth["board_da_rad"]
    x, y = truth["impact_x_mm"] - truth["board_dx_mm"], truth["impact_y_mm"] - truth["board_dy_mm"]
    x, y = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    inside = shapely.contains_xy(shapely.Polygon(scene["target_mm"]), x, y)
    inside &= truth["height_mm"] < scene["limits"]["height_mm"][1]
    t, found = truth["t_s"], []
    half = np.median(np.diff(t)) / 2
    for i in np.flatnonzero(inside):
        if found and t[i] - found[-1][1] <= AWAY_S:
            found[-1][1] = t[i] + half
        else:
            found.append([t[i] - half, t[i] + half])
    return [(max(a, 0.0), b) for a, b in found if b - a >= SHORTEST_S]


def against(recording: Recording, truth: list[tuple[float, float]]) -> tuple[list[str], float]:
    """One line a pass, and the largest error [s]; inf when a pass is missing or too many."""
    found = [(p["t_start_s"], p["t_end_s"]) for p in recording.passes]
    lines = [f"{len(found)} passes found, {len(truth)} true"]
    worst = 0.0 if len(found) == len(truth) else float("inf")
    for n, ((a, b), (true_a, true_b)) in enumerate(zip(found, truth, strict=False), 1):
        lines.append(f"  pass {n}: {a:.2f} to {b:.2f} s, true {true_a:.2f} to {true_b:.2f} s "
                     f"(off by {a - true_a:+.2f} and {b - true_b:+.2f} s)")
        worst = max(worst, abs(a - true_a), abs(b - true_b))
    return lines, worst


def main(arguments: list[str]) -> int:
    """Print the passes of each recording; 1 when one is off by more than 0.2 s."""
    clips, out, names = Path(arguments[0]), Path(arguments[1]), arguments[2:]
    failed = 0
    for scene in sorted(clips.glob("*/scene.toml")):
        name = scene.parent.name
        if (names and name not in names) or not (out / name / "recording").is_dir():
            continue
        lines, worst = against(open_recording(out / name / "recording"), true_passes(scene.parent))
        print(f"{name}: " + "\n".join(lines) + f"\n  largest error {worst:.2f} s, allowed {ALLOWED_S} s", flush=True)
        failed += worst > ALLOWED_S
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
