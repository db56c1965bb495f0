"""Marks of how a person sees the joints, written into a finished recording; what is taken back stays as taken back."""

from __future__ import annotations

import datetime
import sqlite3
from pathlib import Path

from monitor.errors import EnvironmentFault, MonitorError
from monitor.judging.marks import JointMark
from monitor.recording.manifest import check_manifest, renew_manifest
from monitor.recording.reader import TRACE, Recording
from monitor.recording.trace_file import trace_for_writing

__all__ = ["add_mark", "take_back_last"]


def add_mark(recording: Recording, t_s: float, kind: str, author: str) -> JointMark:
    """Keep a mark; EnvironmentFault when the recording may only be read."""
    mark = JointMark(t_s, kind, author, _now())
    _write(
        recording.folder,
        "INSERT INTO marks (t_s, kind, author, made_utc) VALUES (?, ?, ?, ?)",
        (mark.t_s, mark.kind, mark.author, mark.made_utc),
    )
    recording.marks.append({"t_s": t_s, "kind": kind, "author": author, "made_utc": mark.made_utc, "undone_utc": None})
    return mark


def take_back_last(recording: Recording) -> JointMark | None:
    """Take back the mark that was made last; None when none stands."""
    standing = [m for m in recording.marks if m["undone_utc"] is None]
    if not standing:
        return None
    last, undone = max(standing, key=lambda m: m["made_utc"]), _now()
    _write(
        recording.folder,
        "UPDATE marks SET undone_utc = ? WHERE t_s = ? AND kind = ? AND made_utc = ?",
        (undone, last["t_s"], last["kind"], last["made_utc"]),
    )
    last["undone_utc"] = undone
    return JointMark(last["t_s"], last["kind"], last["author"], last["made_utc"], undone)


def _write(folder: Path, sql: str, values: tuple[object, ...]) -> None:
    path = folder / TRACE
    try:
        before = check_manifest(folder, (TRACE,))
        with trace_for_writing(path) as db:
            db.execute(sql, values)
        renew_manifest(folder, (TRACE,), before)
    except (sqlite3.OperationalError, OSError, MonitorError) as fault:
        raise EnvironmentFault(f"{path}: the mark cannot be saved: {fault}; is the recording yours to write?") from None


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")
