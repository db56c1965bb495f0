"""Hand-overs between threads: a slot where the newest wins, one with a short memory, and a line where the oldest goes first."""

from __future__ import annotations

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
    """The newest wins, but one who fell behind can come up in strides: a few older values are kept, well apart in time.

    Parameters
    ----------
    time_s : callable
        When a value is from; it rises.
    apart_s, most : float, int
        Spacing of the older values kept, and how many.
    """

    def __init__(self, time_s: Callable[[T], float], apart_s: float = 0.08, most: int = 12) -> None:
        super().__init__()
        self._time_s, self._apart_s, self._most = time_s, apart_s, most
        self.n_put = self.n_dropped = 0

    def put(self, value: T) -> bool:
        """Leave a value; False when an older one was dropped for it."""
        with self._ready:
            values, before = self._values, self.n_dropped
            self.n_put += 1
            if len(values) > 1 and self._time_s(values[-1]) - self._time_s(values[-2]) < self._apart_s:
                values.pop()  # it was kept as the newest only
                self.n_dropped += 1
            values.append(value)
            if len(values) > self._most:
                values.popleft()
                self.n_dropped += 1
            self._ready.notify()
            return self.n_dropped == before

    def take(self, timeout_s: float | None = None, after_s: float | None = None) -> T | None:
        """The newest, or the first from that time on if one is kept; None after the time-out or when closed and empty."""
        with self._ready:
            self._ready.wait_for(lambda: self._values or self._closed, timeout_s)
            if not self._values:
                return None
            at = len(self._values) - 1
            if after_s is not None:
                at = next((i for i, v in enumerate(self._values) if self._time_s(v) >= after_s), at)
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
