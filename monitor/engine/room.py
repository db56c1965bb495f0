"""Memory for frames on their way through the program, lent anew once nobody looks at a picture any more."""

from __future__ import annotations

import mmap
import weakref
from collections import defaultdict, deque
from dataclasses import replace

import numpy as np

from vision.types import Frame

__all__ = ["FrameRoom"]

MOST = 24  # what waits for a slow analysis for half a second, and what the analysis holds itself


class FrameRoom:
    """Keeps frames in memory of its own, so that a long session needs no more of it than a short one.

    Frames that wait while the tool is looked for come and go by the dozen; from the common store, where other threads
    put theirs in between, each such wave leaves it a little larger. One thread puts frames in; arrays may be let go
    anywhere.
    """

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._free: defaultdict[int, deque[mmap.mmap]] = defaultdict(deque)  # by size in bytes
        self._n_made: defaultdict[int, int] = defaultdict(int)

    def kept(self, frame: Frame) -> Frame:
        """The same frame in this memory; as it is once all of that is in use."""
        luma = None if frame.luma is None else self._copied(frame.luma)
        return replace(frame, image=self._copied(frame.image), luma=luma)

    def _copied(self, picture: np.ndarray) -> np.ndarray:
        size = picture.nbytes
        self._make_one(size)
        try:
            place = self._free[size].popleft()
        except IndexError:
            return picture
        # not from an array: views would hold that one instead of this, and the place be lent while they live
        copy = np.ndarray(picture.shape, picture.dtype, buffer=place)
        copy[...] = picture
        weakref.finalize(copy, self._free[size].append, place).atexit = False
        return copy

    def _make_one(self, size: int) -> None:
        """One place more with every picture until there are all of them: to make them at once takes a fifth of a
        second.
        """
        if self._n_made[size] < self._most:
            place = mmap.mmap(-1, size)
            np.frombuffer(place, np.uint8)[:] = 0  # so that its memory is there
            self._free[size].append(place)
            self._n_made[size] += 1
