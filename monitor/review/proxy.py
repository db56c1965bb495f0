"""A stand-in for a video with far-apart key frames: the same frames with a key frame every few, made while the video is
open.

A jump then shows the stand-in's picture at once and the video's own as soon as it is decoded. Frames are matched by
their place in order of time, never by a rate; the pictures are a little softer than the video's own.
"""

from __future__ import annotations

import logging
import tempfile
import threading
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from monitor.review.playback import Playback
from vision.errors import SourceError

__all__ = ["FAR_FRAMES", "Proxy", "needs_proxy"]

FAR_FRAMES = 12  # to decode for a jump, from which on a stand-in is quicker
LONG_GROUP = 45  # frames from key frame to key frame, from which on jumps are slow
KEY_EVERY = 8
_OPTIONS = {"g": str(KEY_EVERY), "bf": "0", "crf": "18", "preset": "ultrafast", "tune": "fastdecode"}
log = logging.getLogger("plumeline.review")


def needs_proxy(playback: Playback) -> bool:
    """Whether key frames lie so far apart that jumps are slow."""
    return playback.longest_group > LONG_GROUP


class Proxy:
    """Makes the stand-in in a thread of its own, in a folder that is gone with it; close it.

    A fault while making it is no fault of the video: there is just no stand-in.

    Parameters
    ----------
    source : path
    n_frames : int
        Of the source; the stand-in serves only if it came out with as many.
    """

    def __init__(self, source: Path, n_frames: int) -> None:
        self._source, self._n_frames = source, n_frames
        self._folder = tempfile.TemporaryDirectory(prefix="plumeline-", ignore_cleanup_errors=True)
        self._stop, self.is_made = threading.Event(), threading.Event()
        self._player: Playback | None = None
        self._thread = threading.Thread(target=self._make, name="review stand-in", daemon=True)

    def start(self) -> Proxy:
        """Begin to make it."""
        self._thread.start()
        return self

    def picture(self, index: int) -> np.ndarray | None:
        """The stand-in's picture of a frame, BGR (h, w, 3); None while it is not made, or could not be."""
        if not self.is_made.is_set():
            return None
        try:
            self._player = self._player or Playback(self._path)
            return self._player.frame(index).image if len(self._player) == self._n_frames else None
        except (SourceError, IndexError):
            return None

    def close(self) -> None:
        """Stop making it, and remove it."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(10.0)
        if self._player is not None:
            self._player.close()
        self._folder.cleanup()

    @property
    def _path(self) -> Path:
        return Path(self._folder.name) / "stand_in.mkv"

    def _make(self) -> None:
        try:
            if _encode(self._source, self._path, self._stop):
                self.is_made.set()
        except (OSError, ValueError, av.error.FFmpegError) as fault:
            log.warning("%s: no stand-in for quick jumps (%s)", self._source, fault)


def _encode(source: Path, target: Path, stop: threading.Event) -> bool:
    """Write all frames anew, numbered in order; False when it was stopped."""
    with av.open(str(source)) as old, av.open(str(target), "w", format="matroska") as new:
        video = old.streams.video[0]
        video.thread_type = "AUTO"
        out = new.add_stream("libx264", rate=25, options=_OPTIONS)
        out.width, out.height = video.codec_context.width & ~1, video.codec_context.height & ~1
        out.pix_fmt, out.time_base = "yuv420p", Fraction(1, 25)
        for number, frame in enumerate(old.decode(video)):
            if stop.is_set():
                return False
            frame = frame.reformat(out.width, out.height, "yuv420p")
            frame.pts, frame.time_base = number, Fraction(1, 25)
            new.mux(out.encode(frame))
        new.mux(out.encode())
    return True
