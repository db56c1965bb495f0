"""Reads a recording: the folder that `monitor.recording.recorder` writes.

What a crash left as NAME.part is finished when it is next opened.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import InputError
from monitor.files import write_text_whole
from monitor.recording import schema
from monitor.recording.folder_lock import is_locked

__all__ = ["Recording", "open_recording", "recover_leftovers", "TRACE", "JOB", "CAMERA", "NOZZLE", "META", "PICTURE",
           "BENCH_PICTURE", "RESERVE"]

TRACE, JOB, CAMERA, NOZZLE, META, PICTURE = (
    "trace.sqlite", "job.toml", "camera.toml", "nozzle.toml", "meta.json", "board.png")
BENCH_PICTURE = "nozzle.bench.jpg"
RESERVE = "reserve.bin"
ROWS_AT_ONCE = 300  # read from a trace: few enough that a window beside stays quick
log = logging.getLogger("plumeline.recording")
@dataclass(frozen=True)
class Recording:
    """A recording read back.

    Attributes
    ----------
    folder : Path
    meta : dict
    job_text : str
    frames : dict of column name to array
        One entry a frame; nan where not known. Text columns hold str.
    heat : list of dict
        One a frame with an estimate, JSON columns decoded.
    warnings, passes, events, drops, comments, station : list of dict
        station: when the station's knobs were turned, and to what.
    parts, part_events, marks : list of dict
        How the watched parts lay in each frame, what happened to them, and how people saw the joints.
    """

    folder: Path
    meta: dict[str, Any]
    job_text: str
    frames: dict[str, np.ndarray]
    heat: list[dict[str, Any]]
    warnings: list[dict[str, Any]]
    passes: list[dict[str, Any]]
    events: list[dict[str, Any]]
    drops: list[dict[str, Any]]
    comments: list[dict[str, Any]]
    maps: dict[str, dict[str, Any]]
    picture_extent_mm: tuple[float, float, float, float] | None
    station: list[dict[str, Any]] = field(default_factory=list)
    parts: list[dict[str, Any]] = field(default_factory=list)
    part_events: list[dict[str, Any]] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)

    @property
    def video(self) -> Path | None:
        """The clip, in the folder or where it was linked from; None when it is gone."""
        name = self.meta.get("video") or ""
        path = self.folder / name if name else None
        return path if path is not None and path.exists() else None


def open_recording(folder: str | Path) -> Recording:
    """Read a recording; one that was cut off is recovered first.

    Raises
    ------
    InputError
        If the folder is no recording, is being written at this moment, or its trace is damaged.
    """
    folder = Path(folder)
    part = folder.with_name(folder.name + ".part")
    if not folder.exists() and (part / TRACE).is_file():
        folder = _finish_part(part)
    if is_locked(folder):
        raise InputError(f"{folder}: is being recorded at this moment; stop the recording first")
    path = folder / TRACE
    if not path.is_file():
        hint = " (a folder is expected, not a file in it)" if folder.is_file() else ""
        raise InputError(f"{folder}: no recording there{hint}; name a folder that `plumeline analyse` wrote")
    try:
        db = _connect(path)
        try:
            db.row_factory = sqlite3.Row
            schema.check_and_migrate(db, str(path))
            _recover(db, folder)
            return _read(db, folder)
        finally:
            db.close()
    except sqlite3.DatabaseError as fault:
        raise InputError(f"{path}: damaged or not a trace ({fault}); analyse the clip again") from None


def recover_leftovers(parent: str | Path) -> list[Path]:
    """Finish the recordings that a crash left as NAME.part in a folder; gives where they are now.

    One that cannot be finished stays as it is.
    """
    found = []
    for part in sorted(Path(parent).glob("*.part")):
        if (part / TRACE).is_file() and not is_locked(part):
            try:
                found.append(_finish_part(part))
            except (InputError, OSError) as fault:
                log.error("%s: cannot be recovered: %s", part, fault)
    return found


def _finish_part(part: Path) -> Path:
    """Recover a cut-off recording and give it its own name."""
    if is_locked(part):
        raise InputError(f"{part}: is being recorded at this moment; stop the recording first")
    (part / RESERVE).unlink(missing_ok=True)
    open_recording(part)
    _index_video(part)
    name = part.with_name(part.name.removesuffix(".part"))
    if name.exists():
        name = part.with_name(f"{name.name}-recovered-{os.getpid()}")
    os.replace(part, name)
    return name


def _index_video(folder: Path) -> None:
    """Copy the packets of a video that was cut off into a file with an index; the old one stays if that fails."""
    import av

    for video in folder.glob("video.mkv"):
        whole = video.with_name(".video.part.mkv")
        try:
            with av.open(str(video)) as old, av.open(str(whole), "w", format="matroska") as new:
                stream = new.add_stream_from_template(old.streams.video[0])
                for packet in old.demux(video=0):
                    if packet.dts is not None:
                        packet.stream = stream
                        new.mux(packet)
            os.replace(whole, video)
        except (FileNotFoundError, av.error.EOFError):
            pass  # it was cut off before its first picture: nothing to index
        except (OSError, av.error.FFmpegError, IndexError, ValueError) as fault:
            log.warning("%s: left without an index (%s)", video, fault)
            whole.unlink(missing_ok=True)


def _connect(path: Path) -> sqlite3.Connection:
    """The trace itself, or a copy of it in memory where it may only be read and must be brought up to date."""
    if os.access(path, os.W_OK) and os.access(path.parent, os.W_OK):
        return sqlite3.connect(path, isolation_level=None)
    is_plain = not path.with_name(path.name + "-wal").exists()
    source = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if is_plain else ''}", uri=True)
    copy = sqlite3.connect(":memory:", isolation_level=None)
    with contextlib.closing(source):
        source.backup(copy)
    return copy


def _read(db: sqlite3.Connection, folder: Path) -> Recording:
    plain = db.cursor()
    plain.row_factory = None
    plain.execute(f"SELECT {', '.join(n for n, _ in schema.FRAME_COLUMNS)} FROM frames ORDER BY frame")
    parts = [[_array((), kind) for _, kind in schema.FRAME_COLUMNS]]
    while rows := plain.fetchmany(ROWS_AT_ONCE):
        parts.append([_array(column, kind) for (_, kind), column in zip(schema.FRAME_COLUMNS, zip(*rows, strict=False),
                                                                        strict=True)])
    columns = {name: np.concatenate(some) for (name, _), some in zip(schema.FRAME_COLUMNS, zip(*parts, strict=False),
                                                                     strict=True)}
    tables = {t: [dict(r) for r in db.execute(f"SELECT * FROM {t}")]
              for t in ("heat", "warnings", "passes", "events", "drops", "station", "comments", "maps", "parts", "part_events", "marks")}
    _decode(tables["heat"], ("power_w", "energy_j", "temp_c", "limit_in_s", "flags"))
    _decode(tables["parts"], ("motions",))
    maps = {row["name"]: {**row, "cells": np.frombuffer(row["cells"], "<f8").reshape(row["ny"], row["nx"])}
            for row in tables.pop("maps")}
    extent = _meta_texts(db).get("picture_extent_mm")
    return Recording(folder, _meta_of(db), (folder / JOB).read_text(encoding="utf-8"), columns, maps=maps,
                     picture_extent_mm=tuple(json.loads(extent)) if extent else None, **tables)


def _decode(rows: list[dict[str, Any]], keys: tuple[str, ...]) -> None:
    """Read JSON cells in place, many at a time: ten minutes have 90 000 of them."""
    for start in range(0, len(rows), ROWS_AT_ONCE):
        some = rows[start:start + ROWS_AT_ONCE]
        for key in keys:
            for row, value in zip(some, json.loads(f"[{','.join(row[key] for row in some)}]"), strict=True):
                row[key] = value


def _meta_texts(db: sqlite3.Connection) -> dict[str, str]:
    """The meta table as it stands."""
    return {row[0]: row[1] for row in db.execute("SELECT key, value FROM meta")}


def _meta_of(db: sqlite3.Connection) -> dict[str, Any]:
    texts = {"state", "started_utc", "operator", "recorded_from", "kind", "code_version", "video"}
    return {k: v if k in texts else json.loads(v) for k, v in _meta_texts(db).items()}


def _recover(db: sqlite3.Connection, folder: Path) -> None:
    """A trace still marked "recording" was cut off: count what is there and close it."""
    if _meta_texts(db).get("state") != "recording":
        return
    n, seen, first, last = db.execute("SELECT COUNT(*), SUM(seen), MIN(t_s), MAX(t_s) FROM frames").fetchone()
    for key, value in (("state", "recovered"), ("frames", str(n)), ("frames_seen", str(seen or 0)),
                       ("duration_s", str((last or 0.0) - (first or 0.0)))):
        db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.execute("PRAGMA journal_mode = DELETE")
    write_text_whole(folder / META, json.dumps(_meta_of(db), indent=1) + "\n")


def _array(values: Sequence[Any], kind: str) -> np.ndarray:
    if kind.startswith(("TEXT", "BLOB")):
        return np.array([("" if kind.startswith("TEXT") else b"") if v is None else v for v in values], dtype=object)
    return np.array(values, dtype=float)  # None becomes nan
