"""Gives hostile files to what reads them, each in a process of its own with limits, and counts what becomes of them."""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import logging
import os
import resource
import select
import shutil
import signal
import sqlite3
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from monitor.cli.main import _run
from monitor.errors import InputError
from monitor.files import read_table
from monitor.heat.calibration import Calibration, load_calibration, save_calibration
from monitor.heat.uncertainty import PARAMETERS, Knowledge
from monitor.job import load_job
from monitor.recording.export import export_csv
from monitor.recording.reader import open_recording
from monitor.review.playback import Playback
from tests.compare.make import record_passes
from tests.faults.mutants import mutated, mutated_text
from tests.monitor.numbered import write_numbered
from vision.calibrate.nozzle_file import load_nozzle
from vision.camera.model import load_camera
from vision.camera.sources import open_video, read_photo

__all__ = ["KINDS", "Count", "run_kind"]

ROOT = Path(__file__).parents[2]
CPU_S, WALL_S, LARGEST_BYTES = 10, 120, 1 << 30
AT_ONCE = 40  # inputs a process
Use = Callable[[Path], object]


@dataclass
class Count:
    """What became of hostile inputs."""

    codes: Counter[int] = field(default_factory=Counter)
    n: int = 0
    faults: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    largest_bytes: int = 0

    @property
    def sentence(self) -> str:
        """In one line."""
        codes = ", ".join(f"{n} exit {code}" for code, n in sorted(self.codes.items()))
        return (f"{self.n} inputs: {codes}; slowest {self.slowest_s:.1f} s of processor, at most "
                f"{self.largest_bytes >> 20} MB more; "
                f"{len(self.faults)} faults")


@dataclass(frozen=True)
class Kind:
    """A kind of file: how one is made from a good one, and who reads it."""

    good: Callable[[Path], list[Path]]
    change: Callable[[Path, Path, np.random.Generator], Path]
    use: Use


def run_kind(name: str, n: int, seed: int, into: Path) -> Count:
    """Try n hostile files of a kind; a crash, a hang, too much memory, exit code 5 or a changed input is a fault."""
    kind, count, done = KINDS[name], Count(), 0
    good = kind.good(into)
    while done < n:
        todo = list(range(done, min(n, done + AT_ONCE)))
        for i, said in _in_a_child(lambda i: _one(kind, good, np.random.default_rng([seed, i]), into), todo):
            count.n += 1
            code, cpu_s, size, words = said
            count.codes[code] += 1
            count.slowest_s, count.largest_bytes = max(count.slowest_s, cpu_s), max(count.largest_bytes, size)
            if code not in (0, 1, 2, 3, 4) or size > LARGEST_BYTES or words.startswith("lost"):
                count.faults.append(f"{name}, seed {seed}, input {i}: code {code}: {words[:300]}")
            done = i + 1
    return count


def _one(kind: Kind, good: list[Path], rng: np.random.Generator, into: Path) -> tuple[int, float, int, str]:
    with tempfile.TemporaryDirectory(dir=into) as scratch:
        path = kind.change(good[rng.integers(len(good))], Path(scratch), rng)
        before, begin_s, err = _digest(path), time.process_time(), io.StringIO()
        with contextlib.redirect_stderr(err), contextlib.redirect_stdout(io.StringIO()):
            code = _run(argparse.Namespace(run=lambda args: (kind.use(path), 0)[1], command="faults", debug=False))
        words = err.getvalue().strip()
        if _digest(path) != before:
            words = f"lost: the input was changed; {words}"
        if code and ("\n" in words or "Traceback" in words):
            code = 5
        return code, time.process_time() - begin_s, _peak_bytes(), words


def _peak_bytes() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _digest(path: Path) -> str:
    files = sorted(path.rglob("*")) if path.is_dir() else [path]
    return hashlib.sha256(b"".join(f.name.encode() + f.read_bytes() for f in files if f.is_file())).hexdigest()


