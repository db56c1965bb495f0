"""Rules that read a control chart, and how often each set of them cries wolf."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Sequence

import numpy as np
from scipy import sparse, stats
from scipy.sparse.linalg import spsolve

from vision.types import FloatArray

__all__ = ["RULES", "arl", "ewma_arl", "fired"]

RULES = {
    1: "one point beyond 3 sigma",
    2: "two of three in a row beyond 2 sigma on one side",
    3: "four of five in a row beyond 1 sigma on one side",
    4: "eight in a row on one side",
}
# rule -> (how many, of how many, beyond how many sigma); the zone rules of ISO 7870-2
_PATTERN = {1: (1, 1, 3.0), 2: (2, 3, 2.0), 3: (4, 5, 1.0), 4: (8, 8, 0.0)}
_EDGES = np.array([-np.inf, -3, -2, -1, 0, 1, 2, 3, np.inf])
_MIDDLES = (-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5)
_State = tuple[tuple[int, ...], ...]


def fired(z: Sequence[float] | FloatArray, rules: Iterable[int] = (1,)) -> list[tuple[int, ...]]:
    """Which rules fire at each point.

    Parameters
    ----------
    z : array, shape (n,)
        Distance from the centre line in sigma [-], in order of time; nan (unknown) breaks every run.
    rules : iterable of int
        Keys of RULES.

    Returns
    -------
    list of tuple of int
        One tuple a point, empty where all is well.
    """
    chosen = _checked(rules)
    state = _start(chosen)
    out: list[tuple[int, ...]] = []
    for value in np.asarray(z, dtype=float).tolist():
        if not math.isfinite(value):
            state = _start(chosen)
            out.append(())
            continue
        state, hits = _step(state, value, chosen)
        out.append(hits)
    return out


@functools.cache
def arl(rules: tuple[int, ...] = (1,), shift: float = 0.0) -> float:
    """Average number of points until a set of rules fires [-].

    Parameters
    ----------
    rules : tuple of int
    shift : float
        Of the mean in sigma; at 0 every signal is a false alarm.

    Notes
    -----
    Exact, by the Markov chain of Champ and Woodall, Technometrics 29 (1987) 393: the chain's states are the histories
    that matter, its steps the zones that the next point may fall into. For independent normal points and known limits.
    """
    chosen = _checked(rules)
    chance = np.diff(stats.norm.cdf(_EDGES, loc=shift))
    index: dict[_State, int] = {_start(chosen): 0}
    steps, todo = [], [_start(chosen)]
    while todo:
        state = todo.pop()
        for p, middle in zip(chance, _MIDDLES, strict=True):
            after, hits = _step(state, middle, chosen)
            if hits:
                continue
            if after not in index:
                index[after] = len(index)
                todo.append(after)
            steps.append((index[state], index[after], p))
    row, column, p = zip(*steps, strict=True)
    stay = sparse.coo_array((p, (row, column)), shape=(len(index),) * 2)
    return float(spsolve(sparse.csc_array(sparse.eye_array(len(index)) - stay), np.ones(len(index)))[0])


@functools.cache
def ewma_arl(weight: float, width: float, shift: float = 0.0, beyond: float = math.inf, cells: int = 301) -> float:
    """Average number of points until an exponentially weighted mean leaves its steady limits [-].

    Parameters
    ----------
    weight, width : float
        Lambda, and the limits' distance in standard deviations of the weighted mean.
    shift : float
        Of the mean in sigma.
    beyond : float
        A single point beyond so many sigma signals as well; 3 gives rule 1 and the EWMA together.

    Notes
    -----
    Markov chain of Brook and Evans, Biometrika 59 (1972) 539, on so many cells between the limits.
    """
    limit = width * math.sqrt(weight / (2 - weight))
    edges = np.linspace(-limit, limit, cells + 1)
    here = (edges[:-1] + edges[1:]) / 2
    needed = np.clip((edges[None, :] - (1 - weight) * here[:, None]) / weight, -beyond, beyond)
    stay = np.diff(stats.norm.cdf(needed, loc=shift), axis=1)
    return float(np.linalg.solve(np.eye(cells) - stay, np.ones(cells))[cells // 2])


def _checked(rules: Iterable[int]) -> tuple[int, ...]:
    chosen = tuple(sorted(set(rules)))
    if not chosen or any(rule not in RULES for rule in chosen):
        raise ValueError(f"rules {chosen}: expected some of {', '.join(map(str, RULES))}")
    return chosen


def _start(rules: tuple[int, ...]) -> _State:
    """Nothing seen yet: for each rule the sides of the last points that count for it."""
    return tuple((0,) * (_PATTERN[rule][1] - 1) for rule in rules)


def _step(state: _State, z: float, rules: tuple[int, ...]) -> tuple[_State, tuple[int, ...]]:
    """The history after one more point, and the rules that this point fulfils."""
    after, hits = [], []
    for rule, past in zip(rules, state, strict=True):
        many, _, sigma = _PATTERN[rule]
        side = (z > sigma) - (z < -sigma)
        window = (*past, side)
        if side and window.count(side) >= many:
            hits.append(rule)
        after.append(_forget(window[1:], many) if len(window) > 1 else ())
    return tuple(after), tuple(hits)


def _forget(window: tuple[int, ...], many: int) -> tuple[int, ...]:
    """Blank what can no longer take part in a signal, so that few histories differ.

    The point at place i stays for i + 1 more points; all of them on its side may still not be enough.
    """
    return tuple(side if window[i:].count(side) + i + 1 >= many else 0 for i, side in enumerate(window))
