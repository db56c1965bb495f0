"""Which frame of a video a row of the trace was measured from: both by their time stamps."""

from __future__ import annotations

import numpy as np

from monitor.review.playback import Playback
from vision.types import FloatArray

__all__ = ["lateness_s", "row_at"]


def row_at(trace_s: FloatArray, times_s: FloatArray, index: int) -> int | None:
    """The trace's row that was measured from a frame of the video; None when that frame was not analysed.

    Parameters
    ----------
    trace_s, times_s : array
        Times of the trace's rows, and of the video's frames [s].
    """
    if not len(trace_s):
        return None
    row = int(np.argmin(np.abs(trace_s - times_s[index])))
    return row if int(np.argmin(np.abs(times_s - trace_s[row]))) == index else None


def lateness_s(playback: Playback, trace_s: FloatArray) -> float:
    """How long after the trace's time zero the video's first frame was taken [s].

    A clip that was measured counts from its first frame; a video that was written beside the trace counts as the trace
    does, and may have begun later. Whichever meets the trace's times better holds.
    """
    if not len(trace_s) or not playback.start_s:
        return 0.0

    def miss(late_s: float) -> float:
        nearest = np.clip(np.searchsorted(playback.times_s + late_s, trace_s), 1, max(1, len(playback) - 1))
        around = playback.times_s[np.stack([nearest - 1, np.minimum(nearest, len(playback) - 1)])] + late_s
        return float(np.median(np.abs(around - trace_s).min(0)))
    return min((0.0, playback.start_s), key=miss)
