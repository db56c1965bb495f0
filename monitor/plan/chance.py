"""Chances from members: that the melt comes before any limit, and that a dwell fixed beforehand hits it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.heat.limits import Limit, Melt
from monitor.plan.course import Course

__all__ = ["Judged", "judge", "spans"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Judged:
    """What a course means for melt and limits; arrays over (times, ...members).

    Attributes
    ----------
    joint_k : how far the coldest joint is above its mark and has stayed molten for the whole hold, the lesser [K].
    spare_k : distance of the nearest site to its limit so far [K]; site (times, ...): which one.
    best_k : the largest over time of the lesser of both: above zero when some moment does [K].
    done_s, limit_s : when the melt has come with its hold, and when the first limit is passed; inf when never [s].
    melt_s : when the coldest joint is molten; inf when never [s].
    """

    times_s: FloatArray
    joint_k: FloatArray
    spare_k: FloatArray
    site: NDArray[np.int64]
    best_k: FloatArray
    done_s: FloatArray
    limit_s: FloatArray
    melt_s: FloatArray


def judge(course: Course, limits: dict[str, Limit], melt: Melt) -> Judged:
    """Set a course against the marks of a job."""
    times, corner = course.times_s, course.of("joint corner")
    held = np.minimum(corner - melt.mark_c, spans(times, corner, melt.hold_s) - melt.seen_c)
    margins = np.array([limit.value_c - np.maximum.accumulate(course.of(name)) for name, limit in limits.items()])
    spare = margins.min(axis=0)
    return Judged(
        times,
        held,
        spare,
        margins.argmin(axis=0),
        np.minimum(held, spare).max(axis=0),
        _crossing(times, held),
        _crossing(times, -spare),
        _crossing(times, corner - melt.seen_c),
    )


def spans(times_s: FloatArray, values: FloatArray, hold_s: float) -> FloatArray:
    """Lowest value over the last hold_s, for values that hardly fall; the first value before that."""
    early = np.maximum(times_s - hold_s, 0.0)
    k = np.clip(np.searchsorted(times_s, early), 1, times_s.size - 1)
    w = ((early - times_s[k - 1]) / (times_s[k] - times_s[k - 1])).reshape(-1, *(1,) * (values.ndim - 1))
    return np.minimum((1 - w) * values[k - 1] + w * values[k], values)


def _crossing(times_s: FloatArray, values: FloatArray) -> FloatArray:
    """When values (times, ...) first rise above zero, between steps by a line; inf when never."""
    above = values > 0
    k = above.argmax(axis=0)
    now = np.take_along_axis(values, k[None], axis=0)[0]
    before = np.take_along_axis(values, np.maximum(k - 1, 0)[None], axis=0)[0]
    step = times_s[k] - times_s[np.maximum(k - 1, 0)]
    share = np.where(k > 0, now / np.where(now > before, now - before, 1.0), 0.0)
    return np.where(above.any(axis=0), times_s[k] - np.clip(share, 0.0, 1.0) * step, np.inf)
