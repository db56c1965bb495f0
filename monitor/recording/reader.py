"""Reads a recording: the folder that `monitor.recording.recorder` writes.

What a crash left as NAME.part is finished when it is next opened.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import logging
import math
import os
import re
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import InputError, MonitorError
from monitor.files import read_text, replace_file, write_text_whole
from monitor.heat.melt import LAW
from monitor.recording import schema
from monitor.recording.folder import (
    BENCH_PICTURE,
    CAMERA,
    JOB,
    META,
    NOZZLE,
    PICTURE,
    RESERVE,
    TRACE,
    free_name,
    has_trace,
)
from monitor.recording.folder_lock import is_locked
from monitor.recording.manifest import check_manifest, write_manifest
from monitor.recording.trace_file import LARGEST, harden, is_empty, open_trace_file

__all__ = ["Recording", "open_recording", "finish_part", "own_text", "read_meta", "recover_leftovers", "TRACE", "JOB",
           "CAMERA", "NOZZLE", "META", "PICTURE",
           "BENCH_PICTURE", "RESERVE"]

# numbers that every pass has, so that readers may show them without asking; nan where a trace does not say
_OF_EVERY_PASS = ("dwell_s", "unseen_s", "height_mean_mm", "height_low_mm", "height_high_mm", "tilt_mean_rad",
                  "in_limits",
                  "coverage", "evenness")
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
    altered : tuple of str
        Files that are not as the manifest has them.
    parts, part_events, marks, lessons : list of dict
        How the watched parts lay in each frame, what happened to them, how people saw the joints, what melts taught.
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
    lessons: list[dict[str, Any]] = field(default_factory=list)
    altered: tuple[str, ...] = ()

    @property
    def video(self) -> Path | None:
        """The clip, in the folder or where it was linked from; None when it is gone."""
        name = self.meta.get("video") or ""
        path = self.folder / name if name else None
        return path if path is not None and path.exists() else None


def open_recording(folder: str | Path) -> Recording:
    """Read a recording; one that was cut off is recovered first, one of an older version is brought up to date in
    memory.

    Raises
    ------
    InputError
        If the folder is no recording, is being written at this moment, or its trace is damaged.
    EnvironmentFault
        If it may not be read.
    """
    folder = _settled(Path(folder))
    if is_locked(folder):
        raise InputError(f"{folder}: is being recorded at this moment; stop the recording first")
    path = folder / TRACE
    if not path.exists() and not path.is_symlink():
        hint = " (a folder is expected, not a file in it)" if folder.is_file() else ""
        raise InputError(f"{folder}: no recording there{hint}; name a folder that `plumeline analyse` wrote")
    altered = _altered(path)
    with open_trace_file(path) as db:
        if altered and db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise InputError(f"{path}: damaged: it was altered since it was closed, and is no longer sound; analyse "
                             f"the clip again")
        is_cut_off = _meta_texts(db).get("state") == "recording"
        if not (is_cut_off and os.access(path, os.W_OK) and os.access(folder, os.W_OK)):
            return replace(_read(db, folder), altered=altered)
    _recover(path)
    with open_trace_file(path) as db:
        return replace(_read(db, folder), altered=altered)


def _altered(path: Path) -> tuple[str, ...]:
    """Names of the trace, the job and the calibrations that are not as they were when the recording was closed."""
    answer = check_manifest(path.parent, (path.name, JOB, CAMERA, NOZZLE))
    if answer.fault:  # no manifest: nothing to compare with, so the trace itself is looked through
        with open_trace_file(path, ()) as db:
            if db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                raise InputError(f"{path}: damaged; analyse the clip again")
    return (*answer.altered, *answer.missing)


def _settled(folder: Path) -> Path:
    """Where a recording is: under its name, or under the one that a crash left it with, which is then put right."""
    if folder.exists():
        return folder
    part, old = (folder.with_name(folder.name + end) for end in (".part", ".old"))
    if has_trace(old) and not _is_closed(part):
        os.replace(old, folder)
        return folder
    return finish_part(part) if (part / TRACE).is_file() else folder


def recover_leftovers(parent: str | Path) -> list[Path]:
    """Finish the recordings that a crash left as NAME.part in a folder; gives where they are now.

    One that cannot be finished, or in which nothing was written yet, stays as it is.
    """
    found = []
    for part in sorted(Path(parent).glob("*.part")):
        if is_empty(part / TRACE):
            log.info("%s: left as it is: it ended before anything was written", part)
        elif (part / TRACE).is_file() and not is_locked(part):
            try:
                found.append(finish_part(part))
            except (MonitorError, OSError) as fault:
                log.error("%s: cannot be recovered: %s", part, fault)
    return found


def finish_part(part: Path, name: Path | None = None) -> Path:
    """Recover a cut-off recording and give it its own name, or the one told; gives where it is now.

    Raises
    ------
    InputError
        When it is being recorded at this moment, or is no recording.
    """
    if is_locked(part):
        raise InputError(f"{part}: is being recorded at this moment; stop the recording first")
    if has_trace(part):
        (part / RESERVE).unlink(missing_ok=True)  # room for what follows on a full disk
    open_recording(part)
    _index_video(part)
    write_manifest(part)
    if name is None:
        name = part.with_name(part.name.removesuffix(".part"))
        name = free_name(part.with_name(f"{name.name}-recovered")) if name.exists() else name
    os.replace(part, name)
    return name


def _index_video(folder: Path) -> None:
    """Copy the packets of a video that was cut off into a file with an index; the old one stays if that fails."""
    import av

    for video in folder.glob("video.mkv"):
        try:
            with replace_file(video) as whole:
                with av.open(str(video.absolute())) as old, av.open(str(whole.absolute()), "w",
                                                                    format="matroska") as new:
                    stream = new.add_stream_from_template(old.streams.video[0])
                    for packet in old.demux(video=0):
                        if packet.dts is not None:
                            packet.stream = stream
                            new.mux(packet)
        except (FileNotFoundError, av.error.EOFError):
            pass  # it was cut off before its first picture: nothing to index
        except (OSError, av.error.FFmpegError, IndexError, ValueError) as fault:
            log.warning("%s: left without an index (%s)", video, fault)


def _read(db: sqlite3.Connection, folder: Path) -> Recording:
    plain = db.cursor()
    plain.execute(f"SELECT {', '.join(n for n, _ in schema.FRAME_COLUMNS)} FROM frames ORDER BY frame")
    parts = [[_array((), kind) for _, kind in schema.FRAME_COLUMNS]]
    while rows := plain.fetchmany(ROWS_AT_ONCE):
        parts.append([_array(column, kind) for (_, kind), column in zip(schema.FRAME_COLUMNS, zip(*rows, strict=False),
                                                                        strict=True)])
    columns = {name: np.concatenate(some) for (name, _), some in zip(schema.FRAME_COLUMNS, zip(*parts, strict=False),
                                                                     strict=True)}
    db.row_factory = sqlite3.Row
    tables: dict[str, Any] = {t: [dict(r) for r in db.execute(f"SELECT * FROM {t}")]
              for t in ("heat", "warnings", "passes", "events", "drops", "station", "comments", "maps", "parts",
                        "part_events", "marks", "lessons")}
    for row in tables["passes"]:
        row |= {key: math.nan for key in _OF_EVERY_PASS if row[key] is None}
    _decode(tables["heat"], folder)
    _decode_motions(tables["parts"], folder)
    _decode_lessons(tables["lessons"], folder)
    maps = {row["name"]: {**row, "cells": np.frombuffer(row["cells"], "<f8").reshape(row["ny"], row["nx"])}
            for row in tables.pop("maps")}
    meta = read_meta(db, folder)
    return Recording(folder, meta, own_text(folder, JOB), columns, maps=maps,
                     picture_extent_mm=tuple(meta["picture_extent_mm"]) if "picture_extent_mm" in meta else None,
                     **tables)


def own_text(folder: Path, name: str) -> str:
    """The text of one of a recording's own files.

    Raises
    ------
    InputError
        When it is missing, or no text.
    """
    path = folder / name
    if path.is_symlink():
        raise InputError(f"{path}: is a link; a recording keeps its own files")
    return read_text(path, "file of a recording", InputError)


def _decode(rows: list[dict[str, Any]], folder: Path) -> None:
    """Read JSON cells in place, many at a time: ten minutes have 90 000 of them."""
    for start in range(0, len(rows), ROWS_AT_ONCE):
        some = rows[start:start + ROWS_AT_ONCE]
        for key in ("power_w", "energy_j", "temp_c", "limit_in_s", "flags"):
            is_fit = _are_words if key == "flags" else _are_bands
            try:
                values = json.loads(f"[{','.join(row[key] or '{}' for row in some)}]")
                if len(values) != len(some) or not all(map(is_fit, values)):
                    raise ValueError
            except (ValueError, RecursionError):
                raise InputError(f"{folder / TRACE}: damaged: heat, near row {start + 1}: {key} holds what it cannot; "
                                 f"analyse the "
                                 "clip again") from None
            for row, value in zip(some, values, strict=True):
                row[key] = value


def _decode_motions(rows: list[dict[str, Any]], folder: Path) -> None:
    """Read how the parts moved: name -> seven numbers, or unknown."""
    for row in rows:
        try:
            value = json.loads(row["motions"])
        except (ValueError, RecursionError):
            value = None
        if not isinstance(value, dict) or not all(
                isinstance(m, list) and len(m) == 7 and all(x is None or _is_number(x) for x in m)
                for m in value.values()):
            raise InputError(f"{folder / TRACE}: damaged: parts, frame {row['frame']}: motions holds what it cannot; "
                             f"analyse "
                             "the clip again")
        row["motions"] = value


def _decode_lessons(rows: list[dict[str, Any]], folder: Path) -> None:
    """Read what each melt taught: all numbers, and a list of them."""
    numbers = ("t_s", "before_c", "before_sigma_k", "after_c", "after_sigma_k", "liquidus_c", "wrong", "slope_k_s",
               "at_zero_c", "input_sigma_k", "form_sigma_k")
    for row in rows:
        try:
            value = json.loads(row["per_score_k"])
        except (ValueError, RecursionError):
            value = None
        is_sound = isinstance(value, list) and all(map(_is_number, value)) and all(_is_number(row[n]) for n in numbers)
        if not is_sound or row["kind"] not in LAW:
            raise InputError(f"{folder / TRACE}: damaged: lessons, {row['id']}: holds what it cannot; analyse the clip "
                             f"again")
        row["per_score_k"] = value


def _are_bands(value: object) -> bool:
    """Name -> None, or low, middle and high."""
    return isinstance(value, dict) and all(
        band is None or (isinstance(band, list) and len(band) == 3 and all(x is None or _is_number(x) for x in band))
        for band in value.values())


def _are_words(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(word, str) for word in value)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) <= LARGEST


def _is_curve(value: object) -> bool:
    return isinstance(value, list) and all(
        isinstance(row, list) and len(row) == 4 and all(x is None or _is_number(x) for x in row) for row in value)


# what the table meta may say, and in which form; texts as they are, everything else as JSON
_TEXTS = {"state", "started_utc", "operator", "recorded_from", "kind", "code_version", "video", "batch_key"}
_FORMS: dict[str, Callable[[Any], bool]] = {
    "frames": _is_number, "frames_seen": _is_number, "duration_s": _is_number, "live": lambda v: isinstance(v, bool),
    "hashes": lambda v: isinstance(v, dict) and all(isinstance(x, str) for x in v.values()),
    "picture_extent_mm": lambda v: isinstance(v, list) and len(v) == 4 and all(map(_is_number, v)) and v[0] < v[1]
    and v[2] < v[3],
    "what_if": lambda v: (isinstance(v, dict) and all(isinstance(v.get(k), str)
                                                      for k in ("words", "sentence", "made_utc"))
                          and _is_curve(v.get("joint_c"))),
}
_VIDEO_NAME = re.compile(r"video\.[a-z0-9]{1,5}", re.ASCII)


def read_meta(db: sqlite3.Connection, folder: Path) -> dict[str, Any]:
    """What a trace says of itself, every entry in its form.

    Raises
    ------
    InputError
        When one is not.
    """
    meta: dict[str, Any] = {}
    for key, text in _meta_texts(db).items():
        if key in _TEXTS:
            meta[key] = text
            continue
        try:
            value = json.loads(text)
        except (ValueError, RecursionError):
            value = None
        if key in _FORMS and not _FORMS[key](value):
            raise InputError(f"{folder / TRACE}: damaged: meta: {key} holds what it cannot; analyse the clip again")
        meta[key] = value
    if not _is_moment(meta.get("started_utc", "")):
        raise InputError(f"{folder / TRACE}: damaged: meta: started_utc is no time; analyse the clip again")
    if meta.get("video") and not _VIDEO_NAME.fullmatch(meta["video"]):
        raise InputError(f"{folder / TRACE}: damaged: meta: video is no name of a video in the recording; analyse the "
                         f"clip again")
    return meta


def _is_moment(text: str) -> bool:
    try:
        return not text or bool(datetime.datetime.fromisoformat(text))
    except ValueError:
        return False


def _meta_texts(db: sqlite3.Connection) -> dict[str, str]:
    """The meta table as it stands."""
    return {row[0]: row[1] for row in db.execute("SELECT key, value FROM meta")}


def _is_closed(folder: Path) -> bool:
    try:
        with open_trace_file(folder / TRACE, ("meta",)) as db:
            return _meta_texts(db).get("state") == "closed"
    except MonitorError:
        return False


def _recover(path: Path) -> None:
    """Close a checked trace that was cut off: count what is there, and make it one plain file."""
    with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True,
                                            isolation_level=None)) as db:
        harden(db, path)
        n, seen, first, last = db.execute("SELECT COUNT(*), SUM(seen), MIN(t_s), MAX(t_s) FROM frames").fetchone()
        db.execute("BEGIN")
        for key, value in (("state", "recovered"), ("frames", str(n)), ("frames_seen", str(seen or 0)),
                           ("duration_s", str((last or 0.0) - (first or 0.0)))):
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))
        db.execute("COMMIT")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.execute("PRAGMA journal_mode = DELETE")
        write_text_whole(path.with_name(META), json.dumps(read_meta(db, path.parent), indent=1) + "\n")


def _array(values: Sequence[Any], kind: str) -> np.ndarray:
    if kind.startswith(("TEXT", "BLOB")):
        return np.array([("" if kind.startswith("TEXT") else b"") if v is None else v for v in values], dtype=object)
    return np.array(values, dtype=float)  # None becomes nan
