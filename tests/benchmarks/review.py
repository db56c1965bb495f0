"""How quickly the review window opens a ten-minute recording, and steps through it.

usage: python -m tests.benchmarks.review RECORDING [OUT]

RECORDING is any recording with a video; its rows and its video's packets are repeated until they last ten minutes (OUT
keeps the result). Prints seconds until the first picture is on show, milliseconds from a key to the picture, and how
long the window's thread was held meanwhile.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import av
import numpy as np

from monitor.recording.reader import open_recording
from tests.benchmarks.command import command
from tests.monitor.test_playback import jumps_and_steps

LONG_S, N_STEPS = 600.0, 300


def stretch(source: Path, target: Path) -> None:
    """Repeat a recording's frames, heat and video until they last ten minutes."""
    recording = open_recording(source)
    t = recording.frames["t_s"]
    period = float(t[-1] - t[0]) + float(np.median(np.diff(t)))
    n_times, n_frames = int(np.ceil(LONG_S / period)), len(t)
    shutil.copytree(source, target, ignore=shutil.ignore_patterns("video.*", "overlay*", "report*"))
    with sqlite3.connect(target / "trace.sqlite") as db:
        for table in ("frames", "heat"):
            names = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            picks = ["frame + ?" if n == "frame" else "t_s + ?" if n == "t_s" else n for n in names]
            for k in range(1, n_times):
                values = (k * n_frames, k * period) if table == "frames" else (k * n_frames,)
                db.execute(f"INSERT INTO {table} SELECT {', '.join(picks)} FROM {table} WHERE frame < ?",
                           (*values, n_frames))
        db.execute("UPDATE meta SET value = ? WHERE key = 'video'", ("video.mkv",))
        db.execute("UPDATE meta SET value = ? WHERE key = 'duration_s'", (json.dumps(n_times * period),))
    _repeat_video(recording.video, target / "video.mkv", n_times, period)


def _repeat_video(source: Path, target: Path, n_times: int, period_s: float) -> None:
    with av.open(str(source)) as old, av.open(str(target), "w") as new:
        stream = old.streams.video[0]
        out = new.add_stream_from_template(stream)
        period = round(period_s / stream.time_base)
        for k in range(n_times):
            old.seek(0)
            packets = [packet for packet in old.demux(stream) if packet.pts is not None]
            stamps = sorted(packet.pts for packet in packets)
            early = max(stamp - packet.pts for packet, stamp in zip(packets, stamps, strict=True))
            for packet, stamp in zip(packets, stamps, strict=True):  # Matroska keeps no time of decoding
                packet.pts, packet.dts = packet.pts + k * period, stamp - early + k * period
                packet.stream = out
                new.mux(packet)


def main(arguments: list[str]) -> int:
    """Print the figures."""
    from monitor.ui.app import application

    app = application()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(arguments[1]) if len(arguments) > 1 else Path(scratch) / "long"
        if not folder.exists():
            stretch(Path(arguments[0]), folder)
        from PyQt6.QtCore import QTimer

        from monitor.ui.review_window import ReviewWindow

        window = ReviewWindow()
        window.show()
        app.processEvents()
        held: list[float] = []
        beat = QTimer(interval=5)
        last = [time.perf_counter()]

        def tick() -> None:
            now = time.perf_counter()
            held.append(now - last[0])
            last[0] = now
        beat.timeout.connect(tick)
        beat.start()
        spent = time.process_time()
        start = last[0] = time.perf_counter()
        window.open_folder(folder)
        _until(app, lambda: not window.video.image.isNull())
        opened = time.perf_counter() - start
        times = window.cursor.times_s
        opened_cpu, steps, steps_cpu = time.process_time() - spent, [], []
        for i in jumps_and_steps(len(times), N_STEPS):
            begun, spent = time.perf_counter(), time.process_time()
            window.go_to(float(times[i]))
            _until(app, lambda: f"frame {i}," in window.video.caption)
            steps.append(time.perf_counter() - begun)
            steps_cpu.append(time.process_time() - spent)
        window.close()
        print(f"{len(times)} frames, {times[-1]:.0f} s, {window.video.image.width()} x {window.video.image.height()} "
              f"px: first picture "
              f"after {opened:.2f} s; jump or step to picture: median {1e3 * np.median(steps):.0f} ms, "
              f"p95 {1e3 * np.percentile(steps, 95):.0f} ms; window's thread held at most {1e3 * max(held):.0f} ms")
        print(f"processor time, all threads, whatever else runs here: open {opened_cpu:.2f} s, jump or step median "
              f"{1e3 * np.median(steps_cpu):.0f} ms, p95 {1e3 * np.percentile(steps_cpu, 95):.0f} ms")
    return 0


def _until(app: object, is_done) -> None:
    end = time.perf_counter() + 60
    while not is_done():
        if time.perf_counter() > end:
            raise TimeoutError("the window does not come to it")
        app.processEvents()
        time.sleep(0.0005)


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 1))
