"""Where the review is in time: stepping from frame to frame, jumping, playing either way."""

from __future__ import annotations

import time

import numpy as np
from PyQt6.QtCore import QObject, QTimer, pyqtSignal

from vision.types import FloatArray

__all__ = ["Cursor"]

FASTEST = 8.0
TICK_MS = 15


class Cursor(QObject):
    """A moment among the frames of a recording; its methods without arguments are commands of the window.

    Signals: `moved` with the time [s]; `speed_changed` with the speed, 0 when it stands.
    """

    moved = pyqtSignal(float)
    speed_changed = pyqtSignal(float)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._times, self._t_s, self._speed, self._played_from = np.zeros(1), 0.0, 0.0, (0.0, 0.0)
        self._clock = QTimer(self, interval=TICK_MS)
        self._clock.timeout.connect(self._tick)

    @property
    def t_s(self) -> float:
        """Where it is [s]."""
        return self._t_s

    @property
    def speed(self) -> float:
        """How fast it plays; 0 when it stands, negative backwards."""
        return self._speed

    @property
    def index(self) -> int:
        """The frame on show there."""
        return max(0, int(np.searchsorted(self._times, self._t_s + 1e-6, "right")) - 1)

    @property
    def times_s(self) -> FloatArray:
        """Times of all frames [s]."""
        return self._times

    @property
    def start_s(self) -> float:
        """Time of the first frame."""
        return float(self._times[0])

    @property
    def end_s(self) -> float:
        """Time of the last frame."""
        return float(self._times[-1])

    @property
    def frame_s(self) -> float:
        """Usual time between two frames."""
        return float(np.median(np.diff(self._times))) if len(self._times) > 1 else 0.05

    def set_times(self, times_s: FloatArray) -> None:
        """Times of all frames; the cursor stays where it is, within them."""
        self._times = times_s if len(times_s) else np.zeros(1)
        self.go_to(self._t_s)

    def go_to(self, t_s: float) -> None:
        """To a moment; playing goes on from there."""
        self._t_s = min(max(t_s, self.start_s), self.end_s)
        if self._speed:
            self._played_from = (self._t_s, time.monotonic())
        self.moved.emit(self._t_s)

    def play_or_pause(self) -> None:
        """Play, or pause; at the end, from the start."""
        if not self._speed and self._t_s >= self.end_s:
            self.go_to(self.start_s)
        self._play(0.0 if self._speed else 1.0)

    def pause(self) -> None:
        """Stop where we are."""
        self._play(0.0)

    def faster_forward(self) -> None:
        """Forwards; twice as fast each time."""
        self._play(min(FASTEST, 2 * self._speed) if self._speed > 0 else 1.0)

    def faster_back(self) -> None:
        """Backwards; twice as fast each time."""
        self._play(max(-FASTEST, 2 * self._speed) if self._speed < 0 else -1.0)

    def step_forward(self) -> None:
        """One frame on."""
        self._step(1)

    def step_back(self) -> None:
        """One frame back."""
        self._step(-1)

    def second_forward(self) -> None:
        """One second on."""
        self.go_to(self._t_s + 1.0)

    def second_back(self) -> None:
        """One second back."""
        self.go_to(self._t_s - 1.0)

    def to_start(self) -> None:
        """To the first frame."""
        self.go_to(self.start_s)

    def to_end(self) -> None:
        """To the last frame."""
        self.go_to(self.end_s)

    def _step(self, by: int) -> None:
        self.pause()
        self.go_to(float(self._times[min(max(self.index + by, 0), len(self._times) - 1)]))

    def _play(self, speed: float) -> None:
        self._speed, self._played_from = speed, (self._t_s, time.monotonic())
        if speed:
            self._clock.start()
        else:
            self._clock.stop()
        self.speed_changed.emit(speed)

    def _tick(self) -> None:
        start, began = self._played_from
        self._t_s = min(max(start + self._speed * (time.monotonic() - began), self.start_s), self.end_s)
        self.moved.emit(self._t_s)
        if self._t_s in (self.start_s, self.end_s):
            self.pause()
