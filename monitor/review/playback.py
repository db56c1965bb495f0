"""Any frame of a recording's video, exactly, forwards and backwards, found by its time stamp.

A frame is never found by counting or by rate: the file's packets are listed once with their stamps, a wanted frame is
reached by going to the key frame before it and decoding on until its own stamp comes out.
"""

from __future__ import annotations

import bisect
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from av.container import InputContainer
from av.video.reformatter import VideoReformatter

from vision.camera.pictures import LARGEST_PIXELS
from vision.camera.sources import open_container
from vision.errors import SourceError
from vision.types import FloatArray, Frame

__all__ = ["Playback"]

CACHE_BYTES = 200_000_000
FEWEST_KEPT = 8
NEAR = 20  # this many frames before the wanted one are decoded too, for steps back
_NOWHERE = 2**62


@dataclass(frozen=True)
class _Index:
    """Stamps of all frames in order of time, and of the key frames among them."""

    pts: list[int]
    keys: list[int]


class Playback:
    """A video with random access; use it from one thread at a time, and close it.

    Parameters
    ----------
    path : path
    cache_bytes : int
        How much of decoded pictures to keep, so that steps back cost nothing.

    Attributes
    ----------
    times_s : array, shape (n,)
        Time of every frame from the first [s], rising.
    start_s : float
        The first frame's own stamp [s]; not 0 in a video that began after its recording did.
    size_px : tuple of int
        Width and height.

    Raises
    ------
    SourceError
        In one line: missing, empty, no video, or cut off before its first frame.
    """

    def __init__(self, path: str | Path, cache_bytes: int = CACHE_BYTES) -> None:
        self.path = Path(path)
        self._container = open_container(self.path)
        try:
            self._begin(cache_bytes)
        except BaseException:
            self._container.close()
            raise

    def _begin(self, cache_bytes: int) -> None:
        if not self._container.streams.video or self._container.streams.video[0].codec_context is None:
            raise SourceError(f"{self.path}: has no video in it that can be decoded")
        stream = self._stream = self._container.streams.video[0]
        stream.thread_type = "AUTO"
        stream.codec_context.options = {"max_pixels": str(LARGEST_PIXELS)}
        self._index = _list_frames(self._container, self.path)
        tick_s = float(stream.time_base or 0.0)
        self.times_s: FloatArray = (np.array(self._index.pts) - self._index.pts[0]) * tick_s
        self.start_s = self._index.pts[0] * tick_s
        self.size_px = (stream.codec_context.width, stream.codec_context.height)
        self._most_kept = max(FEWEST_KEPT, int(cache_bytes / (1.5 * max(1, self.size_px[0] * self.size_px[1]))))
        self._kept: OrderedDict[int, av.VideoFrame] = OrderedDict()
        self._to_bgr = VideoReformatter()
        self._coming: Iterator[av.VideoFrame] | None = None  # those that follow the last one, while one can read on
        self._hurry_before = 0  # up to this stamp only pictures that others refer to are decoded
        self._reached = self._landed = -1  # stamp of the last picture decoded, and of the first since the last jump

    def __enter__(self) -> Playback:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __len__(self) -> int:
        return len(self.times_s)

    def close(self) -> None:
        """Let go of the file and of all pictures."""
        self._coming = None
        self._kept.clear()
        self._container.close()

    def index_at(self, t_s: float) -> int:
        """The frame on show at a time: the last whose stamp is not after it; the first before the start."""
        return max(0, bisect.bisect_right(self.times_s, t_s + 1e-6) - 1)

    def frame(self, index: int) -> Frame:
        """The frame with this place in order of time, from 0.

        Raises
        ------
        IndexError
            When there is no such frame.
        SourceError
            When this frame is damaged; the others can still be had.
        """
        if not 0 <= index < len(self):
            raise IndexError(f"frame {index}: the video has {len(self)}")
        pts = self._index.pts[index]
        picture = self._kept.get(pts)
        if picture is None:
            picture = self._reach(pts)
        else:
            self._kept.move_to_end(pts)
        if picture is None:
            raise SourceError(f"{self.path}: the frame at {self.times_s[index]:.3f} s is damaged")
        image = self._to_bgr.reformat(picture, format="bgr24").to_ndarray().astype(np.uint8, copy=False)
        return Frame(index, float(self.times_s[index]), image, str(self.path))

    @property
    def longest_group(self) -> int:
        """The most frames from one key frame to the next, or to the end."""
        places = [bisect.bisect_left(self._index.pts, key) for key in self._index.keys]
        return int(np.diff([*places, len(self)]).max())

    def n_to_decode(self, index: int) -> int:
        """How many frames lie between what is decoded and this one; 0 when it is kept."""
        pts = self._index.pts[index]
        if pts in self._kept:
            return 0
        key = self._index.keys[max(bisect.bisect_right(self._index.keys, pts) - 1, 0)]
        begin = self._reached if self._coming is not None and key <= self._reached < pts else key
        return index - bisect.bisect_left(self._index.pts, begin)

    def _reach(self, pts: int) -> av.VideoFrame | None:
        """Decode on to a stamp; from where we are when no key frame lies between, else from a key frame before it."""
        at = bisect.bisect_right(self._index.keys, pts) - 1
        place = bisect.bisect_left(self._index.pts, pts)
        self._hurry_before = self._index.pts[max(0, place - min(NEAR, self._most_kept))]
        start = self._index.keys[max(at, 0)]
        if self._coming is not None and start <= self._reached < pts:
            found = self._read_to(pts, start)
            if found is not None:
                return found
        for key in (start, self._index.keys[max(at - 1, 0)], None):
            self._go_to(key)
            found = self._read_to(pts, self._index.pts[0] if key is None else key)
            if found is not None or self._landed <= pts:
                return found  # passed without a picture: that one is damaged
        return None

    def _go_to(self, key: int | None) -> None:
        """Stand before a key frame; None: open the file anew, for containers that cannot seek."""
        if key is None:
            self._container.close()
            self._container = open_container(self.path)
            self._stream = self._container.streams.video[0]
            self._stream.thread_type = "AUTO"
        else:
            try:
                self._container.seek(key, stream=self._stream, backward=True)
            except av.error.FFmpegError:
                self._coming = None
                return
        self._coming, self._landed = _pictures(self._container, self._stream, self), _NOWHERE

    def _read_to(self, pts: int, valid_from: int) -> av.VideoFrame | None:
        """Decode until the stamp comes out; pictures before `valid_from` may lack what they refer to, so are not
        kept.
        """
        if self._coming is None:
            return None
        for picture in self._coming:
            if picture.pts is None:
                continue
            self._reached = picture.pts
            self._landed = min(self._landed, picture.pts)
            if picture.pts >= valid_from:
                self._keep(picture, picture.pts)
            if picture.pts >= pts:
                return picture if picture.pts == pts else None
        self._coming = None
        return None

    def _keep(self, picture: av.VideoFrame, pts: int) -> None:
        self._kept[pts] = picture
        self._kept.move_to_end(pts)
        while len(self._kept) > self._most_kept:
            self._kept.popitem(last=False)


