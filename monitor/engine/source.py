"""What the capture thread reads from: a video played at its own speed, or anything else with the same three methods."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from vision.camera.sources import Video, open_video
from vision.types import Frame

__all__ = ["Arrival", "LiveSource", "SourceLost", "PlayedVideo"]


class SourceLost(Exception):
    """The source gives no picture now; its text is one line for the user."""


@dataclass(frozen=True)
class Arrival:
    """A frame with the moment at which it was there.

    Attributes
    ----------
    frame : Frame
        Its t_s counts from the source's first frame and rises strictly.
    arrived_s : float
        On the monotonic clock.
    """

    frame: Frame
    arrived_s: float


class LiveSource(Protocol):
    """A camera as the capture thread sees it."""

    name: str

    def open(self) -> None:
        """Make ready; SourceLost when it cannot be had now."""

    def read(self) -> Arrival | None:
        """Wait for the next frame; None at the end, SourceLost when there is none to be had."""

    def close(self) -> None:
        """Let go of it; may be called at any time, from another thread too."""


class PlayedVideo:
    """A recorded video that behaves like a camera: every frame comes when its time stamp says.

    Parameters
    ----------
    path : path
    loop : bool
        Begin anew at the end; time goes on rising.
    clock, wait : callables
        The monotonic clock and how to wait, for tests.
    """

    def __init__(self, path: str | Path, *, loop: bool = False, clock: Callable[[], float] = time.monotonic,
                 wait: Callable[[float], object] | None = None) -> None:
        self.path, self.name, self._loop = Path(path), Path(path).name, loop
        self._stop = threading.Event()
        self._clock, self._wait = clock, wait or self._stop.wait
        self._video: Video | None = None
        self._frames: Iterator[Frame] | None = None
        self._started_s: float | None = None
        self._index, self._offset_s, self._last_s, self._step_s = 0, 0.0, 0.0, 1 / 30

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height; the video must be open."""
        if self._video is None:
            raise SourceLost(f"{self.name}: is not open")
        return self._video.size_px

    def open(self) -> None:
        """Open the file; VisionError when it cannot be played at all."""
        if self._video is None:
            self._video = open_video(self.path, n_threads=1)
            self._frames = iter(self._video)

    def read(self) -> Arrival | None:
        """The next frame at its time; a frame that is late already comes at once."""
        frame = self._next()
        if frame is None or self._stop.is_set():
            return None
        if self._started_s is None:
            self._started_s = self._clock() - frame.t_s
        early_s = self._started_s + frame.t_s - self._clock()
        if early_s > 0:
            self._wait(early_s)
        return Arrival(frame, self._clock())

    def close(self) -> None:
        """End the play."""
        self._stop.set()

    def release(self) -> None:
        """Close the file; only from the thread that reads."""
        if self._video is not None:
            self._video.close()
            self._video = None

    def _next(self) -> Frame | None:
        if self._video is None or self._frames is None:
            raise SourceLost(f"{self.name}: is not open")
        frame = next(self._frames, None)
        if frame is None and self._loop:
            self._frames = self._video.again()
            self._offset_s = self._last_s + self._step_s
            frame = next(self._frames, None)
        if frame is None:
            return None
        t_s = frame.t_s + self._offset_s
        self._step_s = t_s - self._last_s if 0 < t_s - self._last_s < 0.2 else self._step_s
        self._last_s, index, self._index = t_s, self._index, self._index + 1
        return replace(frame, index=index, t_s=t_s)
