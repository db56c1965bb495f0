"""Encodes frames into a Matroska file that stays readable up to its last quarter second if the program is killed."""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

from monitor.engine.mailbox import Line
from monitor.engine.source import Arrival
from vision.threads import lower_priority

__all__ = ["VideoWriter", "PictureLine", "VIDEO"]

VIDEO = "video.mkv"
TICKS_PER_S = 1000  # Matroska's own tick; exact times are in the trace
WAIT_FOR_S = 2.0  # what the line to the encoder holds
KEY_EVERY = 30
# both are needed: packets leave the program at once, and a cluster is never longer than 0.2 s
_MUX = {"flush_packets": "1", "cluster_time_limit": "200"}
_CODEC = {"preset": "ultrafast", "tune": "zerolatency", "crf": "23"}
log = logging.getLogger("plumeline.video")


@dataclass(frozen=True)
class _Picture:
    """A frame as the encoder takes it: brightness above both colours at half size (I420), and its time [s]."""

    i420: np.ndarray
    t_s: float


class PictureLine(Line[_Picture]):
    """Frames on their way to the encoder, copied into memory that is there from the first one on and used in turn.

    A frame itself would hold thrice the memory, and a slow encoder would move the program's by hundreds of megabytes.
    One thread puts and one takes; what was taken stays as it is until the next is taken. Making that memory takes a
    fifth of a second at 720p: name the size of the pictures (width, height), and it is there before the first.
    """

    def __init__(self, longest: int, size_px: tuple[int, int] | None = None) -> None:
        super().__init__(longest)
        self._room = self._room_for(*size_px) if size_px is not None else None
        self._n_filled = 0

    def put(self, value: Arrival | _Picture) -> bool:
        """Join the line; False when it is full or closed."""
        if self.is_full:
            self.n_refused += 1
            return False
        if isinstance(value, Arrival):
            value = _Picture(self._copied(value.frame.image), value.frame.t_s)
        return super().put(value)

    def _copied(self, image: np.ndarray) -> np.ndarray:
        height, width = image.shape[0] // 2 * 2, image.shape[1] // 2 * 2
        if self._room is None:
            self._room = self._room_for(width, height)
        place = self._room[self._n_filled % len(self._room)]
        self._n_filled += 1
        even, size = image[:height, :width], (place.shape[1], place.shape[0] * 2 // 3)
        if even.shape[1::-1] != size:  # a camera that came back with another picture
            even = cv2.resize(even, size)
        return cv2.cvtColor(even, cv2.COLOR_BGR2YUV_I420, dst=place)

    def _room_for(self, width: int, height: int) -> np.ndarray:
        """Filled, so that its memory is there; for one more than wait, for the one at the encoder."""
        return np.full((self._longest + 1, height // 2 * 3, width // 2 * 2), 0, np.uint8)


class VideoWriter(threading.Thread):
    """Takes frames from a line and writes them, oldest first; its death stops nothing else.

    Parameters
    ----------
    path : Path
    rate_hz : float
        About how many frames a second, for the length of the line.
    size_px : tuple, optional
        Width and height of the pictures to come.

    Attributes
    ----------
    line : PictureLine
        Its first picture's time becomes the video's zero.
    n_written : int
        Frames that the file has.
    last_s : float
        Time of the last of them.
    trouble : str
        Why it stopped; empty while it works.
    """

    def __init__(self, path: Path, rate_hz: float = 30.0, size_px: tuple[int, int] | None = None) -> None:
        super().__init__(name="video", daemon=True)
        self.path, self._t_zero_s = path, 0.0
        self.line = PictureLine(max(2, round(WAIT_FOR_S * rate_hz)), size_px)
        self.n_written, self.last_s, self.trouble = 0, -1.0, ""
        self._container: av.container.OutputContainer | None = None
        self._stream: av.VideoStream | None = None
        self._frame: av.VideoFrame | None = None

    def run(self) -> None:
        """Until the line is closed and empty, or the disk or the encoder refuses."""
        lower_priority()
        try:
            while not self.line.is_closed:
                picture = self.line.take(0.5)
                if picture is not None:
                    self._write(picture)
            if self._container is not None and self._stream is not None:
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

    def _write(self, picture: _Picture) -> None:
        container, stream = self._open(picture)
        at_s = picture.t_s - self._t_zero_s
        frame = self._filled(picture.i420)
        frame.pts, frame.time_base = round(at_s * TICKS_PER_S), Fraction(1, TICKS_PER_S)
        container.mux(stream.encode(frame))
        self.n_written += 1
        self.last_s = at_s

    def _filled(self, i420: np.ndarray) -> av.VideoFrame:
        """A picture as a frame, always the same one unless the encoder still holds it: memory of its own for each would
        cost half a millisecond, and Python's lock."""
        width, height = i420.shape[1], i420.shape[0] * 2 // 3
        if self._frame is None or (self._frame.width, self._frame.height) != (width, height):
            self._frame = av.VideoFrame(width, height, "yuv420p")
        self._frame.make_writable()
        flat, at = i420.reshape(-1), 0
        for plane in self._frame.planes:
            rows = np.asarray(memoryview(plane)).reshape(plane.height, plane.line_size)
            size = plane.width * plane.height
            rows[:, :plane.width] = flat[at:at + size].reshape(plane.height, plane.width)
            at += size
        return self._frame

    def _open(self, first: _Picture) -> tuple[av.container.OutputContainer, av.VideoStream]:
        """The file, begun with the first picture."""
        if self._container is not None and self._stream is not None:
            return self._container, self._stream
        self._t_zero_s = first.t_s
        self._container = av.open(str(self.path), "w", format="matroska", options=_MUX)
        stream = self._container.add_stream("libx264", rate=30, options=_CODEC | {"g": str(KEY_EVERY)})
        stream.width, stream.height = first.i420.shape[1], first.i420.shape[0] * 2 // 3
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = stream.time_base = Fraction(1, TICKS_PER_S)
        stream.codec_context.thread_count = 1
        self._stream = stream
        return self._container, stream

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