def _pictures(container: InputContainer, stream: av.VideoStream,
              playback: Playback | None = None) -> Iterator[av.VideoFrame]:
    """Decoded pictures in order; what cannot be decoded, or would only be passed in a hurry, is left out."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except (StopIteration, av.error.FFmpegError):
            return
        if playback is not None:
            is_far = packet.pts is not None and packet.pts < playback._hurry_before
            stream.codec_context.skip_frame = "NONREF" if is_far else "DEFAULT"
        try:
            yield from (picture for picture in packet.decode() if not picture.is_corrupt)
        except av.error.FFmpegError:
            continue


def _list_frames(container: InputContainer, path: Path) -> _Index:
    """Read through the packets without decoding them; where they carry no stamps, decode."""
    stream = container.streams.video[0]
    pts, keys, n_bare = [], [], 0
    try:
        for packet in container.demux(stream):
            if packet.size == 0 or packet.is_discard:
                continue
            n_bare += packet.pts is None
            if packet.pts is not None:
                pts.append(packet.pts)
                if packet.is_keyframe:
                    keys.append(packet.pts)
    except av.error.FFmpegError:
        pass  # a cut-off end: what came before it can be shown
    if n_bare:
        pts, keys = _decode_stamps(path)
    if not pts:
        raise SourceError(f"{path}: not one frame in it; it is damaged or was cut off")
    pts = sorted(set(pts))
    return _Index(pts, sorted(set(keys)) or pts[:1])


def _decode_stamps(path: Path) -> tuple[list[int], list[int]]:
    pts, keys = [], []
    with open_container(path) as container:
        for picture in _pictures(container, container.streams.video[0]):
            if picture.pts is not None:
                pts.append(picture.pts)
                if picture.key_frame:
                    keys.append(picture.pts)
    return pts, keys
