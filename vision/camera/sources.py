"""Frames with their exact times from a recording, and photographs."""

from __future__ import annotations

import logging
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import av
import cv2
import numpy as np
from av.container import InputContainer
from av.video.reformatter import VideoReformatter

from vision.camera.pictures import LARGEST_PIXELS, decoded
from vision.errors import SourceError
from vision.loading import read_bytes
from vision.types import Frame

__all__ = ["Video", "VideoReport", "brightness", "open_container", "open_video", "read_photo"]

_LIMITED_TO_FULL = np.clip(np.round((np.arange(256) - 16) * 255 / 219), 0, 255).astype(np.uint8)  # ITU-R BT.601, 8 bit
# between two frames: more is a fault of the stamps, or no recording of one piece of work [convention]
LONGEST_GAP_S = 900.0
LARGEST_PHOTO_BYTES = 200_000_000  # about 64 megapixels of three bytes [convention]
_LONG_GAP = 1.75  # steps of the usual length between two frames that count as a frame lost [convention]


@dataclass(frozen=True)
class VideoReport:
    """What reading a recording showed, up to the frame last read.

    Attributes
    ----------
    n_frames : int
    n_errors : int
        Packets or frames that could not be decoded.
    n_gaps, longest_gap_s
        Places where frames are missing, and the longest wait between two frames [s].
    missing_end_s : float
        How much earlier than its header says the recording ends [s]; nan until it was read to the end.
    """

    n_frames: int
    n_errors: int
    n_gaps: int
    longest_gap_s: float
    missing_end_s: float

    def sentences(self) -> list[str]:
        """What a user should know, one line each; empty for a sound recording."""
        out = []
        if self.n_errors:
            out.append(f"damaged: {self.n_errors} pieces could not be decoded; the frames in them are missing")
        if self.n_gaps:
            out.append(f"frames are missing in {self.n_gaps} places, at most {self.longest_gap_s:.2f} s long")
        if self.missing_end_s > 0.5:
            out.append(f"cut short: ends {self.missing_end_s:.1f} s before its header says")
        return out


