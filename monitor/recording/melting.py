"""When the joints of a pass were seen to melt, and how far above their liquidus the estimate had them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from monitor.judging.marks import MOLTEN

__all__ = ["AFTER_S", "COLDEST", "MELTED", "joint_margin_k", "melt_s"]

MELTED = ("settled", "sprang_back")  # events of the target by which the camera sees that it is molten
COLDEST = "joint corner"  # the site that stands for the coldest joint
AFTER_S = 2.0  # a pass's end by which its melt may still be seen


def melt_s(start_s: float, end_s: float, target: str, part_events: Iterable[Mapping[str, Any]],
           marks: Iterable[Mapping[str, Any]]) -> float:
    """From the start of a pass until the joints were first seen molten, by the camera or a person; nan without that.

    Parameters
    ----------
    start_s, end_s : float
        Of the pass, in the recording.
    target : str
        The part's name in the job.
    part_events, marks : rows of the trace's tables
    """
    by_camera = (e["t_start_s"] for e in part_events if e["part"] == target and e["kind"] in MELTED)
    by_person = (m["t_s"] for m in marks if m["kind"] == MOLTEN and m["undone_utc"] is None)
    seen = [t for t in (*by_camera, *by_person) if start_s <= t <= end_s + AFTER_S]
    return min(seen) - start_s if seen else math.nan


def joint_margin_k(bands: Iterable[tuple[float | None, float | None, float | None]],
                   liquidus_c: float) -> tuple[float, float, float]:
    """By how much the coldest joint passed its liquidus at its hottest: low, estimate and high of the 90 % band [K].

    Parameters
    ----------
    bands : rows of (low, estimate, high) [C]
        Of the coldest joint during the pass; rows that are not known are passed over.

    Returns
    -------
    tuple of float
        Negative when it stayed below; nan without any row.
    """
    known = [(low, mid, high) for low, mid, high in bands if low is not None and mid is not None and high is not None]
    if not known:
        return math.nan, math.nan, math.nan
    low, mid, high = max(known, key=lambda band: band[1])
    return low - liquidus_c, mid - liquidus_c, high - liquidus_c
