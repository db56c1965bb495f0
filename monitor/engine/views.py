"""Pictures of the bench kept for the end of a session: evenly spaced however long it lasts, in memory that does not
grow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from vision.types import BenchPose, FloatArray

__all__ = ["Views"]

EVERY_S, MOST = 1.0, 9


class Views:
    """Keeps a picture now and then; once there are too many every other one goes, and the next come half as often.

    They are copied into memory that is there from the first on: a frame kept here and one let go there would take the
    program's memory up and down by tens of megabytes, and hold places between those of frames that come and go. With
    their size (width, height) named it is there before the first. Iterating gives (image, bench, board_shift).
    """

    def __init__(self, size_px: tuple[int, int] | None = None) -> None:
        self._room = _room_for((*size_px[::-1], 3)) if size_px is not None else None
        self._kept: list[tuple[int, BenchPose, FloatArray]] = []
        self._every_s, self._next_s = EVERY_S, -math.inf

    def offer(self, t_s: float, image: np.ndarray, bench: BenchPose, shift: FloatArray) -> None:
        """Take a picture when one is due; one of another size than the first is left out."""
        if self._room is None:
            self._room = _room_for(image.shape)
        if t_s < self._next_s or image.shape != self._room.shape[1:]:
            return
        place = min(set(range(MOST + 1)) - {used for used, _, _ in self._kept})
        self._room[place] = image
        self._kept.append((place, bench, shift))
        self._next_s = t_s + self._every_s
        if len(self._kept) > MOST:  # this one goes too, and what is due next is twice as long after the one before it
            self._kept, self._every_s = self._kept[::2], 2 * self._every_s

    def __len__(self) -> int:
        return len(self._kept)

    def __iter__(self) -> Iterator[tuple[np.ndarray, BenchPose, FloatArray]]:
        for place, bench, shift in self._kept:
            if self._room is not None:
                yield self._room[place], bench, shift


def _room_for(shape: tuple[int, ...]) -> np.ndarray:
    """Filled, so that its memory is there."""
    return np.full((MOST + 1, *shape), 0, np.uint8)
