"""The capture thread: reads a source, watches for one that is gone or frozen, and hands the newest frame on."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from monitor.engine.mailbox import Recent
from monitor.engine.room import FrameRoom
from monitor.engine.source import Arrival, LiveSource, SourceLost
from monitor.engine.video_writer import PictureLine
from vision.errors import VisionError

__all__ = ["Capture"]

RETRY_S = 1.0
SAME_PICTURES = 3  # a sensor's noise never repeats: so many equal pictures in a row are one picture shown again
log = logging.getLogger("plumeline.capture")


class Capture(threading.Thread):
    """Reads frames for ever; a source that fails is tried again every second.

    Parameters
    ----------
    source : LiveSource
    newest : Recent
        Where the analysis takes from.
    every : PictureLine or None
        Where the encoder takes from; what does not fit is counted there. Can be set while running.
    watch_frozen : bool
        Take equal pictures as a frozen camera. Off for drawn videos, whose still scenes do repeat.

    Attributes
    ----------
    trouble : str
        Why there is no picture now; empty when there is one.
    n_frames, n_frozen, n_losses : int
    fault : VisionError or None
        What made the source unusable for good.
    """

    def __init__(self, source: LiveSource, newest: Recent[Arrival], *, watch_frozen: bool = True,
                 clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__(name="capture", daemon=True)
        self._source, self._newest, self._watch_frozen, self._clock = source, newest, watch_frozen, clock
        self.every: PictureLine | None = None
        self._stop_asked = threading.Event()
        self._before: np.ndarray | None = None
        self._room = FrameRoom()
        self._n_same = 0
        self.trouble = "no picture yet"
        self.n_frames = self.n_frozen = self.n_losses = 0
        self.fault: VisionError | None = None

    def run(self) -> None:
        """Until the source ends or `stop` is called."""
        try:
            while not self._stop_asked.is_set():
                try:
                    self._source.open()
                    if self._read_on():
                        return
                except SourceLost as lost:
                    self._lose(str(lost))
                    self._stop_asked.wait(RETRY_S)
        except VisionError as fault:
            self.fault, self.trouble = fault, str(fault)
        finally:
            self._newest.close()
            getattr(self._source, "release", lambda: None)()

    def stop(self) -> None:
        """Ask for the end; a source that blocks is left behind, the thread being a daemon."""
        self._stop_asked.set()
        self._source.close()

    def _read_on(self) -> bool:
        """Read until the end (True) or until the thread is asked to stop."""
        while not self._stop_asked.is_set():
            arrival = self._source.read()
            if arrival is None:
                return True
            if self._is_frozen(arrival):
                continue
            self.trouble = ""
            self.n_frames += 1
            if self.every is not None:
                self.every.put(arrival)
            self._newest.put(replace(arrival, frame=self._room.kept(arrival.frame)))
        return True

    def _is_frozen(self, arrival: Arrival) -> bool:
        if not self._watch_frozen:
            return False
        now = arrival.frame.image[::16, ::16]
        same = self._before is not None and now.shape == self._before.shape and np.array_equal(now, self._before)
        self._n_same = self._n_same + 1 if same else 0
        if not same:
            self._before = now.copy()
        if self._n_same < SAME_PICTURES - 1:
            return False
        self.n_frozen += 1
        if self.trouble == "":
            self._lose("the camera repeats one picture")
        return True

    def _lose(self, why: str) -> None:
        if self.trouble != why:
            log.warning("%s: %s", self._source.name, why)
            self.n_losses += self.trouble == ""
            self.trouble = why
