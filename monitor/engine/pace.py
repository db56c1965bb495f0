"""Whether this computer keeps up with the pictures that come, and what to do when it does not."""

from __future__ import annotations

from collections import deque

__all__ = ["Pace"]

SPAN_S = 5.0
LEAST_S = 3.0  # before that nothing is said: the first look for the nozzle takes longer than all others
MOST_SKIPPED = 0.25  # of the pictures: below that the hand is still followed well


class Pace:
    """Counts pictures analysed and skipped over the last seconds.

    Attributes
    ----------
    words : str
        Empty while it keeps up.
    """

    def __init__(self) -> None:
        self._noted: deque[tuple[float, int]] = deque()
        self.words = ""

    def note(self, now_s: float, n_skipped: int) -> None:
        """A picture was analysed; so many were skipped since the beginning."""
        self._noted.append((now_s, n_skipped))
        while now_s - self._noted[0][0] > SPAN_S:
            self._noted.popleft()
        span_s, skipped = now_s - self._noted[0][0], n_skipped - self._noted[0][1]
        done = len(self._noted) - 1
        if span_s < LEAST_S or skipped <= MOST_SKIPPED * (done + skipped):
            self.words = ""
            return
        self.words = (f"this computer follows {done / span_s:.0f} of {(done + skipped) / span_s:.0f} pictures a "
                      f"second: "
                      "close other programs, or ask the camera for fewer (--rate 15)")
