"""Which measures change over the order of the passes, and by how much: the findings of the tests of order."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.job import Job
from monitor.repeat.compare.control import FROZEN_FROM, Chart, Trust, cusum, ewma, trust
from monitor.repeat.compare.odd import matters
from monitor.repeat.compare.order import Order, order_of
from monitor.repeat.compare.passes import JUDGED
from monitor.repeat.compare.scales import from_scale, to_scale
from vision.types import FloatArray

__all__ = ["Change", "Changes", "changes_of"]

SOON = 0.5  # of what matters: a change over time is told when it is half way there (a choice, no source)


@dataclass(frozen=True)
class Change:
    """A measure that changes from pass to pass.

    Attributes
    ----------
    key : str
    is_trend : bool
        A straight drift; else a shift.
    at : int
        Index of the first pass after a shift; of the last pass of a drift.
    before, after : float
        Ends of the line, or levels round the shift, in the measure's unit.
    """

    key: str
    is_trend: bool
    at: int
    before: float
    after: float


@dataclass(frozen=True)
class Changes:
    """Charts of the order of the passes, and what they found.

    Attributes
    ----------
    found : tuple of Change
        At most one a measure.
    weighted, summed : dict of key to Chart
        Weighted mean in the measure's unit, cumulative sum in standard deviations of a pass; over all passes, signals
        only where a change was found.
    """

    found: tuple[Change, ...]
    weighted: dict[str, Chart]
    summed: dict[str, Chart]


def changes_of(values: dict[str, FloatArray], job: Job, least: int) -> Changes:
    """Test all measures together for changes over the order of the passes.

    Parameters
    ----------
    values : dict of key to array, shape (n,)
        In order of time; nan where not known, set aside or odd.
    job : Job
        Says what matters.
    least : int
        Passes under which charts get no limits.
    """
    keys = [key for key in JUDGED if np.isfinite(values[key]).sum() >= 3]
    rows = np.asarray(np.isfinite([values[key] for key in keys]).any(axis=0), bool) if keys else np.zeros(0, bool)
    n = int(rows.sum())
    tells = bool(keys) and least < np.iinfo(np.int32).max
    columns = np.empty((len(rows), 0))
    if keys:
        columns = np.stack([to_scale(key, values[key]) for key in keys], -1)
    n_basis = min(FROZEN_FROM, n)
    order = order_of(columns[rows], n_basis) if tells else None
    found, weighted, summed = [], {}, {}
    for k, key in enumerate(keys):
        y = columns[:, k]
        smooth, sums = _charts(y, rows, n_basis, order, trust(n, least))
        change = None
        if order is not None and order.trend_sigmas[k] > order.trend_limit:
            last = int(np.flatnonzero(rows)[-1])
            change = _trend(key, y, float(order.change[k]), float(order.change_sigma[k]), last, job)
        elif order is not None and (smooth.signals or sums.signals):
            change = _shift(key, y, job)
        if change is not None:
            found.append(change)
        weighted[key], summed[key] = (_quiet(c, change) for c in (_back(key, smooth), sums))
    return Changes(tuple(found), weighted, summed)


def _charts(y: FloatArray, rows: NDArray[np.bool_], n_basis: int, order: Order | None,
            state: Trust) -> tuple[Chart, Chart]:
    """Weighted mean and cumulative sum on the even scale, with the limits that random orders leave."""
    known = y[rows]
    base = np.where(np.isfinite(known), known, np.nanmedian(known))[:n_basis]
    centre, sigma = float(base.mean()), float(base.std(ddof=1))
    filled = np.where(np.isfinite(y), y, np.where(rows, np.nanmedian(known), np.nan))
    if order is None or state is Trust.NONE or not sigma > 1e-9:
        smooth = ewma(filled, centre=centre, sigma=max(sigma, 1e-12))
        sums = cusum(filled, centre, max(sigma, 1e-12))
        nothing = np.full(len(y), math.nan)
        return (Chart(smooth.name, smooth.values, smooth.centre, nothing, nothing, sigma, Trust.NONE, n_basis, {}),
                Chart(sums.name, sums.values / max(sigma, 1e-12), sums.centre, nothing, nothing, sigma, Trust.NONE,
                      n_basis, {}))
    smooth = ewma(filled, width=order.ewma_width, centre=centre, sigma=sigma)
    sums = cusum((filled - centre) / sigma, 0.0, 1.0, limit=order.cusum_limit)
    return replace(smooth, trust=state, n_basis=n_basis), replace(sums, trust=state, n_basis=n_basis)


def _trend(key: str, y: FloatArray, change: float, sigma: float, last: int, job: Job) -> Change | None:
    """A trend of so much over all passes up to the last, on the even scale; None when far from mattering."""
    middle, half = float(y[np.isfinite(y)].mean()), change / 2
    found = Change(key, True, last, *(float(from_scale(key, v)) for v in (middle - half, middle + half)))
    return found if _is_near(found, sigma, middle, key, job) else None


def _shift(key: str, y: FloatArray, job: Job) -> Change | None:
    """A shift between the two parts that differ most; None when far from mattering."""
    at, known = _split(y), np.isfinite(y)
    before, after = y[:at][known[:at]], y[at:][known[at:]]
    sigma = math.sqrt(before.var() / len(before) + after.var() / len(after))
    found = Change(key, False, at, float(from_scale(key, before.mean())), float(from_scale(key, after.mean())))
    return found if _is_near(found, sigma, float(y[known].mean()), key, job) else None


def _is_near(found: Change, sigma: float, middle: float, key: str, job: Job) -> bool:
    """Whether the change may be half of what matters, given its standard error on the even scale."""
    error = abs(float(from_scale(key, middle + sigma)) - float(from_scale(key, middle)))
    return abs(found.after - found.before) + error >= SOON * matters(key, found.before, job)


def _split(y: FloatArray) -> int:
    """Where to cut the series so that the two parts' means differ most clearly (least squares)."""
    known = np.flatnonzero(np.isfinite(y))
    v = y[known] - y[known].mean()
    n, sums = len(v), np.cumsum(v)[:-1]
    m = np.arange(1, n)
    return int(known[1 + int(np.argmax(sums**2 * n / (m * (n - m))))])


def _back(key: str, chart: Chart) -> Chart:
    """A chart on the even scale, in the measure's own unit."""
    values, low, high = (from_scale(key, v) for v in (chart.values, chart.low, chart.high))
    return Chart(chart.name, values, float(from_scale(key, chart.centre)), low, high, chart.sigma, chart.trust,
                 chart.n_basis, chart.signals)


def _quiet(chart: Chart, change: Change | None) -> Chart:
    """Without its signals where they amount to nothing that matters."""
    return chart if change is not None or not chart.signals else Chart(
        chart.name, chart.values, chart.centre, chart.low, chart.high, chart.sigma, chart.trust, chart.n_basis, {})
