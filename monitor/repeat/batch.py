"""Analyses many recordings again, on all cores or on a cluster; what is done stays done, one bad one never stops the
rest.

The results go into another folder; the recordings that they come from, with their comments, stay as they are. A journal
there (batch.jsonl) tells what each result rests on, so that a batch that was stopped goes on where it was.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from monitor.errors import EnvironmentFault, InputError, MonitorError
from monitor.recording.reader import TRACE
from monitor.repeat.batch_cluster import run_on_cluster
from monitor.repeat.batch_task import BEGUN, DONE, FAILED, KEPT, Outcome, Task, Tell, task_key, trace_digest
from monitor.repeat.batch_workers import run_on_cores
from monitor.repeat.library import recordings_under

__all__ = ["JOURNAL", "find_tasks", "run_tasks"]

JOURNAL = "batch.jsonl"


def find_tasks(root: str | Path, out: str | Path) -> list[Task]:
    """All recordings under a root, in order of name.

    Raises
    ------
    InputError
        If there is none, or the results would lie among them.
    """
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
        outcomes = run_on_cluster(todo, scheduler)
    else:
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
