"""Hand-overs between threads: a slot where the newest wins, one with a short memory, and a line where the oldest goes
first.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

__all__ = ["Mailbox", "Recent", "Line"]

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


class _Waiting(Generic[T]):
    """Values that wait for another thread."""

    def __init__(self) -> None:
        self._ready = threading.Condition()
        self._values: deque[T] = deque()
        self._closed = False

    def close(self) -> None:
        """Wake whoever waits; nothing more will come, what is left can still be taken."""
        with self._ready:
            self._closed = True
            self._ready.notify_all()

    @property
    def is_closed(self) -> bool:
        """Whether the sender has ended and nothing is left."""
        with self._ready:
            return self._closed and not self._values


class Recent(_Waiting[T]):
    """The last moment's values, so that one who fell behind for once misses nothing, and one who is too slow skips.

    Parameters
    ----------
    time_s : callable
        When a value is from; it rises.
    kept_s, most : float, int
        How much older than the newest a value may be, and how many are kept.
    late_s : float
        By how much the oldest may lag behind the newest before any are skipped.
    """

    def __init__(self, time_s: Callable[[T], float], kept_s: float = 0.5, most: int = 20, late_s: float = 0.1) -> None:
        super().__init__()
        self._time_s, self._kept_s, self._most, self._late_s = time_s, kept_s, most, late_s
        self.n_put = self.n_dropped = 0

    def put(self, value: T) -> bool:
        """Leave a value; False when an older one was dropped for it."""
        with self._ready:
            values, before = self._values, self.n_dropped
            self.n_put += 1
            values.append(value)
            while len(values) > self._most or self._time_s(value) - self._time_s(values[0]) > self._kept_s:
                values.popleft()
                self.n_dropped += 1
            self._ready.notify()
            return self.n_dropped == before

    def take(self, timeout_s: float | None = None, from_s: float = -math.inf) -> T | None:
        """The oldest, unless it is late: then the first from that time on, else the newest.

        None after the time-out or when closed and empty.
        """
        with self._ready:
            self._ready.wait_for(lambda: self._values or self._closed, timeout_s)
            if not self._values:
                return None
            times_s, at = [self._time_s(v) for v in self._values], 0
            if times_s[-1] - times_s[0] > self._late_s:
                at = next((i for i, t_s in enumerate(times_s) if t_s >= from_s), len(times_s) - 1)
            for _ in range(at):
                self._values.popleft()
            self.n_dropped += at
            return self._values.popleft()


class Line(_Waiting[T]):
    """First in, first out, at most so many; what does not fit is refused and counted."""

    def __init__(self, longest: int) -> None:
        super().__init__()
        self._longest = longest
        self.n_refused = 0

    @property
    def is_full(self) -> bool:
        """Whether nothing more is taken in now; also once it is closed."""
        with self._ready:
            return self._closed or len(self._values) >= self._longest

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
