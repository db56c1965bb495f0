"""Opens a trace that may come from anywhere: as data, never as a program, and never for longer than its size warrants.

What SQLite itself advises for files of others ("Defense Against The Dark Arts", sqlite.org/security.html): untrusted
schema, lower limits, cell sizes checked, a handler that ends endless queries. Beyond that nothing but our own tables is
accepted, column by column, and every cell is checked before it is read.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
import stat
import sys
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np

from monitor.errors import EnvironmentFault, InputError
from monitor.files import replace_file
from monitor.judging.pipeline import ToolState
from monitor.recording import schema
from vision.types import TrackStatus

__all__ = ["LONGEST_GAP_S", "LONGEST_S", "check_cells", "damaged", "harden", "is_empty", "migrated_copy",
           "open_trace_file", "trace_for_writing"]

LONGEST_S = 200_000.0  # two days and more: longer than anyone works, and nothing in the program takes for ever over it
LONGEST_GAP_S = 900.0  # between two frames, for judging them again: a suspended computer, not an hour without knowledge
LARGEST = 1e9  # of any number; none of the quantities comes near
LONGEST_CELL_BYTES = 16 << 20
LONGEST_TEXT, LONGEST_META = 100_000, 4 << 20
STEPS_LEAST, STEPS_A_BYTE = 20_000_000, 20  # of SQLite's machine; reading every cell takes fewer than one a byte
STEPS_AT_ONCE = 100_000
_WORDS = re.compile(r"\w+")
_CHOICES = {("frames", "status"): [s.value for s in TrackStatus], ("frames", "state"): [s.value for s in ToolState]}
_LIMITS = ((sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_CELL_BYTES), (sqlite3.SQLITE_LIMIT_SQL_LENGTH, 100_000),
           (sqlite3.SQLITE_LIMIT_COLUMN, 200), (sqlite3.SQLITE_LIMIT_EXPR_DEPTH, 100),
           (sqlite3.SQLITE_LIMIT_ATTACHED, 0), (sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH, 1),
           (sqlite3.SQLITE_LIMIT_WORKER_THREADS, 0))


@contextlib.contextmanager
def open_trace_file(path: Path, tables: tuple[str, ...] | None = None) -> Iterator[sqlite3.Connection]:
    """A trace for reading, of this program's newest version; an older one is brought up to date in memory.

    Parameters
    ----------
    path : Path
    tables : tuple of str, optional
        Those whose cells are checked now and will be read; all by default.

    Raises
    ------
    InputError
        When it is no trace, holds anything but our tables, or a cell that cannot be; the text says which.
    EnvironmentFault
        When it cannot be read at all.
    """
    if is_empty(path):
        raise InputError(f"{path}: an empty recording: it ended before anything was written")
    with contextlib.ExitStack() as stack:
        try:
            db = stack.enter_context(_readable(path))
            version = schema.check(db, str(path))
            _check_tables(db, path)
            if version < schema.VERSION:
                db = stack.enter_context(contextlib.closing(_in_memory(db)))
                schema.migrate(db)
            db.execute("PRAGMA query_only = ON")
            check_cells(db, path, tables)
            yield db
        except (sqlite3.DatabaseError, UnicodeDecodeError) as fault:  # its messages quote what is no text
            raise damaged(path, fault) from None


def is_empty(path: Path) -> bool:
    """Whether the recording was killed in the moment when its trace was there and had no tables yet."""
    return path.is_file() and path.stat().st_size == 0


@contextlib.contextmanager
def trace_for_writing(path: Path) -> Iterator[sqlite3.Connection]:
    """A trace of ours to change in one transaction, brought up to date first, on a copy that then takes its place.

    Raises
    ------
    InputError, EnvironmentFault
        As `open_trace_file`.
    sqlite3.OperationalError
        When it may only be read, or another program holds it.
    """
    with _readable(path) as db:
        is_old = schema.check(db, str(path)) < schema.VERSION
        _check_tables(db, path)
    if is_old:
        migrated_copy(path)
    with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=5.0)) as db, db:
        harden(db, path)
        _check_tables(db, path)
        yield db


def migrated_copy(path: Path) -> None:
    """Bring an older trace up to date on a copy; the original stands until the copy is whole and checked."""
    with replace_file(path) as part:
        shutil.copyfile(path, part)
        with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as db:
            harden(db, part)
            schema.migrate(db)
            if db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                raise InputError(f"{path}: damaged; it cannot be brought up to date")


def harden(db: sqlite3.Connection, path: Path) -> None:
    """Give a connection the limits of this module."""
    budget = [max(STEPS_LEAST, STEPS_A_BYTE * path.stat().st_size) // STEPS_AT_ONCE]

    def is_enough() -> bool:
        budget[0] -= 1
        return budget[0] < 0

    db.set_progress_handler(is_enough, STEPS_AT_ONCE)
    for limit, value in _LIMITS:
        db.setlimit(limit, value)
    for pragma in ("trusted_schema = OFF", "cell_size_check = ON", "mmap_size = 0"):
        db.execute(f"PRAGMA {pragma}")
    if sys.version_info >= (3, 12):
        db.setconfig(sqlite3.SQLITE_DBCONFIG_DEFENSIVE, True)


def check_cells(db: sqlite3.Connection, path: Path, tables: tuple[str, ...] | None = None) -> None:
    """Check type, range and finiteness of every cell, and that time runs on.

    Raises
    ------
    InputError
        Names table, column and row.
    """
    for table, columns in _our_tables().items():
        if tables is not None and table not in tables:
            continue
        wrong = {name: _wrong(table, name, kind, not_null) for name, kind, not_null, _ in columns}
        any_wrong = " OR ".join(f"({w})" for w in wrong.values())
        if db.execute(f"SELECT 1 FROM {table} WHERE {any_wrong} LIMIT 1").fetchone():
            for name, condition in wrong.items():
                row = db.execute(f"SELECT rowid FROM {table} WHERE {condition} LIMIT 1").fetchone()
                if row is not None:
                    raise InputError(f"{path}: damaged: {table}, row {row[0]}: {name} holds what it cannot; analyse "
                                     f"the clip again")
        if table == "frames":
            _check_times(db, path)


def damaged(path: Path, fault: sqlite3.Error | UnicodeDecodeError) -> InputError | EnvironmentFault:
    """What a fault of SQLite means to the user."""
    code = getattr(fault, "sqlite_errorcode", None) or 0
    if code == sqlite3.SQLITE_INTERRUPT:
        return InputError(f"{path}: reading it takes longer than its size warrants; it is damaged or made to")
    if isinstance(fault, sqlite3.OperationalError) and code & 0xFF in (
            sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR,
            sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_NOMEM):
        return EnvironmentFault(f"{path}: cannot be read ({fault})")
    return InputError(f"{path}: damaged or not a trace ({fault}); analyse the clip again")


@contextlib.contextmanager
def _readable(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that changes nothing; what a writer left unfinished beside the trace is worked in on a copy."""
    _check_file(path)
    beside = [end for end in ("-wal", "-journal") if _size(path.with_name(path.name + end))]
    if not beside:
        with contextlib.closing(_connect(path, "ro&immutable=1")) as db:
            yield db
        return
    with tempfile.TemporaryDirectory(prefix="plumeline-") as scratch:
        copy = Path(scratch) / path.name
        for end in ("", *beside):
            _check_file(path.with_name(path.name + end))
            shutil.copyfile(path.with_name(path.name + end), copy.with_name(copy.name + end))
        with contextlib.closing(_connect(copy, "rw")) as db:
            yield db


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, isolation_level=None)
    try:
        harden(db, path)
    except BaseException:
        db.close()
        raise
    return db


