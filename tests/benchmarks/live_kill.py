"""Kills a live recording at random moments and prints what was lost (T1).

usage: .venv/bin/python -m tests.benchmarks.live_kill [KILLS] [WIDTHxHEIGHT]
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.command import command
from tests.engine.kill import kill_once

SPAN_S, KINDS = (0.3, 5.0), ("dark", "busy")


def main(arguments: list[str]) -> int:
    """Print one line a kind; 1 when a requirement is missed."""
    n = int(arguments[0]) if arguments else 20
    size = tuple(int(v) for v in arguments[1].split("x")) if len(arguments) > 1 else (640, 360)
    rng, is_met = random.Random(5), True
    for kind in KINDS:
        losses = []
        for i in range(n):
            with tempfile.TemporaryDirectory() as folder:
                losses.append(kill_once(Path(folder) / "r", kind, rng.uniform(*SPAN_S), size))
        video, trace = (sorted(getattr(loss, f"{name}_s") for loss in losses) for name in ("video", "trace"))
        faults = sum(loss.integrity != "ok" for loss in losses)
        recovery = max(loss.recovery_s for loss in losses)
        print(f"{kind} {size[0]}x{size[1]}: {n} kills, {n} opened, integrity faults {faults}; video lost median "
              f"{video[n // 2]:.2f} s, "
              f"most {video[-1]:.2f} s; trace lost median {trace[n // 2]:.2f} s, most {trace[-1]:.2f} s; recovery at "
              f"most {recovery:.2f} s",
              flush=True)
        is_met &= video[-1] <= 0.5 and trace[-1] <= 0.5 and faults == 0
    return 0 if is_met else 1


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
