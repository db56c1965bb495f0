"""One recording analysed again: what the result rests on, what may be replaced, and what became of it."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.errors import InputError, MonitorError
from monitor.recording import schema
from monitor.recording.attribution import from_meta
from monitor.recording.claim import remove_unfinished
from monitor.recording.folder import HEAT
from monitor.recording.reader import BENCH_PICTURE, CAMERA, JOB, NOZZLE, TRACE, read_meta
from monitor.repeat.compare.passes import open_trace
from monitor.version import code_version
from vision.errors import VisionError

__all__ = ["BEGUN", "DONE", "FAILED", "KEPT", "Outcome", "Task", "Tell", "analyse_again", "clear_work", "task_key",
           "trace_digest"]

DONE, KEPT, FAILED, BEGUN = "done", "kept", "failed", "begun"
MADE_FOR = "batch_key"  # in the meta of a result: what it rests on
Tell = Callable[[str, float], None]  # name, share done


@dataclass(frozen=True)
class Task:
    """One recording to analyse again.

    Attributes
    ----------
    name : str
        Path below the root.
    source, out : str
        Folders; strings, so that a task travels to another process as it is.
    before : tuple of (str, str)
        Key and digest of what the journal says was begun or made here before; the digest is empty for what was begun.
    """

    name: str
    source: str
    out: str
    before: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Outcome:
    """What became of a task.

    Attributes
    ----------
    name, state : str
        State is DONE, KEPT (done before, from the same files) or FAILED.
    key : str
        Hash of everything that the result rests on.
    digest : str
        Hash of what the trace says; the same files give the same digest, however the work was spread.
    fault : str
        One line; empty unless FAILED.
    took_s : float
    """

    name: str
    state: str
    key: str = ""
    digest: str = ""
    fault: str = ""
    took_s: float = 0.0


def analyse_again(task: Task, tell: Tell = lambda name, share: None) -> Outcome:
    """Analyse one recording from its video and the files it keeps; never raises for a fault of input or machine."""
    start = time.monotonic()
    try:
        key = task_key(task)
        digest = _analyse(task, key, lambda done, whole: tell(task.name, done / whole if whole > 0 else 0.0))
        return Outcome(task.name, DONE, key, digest, "", round(time.monotonic() - start, 2))
    except (MonitorError, VisionError, OSError, sqlite3.Error) as fault:
        text = str(fault)
    except Exception as fault:  # noqa: BLE001 - one bad recording never stops the rest
        text = f"a fault in plumeline itself ({type(fault).__name__}: {fault})"
    clear_work(task)
    return Outcome(task.name, FAILED, "", "", " ".join(text.split()), round(time.monotonic() - start, 2))


def task_key(task: Task) -> str:
    """Hash of everything that a result rests on: video, job, calibrations, knobs turned, version of the program.

    Raises
    ------
    InputError
        When something is missing.
    """
    folder, total = Path(task.source), hashlib.sha256(code_version().encode())
    for name in (JOB, CAMERA, NOZZLE):
        if not (folder / name).is_file():
            raise InputError(f"{folder / name}: missing; a recording keeps its files there")
    for path in (folder / JOB, folder / CAMERA, folder / NOZZLE, folder / BENCH_PICTURE, folder / HEAT, _video(folder)):
        total.update(path.name.encode() + b"\0")
        if path.is_file():
            with path.open("rb") as file:
                total.update(hashlib.file_digest(file, "sha256").digest())
    meta, turns = _kept(folder)
    total.update(json.dumps([meta, turns]).encode())
    return total.hexdigest()


def trace_digest(folder: str | Path) -> str:
    """Hash of all that the program says in a recording's trace, row by row and bit by bit.

    Where its video lies, how it was made and what people added do not count.
    """
    total = hashlib.sha256()
    with open_trace(Path(folder)) as db:
        tables = [r[0]
                  for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' "
                                           "ORDER BY name")]
        for table in tables:
            if table in schema.PERSONAL_TABLES:
                continue
            total.update(table.encode())
            for row in db.execute(f"SELECT * FROM {table} ORDER BY 1"):
                if table != "meta" or row[0] not in ("video", "live", MADE_FOR, *schema.PERSONAL_KEYS):
                    total.update(repr(tuple(row)).encode())
    return total.hexdigest()


def _analyse(task: Task, key: str, progress: Callable[[float, float], None]) -> str:
    from monitor.engine.analyse import Filming, analyse, read_inputs
    from monitor.heat.shelf import heat_calibration

    source, out = Path(task.source), Path(task.out)
    _check_replaceable(task)
    meta, turns = _kept(source)
    inputs = read_inputs(_video(source), source / JOB, source / CAMERA, source / NOZZLE)
    heat = heat_calibration(str(source / HEAT)) if (source / HEAT).is_file() else None
    filming = Filming(from_meta(meta), turns, {MADE_FOR: key})
    analyse(replace(inputs, heat=heat), out, filming, force=True, progress=progress)
    return trace_digest(out)


def _check_replaceable(task: Task) -> None:
    """Replace only what this batch made and nobody has touched since; what people added is carried over by the
    recorder.
    """
    out = Path(task.out)
    if not out.is_dir() or not any(out.iterdir()):
        return
    hint = "move it away, or name another folder with --out"
    if not (out / TRACE).exists():
        raise InputError(f"{out}: is there already and no recording; {hint}")
    with open_trace(out, ("meta",)) as db:
        row = db.execute("SELECT value FROM meta WHERE key = ?", (MADE_FOR,)).fetchone()
    known = {digest for key, digest in task.before if row is not None and key == row[0]}
    if not known:
        raise InputError(f"{out}: a recording is there that this batch did not make; {hint}")
    if known != {""} and trace_digest(out) not in known:  # not noted as done: the program was stopped just before
        raise InputError(f"{out}: was changed since the batch made it; {hint}")


def clear_work(task: Task) -> None:
    """Remove what an unfinished analysis left."""
    part = Path(task.out + ".part")
    if part.is_dir() and not part.is_symlink():
        remove_unfinished(part)


def _kept(folder: Path) -> tuple[dict[str, str], list[tuple[float, float | None, float | None]]]:
    """What is not measured and has to be taken over: who worked, when, and the knobs that were turned."""
    with open_trace(folder, ("meta", "station")) as db:
        meta = read_meta(db, folder)
        knobs = db.execute("SELECT t_s, setpoint_c, airflow_l_min FROM station ORDER BY t_s")
        turns = [(t_s, setpoint_c, airflow_l_min) for t_s, setpoint_c, airflow_l_min in knobs]
    return {key: meta.get(key, "") for key in ("operator", "started_utc", "recorded_from", "kind")}, turns


def _video(folder: Path) -> Path:
    with open_trace(folder, ("meta",)) as db:
        name = read_meta(db, folder).get("video", "")
    if not name:
        raise InputError(f"{folder}: was made without a video; only `plumeline rerun` can judge it again")
    if not (folder / name).is_file():
        raise InputError(f"{folder / name}: the video is gone; bring it back, or leave this recording out")
    return folder / name