def _in_memory(db: sqlite3.Connection) -> sqlite3.Connection:
    copy = sqlite3.connect(":memory:", isolation_level=None)
    db.backup(copy)
    return copy


def _check_file(path: Path) -> None:
    """A plain file that can be read; a link or a pipe is not a recording's own."""
    try:
        mode = path.lstat().st_mode
        if not stat.S_ISREG(mode):
            raise InputError(f"{path}: is {'a link' if stat.S_ISLNK(mode) else 'no plain file'}; a recording keeps its "
                             f"own files")
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise InputError(f"{path.parent}: no recording there; name a folder that `plumeline analyse` wrote") from None
    except OSError as fault:
        raise EnvironmentFault(f"{path}: cannot be read: {fault.strerror or fault}") from None


def _size(path: Path) -> int:
    try:
        return os.stat(path, follow_symlinks=False).st_size
    except OSError:
        return 0


@cache
def _our_tables() -> dict[str, tuple[tuple[str, str, bool, bool], ...]]:
    """Table -> (column, type, whether it must have a value, whether it is the key), as the schema itself lays them
    out.
    """
    with contextlib.closing(sqlite3.connect(":memory:")) as db:
        schema.create(db)
        return {table: tuple((r[1], r[2], bool(r[3]), bool(r[5])) for r in db.execute(f"PRAGMA table_xinfo({table})"))
                for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()}


