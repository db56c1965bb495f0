"""Whether passes change over their order in time: trend, weighted mean and cumulative sum, at one rate of false alarms.

The limits are those that so large a share of random orders of these very passes would leave, in any measure. So they
hold whatever the spread's law, however the measures hang together, and however few passes the centre rests on.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from monitor.repeat.compare.control import CUSUM_SLACK, WEIGHT
from monitor.repeat.compare.rates import IN_ORDER
from vision.types import FloatArray

__all__ = ["FEWEST_IN_ORDER", "Order", "order_of"]

FEWEST_IN_ORDER = 8
N_ORDERS = 1249  # five of them lie beyond the limits
AT_ONCE = 400_000  # values permuted at a time, to bound the memory


@dataclass(frozen=True)
class Order:
    """What the order of the passes says.

    Attributes
    ----------
    trend_sigmas, trend_limit : array (n_measures,), float
        Correlation with the order, times the root of n - 1, and what chance alone passes in a share IN_ORDER of cases.
    ewma_width, cusum_limit : float
        Limits of the weighted mean in its standard deviations, and of the cumulative sum in those of one pass.
    change : array, shape (n_measures,)
        Of a straight line from the first pass to the last, on the scale given.
    change_sigma : array, shape (n_measures,)
        Its standard error.
    """

    trend_sigmas: FloatArray
    trend_limit: float
    ewma_width: float
    cusum_limit: float
    change: FloatArray
    change_sigma: FloatArray


def order_of(columns: FloatArray, n_basis: int) -> Order | None:
    """Test the order of passes.

    Parameters
    ----------
    columns : array, shape (n_passes, n_measures)
        In order of time, each on its even scale; nan where not known, but not all of a measure.
    n_basis : int
        The first so many passes give centre and spread.

    Returns
    -------
    Order or None
        None under 8 passes, or when nothing varies.
    """
    x = np.where(np.isfinite(columns), columns, np.nanmedian(columns, axis=0, keepdims=True))
    if len(x) < FEWEST_IN_ORDER or not (x.std(0) > 1e-9).any():
        return None
    rng, n, most = np.random.default_rng(7), len(x), []
    chunk = max(1, AT_ONCE // x.size)
    for first in range(0, N_ORDERS, chunk):
        orders = rng.permuted(np.tile(np.arange(n), (min(chunk, N_ORDERS - first), 1)), axis=1)
        most.append(np.stack([s.max(-1) for s in _statistics(x[orders], n_basis)], -1))
    observed = [s[0] for s in _statistics(x[None], n_basis)]
    limits = np.quantile(np.vstack([*most, [s.max() for s in observed]]), 1 - IN_ORDER, axis=0, method="higher")
    slope, sigma = _line(columns)
    trend_limit, ewma_width, cusum_limit = map(float, limits)
    return Order(observed[0], trend_limit, ewma_width, cusum_limit, slope * (n - 1), sigma * (n - 1))


def _statistics(x: FloatArray, n_basis: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Trend, largest weighted mean, largest cumulative sum of many orders; (n_orders, n_passes, n_measures) to
    (n_orders, n_measures).
    """
    base = x[:, :n_basis]
    z = (x - base.mean(1, keepdims=True)) / np.maximum(base.std(1, ddof=1, keepdims=True), 1e-12)
    n = x.shape[1]
    smooth = lfilter([WEIGHT], [1.0, WEIGHT - 1.0], z, axis=1)
    sigma = np.sqrt(WEIGHT / (2 - WEIGHT) * (1 - (1 - WEIGHT) ** (2 * np.arange(1, n + 1))))
    up, down, most = np.zeros_like(z[:, 0]), np.zeros_like(z[:, 0]), np.zeros_like(z[:, 0])
    for i in range(n):
        up, down = np.maximum(up + z[:, i] - CUSUM_SLACK, 0.0), np.maximum(down - z[:, i] - CUSUM_SLACK, 0.0)
        most = np.maximum(most, np.maximum(up, down))
    place = _places(n)
    spread = np.maximum(x.std(1), 1e-12)
    trend = np.abs(np.einsum("i,pik->pk", place, x)) / (n * spread) * np.sqrt(n - 1)
    return trend, np.abs(smooth / sigma[:, None]).max(1), most


def _line(columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope a pass of each measure, by least squares, and its standard error."""
    slopes, sigmas = [], []
    for column in columns.T:
        known = np.flatnonzero(np.isfinite(column))
        if len(known) < 3:
            slopes.append(np.nan)
            sigmas.append(np.nan)
            continue
        t = known - known.mean()
        slope = float(t @ column[known]) / float(t @ t)
        left = column[known] - column[known].mean() - slope * t
        slopes.append(slope)
        sigmas.append(float(np.sqrt(left @ left / (len(known) - 2) / (t @ t))))
    return np.array(slopes), np.array(sigmas)


@functools.cache
def _places(n: int) -> FloatArray:
    """0 to n - 1, centred and scaled to a spread of 1."""
    t = np.arange(n) - (n - 1) / 2
    return t / t.std()