class Video:
    """A recording, read in order; close it, or use it in a with statement.

    Iterating gives `Frame` after `Frame` from the start. `frame_at` may be called in between.

    Parameters
    ----------
    path : path
    n_threads : int
        That decode; one keeps all memory of decoding with the thread that reads.

    Attributes
    ----------
    path : Path
    size_px : tuple of int
        Width and height.
    duration_s : float
        As the header says [s]; nan when it does not. For progress only.
    nominal_rate_hz : float
        As the header says, nan when it does not; never used for time.
    n_expected : int or None
        Number of frames, as the header says. For progress only.
    """

    def __init__(self, path: Path | str, n_threads: int = 2):
        self.path, self._n_threads = Path(path), n_threads
        self._container = open_container(self.path)
        try:
            self._begin()
        except BaseException:
            self._container.close()
            raise

    def _begin(self) -> None:
        if not self._container.streams.video:
            raise SourceError(f"{self.path}: has no video in it")
        stream = self._stream = self._container.streams.video[0]
        if stream.codec_context is None:
            raise SourceError(f"{self.path}: its video is of a kind that cannot be decoded")
        self._set_threads()
        self._to_bgr = VideoReformatter()
        self._restart_counts()
        first = next(self._decoded(), None)
        if first is None:
            raise SourceError(f"{self.path}: not one frame of it can be decoded; it is damaged or was cut off")
        self._first_pts = self._pts(first)
        self.size_px = (first.width, first.height)
        rate = float(stream.average_rate or 0)
        # Matroska may hold its tick in place of a rate
        self.nominal_rate_hz = rate if 0 < rate < 1000 else float("nan")
        self.duration_s = _duration_s(self._container, stream)
        self.n_expected = int(stream.frames) or None

    def __enter__(self) -> Video:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._container.close()

    @property
    def report(self) -> VideoReport:
        """What was met so far."""
        steps = np.diff(self._times)
        usual = float(np.median(steps)) if len(steps) else float("nan")
        gaps = steps[steps > _LONG_GAP * usual] if len(steps) > 2 else steps[:0]
        end = self.duration_s - (self._times[-1] + usual) if self._is_read and len(steps) else float("nan")
        return VideoReport(len(self._times), self._n_errors, len(gaps), float(gaps.max(initial=0.0)), float(end))

    def __iter__(self) -> Iterator[Frame]:
        """All frames in order of time, from the first.

        Raises
        ------
        SourceError
            When the time stamps run backwards, are missing, or the picture changes its size.
        """
        self._rewind()
        yield from self._frames(self._decoded())

    def again(self) -> Iterator[Frame]:
        """As iterating, for a loop: the file is not opened anew where it can be wound back."""
        self._restart_counts()
        try:
            self._container.seek(self._first_pts, stream=self._stream, backward=True)
            pictures = self._decoded()
            first = next(pictures, None)
        except av.error.FFmpegError:
            first = None
        if first is None or first.pts != self._first_pts:
            yield from self
        else:
            yield from self._frames(chain([first], pictures))

    def _frames(self, pictures: Iterator[av.VideoFrame]) -> Iterator[Frame]:
        for picture in pictures:
            t_s = self._time_s(picture)
            if self._times and t_s <= self._times[-1]:
                raise SourceError(
                    f"{self.path}: time runs backwards at frame {len(self._times)} ({self._times[-1]:.3f} s, then "
                    f"{t_s:.3f} s); "
                    "dwell and speed cannot be measured from it; record again, or rewrite its time stamps")
            if t_s - (self._times[-1] if self._times else 0.0) > LONGEST_GAP_S:
                raise SourceError(f"{self.path}: time jumps by {t_s - self._times[-1]:.0f} s at frame "
                                  f"{len(self._times)}; nothing "
                                  "can be measured over such a gap; cut the recording there, or rewrite its time "
                                  "stamps")
            self._times.append(t_s)
            yield self._frame(picture, len(self._times) - 1, t_s)
        self._is_read = True

    def frame_at(self, t_s: float, index: int = -1) -> Frame:
        """The frame that is on show at a time: the last whose stamp is not after t_s.

        Parameters
        ----------
        t_s : float
            From the first frame [s].
        index : int
            What to number it by; its place in the file is not counted here.

        Notes
        -----
        Goes back to the key frame before and decodes on, in a second reader of the file.
        """
        with Video(self.path) as other:
            tick = other._stream.time_base
            target = other._first_pts + int(np.floor((t_s + 1e-6) / float(tick or 1)))
            other._container.seek(max(target, other._first_pts), stream=other._stream, backward=True)
            best = None
            for picture in other._decoded():
                if picture.pts is not None and picture.pts > target and best is not None:
                    break
                best = picture
            if best is None:
                raise SourceError(f"{self.path}: no frame at {t_s:.3f} s")
            return other._frame(best, index, other._time_s(best))

    def _restart_counts(self) -> None:
        self._times: list[float] = []
        self._n_errors = 0
        self._is_read = False

    def _rewind(self) -> None:
        self._container.close()
        self._container = open_container(self.path)
        self._stream = self._container.streams.video[0]
        self._set_threads()
        self._restart_counts()

    def _set_threads(self) -> None:
        self._stream.thread_type = "AUTO" if self._n_threads > 1 else "NONE"
        self._stream.codec_context.thread_count = self._n_threads
        self._stream.codec_context.options = {"max_pixels": str(LARGEST_PIXELS)}

    def _decoded(self) -> Iterator[av.VideoFrame]:
        """Decoded pictures; what cannot be decoded is counted and left out."""
        packets = self._container.demux(self._stream)
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except av.error.FFmpegError as error:
                self._n_errors += 1
                logging.getLogger(__name__).debug("%s: %s", self.path, error)
                return  # the reader itself cannot go on
            try:
                pictures = packet.decode()
            except av.error.FFmpegError as error:
                self._n_errors += 1
                logging.getLogger(__name__).debug("%s: %s", self.path, error)
                continue
            for picture in pictures:
                if picture.is_corrupt:
                    self._n_errors += 1
                else:
                    yield picture

    def _pts(self, picture: av.VideoFrame) -> int:
        if picture.pts is None:
            raise SourceError(f"{self.path}: frames without time stamps; put the stream into an mkv or mp4 file with "
                              f"its times")
        return picture.pts

    def _time_s(self, picture: av.VideoFrame) -> float:
        return float((self._pts(picture) - self._first_pts) * (self._stream.time_base or 1))

    def _frame(self, picture: av.VideoFrame, index: int, t_s: float) -> Frame:
        if (picture.width, picture.height) != self.size_px:
            raise SourceError(f"{self.path}: the picture changes from {self.size_px[0]} x {self.size_px[1]} to "
                              f"{picture.width} x {picture.height} px at {t_s:.3f} s; one camera setting a recording, "
                              f"please")
        image = self._to_bgr.reformat(picture, format="bgr24").to_ndarray().astype(np.uint8, copy=False)
        return Frame(index, t_s, image, str(self.path), _luma(picture))


