"""An index over folders of recordings, so that one among thousands is found at once.

The index is a cache in SQLite beside the recordings; it can be deleted at any time and is built again from them.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import math
import os
import sqlite3
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, Self

from monitor.errors import EnvironmentFault, InputError, MonitorError
from monitor.job import Job
from monitor.recording.reader import JOB, TRACE, read_meta
from monitor.repeat.compare.passes import open_trace, read_job

__all__ = ["CACHE", "Entry", "IndexedPass", "Library", "Query", "recordings_under", "remove_index"]

CACHE = ".plumeline-library.sqlite"
APPLICATION_ID, VERSION = 0x504C4C42, 2  # "PLLB"
DEEPEST = 6  # levels of folders under the root
ENOUGH_INSIDE = 0.9  # of the dwell inside the height limits; a pass with less is at fault (a choice)
_TABLES = """
CREATE TABLE recordings (
    path TEXT PRIMARY KEY, stamp TEXT NOT NULL, started_utc TEXT, operator TEXT, title TEXT, target TEXT, alloy TEXT,
    state TEXT, duration_s REAL, frames INTEGER, seen INTEGER, n_passes INTEGER, height_mm REAL, job_hash TEXT,
    fault TEXT, kind TEXT, recorded_from TEXT, warned TEXT NOT NULL);
    -- warned: JSON, kind -> how often, the same as the other table says
CREATE TABLE warnings (path TEXT NOT NULL, kind TEXT NOT NULL, region TEXT NOT NULL, count INTEGER NOT NULL);
CREATE TABLE passes (
    path TEXT NOT NULL, number INTEGER NOT NULL, t_start_s REAL, in_limits REAL, coached INTEGER, is_probe INTEGER,
    faults TEXT NOT NULL, PRIMARY KEY (path, number)) WITHOUT ROWID;  -- faults: words of classroom.FAULTS
