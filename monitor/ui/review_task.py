"""Long work beside the window: runs in a thread, tells how far it is, can be cancelled, and reports back by signal."""

from __future__ import annotations

import contextlib
import gc
import logging
import threading
from collections.abc import Callable, Iterator
from typing import Any

from PyQt6.QtCore import QObject, pyqtSignal

from monitor.errors import MonitorError
from monitor.review.traces import Cancelled
from vision.errors import VisionError

__all__ = ["Task", "collector_paused"]

TELL_EVERY = 0.005


@contextlib.contextmanager
def collector_paused() -> Iterator[None]:
    """Read many rows without the garbage collector, which would hold up the window for 0.1 s at a time.

    The rows are then set aside from it: they hold no cycles and go when the last who uses them lets go.
    """
    gc.disable()
    try:
        yield
        gc.freeze()
    finally:
        gc.enable()


class Task(QObject):
    """One piece of work; `work` takes a function to which it tells the share done, and which ends it when cancelled.

    Signals: `progressed` with the share done, `done` with the result, `failed` with one line, `cancelled`.
    """

    progressed = pyqtSignal(float)
    done = pyqtSignal(object)
    failed = pyqtSignal(str)
    cancelled = pyqtSignal()

    def __init__(self, work: Callable[[Callable[[float], None]], Any], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._work, self._stop, self._told = work, threading.Event(), 0.0
        self._thread = threading.Thread(target=self._run, name="review task", daemon=True)

    def start(self) -> Task:
        """Begin."""
        self._thread.start()
        return self

    def cancel(self) -> None:
        """Ask it to end; nothing but `cancelled` comes after it noticed."""
        self._stop.set()

    def wait(self, timeout_s: float = 10.0) -> None:
        """Until the thread is gone."""
        self._thread.join(timeout_s)

    @property
    def is_running(self) -> bool:
        """Whether it still works."""
        return self._thread.is_alive()

    def _tell(self, share: float) -> None:
        if self._stop.is_set():
            raise Cancelled
        if share - self._told >= TELL_EVERY or share >= 1.0:
            self._told = share
            if not self._emit("progressed", share):
                raise Cancelled

    def _run(self) -> None:
        try:
            result = self._work(self._tell)
        except Cancelled:
            self._emit("cancelled")
        except (MonitorError, VisionError, OSError) as fault:
            self._emit("failed", str(fault))
        except Exception as fault:  # a thread's fault must reach the person, not end unseen
            logging.getLogger("plumeline").exception("a fault beside the review window")
            self._emit("failed", f"a fault in plumeline itself ({type(fault).__name__}: {fault})")
        else:
            self._emit("cancelled") if self._stop.is_set() else self._emit("done", result)

    def _emit(self, name: str, *values: Any) -> bool:
        """Send a signal; False when the window is gone already."""
        try:
            getattr(self, name).emit(*values)
        except RuntimeError:
            return False
        return True
