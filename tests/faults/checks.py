"""Single faults that are brought about and looked at: clocks, gaps, rights, writers at once, old versions, flipped
bits.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import resource
import shutil
import signal
import socket
import stat
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import numpy as np

from monitor.engine.rerun import rerun
from monitor.errors import EnvironmentFault
from monitor.job import parse_job
from monitor.judging.pipeline import Judge
from monitor.recording import recorder as recording
from monitor.recording.export import export_csv
from monitor.recording.manifest import check_manifest
from monitor.recording.reader import open_recording
from monitor.repeat.batch_task import trace_digest
from monitor.repeat.library import Library, Query
from monitor.review.report import write_report
from tests.compare.make import record_passes
from tests.monitor.make import JOB_TEXT, hover, job, track
from tests.monitor.make import result as seen

__all__ = ["clock_jumps", "full_disk", "flipped_bits", "many_writers", "no_rights", "old_versions", "privacy",
           "same_twice", "suspended"]


def small(folder: Path) -> Path:
    """A recording of a second."""
    return record_passes(folder, [12.0], dwell_s=0.4, gap_s=0.2, rate_hz=10.0)


def in_a_child(work: Callable[[], object]) -> bool:
    """Whether a work that changes its process ends well."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            work()
            code = 0
        except BaseException as fault:
            os.write(2, f"{fault!r}\n".encode())
        finally:
            os._exit(code)
    return os.waitpid(child, 0)[1] == 0


def full_disk(into: Path, n: int) -> tuple[int, list[str]]:
    """T4: files may grow to a limit and no further; what was recorded before is there afterwards."""
    lost = []
    for i, limit in enumerate(np.linspace(60_000, 400_000, n).astype(int)):
        folder = into / f"full{i}"

        def record(folder: Path = folder, limit: int = int(limit)) -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            live = recording.Recorder(folder, recording.Origin(JOB_TEXT, "", ""), live=True, reserve_bytes=1000)
            results = hover(Judge(job()), (8.0, lambda t: (0, 0, 12)), rate_hz=20)
            for k, result in enumerate(results):
                if k == 40:
                    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
                live.add(result)
            live.close()
        if not in_a_child(record) or len(open_recording(folder).frames["t_s"]) < 32:
            lost.append(f"full disk at {limit} bytes: what was recorded before is not there")
    return n, lost


def no_rights(into: Path) -> tuple[int, list[str]]:
    """T6: a folder that may not be read is not called damaged, and one that may not be written to ends in one line."""
    folder, lost = small(into / "mine"), []
    into.chmod(0o755)

    def as_another() -> None:
        if os.getuid() == 0:
            os.setgid(65534)
            os.setuid(65534)
        else:
            folder.chmod(0)
        with contextlib.suppress(EnvironmentFault, PermissionError):  # either names the path
            open_recording(folder)
            raise AssertionError("was read")
        with contextlib.suppress(OSError, EnvironmentFault):
            export_csv(open_recording(folder), into / "out")
            raise AssertionError("was written")
    if not in_a_child(as_another):
        lost.append("a folder without rights")
    folder.chmod(0o700)
    return 2, lost


def clock_jumps(into: Path) -> tuple[int, list[str]]:
    """T10: the wall clock jumps while recording; times and durations are those of the frames."""
    lost = []
    for hours in (-1, 1, 24):
        class Jumping(datetime.datetime):
            told = 0

            @classmethod
            def now(cls, tz: datetime.tzinfo | None = None, hours: int = hours) -> datetime.datetime:
                cls.told += 1
                return datetime.datetime(2026, 3, 29, 1, 59, tzinfo=tz) + datetime.timedelta(hours=hours * cls.told)
        with mock.patch.object(recording.datetime, "datetime", Jumping):
            found = open_recording(small(into / f"clock{hours}"))
        times = found.frames["t_s"]
        if (np.diff(times) <= 0).any() or abs(found.meta["duration_s"] - (times[-1] - times[0])) > 1e-9:
            lost.append(f"clock {hours:+} h: durations or order wrong")
    return 3, lost


