"""Hand-overs between threads: one slot where the newest wins, and a bounded line where the oldest goes first."""

from __future__ import annotations

import threading
from collections import deque
from typing import Generic, TypeVar

__all__ = ["Mailbox", "Line"]

T = TypeVar("T")


class Mailbox(Generic[T]):
    """One slot; putting replaces what was not yet taken, and counts it as dropped."""

    def __init__(self) -> None:
        self._ready = threading.Condition()
        self._value: T | None = None
        self._closed = False
        self.n_put = self.n_dropped = 0

    def put(self, value: T) -> bool:
        """Leave a value; False when an older one was dropped for it."""
        with self._ready:
            replaced = self._value is not None
            self._value = value
            self.n_put += 1
            self.n_dropped += replaced
            self._ready.notify()
        return not replaced

    def take(self, timeout_s: float | None = None) -> T | None:
        """The value, waited for; None after the time or when closed and empty."""
        with self._ready:
            self._ready.wait_for(lambda: self._value is not None or self._closed, timeout_s)
            value, self._value = self._value, None
            return value

    def close(self) -> None:
        """Wake whoever waits; nothing more will come."""
        with self._ready:
            self._closed = True
            self._ready.notify_all()

    @property
    def is_closed(self) -> bool:
        """Whether the sender has ended and the slot is empty."""
        with self._ready:
            return self._closed and self._value is None


class Line(Generic[T]):
    """First in, first out, at most so many; what does not fit is refused and counted."""

    def __init__(self, longest: int) -> None:
        self._ready = threading.Condition()
        self._values: deque[T] = deque()
        self._longest, self._closed = longest, False
        self.n_refused = 0

    def put(self, value: T) -> bool:
        """Join the line; False when it is full or closed."""
        with self._ready:
            if self._closed or len(self._values) >= self._longest:
                self.n_refused += 1
                return False
            self._values.append(value)
            self._ready.notify()
            return True

    def take(self, timeout_s: float | None = None) -> T | None:
        """The oldest, waited for; None after the time or when closed and empty."""
        with self._ready:
            self._ready.wait_for(lambda: self._values or self._closed, timeout_s)
            return self._values.popleft() if self._values else None

    def close(self) -> None:
        """Let nobody join any more; what stands in line can still be taken."""
        with self._ready:
            self._closed = True
            self._ready.notify_all()

    @property
    def is_closed(self) -> bool:
        """Whether it is closed and empty."""
        with self._ready:
            return self._closed and not self._values
