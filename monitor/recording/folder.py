"""What lies in a recording's folder, and how such a folder takes another's place or goes away: nothing of anyone
else's.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from pathlib import Path

from monitor.errors import InputError, MonitorError
from monitor.files import read_json
from monitor.recording import schema
from monitor.recording.trace_file import open_trace_file

__all__ = ["BENCH_PICTURE", "CAMERA", "GUIDE", "HEAT", "JOB", "MANIFEST", "META", "NOZZLE", "PICTURE", "RESERVE",
           "TRACE", "files_of_others", "has_trace", "is_live", "is_own", "make_private", "put_in_place", "remove_own"]

TRACE, JOB, CAMERA, NOZZLE, META, PICTURE = (
    "trace.sqlite", "job.toml", "camera.toml", "nozzle.toml", "meta.json", "board.png")
BENCH_PICTURE, HEAT, GUIDE, MANIFEST, RESERVE = (
    "nozzle.bench.jpg", "heat.toml", "guide.toml", "manifest.json", "reserve.bin")
LOCK = "writing.lock"

_OWN = frozenset({TRACE, *(TRACE + end for end in ("-wal", "-shm", "-journal")), JOB, CAMERA, NOZZLE, META, PICTURE,
                  BENCH_PICTURE, HEAT, GUIDE, MANIFEST, RESERVE, LOCK})
# what can be made again from the recording at any time, by the names that it gets unless it is told others
_DERIVED = frozenset({"report.html", "report.pdf", "overlay.mp4", "about.json"}
                     | {f"{table}.{kind}" for table in ("track", "warnings", "passes", "comments", "parts",
                                                        "part_events", "columns")
                        for kind in ("csv", "parquet")})
_ID_AT = 68  # of a SQLite file's header: the application's number (sqlite.org, "Database File Format", 1.3)


def is_own(name: str) -> bool:
    """Whether a name in a recording's folder is one of the recording itself, in any case: some systems see no other."""
    name = name.lower()
    return name in _OWN or name.startswith("video.")


def has_trace(folder: Path) -> bool:
    """Whether a folder carries our mark: a trace of this program, be it that the mark still stands in its log."""
    path = folder / TRACE
    if not path.is_file():
        return False  # a pipe would be waited for
    try:
        with path.open("rb") as file:
            if file.read(_ID_AT + 4)[_ID_AT:] == schema.APPLICATION_ID.to_bytes(4, "big"):
                return True
        if path.with_name(path.name + "-wal").is_file():
            with open_trace_file(path, ("meta",)):
                return True
    except (OSError, MonitorError):
        pass
    return False


def is_live(folder: Path) -> bool:
    """Whether an unfinished recording was made live, and so cannot be made again; yes when it does not say."""
    try:
        return bool(read_json(folder / META, "table of a recording", InputError).get("live", True))
    except (InputError, AttributeError):
        return True


def files_of_others(folder: Path) -> list[str]:
    """Names of what lies in a recording's folder and is neither of it nor made from it."""
    return sorted(entry.name for entry in os.scandir(folder)
                  if not (_may_go(entry.name) and (entry.is_symlink() or entry.is_file())))


def remove_own(folder: Path) -> bool:
    """Remove a recording's files, the trace last, and the folder if nothing else is in it; False when something is
    left.
    """
    with contextlib.suppress(OSError):
        names = [entry.name for entry in os.scandir(folder) if entry.is_symlink() or entry.is_file()]
        for name in sorted((name for name in names if _may_go(name)), key=lambda name: (name == LOCK, name == TRACE)):
            (folder / name).unlink(missing_ok=True)
        folder.rmdir()
    return not folder.exists()


def make_private(folder: Path) -> None:
    """Let nobody but the owner read a recording's files."""
    for entry in os.scandir(folder):
        if is_own(entry.name) and not entry.is_symlink() and entry.is_file():
            (folder / entry.name).chmod(0o600)


def put_in_place(part: Path, folder: Path) -> Path | None:
    """Give a finished folder its final name; what had that name before is given back under another.

    Either the old or the new stands under the name at every moment, where the system can exchange two names in one
    step; elsewhere the old one waits as NAME.old until the new one has its name.

    Returns
    -------
    Path or None
        Where the old one is now; None when there was none.
    """
    with contextlib.suppress(OSError):
        folder.rmdir()  # an empty one
    if not folder.exists():
        os.replace(part, folder)
        return None
    old = free_name(folder.with_name(folder.name + ".old"))
    if _exchange(part, folder):
        os.replace(part, old)
    else:
        os.replace(folder, old)
        os.replace(part, folder)
    return old


def free_name(path: Path) -> Path:
    """The path, or one with a number behind it that nothing has yet."""
    number, found = 1, path
    while found.exists() or found.is_symlink():
        number, found = number + 1, path.with_name(f"{path.name}-{number}")
    return found


def _may_go(name: str) -> bool:
    is_unfinished = name.startswith(".") and (".part" in name)
    return is_own(name) or name.lower() in _DERIVED or is_unfinished


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two names in one step; False where the system or the disk cannot."""
    name, at, swap = {"linux": ("renameat2", -100, 2), "darwin": ("renameatx_np", -2, 2)}.get(sys.platform, ("", 0, 0))
    call = getattr(ctypes.CDLL(None), name, None) if name else None
    if call is None:
        return False
    call.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
    return call(at, os.fsencode(one), at, os.fsencode(other), swap) == 0
