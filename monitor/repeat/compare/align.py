"""Lays one height trace over another and says in two numbers how they differ: in height, and in time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.compiled import njit
from vision.types import FloatArray

__all__ = ["AXIS_POINTS", "BAND", "Warp", "landmarks_s", "percent_axis", "resample", "warp"]

AXIS_POINTS = 101  # 0 to 100 % of a pass
BAND = 0.10  # largest warp as a share of the length (Sakoe and Chiba, IEEE Trans. ASSP 26 (1978) 43)

STIFFNESS = 3.0  # price of a change of shift, in mean squared differences
MOST_ROUNDS = 6
WORTH = 0.8  # a warp must bring the difference in shape down to this share


@dataclass(frozen=True)
class Warp:
    """How a trace differs from a reference.

    Attributes
    ----------
    residual : float
        Root mean square difference after warping, in the trace's unit.
    warp_s : float
        Mean absolute shift in time that the warping needed [s].
    lag : array, shape (n,)
        Samples by which the trace comes later, at each sample of the reference.
    unwarped : float
        The same difference before warping; a warp that lowers it little says nothing.
    """

    residual: float
    warp_s: float
    lag: np.ndarray
    unwarped: float


def percent_axis() -> FloatArray:
    """0, 1, ... 100 % of a pass."""
    return np.linspace(0.0, 100.0, AXIS_POINTS)


def resample(t_s: FloatArray, value: FloatArray, at_s: FloatArray) -> FloatArray:
    """Values at other times; frames without a measurement are bridged by a straight line.

    Raises
    ------
    ValueError
        If fewer than two values are known.
    """
    known = np.isfinite(value)
    if known.sum() < 2:
        raise ValueError(f"a trace with {int(known.sum())} known values: expected at least 2")
    return np.interp(at_s, np.asarray(t_s)[known], np.asarray(value)[known])


def landmarks_s(t_s: FloatArray, height_mm: FloatArray, low_mm: float, high_mm: float) -> dict[str, float]:
    """Moments of a pass after its entry: first and last time between the limits, and leaving [s]; nan where never."""
    inside = (height_mm >= low_mm) & (height_mm <= high_mm)
    t = np.asarray(t_s) - t_s[0]
    first, last = (float(t[inside][0]), float(t[inside][-1])) if inside.any() else (math.nan, math.nan)
    return {"enter": 0.0, "first_in_limits": first, "last_in_limits": last, "leave": float(t[-1])}


def warp(reference: FloatArray, trace: FloatArray, dt_s: float, band: float = BAND) -> Warp:
    """Shift the trace in time, piece by piece, until it lies on the reference as well as it can.

    Parameters
    ----------
    reference, trace : array, shape (n,)
        Sampled with the same step; no nan.
    dt_s : float
        That step [s].
    band : float
        Largest shift as a share of the length.

    Notes
    -----
    The shift follows the shape, mean difference taken out, so that a trace that lies higher throughout is not blamed on
    time. Changing the shift by one sample costs three times the mean squared difference of a sample: a warp has to pay
    for itself. Where the shifted trace has no sample that mean is charged; the residual leaves it out. A warp that does
    not bring the shapes closer by a fifth is not applied.
    Dwell must never be read from a warped trace.
    """
    reference, trace = np.asarray(reference, dtype=float), np.asarray(trace, dtype=float)
    if reference.shape != trace.shape or reference.ndim != 1 or len(reference) < 2:
        raise ValueError(f"traces of shape {reference.shape} and {trace.shape}: expected one length of at least 2")
    offset, lag = trace.mean() - reference.mean(), np.zeros(0, dtype=int)
    for _ in range(MOST_ROUNDS):
        before, lag = lag, _best_lag(reference, trace - offset, int(band * len(reference)))
        place = np.arange(len(reference)) + lag
        has = (place >= 0) & (place < len(trace))
        difference = trace[place[has]] - reference[has]
        if np.array_equal(before, lag):
            break
        offset = difference.mean()
    residual, unwarped = _rms(difference), _rms(trace - reference)
    if residual >= unwarped or difference.std() > WORTH * (trace - reference).std():
        return Warp(unwarped, 0.0, np.zeros(len(reference), dtype=int), unwarped)
    return Warp(residual, float(np.mean(np.abs(lag))) * dt_s, lag, unwarped)


def _rms(values: FloatArray) -> float:
    return math.sqrt(float(np.mean(values**2)))


def _best_lag(a: FloatArray, b: FloatArray, reach: int) -> np.ndarray:
    """The path of lags of least cost (dynamic programming over lags from -reach to reach)."""
    n, lags = len(a), np.arange(-reach, reach + 1)
    price = float(np.mean((a - b) ** 2))
    if price <= (1e-12 * np.abs(a).max()) ** 2 or reach == 0:
        return np.zeros(n, dtype=int)
    place = np.arange(n)[:, None] + lags[None, :]
    has = (place >= 0) & (place < n)
    cost = np.where(has, (a[:, None] - b[np.clip(place, 0, n - 1)]) ** 2, price)
    cost += 1e-9 * price * np.abs(lags)  # of equals, the smaller shift
    return lags[_cheapest(cost, STIFFNESS * price)]


@njit(cache=True)
def _cheapest(cost: FloatArray, step: float) -> np.ndarray:
    """Column of the cheapest path through the rows; moving by one column costs a step."""
    n, m = cost.shape
    came = np.zeros((n, m), dtype=np.int64)
    best = cost[0].copy()
    for i in range(1, n):
        after = np.empty(m)
        for k in range(m):
            move, least = 0, best[k]
            if k > 0 and best[k - 1] + step < least:
                move, least = -1, best[k - 1] + step
            if k < m - 1 and best[k + 1] + step < least:
                move, least = 1, best[k + 1] + step
            came[i, k], after[k] = move, least + cost[i, k]
        best = after
    path = np.empty(n, dtype=np.int64)
    path[-1] = best.argmin()
    for i in range(n - 1, 0, -1):
        path[i - 1] = path[i] + came[i, path[i]]
    return path
