"""Chances from members: that the melt comes before any limit, and that a dwell fixed beforehand hits it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

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
    melt_k : how far it is above where the melt can be seen [K].
    spare_k : distance of the nearest site to its limit so far [K].
    now_k : distance of every site to its limit, (sites, times, ...members) [K].
    """

    times_s: FloatArray
    joint_k: FloatArray
    melt_k: FloatArray
    spare_k: FloatArray
    now_k: FloatArray

    @cached_property
    def best_k(self) -> FloatArray:
        """The largest over time of the lesser of joint_k and spare_k: above zero when some moment does [K]."""
        return np.minimum(self.joint_k, self.spare_k).max(axis=0)

    @cached_property
    def done_s(self) -> FloatArray:
        """When the melt has come with its hold; inf when never [s]."""
        return _crossing(self.times_s, self.joint_k)

    @cached_property
    def limit_s(self) -> FloatArray:
        """When the first limit is passed; inf when never [s]."""
        return _crossing(self.times_s, -self.spare_k)

    @cached_property
    def melt_s(self) -> FloatArray:
        """When the coldest joint is molten; inf when never [s]."""
        return _crossing(self.times_s, self.melt_k)

    def nearest(self, k: int) -> int:
        """Which site came nearest to its limit, in the order of the limits, up to a step; of the first member."""
        return int(self.now_k[:, : k + 1, 0].min(axis=1).argmin())


def judge(course: Course, limits: dict[str, Limit], melt: Melt) -> Judged:
    """Set a course against the marks of a job."""
    times, corner = course.times_s, course.of("joint corner")
    held = np.minimum(corner - melt.mark_c, spans(times, corner, melt.hold_s) - melt.seen_c)
    now = np.array([limit.value_c - course.of(name) for name, limit in limits.items()])
    return Judged(times, held, corner - melt.seen_c, np.minimum.accumulate(now.min(axis=0)), now)


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
