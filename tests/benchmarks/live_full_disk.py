"""Fills a small disk while a live recording runs and prints what went on, and what can be read afterwards (T4).

usage: .venv/bin/python -m tests.benchmarks.live_full_disk [MB]      (Linux, as root: it mounts a tmpfs)
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import av

from monitor.engine.analyse import Inputs
from monitor.engine.engine import Engine, Listeners
from monitor.engine.feedback import Coach
from monitor.engine.session import Keep, Session
from monitor.job import parse_job
from monitor.recording.reader import open_recording
from tests.benchmarks.command import command
from tests.engine.make import DrawnCamera, PathTracker
from tests.monitor.make import JOB_TEXT

SECONDS = 40.0


def main(arguments: list[str]) -> int:
    megabytes = int(arguments[0]) if arguments else 10
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", place], check=True)
        try:
            return _run(Path(place), megabytes)
        finally:
            subprocess.run(["umount", place], check=True)


def _run(place: Path, megabytes: int) -> int:
    """Record a busy scene; the height goes out of its limits every eight seconds, before the disk is full and after."""
    job = parse_job(JOB_TEXT)
    inputs = Inputs(Path(), job, JOB_TEXT, None, "# camera\n", Path("none.toml"), "# nozzle\n")
    ended, over, notices = [], threading.Event(), {}
    def note() -> None:
        shown = engine.shown.take(0.0)
        if shown is not None and shown.moment is not None:
            for text in shown.moment.notices:
                notices.setdefault(text, shown.moment.result.t_s)
    engine = Engine(DrawnCamera(30.0, n=round(SECONDS * 30), kind="busy", size=(640, 360)),
                    listeners=Listeners(note, ended.append, over.set))
    tracker = PathTracker(lambda t: (0, 0, 32 if t % 8 > 6 else 15))
    engine.begin_session(lambda: Session(inputs, tracker, Coach(job.limits),
                                         Keep(place / "r", reserve_bytes=(megabytes << 20) // 2)))
    engine.start()
    over.wait()
    engine.stop()
    for text, t_s in notices.items():
        print(f"at {t_s:5.1f} s: {text}")
    found = open_recording(ended[0].folder)
    raised = [round(w["t_start_s"], 1) for w in found.warnings if w["kind"] == "too_far"]
    with av.open(str(found.folder / "video.mkv")) as video:
        last = max(float(p.pts * p.time_base) for p in video.decode(video=0))
    n, most = len(found.frames["t_s"]), round(SECONDS * 30)
    print(f"{megabytes} MB disk, {SECONDS:.0f} s: video readable to {last:.1f} s; trace {n} of {most} frames, to "
          f"{found.frames['t_s'][-1]:.1f} s; "
          f"too_far raised at {raised}; state {found.meta['state']}")
    return 0 if len(raised) == SECONDS // 8 else 1


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