CREATE INDEX by_start ON recordings (started_utc);
CREATE INDEX by_operator ON recordings (operator, started_utc);
CREATE INDEX by_kind ON warnings (kind, path);
CREATE INDEX by_path ON warnings (path);
"""


@dataclass(frozen=True)
class Query:
    """What to look for; what is None or empty does not matter.

    Attributes
    ----------
    job : str
        Part of the job's title, target or alloy, in any case.
    operator : str
        A whole code.
    since, until : str
        Dates or times in ISO 8601, UTC; a date alone means the whole day.
    warning : str
        A kind such as "drift"; "any" for some warning, "none" for none.
    faulty : bool
        Only recordings that could not be read.
    """

    job: str = ""
    operator: str = ""
    since: str = ""
    until: str = ""
    warning: str = ""
    faulty: bool = False


class Entry(NamedTuple):
    """One recording as the index knows it; None where not known. `fault` is empty when it could be read."""

    path: str
    started_utc: str | None
    operator: str | None
    title: str | None
    target: str | None
    state: str | None
    duration_s: float | None
    frames: int | None
    seen: int | None
    n_passes: int | None
    height_mm: float | None
    job_hash: str | None
    fault: str
    kind: str | None
    recorded_from: str | None
    warnings: dict[str, int]


class IndexedPass(NamedTuple):
    """One pass as the index knows it; faults are words such as "height" (see `monitor.repeat.classroom`)."""

    path: str
    number: int
    operator: str
    begun_utc: datetime.datetime
    in_limits: float
    coached: bool
    is_probe: bool
    faults: tuple[str, ...]
    warned: dict[str, int]


_COLUMNS = ", ".join(name for name in Entry._fields if name != "warnings")


class Library:
    """The index of one root; use as a context manager.

    Parameters
    ----------
    root : path
        Folder that holds recordings, at any depth to 6.
    cache : path, optional
        Where the index is kept; by default in the root.

    Raises
    ------
    InputError
        If the root is no folder.
    EnvironmentFault
        If the index cannot be written there.
    """

    def __init__(self, root: str | Path, cache: str | Path | None = None) -> None:
        self.root = Path(root)
        if not self.root.is_dir():
            raise InputError(f"{root}: no such folder; name the folder that holds the recordings")
        self.cache = Path(cache) if cache else self.root / CACHE
        self._db = _open_cache(self.cache)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def refresh(self, progress: Any = lambda done, whole: None) -> tuple[int, int, int]:
        """Take in what is new or changed and drop what is gone.

        Returns
        -------
        tuple of int
            Recordings read, dropped, and left as they were.
        """
        known = dict(self._db.execute("SELECT path, stamp FROM recordings"))
        paths = {as_text(path): (path, stamp) for path, stamp in recordings_under(self.root)}
        found = {text: stamp for text, (_, stamp) in paths.items()}
        gone = known.keys() - found.keys()
        due = [text for text, stamp in found.items() if known.get(text) != stamp]
        with self._writing():
            for path in gone:
                self._forget(path)
        for first in range(0, len(due), 200):
            rows = [_read(self.root, paths[text][0], found[text]) for text in due[first:first + 200]]
            with self._writing():
                for row, warned, passes in rows:
                    self._forget(row["path"])
                    self._db.execute(f"INSERT INTO recordings VALUES ({', '.join(':' + k for k in row)})", row)
                    self._db.executemany("INSERT INTO warnings VALUES (?, ?, ?, ?)",
                                         [(row["path"], *w) for w in warned])
                    self._db.executemany("INSERT INTO passes VALUES (?, ?, ?, ?, ?, ?, ?)",
                                         [(row["path"], *p) for p in passes])
            progress(first + len(rows), len(due))
        return len(due), len(gone), len(found) - len(due)

    def search(self, query: Query, limit: int | None = None) -> list[Entry]:
        """Recordings that fit, the latest first."""
        where, values = _condition(query)
        sql = f"SELECT {_COLUMNS}, warned FROM recordings r WHERE {where} ORDER BY started_utc DESC, path DESC"
        cursor = self._db.cursor()
        cursor.row_factory = None
        rows = cursor.execute(sql + (f" LIMIT {int(limit)}" if limit is not None else ""), values)
        return [Entry._make((*row[:-1], json.loads(row[-1]) if row[-1] != "{}" else {})) for row in rows]

    def passes(self, job: str = "") -> list[IndexedPass]:
        """Every pass of recordings with an operator code and a time, of jobs whose title, target or alloy holds a
        text.
        """
        where, values = _condition(Query(job=job))
        cursor = self._db.cursor()
        cursor.row_factory = None
        rows = cursor.execute("SELECT p.path, number, operator, started_utc, t_start_s, in_limits, coached, is_probe, "
                              "faults, "
                              f"warned FROM passes p JOIN recordings r ON r.path = p.path WHERE {where} AND operator "
                              f"!= '' "
                              "AND started_utc != ''", values)
        return [IndexedPass(path, number, operator, _moment(started, t_start), math.nan if inside is None else inside,
                            bool(coached), bool(probe), tuple(faults.split()), json.loads(warned))
                for path, number, operator, started, t_start, inside, coached, probe, faults, warned in rows]

    def _forget(self, path: str) -> None:
        self._db.execute("DELETE FROM passes WHERE path = ?", (path,))
        self._db.execute("DELETE FROM recordings WHERE path = ?", (path,))
        self._db.execute("DELETE FROM warnings WHERE path = ?", (path,))

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")


def _condition(q: Query) -> tuple[str, list[str]]:
    """The WHERE clause with its values."""
    parts, values = ["1" if not q.faulty else "fault != ''"], []
    if q.job:
        pattern = "%" + "".join("\\" + c if c in "%_\\" else c for c in q.job) + "%"
        parts.append("(title LIKE ? ESCAPE '\\' OR target LIKE ? ESCAPE '\\' OR alloy LIKE ? ESCAPE '\\')")
        values += [pattern] * 3
    if q.operator:
        parts.append("operator = ?")
        values.append(q.operator)
    if q.since:
        parts.append("started_utc >= ?")
        values.append(q.since)
    if q.until:
        parts.append("started_utc <= ?")
        values.append(q.until + ("T99" if len(q.until) == 10 else "~"))  # sorts after every time of that day or minute
    if q.warning == "none":
        parts.append("fault = '' AND r.path NOT IN (SELECT path FROM warnings)")
    elif q.warning == "any":
        parts.append("r.path IN (SELECT path FROM warnings)")
    elif q.warning:
        parts.append("r.path IN (SELECT path FROM warnings WHERE kind = ?)")
        values.append(q.warning)
    return " AND ".join(parts), values


def as_text(name: str) -> str:
    """A file's name as text that can be kept and shown, be it not UTF-8 on the disk."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def recordings_under(root: Path) -> Iterator[tuple[str, str]]:
    """Every recording under the root with a stamp that changes when its trace does; what is half-written is left
    out.
    """
    todo, visited = [(str(root), "", 0)], set()
    while todo:
        folder, name, depth = todo.pop()
        with contextlib.suppress(OSError):
            here = os.stat(folder)
            if (here.st_dev, here.st_ino) in visited:
                continue  # reached by a link before
            visited.add((here.st_dev, here.st_ino))
        try:
            stat = os.stat(os.path.join(folder, TRACE))
        except OSError:
            stat = None
        if stat is not None:
            yield name or ".", f"{stat.st_mtime_ns}/{stat.st_size}"
            continue
        if depth >= DEEPEST:
            continue
        with contextlib.suppress(OSError), os.scandir(folder) as entries:
            todo += [(e.path, f"{name}/{e.name}" if name else e.name, depth + 1) for e in entries
                     if not e.name.startswith(".") and not e.name.endswith((".part", ".old")) and e.is_dir()]


def _moment(started_utc: str, t_s: float | None) -> datetime.datetime:
    moment = datetime.datetime.fromisoformat(started_utc)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=datetime.UTC)
    return moment + datetime.timedelta(seconds=t_s or 0.0)


