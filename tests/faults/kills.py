"""Kills a process at every step that it takes on the disk, and at moments in between, and looks what stands under the
names afterwards.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np

from monitor.judging.pipeline import Judge
from monitor.recording.comments import Comment, comments_of, save_comments
from monitor.recording.export import export_csv
from monitor.recording.reader import open_recording
from monitor.recording.recorder import Origin, Recorder
from monitor.repeat import batch, batch_task
from monitor.repeat.library import Library, Query
from tests.compare.make import record_passes
from tests.monitor.made_recording import make_recording
from tests.monitor.make import hover, job
from vision.calibrate.nozzle_file import NozzleCalibration, load_nozzle, save_nozzle
from vision.camera.model import CameraModel, load_camera, save_camera
from vision.fit.bias import DEFAULT_BIAS

__all__ = ["WORKS", "Kills", "kill_at_steps"]

STEPS = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.symlink", "sqlite3.connect", "ctypes.dlsym",
         "os.chmod"}
SAID = [Comment(0.2, "keep me", "INS1", made_utc="2026-01-01")]
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Kills:
    """How often a work was killed, of how many steps, and what was lost."""

    n: int
    n_steps: int
    lost: tuple[str, ...]


@dataclass(frozen=True)
class Work:
    """What is done in a folder, and what must hold in it afterwards, be it done or not."""

    prepare: Callable[[Path], None]
    do: Callable[[Path], object]
    check: Callable[[Path], object]


def kill_at_steps(name: str, n: int, into: Path) -> Kills:
    """Kill a work n times: at steps spread over all of it and, where it takes fewer, at moments spread likewise."""
    work, good = WORKS[name], into / "good"
    good.mkdir()
    work.prepare(good)
    whole = shutil.copytree(good, into / "whole", symlinks=True)
    n_steps, took_s = _run(work, whole)
    work.check(whole)
    steps = sorted({round(s) for s in np.linspace(1, n_steps, min(n, n_steps))})
    moments = np.linspace(0.0, took_s, n - len(steps) + 2)[1:-1]
    lost = []
    for last, after_s in [*((step, None) for step in steps), *((None, float(t)) for t in moments)]:
        here = shutil.copytree(good, into / "killed", symlinks=True)
        _run(work, here, last, after_s)
        try:
            work.check(here)
        except Exception as fault:
            when = f"step {last} of {n_steps}" if last else f"{1000 * after_s:.1f} of {1000 * took_s:.1f} ms"
            lost.append(f"{name}, killed at {when}: {type(fault).__name__}: {fault}")
        shutil.rmtree(here)
    return Kills(n, n_steps, tuple(lost))


def _run(work: Work, here: Path, last: int | None = None, after_s: float | None = None) -> tuple[int, float]:
    """Do the work in a process of its own, killed at a step or so long after it began; the number of steps, and how
    long they took, when it is not."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        count = [0]

        def watch(event: str, arguments: tuple) -> None:
            if event not in STEPS or (event == "open"
                                      and not (arguments[1] is None or set(str(arguments[1])) & set("wax+"))):
                return
            if event == "ctypes.dlsym" or str(here) in os.fsdecode(str(arguments[0])):
                count[0] += 1
                if count[0] == last:
                    os.kill(os.getpid(), signal.SIGKILL)
        try:
            sys.addaudithook(watch)
            os.write(write, b".")
            begin_s = time.perf_counter()
            work.do(here)
        except BaseException as fault:
            os.write(2, f"{fault!r}\n".encode())
        finally:
            os.write(write, f"{count[0]} {time.perf_counter() - begin_s}".encode())
            os._exit(0)
    os.close(write)
    with os.fdopen(read, "rb", buffering=0) as said:
        said.read(1)  # it begins
        if after_s is not None:
            time.sleep(after_s)
            os.kill(child, signal.SIGKILL)
        text = said.readall().decode()
    os.waitpid(child, 0)
    n_steps, _, took_s = text.partition(" ")
    return int(n_steps or 0), float(took_s or 0.0)


def _keeps(folder: Path) -> None:
    assert [c.text for c in comments_of(open_recording(folder))] == ["keep me"], "the comment is gone"


def _prepare_replace(here: Path) -> None:
    save_comments(record_passes(here / "r", [12.0], dwell_s=0.3, gap_s=0.2, rate_hz=10.0), SAID)


def _replace(here: Path) -> None:
    recording = open_recording(here / "r")
    text = recording.job_text.replace("setpoint_c = 360", "setpoint_c = 400")
    with Recorder(here / "r", Origin(text, "# camera\n", "# nozzle\n", source=recording.folder), force=True) as out:
        for result in hover(Judge(job()), (0.5, lambda t: (0, 0, 12)), rate_hz=10):
            out.add(result)


