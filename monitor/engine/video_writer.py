"""Encodes frames into a Matroska file that stays readable up to its last quarter second if the program is killed."""

from __future__ import annotations

import logging
import threading
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from monitor.engine.mailbox import Line
from monitor.engine.source import Arrival

__all__ = ["VideoWriter", "VIDEO"]

VIDEO = "video.mkv"
TICKS_PER_S = 1000  # Matroska's own tick; exact times are in the trace
WAIT_FOR_S = 2.0  # what the line to the encoder holds
KEY_EVERY = 30
# both are needed: packets leave the program at once, and a cluster is never longer than 0.2 s
_MUX = {"flush_packets": "1", "cluster_time_limit": "200"}
_CODEC = {"preset": "ultrafast", "tune": "zerolatency", "crf": "23"}
log = logging.getLogger("plumeline.video")


class VideoWriter(threading.Thread):
    """Takes frames from a line and writes them, oldest first; its death stops nothing else.

    Parameters
    ----------
    path : Path
    t_zero_s : float
        Source time that becomes the video's first.
    rate_hz : float
        About how many frames a second, for the length of the line.

    Attributes
    ----------
    line : Line of Arrival
    n_written : int
        Frames that the file has.
    last_s : float
        Time of the last of them.
    trouble : str
        Why it stopped; empty while it works.
    """

    def __init__(self, path: Path, t_zero_s: float = 0.0, rate_hz: float = 30.0) -> None:
        super().__init__(name="video", daemon=True)
        self.path, self._t_zero_s = path, t_zero_s
        self.line: Line[Arrival] = Line(max(2, round(WAIT_FOR_S * rate_hz)))
        self.n_written, self.last_s, self.trouble = 0, -1.0, ""
        self._container: av.container.OutputContainer | None = None
        self._stream: av.VideoStream | None = None

    def run(self) -> None:
        """Until the line is closed and empty, or the disk or the encoder refuses."""
        try:
            while not self.line.is_closed:
                arrival = self.line.take(0.5)
                if arrival is not None:
                    self._write(arrival)
            if self._stream is not None:
                self._container.mux(self._stream.encode(None))
        except (OSError, av.error.FFmpegError, ValueError) as fault:
            self._give_up(fault)
        finally:
            self._close()

    def finish(self, timeout_s: float = 5.0) -> None:
        """Write what stands in line, and close the file."""
        self.line.close()
        if self.is_alive():
            self.join(timeout_s)

    def _write(self, arrival: Arrival) -> None:
        image = arrival.frame.image
        if self._container is None:
            self._begin(image)
        height, width = self._stream.height, self._stream.width
        picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(image[:height, :width]), "bgr24")
        picture.pts, picture.time_base = round((arrival.frame.t_s - self._t_zero_s) * TICKS_PER_S), Fraction(1, TICKS_PER_S)
        self._container.mux(self._stream.encode(picture))
        self.n_written += 1
        self.last_s = arrival.frame.t_s - self._t_zero_s

    def _begin(self, image: np.ndarray) -> None:
        self._container = av.open(str(self.path), "w", format="matroska", options=_MUX)
        stream = self._container.add_stream("libx264", rate=30, options=_CODEC | {"g": str(KEY_EVERY)})
        stream.width, stream.height = image.shape[1] // 2 * 2, image.shape[0] // 2 * 2
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = stream.time_base = Fraction(1, TICKS_PER_S)
        stream.codec_context.thread_count = 1
        self._stream = stream

    def _give_up(self, fault: Exception) -> None:
        self.trouble = f"the video is no longer written: {getattr(fault, 'strerror', None) or fault}"
        log.error("%s: %s", self.path, self.trouble)
        self.line.close()
        while self.line.take(0.0) is not None:
            pass

    def _close(self) -> None:
        if self._container is None:
            return
        try:
            self._container.close()
        except (OSError, av.error.FFmpegError, ValueError) as fault:
            if not self.trouble:
                self._give_up(fault)
