"""Marks a folder as being written; the mark goes away with the process, however it ends."""

from __future__ import annotations

import contextlib
from pathlib import Path

from filelock import FileLock, Timeout

__all__ = ["FolderLock", "is_locked"]

_NAME = "writing.lock"


class FolderLock:
    """Holds the mark until `free` is called or the process is gone."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / _NAME
        # one thread begins a live recording, another ends it
        self._lock = FileLock(self._path, timeout=0, thread_local=False)
        with contextlib.suppress(Timeout, OSError):  # a file system without locks: recorded all the same
            self._lock.acquire()

    def free(self) -> None:
        """Take the mark away."""
        self._lock.release()
        self._path.unlink(missing_ok=True)


def is_locked(folder: Path) -> bool:
    """Whether some process writes into the folder now."""
    path = folder / _NAME
    if not path.is_file():
        return False
    try:
        with FileLock(path, timeout=0):
            return False
    except Timeout:
        return True
    except OSError:
        return False  # a folder of someone else's that nobody writes