def _prepare_old(here: Path) -> None:
    with contextlib.closing(sqlite3.connect(here / "trace.sqlite")) as db:
        db.executescript(next((ROOT / "tests" / "data" / "trace_v1").glob("*.sql")).read_text(encoding="utf-8"))
    (here / "job.toml").write_text("", encoding="utf-8")


def _check_old(here: Path) -> None:
    found = open_recording(here)
    assert len(found.frames["frame"]) == 3 and [c.text for c in comments_of(found)] in ([], ["keep me"])


def _prepare_export(here: Path) -> None:
    _prepare_replace(here)
    export_csv(open_recording(here / "r"), here / "out")
    save_comments(here / "r", [*SAID, Comment(0.3, "and me", made_utc="2026-01-01")])


def _check_export(here: Path) -> None:
    rows = (here / "out" / "comments.csv").read_text().splitlines()
    assert len(rows) in (2, 3) and len((here / "out" / "track.csv").read_text().splitlines()) > 5
    json.loads((here / "out" / "about.json").read_text())


def _prepare_index(here: Path) -> None:
    for name in ("a", "b"):
        record_passes(here / name, [12.0], dwell_s=0.3, gap_s=0.2, rate_hz=10.0)


def _index(here: Path) -> None:
    with Library(here) as library:
        library.refresh()


def _check_index(here: Path) -> None:
    with Library(here) as library:
        library.refresh()
        assert [e.path for e in library.search(Query())] and not any(e.fault for e in library.search(Query()))
        assert len(library.search(Query())) == 2


def _camera(focal_px: float) -> CameraModel:
    return CameraModel([[focal_px, 0, 320], [0, focal_px, 240], [0, 0, 1]], [0.0] * 5, (640, 480), 0.1, 0.5)


def _calibrate(here: Path, focal_px: float = 600.0) -> None:
    save_camera(here / "camera.toml", _camera(focal_px))
    save_nozzle(here / "nozzle.toml", NozzleCalibration("abc", 8.0, 0.0, DEFAULT_BIAS, focal_px / 1000, 9,
                                                        np.zeros((40, 40, 3), np.uint8)))


def _check_calibrate(here: Path) -> None:
    assert load_camera(here / "camera.toml").focal_px in (500.0, 600.0)
    found = load_nozzle(here / "nozzle.toml")
    assert found.height_error_rms_mm in (0.5, 0.6) and found.bench is not None


def _prepare_batch(here: Path) -> None:
    (here / "in").mkdir()
    make_recording(here / "in" / "r", duration_s=0.5, video=True)
    _batch(here)
    save_comments(here / "out" / "r", SAID)
    path = here / "in" / "r" / "job.toml"
    path.write_text(path.read_text() + "# another\n")


def _batch(here: Path) -> None:
    """A batch whose analysis is short: the results are what counts here."""
    from monitor.engine import analyse

    def quick(inputs: analyse.Inputs, out: Path, filming: analyse.Filming, **options: object) -> None:
        with Recorder(out, Origin(inputs.job_text, "# camera\n", "# nozzle\n", inputs.clip, copy_video=True,
                                  meta=filming.meta), force=True):
            pass
    def inputs_of(clip: Path, job: Path, *others: Path) -> analyse.Inputs:
        return analyse.Inputs(clip, None, Path(job).read_text(), None, "", Path(), "")

    def one_by_one(tasks: list[batch_task.Task], *options: object) -> Iterator[batch_task.Outcome]:
        return (batch_task.analyse_again(task) for task in tasks)
    with mock.patch.object(analyse, "analyse", quick), mock.patch.object(analyse, "read_inputs", inputs_of), \
            mock.patch.object(batch, "run_on_cores", one_by_one):
        for outcome in batch.run_tasks(batch.find_tasks(here / "in", here / "out"), here / "out"):
            assert outcome.state != batch_task.FAILED, outcome.fault


def _check_batch(here: Path) -> None:
    _keeps(here / "out" / "r")
    _batch(here)
    _keeps(here / "out" / "r")
    assert open_recording(here / "out" / "r").job_text.endswith("# another\n")


WORKS = {
    "replacing": Work(_prepare_replace, _replace, lambda here: _keeps(here / "r")),
    "migrating": Work(_prepare_old, lambda here: save_comments(here, SAID), _check_old),
    "exporting": Work(_prepare_export, lambda here: export_csv(open_recording(here / "r"), here / "out"),
                      _check_export),
    "indexing": Work(_prepare_index, _index, _check_index),
    "calibrating": Work(lambda here: _calibrate(here, 500.0), _calibrate, _check_calibrate),
    "batching": Work(_prepare_batch, _batch, _check_batch),
}
