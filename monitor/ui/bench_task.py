"""Long work beside the window: in a thread, with progress, a way to end it, and its outcome back in the window's thread."""

from __future__ import annotations

import threading
from collections.abc import Callable

from PyQt6.QtCore import QObject, pyqtSignal

__all__ = ["Task", "Cancelled"]


class Cancelled(Exception):
    """The user ended it."""


class Task(QObject):
    """Runs one function at a time.

    Signals: progress (0 to 1), done (what it gave), failed (one line for the user).
    """

    progress = pyqtSignal(float)
    done = pyqtSignal(object)
    failed = pyqtSignal(str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._thread: threading.Thread | None = None
        self._cancel = threading.Event()

    @property
    def is_running(self) -> bool:
        """Whether something is under way."""
        return self._thread is not None and self._thread.is_alive()

    def run(self, work: Callable[[Callable[[float], None]], object]) -> bool:
        """Start a function that takes a progress callable; False when one is under way."""
        if self.is_running:
            return False
        self._cancel.clear()
        self._thread = threading.Thread(target=self._work, args=(work,), name="task", daemon=True)
        self._thread.start()
        return True

    def cancel(self) -> None:
        """End it at its next progress."""
        self._cancel.set()

    def _work(self, work: Callable) -> None:
        def told(share: float) -> None:
            if self._cancel.is_set():
                raise Cancelled
            self.progress.emit(float(share))
        try:
            self.done.emit(work(told))
        except Cancelled:
            self.failed.emit("")
        except Exception as fault:
            self.failed.emit(str(fault) or type(fault).__name__)
