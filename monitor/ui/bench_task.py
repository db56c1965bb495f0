"""Long work beside the window: with progress, a way to end it, and its outcome back in the window's thread.

The work itself runs in a process of its own, so that it can neither hold the window up nor take it down.
"""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection

from PyQt6.QtCore import QObject, pyqtSignal

__all__ = ["Task", "Cancelled", "in_process"]


END_S = 6.0  # a process that is told to end, and is killed after five


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

    def end(self) -> None:
        """End it and wait for that: its signals must not come when this object is gone."""
        self.cancel()
        if self._thread is not None:
            self._thread.join(END_S)

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


def in_process(function: Callable, *args: object) -> Callable[[Callable[[float], None]], object]:
    """Work for a Task: a module's function, called with the arguments and a progress callable in a process of its
    own.
    """
    def work(told: Callable[[float], None]) -> object:
        context = multiprocessing.get_context("spawn")
        here, there = context.Pipe(duplex=False)
        child = context.Process(target=_child, args=(there, function, args), daemon=True)
        child.start()
        there.close()
        try:
            return _follow(here, told)
        finally:
            child.terminate()
            child.join(5.0)
    return work


def _follow(here: Connection, told: Callable[[float], None]) -> object:
    """Pass progress on until the outcome is there."""
    share = 0.0
    while True:
        told(share)
        if not here.poll(0.1):
            continue
        try:
            kind, value = here.recv()
        except EOFError:
            raise RuntimeError("the work ended without an answer; is there enough memory?") from None
        if kind == "done":
            return value
        if kind == "fault":
            raise RuntimeError(value)
        share = value


def _child(there: Connection, function: Callable, args: tuple) -> None:
    try:
        there.send(("done", function(*args, lambda share: there.send(("progress", float(share))))))
    except Exception as fault:
        there.send(("fault", str(fault) or type(fault).__name__))
