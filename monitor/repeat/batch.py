"""Analyses many recordings again, on all cores or on a cluster; what is done stays done, one bad one never stops the rest.

The results go into another folder; the recordings that they come from, with their comments, stay as they are. A journal
there (batch.jsonl) tells what each result rests on, so that a batch that was stopped goes on where it was.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from monitor.repeat.compare.passes import open_trace
from monitor.errors import EnvironmentFault, InputError, MonitorError
from monitor.recording.attribution import from_meta
from monitor.recording.reader import BENCH_PICTURE, CAMERA, JOB, NOZZLE, TRACE
from monitor.version import code_version
from vision.errors import VisionError

__all__ = ["DONE", "FAILED", "JOURNAL", "KEPT", "Outcome", "Task", "analyse_again", "clear_work", "find_tasks", "run_tasks",
           "task_key", "trace_digest"]

JOURNAL, WORK = "batch.jsonl", ".work"
DONE, KEPT, FAILED = "done", "kept", "failed"
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
    """

    name: str
    source: str
    out: str


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


def find_tasks(root: str | Path, out: str | Path) -> list[Task]:
    """All recordings under a root, in order of name.

    Raises
    ------
    InputError
        If there is none, or the results would lie among them.
    """
    from monitor.repeat.library import recordings_under

    root, out = Path(root).resolve(), Path(out).resolve()
    if not root.is_dir():
        raise InputError(f"{root}: no such folder; name the folder that holds the recordings")
    if out == root or root in out.parents:
        raise InputError(f"--out {out}: lies in {root}; name a folder outside, since the recordings stay as they are")
    names = sorted(path for path, _ in recordings_under(root))
    if not names:
        raise InputError(f"{root}: no recordings there; name a folder that holds what `plumeline analyse` wrote")
    return [Task(name, str(root / name), str(out / (root.name if name == "." else name))) for name in names]


def run_tasks(tasks: Sequence[Task], out: Path, *, n_workers: int = 1, scheduler: str | None = None,
              tell: Tell = lambda name, share: None) -> Iterator[Outcome]:
    """Work through the tasks; outcomes come as they are ready, and the journal holds them.

    Parameters
    ----------
    tasks : sequence of Task
    out : Path
        Folder of the results and the journal.
    n_workers : int
        Processes on this machine; not used with a scheduler.
    scheduler : str, optional
        Address of a Dask scheduler whose workers see the same folders.
    tell : function
        Takes a task's name and the share of it that is done.
    """
    out.mkdir(parents=True, exist_ok=True)
    before = _read_journal(out / JOURNAL)
    todo = []
    for task in tasks:
        known = before.get(task.name)
        if known is not None and (Path(task.out) / TRACE).is_file() and known.key == _key_or_nothing(task):
            yield replace(known, state=KEPT)
        else:
            todo.append(task)
    if scheduler:
        from monitor.repeat.batch_cluster import run_on_cluster

        outcomes = run_on_cluster(todo, scheduler)
    else:
        from monitor.repeat.batch_workers import run_on_cores

        outcomes = run_on_cores(todo, n_workers, tell)
    try:
        for outcome in outcomes:
            _append(out / JOURNAL, outcome)
            yield outcome
    finally:
        outcomes.close()


def analyse_again(task: Task, tell: Tell = lambda name, share: None) -> Outcome:
    """Analyse one recording from its video and the files it keeps; never raises for a fault of input or machine."""
    start = time.monotonic()
    try:
        key = task_key(task)
        digest = _analyse(task, lambda done, whole: tell(task.name, done / whole if whole > 0 else 0.0))
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
    for path in (folder / JOB, folder / CAMERA, folder / NOZZLE, folder / BENCH_PICTURE, folder / "heat.toml", _video(folder)):
        total.update(path.name.encode() + b"\0")
        if path.is_file():
            with path.open("rb") as file:
                total.update(hashlib.file_digest(file, "sha256").digest())
    meta, turns = _kept(folder)
    total.update(json.dumps([meta, turns]).encode())
    return total.hexdigest()


def trace_digest(folder: str | Path) -> str:
    """Hash of all that a recording's trace says, row by row and bit by bit; only where its video lies does not count."""
    total = hashlib.sha256()
    with open_trace(Path(folder)) as db:
        tables = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%' "
                                           "ORDER BY name")]
        for table in tables:
            where = "WHERE key != 'video'" if table == "meta" else ""
            total.update(table.encode())
            for row in db.execute(f"SELECT * FROM {table} {where} ORDER BY 1"):
                total.update(repr(tuple(row)).encode())
    return total.hexdigest()


def _analyse(task: Task, progress: Callable[[float, float], None]) -> str:
    from monitor.engine.analyse import analyse, read_inputs
    from monitor.engine.rerun import HEAT, heat_calibration

    source, out = Path(task.source), Path(task.out)
    meta, turns = _kept(source)
    inputs = read_inputs(_video(source), source / JOB, source / CAMERA, source / NOZZLE)
    heat = heat_calibration(str(source / HEAT)) if (source / HEAT).is_file() else None
    made = out.parent / WORK / out.name  # patched there, so that only what is whole has its final name
    made.parent.mkdir(parents=True, exist_ok=True)
    analyse(inputs, made, force=True, by=from_meta(meta), calibration=heat, progress=progress, turns=turns)
    digest = trace_digest(made)
    old = made.with_name(made.name + ".old")
    if out.exists():
        os.replace(out, old)
    os.replace(made, out)
    shutil.rmtree(old, ignore_errors=True)
    clear_work(task)
    return digest


def clear_work(task: Task) -> None:
    """Remove what an unfinished analysis left."""
    work = Path(task.out).parent / WORK
    for name in (Path(task.out).name, Path(task.out).name + ".part"):
        shutil.rmtree(work / name, ignore_errors=True)
    with contextlib.suppress(OSError):  # others still work there
        work.rmdir()


def _kept(folder: Path) -> tuple[dict[str, str], list[list[float | None]]]:
    """What is not measured and has to be taken over: who worked, when, and the knobs that were turned."""
    with open_trace(folder) as db:
        meta = {row["key"]: row["value"] for row in db.execute("SELECT key, value FROM meta")}
        turns = [list(row) for row in db.execute("SELECT t_s, setpoint_c, airflow_l_min FROM station ORDER BY t_s")]
    return {key: meta.get(key, "") for key in ("operator", "started_utc", "recorded_from", "kind")}, turns


def _video(folder: Path) -> Path:
    with open_trace(folder) as db:
        row = db.execute("SELECT value FROM meta WHERE key = 'video'").fetchone()
    if row is None or not row[0]:
        raise InputError(f"{folder}: was made without a video; only `plumeline rerun` can judge it again")
    if not (folder / row[0]).is_file():
        raise InputError(f"{folder / row[0]}: the video is gone; bring it back, or leave this recording out")
    return folder / row[0]


def _key_or_nothing(task: Task) -> str:
    try:
        return task_key(task)
    except (MonitorError, OSError, sqlite3.Error):
        return ""


def _read_journal(path: Path) -> dict[str, Outcome]:
    """The last done outcome of each name; a line that was cut off is passed over."""
    found: dict[str, Outcome] = {}
    if not path.is_file():
        return found
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            outcome = Outcome(**json.loads(line))
        except (ValueError, TypeError):
            continue
        if outcome.state == DONE:
            found[outcome.name] = outcome
    return found


def _append(path: Path, outcome: Outcome) -> None:
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(outcome)) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as fault:
        raise EnvironmentFault(f"{path}: cannot be written: {fault.strerror}") from None
