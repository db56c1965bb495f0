"""Marks a folder as being written; the mark goes away with the process, however it ends."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["FolderLock", "is_locked"]

_NAME = "writing.lock"


class FolderLock:
    """Holds the mark until `free` is called or the process is gone."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / _NAME
        self._file = self._path.open("a+b")
        _try(self._file)

    def free(self) -> None:
        """Take the mark away."""
        self._file.close()
        self._path.unlink(missing_ok=True)


def is_locked(folder: Path) -> bool:
    """Whether some process writes into the folder now."""
    path = folder / _NAME
    try:
        with path.open("r+b") as file:
            return not _try(file)
    except OSError:
        return False  # no such file, or a folder of someone else's that nobody writes


def _try(file) -> bool:
    """Lock the file if no other process has."""
    if os.name == "nt":
        import msvcrt

        file.seek(0)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