def open_video(path: Path | str, n_threads: int = 2) -> Video:
    """Open a recording; the parameters are those of `Video`.

    Raises
    ------
    SourceError
        One line: missing, empty, cut off, not a video, or not one frame can be decoded.
    """
    return Video(path, n_threads)


def read_photo(path: Path | str) -> np.ndarray:
    """A photograph as BGR, shape (h, w, 3), uint8; SourceError in one line when it cannot be read."""
    path = Path(path)
    return decoded(read_bytes(path, "photograph", LARGEST_PHOTO_BYTES, SourceError), path)


def brightness(frame: Frame) -> np.ndarray:
    """The frame in grey, shape (h, w), uint8; free when the recording holds it."""
    return cv2.cvtColor(frame.image, cv2.COLOR_BGR2GRAY) if frame.luma is None else frame.luma


def open_container(path: Path) -> InputContainer:
    """Open a recording's file for demuxing: a plain file, by its own name, of a kind that cannot point elsewhere.

    Raises
    ------
    SourceError
        In one line: missing, empty, no plain file, or no video of a kind that is read.
    """
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise SourceError(f"{path}: is {'a folder' if stat.S_ISDIR(found.st_mode) else 'no plain file'}; expected "
                              f"a video")
        if found.st_size == 0:
            raise SourceError(f"{path}: is empty")
        with path.open("rb"):
            pass
        # the name after "file:" is taken as it is, whatever it looks like; lists of other files are no kind that is
        # read
        kinds = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts"
        return av.open(f"file:{path.absolute()}", options={"format_whitelist": kinds, "protocol_whitelist": "file"})
    except av.error.EOFError:  # a whole header, and then the end: what a kill leaves in the first moment
        raise SourceError(f"{path}: an empty recording: it ended before its first picture was written") from None
    except (av.error.FFmpegError, ValueError) as error:
        words = getattr(error, "strerror", "") or error
        raise SourceError(f"{path}: is not a video, or was cut off before it was finished ({words})") from None
    except OSError as error:
        raise SourceError(f"{path}: cannot be read: {error.strerror or error}") from None


def _duration_s(container: InputContainer, stream: av.VideoStream) -> float:
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return container.duration / av.time_base if container.duration else float("nan")


def _luma(picture: av.VideoFrame) -> np.ndarray | None:
    """The brightness plane as full range, when the format keeps one of 8 bits."""
    name = picture.format.name
    if not name.startswith(("yuv4", "yuvj4", "nv12", "gray")) or picture.format.components[0].bits != 8:
        return None
    plane = picture.planes[0]
    grey = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)[:picture.height, :picture.width]
    is_full = name.startswith(("yuvj", "gray")) or picture.color_range == av.video.reformatter.ColorRange.JPEG
    return grey.copy() if is_full else cv2.LUT(grey, _LIMITED_TO_FULL)
