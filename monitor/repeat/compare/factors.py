"""Factors of control charts, from the normal theory that the printed tables round."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from scipy import integrate, special, stats

__all__ = ["Factors", "c4", "d2", "d3", "factors"]

LARGEST_RANGE = 25  # the printed tables end here; a range is a poor measure of spread beyond


def c4(n: int) -> float:
    """Mean of the standard deviation of n normal values, over sigma [-]; n >= 2. ISO 7870-2, annex."""
    _check(n)
    return math.sqrt(2 / (n - 1)) * math.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))


@functools.cache
def d2(n: int) -> float:
    """Mean of the range of n normal values, over sigma [-]; 2 <= n <= 25 (Tippett 1925)."""
    _check(n, LARGEST_RANGE)
    return integrate.quad(lambda x: 1 - stats.norm.cdf(x) ** n - stats.norm.sf(x) ** n, -10, 10, limit=200)[0]


@functools.cache
def d3(n: int) -> float:
    """Standard deviation of the range of n normal values, over sigma [-]; 2 <= n <= 25."""
    _check(n, LARGEST_RANGE)
    x = np.linspace(-7.0, 7.0, 701)
    low, high = stats.norm.cdf(x)[:, None], stats.norm.cdf(x)[None, :]
    joint = np.triu(1 - high**n - (1 - low) ** n + np.maximum(high - low, 0) ** n)
    joint[np.diag_indices_from(joint)] /= 2  # the triangle cuts these cells in half
    mean_square = 2 * integrate.trapezoid(integrate.trapezoid(joint, x, axis=1), x)
    return math.sqrt(mean_square - d2(n) ** 2)


@dataclass(frozen=True)
class Factors:
    """Factors for samples of n, all dimensionless, named as in the tables.

    Attributes
    ----------
    n : int
    c4, A3, B3, B4 : float
        For charts from standard deviations.
    d2, A2, D3, D4 : float
        For charts from ranges; nan for n > 25.
    """

    n: int
    c4: float
    A3: float
    B3: float
    B4: float
    d2: float
    A2: float
    D3: float
    D4: float


@functools.cache
def factors(n: int) -> Factors:
    """The factors for samples of n >= 2."""
    c = c4(n)
    spread = 3 * math.sqrt(1 - c**2) / c
    mean, ratio = (d2(n), 3 * d3(n) / d2(n)) if n <= LARGEST_RANGE else (math.nan, math.nan)
    return Factors(n, c, 3 / (c * math.sqrt(n)), max(0.0, 1 - spread), 1 + spread, mean, 3 / (mean * math.sqrt(n)),
                   math.nan if math.isnan(ratio) else max(0.0, 1 - ratio), 1 + ratio)


def _check(n: int, most: int | None = None) -> None:
    if n < 2 or (most is not None and n > most):
        raise ValueError(f"samples of {n}: expected at least 2" + (f" and at most {most}" if most else ""))
