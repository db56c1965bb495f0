"""Runs the bench window on a 720p video at 30 frames a second and prints its latencies, drops, processor and memory.

usage: .venv/bin/python -m tests.benchmarks.live_latency [SECONDS] [real|stand-in] [STATS.json] [no-record|no-video|mute
...]

From ten minutes on it is a soak: the memory's slope is the median slope between the minutes after the fifth, each with
its least memory, since frames on their way come and go with the machine's load. The words after the file leave parts
out, to see whose it is.

The sample's frames are played over and over, 30 a second, recorded with trace and video, and shown. With "stand-in" the
tracker is replaced by one that knows the truth, so that the engine's own share is seen. Set QT_QPA_PLATFORM=offscreen,
or run it under a screen (xvfb-run -a). One machine, wall clock: let it rest.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from monitor.cost import write_stats
from monitor.engine.source import PlayedVideo
from tests.benchmarks.command import command
from tests.engine.make import SAMPLE, TruthTracker, sample_inputs

RATE_HZ = 30.0
ASKED = (("arrival_to_paint_ms", "p95", 120.0), ("arrival_to_sound_ms", "p95", 150.0), ("window_held_ms", "max", 100.0))


class At30(PlayedVideo):
    """The sample at 30 frames a second."""

    def _next(self):
        frame = super()._next()
        return None if frame is None else replace(frame, t_s=frame.index / RATE_HZ)


class TruthAt30(TruthTracker):
    """The truth at the sample's own times."""

    def step(self, frame):
        return super().step(frame) if self._bench is None else self._retimed(frame)

    def _retimed(self, frame):
        seen = super().step(replace(frame, t_s=frame.index / 20.0))
        track = replace(seen.track, t_s=frame.t_s, t_seen_s=frame.t_s if seen.track.is_seen
                        else seen.track.t_seen_s * 20.0 / RATE_HZ)
        return replace(seen, t_s=frame.t_s, track=track)


def _count_held(window) -> list[tuple[int, int]]:
    """Threads and open files of this process, counted every minute while the window lives; none where the system does
    not tell.
    """
    from PyQt6.QtCore import QTimer

    counts, clock = [], QTimer(window)
    clock.timeout.connect(lambda: counts.append((len(os.listdir("/proc/self/task")), len(os.listdir("/proc/self/fd")))))
    if Path("/proc/self/task").is_dir():
        clock.start(60_000)
    return counts


def main(arguments: list[str]) -> int:
    seconds = float(arguments[0]) if arguments else 60.0
    is_real = len(arguments) > 1 and arguments[1] == "real"
    left_out = arguments[3:]
    from monitor.ui.app import application

    app = application()
    from PyQt6.QtCore import QSettings, QTimer

    from monitor.sound.player import Player
    from monitor.ui.bench_open import SWITCH_S
    from monitor.ui.bench_window import BenchWindow
    from monitor.ui.bench_work import BenchWork, Settings

    sys.setswitchinterval(SWITCH_S)
    with tempfile.TemporaryDirectory() as folder:
        player = Player(is_muted="mute" in left_out)
        player.start()
        settings = Settings(Path(folder), records="no-record" not in left_out, films="no-video" not in left_out,
                            tracker=None if is_real else lambda inputs: TruthAt30(inputs.camera))
        work = BenchWork(At30(SAMPLE / "clip.mp4", loop=True), sample_inputs(), settings, player, watch_frozen=False)
        window = BenchWindow(work, QSettings(f"{folder}/keys.ini", QSettings.Format.IniFormat))
        window.resize(1366, 768)
        work.begin()
        window.show()
        QTimer.singleShot(round(seconds * 1000), window.close)
        window.start()
        held = _count_held(window)
        app.exec()
        stats = {"tracker": "real" if is_real else "stand-in", **window.stats(),
                 "threads_and_handles_each_minute": held}
    print(json.dumps(stats, indent=1))
    if len(arguments) > 2:
        write_stats(Path(arguments[2]), stats)
    missed = [f"{name} {key} {stats[name][key]} > {most}" for name, key, most in ASKED
              if stats[name][key] is None or stats[name][key] > most]
    dropped = stats["dropped_share"]
    if dropped is None or dropped > 0.02:
        missed.append("no frame came" if dropped is None else f"dropped {dropped:.1%} > 2 %")
    slope = stats["load"]["memory_slope_mb_h"]
    missed += [f"memory {slope} MB/h > 1"] if slope is not None and slope > 1.0 else []
    print("missed: " + "; ".join(missed) if missed else "all met")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