def suspended(into: Path) -> tuple[int, list[str]]:
    """T11: ten minutes of nothing count as no dwell."""
    judge, place = Judge(job()), (0, 0, 18)
    with recording.Recorder(into / "gap", recording.Origin(JOB_TEXT, "", "")) as out:
        for i in range(40):
            t_s = i / 20 + (600.0 if i >= 20 else 0.0)
            out.add(judge.step(seen(i, track(t_s, place))))
        if (last := judge.finish()) is not None:
            out.add_pass(last)
    dwell_s = sum(p["dwell_s"] for p in open_recording(into / "gap").passes)
    return 1, [] if dwell_s < 5.0 else [f"suspended: {dwell_s:.0f} s of dwell counted"]


def many_writers(into: Path, n: int) -> tuple[int, list[str]]:
    """T20: programs refresh one index at once; nobody is told "locked", and nothing is missing."""
    root = into / "root"
    for i in range(6):
        small(root / f"r{i}") if i == 0 else shutil.copytree(root / "r0", root / f"r{i}")
    children = []
    for _ in range(n):
        child = os.fork()
        if child == 0:
            code = 1
            try:
                with Library(root) as library:
                    library.refresh()
                    code = 0 if len(library.search(Query())) == 6 else 2
            except BaseException as fault:
                os.write(2, f"{fault!r}\n".encode())
            finally:
                os._exit(code)
        children.append(child)
    codes = [os.waitpid(child, 0)[1] for child in children]
    return n, [f"{sum(c != 0 for c in codes)} of {n} writers failed"] if any(codes) else []


def old_versions(into: Path) -> tuple[int, list[str]]:
    """T21: a trace of the first version opens, and is left as it is."""
    from tests.faults.kills import WORKS

    WORKS["migrating"].prepare(into)
    before = (into / "trace.sqlite").read_bytes()
    found = open_recording(into)
    return 1, [] if len(found.frames["t_s"]) == 3 and (into / "trace.sqlite").read_bytes() == before else ["version 1"]


def flipped_bits(into: Path, n: int, seed: int) -> tuple[int, list[str]]:
    """T22: one bit flipped anywhere in a recording is found."""
    rng, folder = np.random.default_rng(seed), small(into / "bits")
    names, missed = sorted(p.name for p in folder.iterdir() if p.stat().st_size), []
    for _ in range(n):
        path = folder / names[rng.integers(len(names))]
        data = bytearray(path.read_bytes())
        at, bit = int(rng.integers(len(data))), int(rng.integers(8))
        data[at] ^= 1 << bit
        path.write_bytes(data)
        if check_manifest(folder).is_whole:
            missed.append(f"{path.name}: bit {bit} of byte {at} not found")
        data[at] ^= 1 << bit
        path.write_bytes(data)
    return n, missed


def privacy(into: Path) -> tuple[int, list[str]]:
    """T23: no socket is opened, and nobody else may read a recording."""
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a socket was opened")
    with mock.patch.object(socket, "socket", refuse):
        found = open_recording(small(into / "private"))
        rights = {p.name: stat.S_IMODE(p.stat().st_mode) for p in (found.folder, *found.folder.iterdir())}
        write_report(found, into / "report.html")
        export_csv(found, into / "tables")
    return len(rights), [f"{name}: {mode:o}" for name, mode in rights.items() if mode & 0o077]


def same_twice(into: Path) -> tuple[int, list[str]]:
    """T24: the same trace judged twice gives the same bits."""
    found = open_recording(small(into / "one"))
    digests = set()
    for name in ("two", "three"):
        again = rerun(found, parse_job(found.job_text), found.job_text, into / name)
        digests.add(str([again.heat, again.passes, again.warnings, again.frames["height_mm"].tolist()]))
    return 2, [] if len(digests) == 1 and len(trace_digest(into / "two")) == 64 else ["two runs differ"]
