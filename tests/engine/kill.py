"""Kills a recording process and measures what its recording lost."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import av

from monitor.recording.reader import TRACE, open_recording

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Loss:
    """What a kill cost: seconds of video and trace before the last frame that was captured; recovery time."""

    told_s: float
    video_s: float
    trace_s: float
    integrity: str
    recovery_s: float


def kill_once(folder: Path, kind: str, after_s: float, size=(320, 240)) -> Loss:
    """Record for so long after the first frame, kill with SIGKILL, open what is left."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    child = subprocess.Popen([sys.executable, "-m", "tests.engine.recording_child", str(folder), kind, *map(str, size)],
                             stdout=subprocess.PIPE, cwd=ROOT, env=environment, text=True)
    guard = threading.Timer(60.0 + after_s, child.kill)
    guard.start()  # a child that says nothing must not hold the test up
    told_s = float(child.stdout.readline())
    until_s = time.monotonic() + after_s
    while time.monotonic() < until_s:
        told_s = float(child.stdout.readline())
    child.send_signal(signal.SIGKILL)
    for line in child.stdout:  # what it had told before it died
        told_s = float(line) if line.endswith("\n") else told_s
    child.wait()
    guard.cancel()
    part = folder.with_name(folder.name + ".part")
    video_s = _last_s(part / "video.mkv")
    begin_s = time.monotonic()
    found = open_recording(folder)
    recovery_s = time.monotonic() - begin_s
    with sqlite3.connect(found.folder / TRACE) as db:
        integrity = db.execute("PRAGMA integrity_check").fetchone()[0]
    again_s = _last_s(found.folder / "video.mkv")
    assert again_s == video_s, "recovery lost video"
    return Loss(told_s, told_s - video_s, told_s - float(found.frames["t_s"][-1]), integrity, recovery_s)


def _last_s(path: Path) -> float:
    """Time of the last frame that can be decoded."""
    last = -1.0
    with av.open(str(path)) as video:
        for packet in video.demux(video=0):
            try:
                for picture in packet.decode():
                    last = float(picture.pts * picture.time_base)
            except av.error.FFmpegError:
                continue
    return last
