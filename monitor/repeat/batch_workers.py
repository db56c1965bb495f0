"""Spreads tasks over processes of this machine; a process that dies takes only its own task with it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections.abc import Generator, Iterator, Sequence
from multiprocessing.connection import Connection, wait

from monitor.repeat.batch_task import FAILED, Outcome, Task, Tell, analyse_again, clear_work

__all__ = ["run_on_cores"]

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
PATIENCE_S = 5.0


def run_on_cores(tasks: Sequence[Task], n_workers: int, tell: Tell) -> Generator[Outcome]:
    """Work through the tasks with so many processes; closing the iterator ends them and leaves nothing half-done."""
    todo = list(reversed(tasks))
    workers = [_Worker() for _ in range(min(n_workers, len(todo)))]
    try:
        for worker in workers:
            worker.give(todo.pop())
        while busy := [worker for worker in workers if worker.task is not None]:
            for ready in wait([worker.pipe for worker in busy]):
                worker = next(w for w in busy if w.pipe is ready)
                outcome = worker.hear(tell)
                if outcome is not None:
                    yield outcome
                    if todo:
                        worker.give(todo.pop())
    finally:
        for worker in workers:
            worker.end()


class _Worker:
    """One process and the task it works on."""

    def __init__(self) -> None:
        self.task: Task | None = None
        self._start()

    def give(self, task: Task) -> None:
        """Let it begin."""
        self.task = task
        with contextlib.suppress(OSError):  # dead already: `hear` finds out
            self.pipe.send(task)

    def hear(self, tell: Tell) -> Outcome | None:
        """Take one message; an outcome when the task is over, be it that the process is gone."""
        try:
            said = self.pipe.recv()
        except (EOFError, OSError):
            return self._mourn()
        if isinstance(said, Outcome):
            self.task = None
            return said
        tell(*said)
        return None

    def end(self) -> None:
        """End the process, gently first; what it had begun is removed."""
        if self.task is not None:
            self._process.terminate()
        self.pipe.close()
        self._process.join(PATIENCE_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        if self.task is not None:
            clear_work(self.task)

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")  # a forked OpenCV or numba may hang
        self.pipe, theirs = context.Pipe()
        self._process = context.Process(target=_work, args=(theirs,), daemon=True, name="plumeline batch")
        with _one_thread_each():
            self._process.start()
        theirs.close()

    def _mourn(self) -> Outcome:
        """The process died: its task failed, another process takes its place."""
        self._process.join(PATIENCE_S)
        assert self.task is not None  # only a process with a task is mourned
        task = self.task
        outcome = Outcome(task.name, FAILED, fault=f"its process ended with code {self._process.exitcode}")
        clear_work(task)
        self.pipe.close()
        self.task = None
        self._start()
        return outcome


def _work(pipe: Connection) -> None:
    """What a process does: one task after the other until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all; the parent decides
    signal.signal(signal.SIGTERM, lambda *_: os._exit(143))
    told = {"share": -1.0}

    def tell(name: str, share: float) -> None:
        if share - told["share"] >= 0.01 or share < told["share"]:
            told["share"] = share
            pipe.send((name, share))

    with contextlib.suppress(EOFError, OSError, BrokenPipeError):
        while True:
            pipe.send(analyse_again(pipe.recv(), tell))


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    """One thread a process: the processes are the threads, and sums come in one order only."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value