def _faults(p: sqlite3.Row, job: Job) -> str:
    """What a pass lacks, by the job's limits and by what matters to it."""
    share = ENOUGH_INSIDE
    found = [("height", p["in_limits"] is not None and p["in_limits"] < share),
             ("sweep", p["coverage"] is not None and p["coverage"] < 1 - job.matters.swept_share),
             ("unsteady", p["height_sd_mm"] is not None and p["height_sd_mm"] > job.matters.wander_mm),
             ("long", p["dwell_s"] is not None and p["dwell_s"] > job.limits.dwell_s)]
    return " ".join(word for word, is_so in found if is_so)


def _read(root: Path, path: str, stamp: str) -> tuple[dict[str, Any], list[tuple[str, str, int]],
                                                      list[tuple[Any, ...]]]:
    """A recording's row, its warnings and its passes; one that cannot be read gets a row that says why."""
    row: dict[str, Any] = dict.fromkeys(("path", "stamp", "started_utc", "operator", "title", "target", "alloy",
                                         "state",
                                         "duration_s", "frames", "seen", "n_passes", "height_mm", "job_hash", "fault",
                                         "kind",
                                         "recorded_from", "warned"))
    row |= {"path": as_text(path), "stamp": stamp, "fault": "", "warned": "{}"}
    folder = root / path
    try:
        with open_trace(folder, ("meta", "passes", "warnings")) as db:
            meta = read_meta(db, folder)
            row |= {k: meta.get(k, "") for k in ("started_utc", "operator", "state", "kind", "recorded_from")}
            row |= {"duration_s": meta.get("duration_s"), "frames": meta.get("frames"), "seen": meta.get("frames_seen"),
                    "job_hash": meta.get("hashes", {}).get(JOB)}
            height = db.execute("SELECT COUNT(*), AVG(height_mean_mm) FROM passes")
            row["n_passes"], row["height_mm"] = height.fetchone()
            warned = [tuple(r) for r in db.execute("SELECT kind, region, COUNT(*) FROM warnings GROUP BY kind, region")]
            rows = db.execute("SELECT number, t_start_s, in_limits, coached, is_probe, coverage, height_sd_mm, dwell_s "
                              "FROM passes")
            passes = rows.fetchall()
        counts: dict[str, int] = {}
        for kind, _, count in warned:
            counts[kind] = counts.get(kind, 0) + count
        row["warned"] = json.dumps(counts)
        job = read_job(folder)
        row |= {"title": job.title, "target": job.target.name, "alloy": job.solder.alloy}
        return row, warned, [(*tuple(p)[:5], _faults(p, job)) for p in passes]
    except (MonitorError, OSError, ValueError) as fault:
        row["fault"] = as_text(" ".join(str(fault).split()))
        return row, [], []


def _open_cache(path: Path) -> sqlite3.Connection:
    """The index; one that is damaged or of another version is made anew."""
    for _ in range(2):
        db = None
        try:
            if path.is_symlink() or (path.exists() and not path.is_file()):
                raise InputError(f"{path}: is a link or no plain file; name another place for the index with --cache")
            db = sqlite3.connect(path, isolation_level=None, timeout=5.0)
            db.row_factory = sqlite3.Row
            if _is_ready(db):
                return db
        except sqlite3.OperationalError as fault:
            raise EnvironmentFault(f"{path}: the index cannot be written ({fault}); name a place for it with "
                                   "--cache") from None
        except sqlite3.DatabaseError:
            pass
        if db is not None:
            db.close()
        remove_index(path)
    raise EnvironmentFault(f"{path}: the index is damaged and cannot be made anew; delete it")


def _is_ready(db: sqlite3.Connection) -> bool:
    """Whether this is an index of this version; an empty file becomes one."""
    marks = [db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")]
    if marks == [0, 0] and not db.execute("SELECT 1 FROM sqlite_master").fetchone():
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("BEGIN IMMEDIATE")  # of several programs that find none, one makes it
        try:
            if not db.execute("SELECT 1 FROM sqlite_master").fetchone():
                for statement in (*_TABLES.split(";")[:-1], f"PRAGMA application_id = {APPLICATION_ID}",
                                  f"PRAGMA user_version = {VERSION}"):
                    db.execute(statement)
        finally:
            db.execute("COMMIT")
    marks = [db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")]
    return marks == [APPLICATION_ID, VERSION]


def remove_index(path: Path) -> None:
    """Delete an index; a file that is none is never touched."""
    with contextlib.suppress(FileNotFoundError):
        if not stat.S_ISREG(path.lstat().st_mode):
            raise InputError(f"{path}: is a link or no plain file; name another place for the index with --cache")
        with path.open("rb") as file:
            head = file.read(72)
        if path.name != CACHE and head and head[68:72] != APPLICATION_ID.to_bytes(4, "big"):
            raise InputError(f"{path}: is not an index of recordings; name another file with --cache")
    for name in (path.name, path.name + "-wal", path.name + "-shm"):
        path.with_name(name).unlink(missing_ok=True)
