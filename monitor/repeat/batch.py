"""Analyses many recordings again, on all cores or on a cluster; what is done stays done, one bad one never stops the
rest.

The results go into another folder; the recordings that they come from, with their comments, stay as they are. A journal
there (batch.jsonl) tells what each result rests on, so that a batch that was stopped goes on where it was.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from monitor.errors import EnvironmentFault, InputError, MonitorError
from monitor.recording import schema
from monitor.recording.attribution import from_meta
from monitor.recording.folder import HEAT, is_live, remove_own
from monitor.recording.folder_lock import is_locked
from monitor.recording.reader import BENCH_PICTURE, CAMERA, JOB, NOZZLE, TRACE, read_meta
from monitor.repeat.compare.passes import open_trace
from monitor.version import code_version
from vision.errors import VisionError

__all__ = ["DONE", "FAILED", "JOURNAL", "KEPT", "Outcome", "Task", "analyse_again", "clear_work", "find_tasks",
           "run_tasks",
           "task_key", "trace_digest"]

JOURNAL = "batch.jsonl"
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
    before, todo = _read_journal(out / JOURNAL), []
    for task in tasks:
        lines, key = before.get(task.name, []), _key_or_nothing(task)
        done = next((line for line in reversed(lines) if line.state == DONE), None)
        if done is not None and (Path(task.out) / TRACE).is_file() and done.key == key:
            yield replace(done, state=KEPT)
            continue
        _append(out / JOURNAL, Outcome(task.name, BEGUN, key))
        todo.append(replace(task, before=(*((line.key, line.digest) for line in lines), (key, ""))))
    if scheduler:
        from monitor.repeat.batch_cluster import run_on_cluster

        outcomes = run_on_cluster(todo, scheduler)
    else:
        from monitor.repeat.batch_workers import run_on_cores

        outcomes = run_on_cores(todo, n_workers, tell)
    try:
        by_name = {task.name: task for task in todo}
        for told in outcomes:
            outcome = _checked(told, by_name[told.name])
            _append(out / JOURNAL, outcome)
            yield outcome
    finally:
        outcomes.close()


def _checked(outcome: Outcome, task: Task) -> Outcome:
    """What a worker says is done, looked at from here: whole, where it should be, and as it was told."""
    if outcome.state != DONE:
        return outcome
    fault = ""
    try:
        if not (Path(task.out) / TRACE).is_file():
            fault = f"{task.out}: a worker says it is done, but it is not there; do all workers see the same folders?"
        elif trace_digest(task.out) != outcome.digest:
            fault = f"{task.out}: is not what the worker wrote; do all workers see the same folders?"
    except (MonitorError, OSError, sqlite3.Error) as unread:
        fault = f"{task.out}: cannot be read ({unread})"
    return replace(outcome, state=FAILED, key="", digest="", fault=" ".join(fault.split())) if fault else outcome


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
    from monitor.engine.analyse import analyse, read_inputs
    from monitor.heat.shelf import heat_calibration

    source, out = Path(task.source), Path(task.out)
    _check_replaceable(task)
    meta, turns = _kept(source)
    inputs = read_inputs(_video(source), source / JOB, source / CAMERA, source / NOZZLE)
    heat = heat_calibration(str(source / HEAT)) if (source / HEAT).is_file() else None
    analyse(inputs, out, force=True, by=from_meta(meta), calibration=heat, progress=progress, turns=turns,
            meta={MADE_FOR: key})
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
    if part.is_dir() and not is_locked(part) and not is_live(part):
        remove_own(part)


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


def _key_or_nothing(task: Task) -> str:
    try:
        return task_key(task)
    except (MonitorError, OSError, sqlite3.Error):
        return ""


def _read_journal(path: Path) -> dict[str, list[Outcome]]:
    """What was begun and done under each name, in order; a line that was cut off is passed over."""
    found: dict[str, list[Outcome]] = {}
    if path.is_symlink() or (path.exists() and not path.is_file()):
        raise InputError(f"{path}: is a link or no plain file; name another folder with --out")
    if not path.is_file():
        return found
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            outcome = Outcome(**json.loads(line))
        except (ValueError, TypeError, RecursionError):
            continue
        if outcome.state in (BEGUN, DONE) and all(isinstance(v, str)
                                                  for v in (outcome.name, outcome.key, outcome.digest)):
            found.setdefault(outcome.name, []).append(outcome)
    return found


def _append(path: Path, outcome: Outcome) -> None:
    try:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(outcome)) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as fault:
        raise EnvironmentFault(f"{path}: cannot be written: {fault.strerror}") from None