@cache
def _our_words() -> frozenset[str]:
    """Every word that the schema's own definitions use; a check, a trigger or a computed column needs others."""
    with contextlib.closing(sqlite3.connect(":memory:")) as db:
        schema.create(db)
        texts = [row[0] for row in db.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")]
    return frozenset(word.upper() for text in texts for word in _WORDS.findall(text))


def _check_tables(db: sqlite3.Connection, path: Path) -> None:
    """Refuse everything in a trace that the schema does not know."""
    ours, found = _our_tables(), set()
    for kind, name, table, sql in db.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall():
        is_known = table in ours and ((kind == "table" and name == table)
                                      or (kind == "index" and isinstance(name, str)))
        words = {word.upper() for word in _WORDS.findall(sql)} if isinstance(sql, str) else set()
        if not is_known or not words <= _our_words():
            raise InputError(f"{path}: holds {_named(kind, name)}, which no trace has; it is not used")
        if kind == "table":
            found.add(table)
            known = {column[0]: column for column in ours[table]}
            for row in db.execute(f"PRAGMA table_xinfo({table})").fetchall():
                column = (row[1], row[2], bool(row[3]), bool(row[5]))
                if row[6] or known.get(row[1]) != column:
                    raise InputError(f"{path}: column {_named(table, row[1])} is not as a trace has it; it is not used")
    if missing := {"meta", "frames", "passes", "warnings"} - found:
        raise InputError(f"{path}: damaged: table {', '.join(sorted(missing))} is missing")


def _named(*words: object) -> str:
    return " ".join(ascii(str(word))[1:-1][:60] for word in words)


def _wrong(table: str, name: str, kind: str, not_null: bool) -> str:
    """The condition under which a cell of a column cannot be, in SQL; NULL means not known."""
    kinds = {"REAL": "'real', 'integer'", "INTEGER": "'integer'", "TEXT": "'text'", "BLOB": "'blob'"}[kind.split()[0]]
    parts = [f"typeof({name}) NOT IN ({kinds}{'' if not_null else ', ' + repr('null')})"]
    if kind.startswith(("REAL", "INTEGER")):
        is_moment = name == "t_s" or (name.startswith("t_") and name.endswith("_s"))
        parts.append(f"abs({name}) > {LONGEST_S if is_moment else LARGEST}")
    if kind.startswith("TEXT"):
        parts.append(f"length({name}) > {LONGEST_META if table == 'meta' else LONGEST_TEXT}")
    if name.endswith("_cov"):
        parts.append(f"length({name}) NOT IN (0, 288)")  # 6 x 6 doubles
    if name == "cells":
        parts.append("ny NOT BETWEEN 1 AND 20000 OR nx NOT BETWEEN 1 AND 20000 OR length(cells) <> 8 * ny * nx")
    if (table, name) in _CHOICES:
        parts.append(f"{name} NOT IN ({', '.join(map(repr, _CHOICES[table, name]))})")
    if (table, name) == ("warnings", "value"):
        parts.append("kind IN ('too_far', 'too_close') AND (value IS NULL OR limit_ IS NULL)")
    if (table, name) == ("warnings", "t_first_s"):
        parts.append("kind = 'not_seen' AND t_first_s IS NULL")
    if (table, name) == ("passes", "t_end_s"):
        parts.append("t_start_s IS NULL OR t_end_s IS NULL OR t_end_s < t_start_s")
    return " OR ".join(parts)


def _check_times(db: sqlite3.Connection, path: Path) -> None:
    cursor = db.cursor()
    cursor.row_factory = None
    times = np.array([row[0] for row in cursor.execute("SELECT t_s FROM frames ORDER BY frame")], float)
    back = np.flatnonzero(np.diff(times) <= 0)
    if len(back):
        raise InputError(f"{path}: damaged: time runs backwards after frame row {back[0] + 1} ({times[back[0]]:.3f} s, "
                         f"then "
                         f"{times[back[0] + 1]:.3f} s); analyse the clip again")
