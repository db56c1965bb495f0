"""A large batch on two workers, one killed midway and the whole interrupted twice, against one worker left alone.

usage: python -m tests.benchmarks.batch_stress FOLDER [N]

Makes N (default 200) recordings of the first moment of the test clip under FOLDER, each with its own operator code, so
that no two results are alike; then compares the digests of both ways. 1 when any differs or is missing.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from monitor.engine.analyse import Filming, analyse, read_inputs
from monitor.recording.attribution import Attribution
from monitor.repeat.batch_task import trace_digest
from tests.benchmarks.command import command
from tests.monitor.test_batch import ROOT, SAMPLE, cut

LENGTH_S = 0.6  # the shortest in which the sample's nozzle is measured


def make(root: Path, n: int) -> None:
    """One analysis, then copies that differ in their operator code."""
    clip = cut(root.with_name("clip.mp4"), LENGTH_S)
    inputs = read_inputs(clip, SAMPLE / "job.toml", SAMPLE / "camera.toml", SAMPLE / "nozzle.toml")
    analyse(inputs, root / "r000", Filming(Attribution("K000", "2026-05-04T09:00:00+00:00", "told")), copy_video=True)
    for i in range(1, n):
        shutil.copytree(root / "r000", root / f"r{i:03d}")
        with contextlib.closing(sqlite3.connect(root / f"r{i:03d}" / "trace.sqlite")) as db, db:
            db.execute("UPDATE meta SET value = ? WHERE key = 'operator'", (f"K{i:03d}",))


def batch(root: Path, out: Path, workers: int) -> subprocess.Popen:
    """Start a batch as a person would."""
    return subprocess.Popen([sys.executable, "-m", "monitor.cli", "batch", str(root), "-j", str(workers), "--out",
                             str(out)],
                            cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
                            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))


def wait_for(out: Path, n: int, command: subprocess.Popen) -> None:
    """Until so many results are there, or the batch is over."""
    while command.poll() is None and len(list(out.glob("r*/trace.sqlite"))) < n:
        time.sleep(0.1)


def worker_of(command: subprocess.Popen) -> int | None:
    """One of the batch's worker processes."""
    listed = subprocess.run(["ps", "-ww", "--ppid", str(command.pid), "-o", "pid=,args="], capture_output=True,
                            text=True).stdout
    found = [int(line.split()[0]) for line in listed.splitlines() if "spawn_main" in line]
    return found[0] if found else None


def main(arguments: list[str]) -> int:
    """Print what came out."""
    root, n = Path(arguments[0]) / "day", int(arguments[1]) if len(arguments) > 1 else 200
    root.mkdir(parents=True)
    make(root, n)
    two, one, killed = root.with_name("two"), root.with_name("one"), 0
    for share in (0.25, 0.6):
        command = batch(root, two, 2)
        wait_for(two, int(share * n / 2), command)
        if not killed and (pid := worker_of(command)) is not None:
            os.kill(pid, signal.SIGKILL)
            killed += 1
        wait_for(two, int(share * n), command)
        command.send_signal(signal.SIGINT)
        print(f"interrupted with code {command.wait()} at {len(list(two.glob('r*/trace.sqlite')))} of {n}", flush=True)
    codes = [batch(root, two, 2).wait(), batch(root, one, 1).wait()]
    names = sorted(p.name for p in root.iterdir() if p.is_dir())
    wrong = [name for name in names if not (two / name / "trace.sqlite").is_file()
             or trace_digest(two / name) != trace_digest(one / name)]
    left = [path.name for path in two.glob("*.part")]
    print(f"{n} recordings, {killed} worker killed, 2 interruptions; end codes {codes}; {len(wrong)} differ from one "
          f"worker's; {len(left)} unfinished folders left")
    return int(bool(wrong or left))


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 1))