def _in_a_child(work: Callable[[int], tuple[int, float, int, str]], todo: list[int]) -> Iterator[tuple[int, tuple]]:
    """Results of inputs in order; the last one given when the child dies is the one that killed it."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        log = logging.getLogger("plumeline")  # as the command line does, which writes to a file
        log.addHandler(logging.NullHandler())
        log.propagate = False
        held = _peak_bytes()  # by the process that this one was forked from
        try:
            for i in todo:
                signal.setitimer(signal.ITIMER_PROF, CPU_S)  # SIGPROF ends the process
                code, cpu_s, peak, words = work(i)
                os.write(write, (repr((i, (code, cpu_s, peak - held, words))) + "\n").encode())
        except BaseException as fault:
            os.write(write, (repr((i, (5, 0.0, 0, repr(fault)))) + "\n").encode())
        finally:
            os._exit(0)
    os.close(write)
    at = 0
    with os.fdopen(read, "rb") as said:
        while at < len(todo) and select.select([said], [], [], WALL_S)[0]:
            line = said.readline()
            if not line:
                break
            yield eval(line)
            at += 1
    with contextlib.suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)
    status = os.waitpid(child, 0)[1]
    if at < len(todo):
        yield todo[at], (-1, float(CPU_S), 0, f"killed: status {status}")


def _file(change: Callable[[bytes, np.random.Generator], bytes]) -> Callable[[Path, Path, np.random.Generator], Path]:
    def make(good: Path, scratch: Path, rng: np.random.Generator) -> Path:
        path = scratch / good.name
        path.write_bytes(change(good.read_bytes(), rng))
        return path
    return make


SQL = ("CREATE TRIGGER t AFTER INSERT ON meta BEGIN DELETE FROM frames; END",
       "CREATE VIEW v AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT x FROM c",
       "CREATE VIRTUAL TABLE v USING fts5(x)", "PRAGMA user_version = 99", "PRAGMA user_version = -3",
       "PRAGMA application_id = 7",
       "ALTER TABLE drops ADD COLUMN d INTEGER GENERATED ALWAYS AS (count * 2)", "DROP TABLE passes", "DROP TABLE heat",
       "UPDATE frames SET t_s = 1e15", "UPDATE frames SET t_s = t_s * 1e6", "UPDATE frames SET t_s = -t_s",
       "DELETE FROM frames",
       "UPDATE meta SET value = hex(zeroblob(3000000)) WHERE key = 'operator'",
       "UPDATE heat SET temp_c = '[' || temp_c")
VALUES = ("NULL", "9e999", "-9e999", "1e15", "'x'", "x'00'", "''", "-1", "zeroblob(3000000)", "'{\"a\": [1, 2]}'",
          "'[[[['", "1 << 62", "0.5")


def _trace(good: Path, scratch: Path, rng: np.random.Generator) -> Path:
    folder = scratch / "r"
    shutil.copytree(good, folder)
    if rng.random() < 0.6:
        path = folder / "trace.sqlite"
        path.write_bytes(mutated(path.read_bytes(), rng))
        return folder
    with contextlib.closing(sqlite3.connect(folder / "trace.sqlite", isolation_level=None)) as db:
        columns = [(t, c[1]) for (t,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
                   for c in db.execute(f"PRAGMA table_info({t})")]
        for _ in range(rng.integers(1, 4)):
            table, column = columns[rng.integers(len(columns))]
            with contextlib.suppress(sqlite3.Error):
                db.execute(SQL[rng.integers(len(SQL))] if rng.random() < 0.25 else
                           f"UPDATE {table} SET {column} = {VALUES[rng.integers(len(VALUES))]}")
    return folder


def _use_trace(folder: Path) -> None:
    export_csv(open_recording(folder), folder.with_name("out"))


def _use_video(path: Path) -> None:
    with open_video(path) as video:
        for _ in video:
            pass
    with Playback(path) as video:
        video.frame(len(video) - 1)


def _recordings(into: Path) -> list[Path]:
    folder = into / "good"
    if not folder.exists():
        record_passes(folder, [12.0, 14.0], heat=True, dwell_s=0.6, gap_s=0.4, rate_hz=10.0, operator="T7")
    return [folder]


def _videos(into: Path) -> list[Path]:
    kinds = {"a.mkv": "libx264", "b.mp4": "libx264", "c.ts": "libx264", "d.avi": "mjpeg"}
    return [write_numbered(into / name, np.arange(12) / 10, codec, (320, 240)) for name, codec in kinds.items()]


def _pictures(into: Path) -> list[Path]:
    image = np.random.default_rng(0).integers(0, 255, (60, 80, 3), np.uint8)
    for name in ("a.png", "b.jpg"):
        (into / name).write_bytes(cv2.imencode(name[1:], image)[1].tobytes())
    return [into / "a.png", into / "b.jpg"]


def _tables(into: Path) -> list[Path]:
    (into / "t.csv").write_text("t_s,temp_c\n" + "".join(f"{i},{20 + i}\n" for i in range(40)))
    return [into / "t.csv"]


def _heat(into: Path) -> list[Path]:
    n = len(PARAMETERS)
    knowledge = Knowledge(np.zeros(n), 0.5 * np.eye(n), True, "made for this", 0.1, (0.005, 0.03))
    save_calibration(Calibration(knowledge, 1.6e-3, ((35e-6, 0.4), (35e-6, 0.6)), 6e-3, 5e-4, (0.005, 0.03), 2.0,
                                 ("jet",)), into / "h.toml")
    return [into / "h.toml"]


KINDS = {
    "video": Kind(_videos, _file(mutated), _use_video),
    "trace": Kind(_recordings, _trace, _use_trace),
    "job": Kind(lambda into: [ROOT / "sample_video" / "job.toml", ROOT / "calibration" / "job_example.toml"],
                _file(mutated_text), load_job),
    "camera": Kind(lambda into: [ROOT / "sample_video" / "camera.toml"], _file(mutated_text), load_camera),
    "nozzle": Kind(lambda into: [ROOT / "sample_video" / "nozzle.toml"], _file(mutated_text), load_nozzle),
    "heat": Kind(_heat, _file(mutated_text), load_calibration),
    "picture": Kind(_pictures, _file(mutated), read_photo),
    "table": Kind(_tables, _file(mutated_text), lambda path: read_table(path, ("t_s", "temp_c"), "table", InputError)),
}
