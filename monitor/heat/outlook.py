"""What lies ahead of an estimate at the present input: limits, the melt, and solid joints once the jet goes away.

A look takes ten and more steps of the board model. They are taken one at a time, between the estimate's own, so that no
picture waits for all of them; a look counts from the moment at which it began.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from monitor.heat.chain import Blow, Chain, Sites
from monitor.heat.types import Band

__all__ = ["LOOK_AHEAD_S", "Outlook"]

FloatArray = NDArray[np.float64]

_EVERY_S, _AFTER_MOVE_S = 3.0, 1.5  # between looks; and when the nozzle has gone up or down since
_MOVED = 0.15  # of the height
_AHEAD_STEPS_S = (1, 1, 2, 2, 4, 5, 7, 10, 13, 15)
_COOLING_STEPS_S = (1, 1, 2, 2, 3, 3, 5, 5, 8, 10, 15, 20, 30, 40)
LOOK_AHEAD_S = float(sum(_AHEAD_STEPS_S))


class Outlook:
    """Looks ahead again and again, a step at a time.

    Parameters
    ----------
    chain : Chain
        The estimate's own; it is left as it is.
    told : function
        What the members say, (..., members), by all that was learned.
    limits_c : dict of str to float
        Of the faces and the neighbours, in the order of the sites.
    melt_c : float
        What the coldest joint has to reach [C].
    is_solid : function
        Takes sites; whether all joints are surely solid.

    Attributes
    ----------
    limit_in_s : dict of str to Band or None
        Time to each limit; None when the estimate does not reach it within LOOK_AHEAD_S.
    melt_in_s : Band or None
        Time until the coldest joint has reached its mark; as above.
    solid_in_s : float or None
        Time until all joints are surely solid if no jet comes back; None while a jet keeps them molten, when they are
        solid, or when that is further away than is looked.
    """

    def __init__(self, chain: Chain, told: Callable[[FloatArray], FloatArray], limits_c: dict[str, float],
                 melt_c: float, is_solid: Callable[[Sites], bool]) -> None:
        self._chain, self._told, self._limits_c, self._melt_c, self._is_solid = chain, told, limits_c, melt_c, is_solid
        self.limit_in_s: dict[str, Band | None] = dict.fromkeys(limits_c)
        self.melt_in_s: Band | None = None
        self.solid_in_s: float | None = None
        self._ahead: Iterator[None] | None = None
        self._cooling: Iterator[None] | None = None
        self._passed_s = self._began_s = 0.0  # since the beginning; and at the start of the newest look ahead
        self._is_blown: bool | None = None
        self._looked_m = 0.0  # the height that the newest look took

    def pass_by(self, dt_s: float, blow: Blow | None, wet_s: float) -> None:
        """Time has passed: count down what is known, and begin to look anew where that is due.

        Parameters
        ----------
        wet_s : float
            Since the joints may last have been molten; inf once they are surely solid.
        """
        self._passed_s += dt_s
        self.limit_in_s = {name: _later(b, dt_s) for name, b in self.limit_in_s.items()}
        self.melt_in_s = _later(self.melt_in_s, dt_s)
        if self.solid_in_s is not None:
            self.solid_in_s = max(0.0, self.solid_in_s - dt_s)
        if np.isinf(wet_s) or (wet_s == 0.0 and blow is not None):
            self._cooling, self.solid_in_s = None, None
        if self._is_blown != (blow is not None):  # what was foreseen of another input is worth nothing
            is_first, self._is_blown = self._is_blown is None, blow is not None
            self._ahead = self._look_ahead(blow)
            if is_first or blow is None:
                self._finish()
        elif self._ahead is None and self._passed_s - self._began_s >= (
                _AFTER_MOVE_S if self._has_moved(blow) else _EVERY_S):
            self._ahead = self._look_ahead(blow)
        if self._cooling is None and not np.isinf(wet_s) and (blow is None or wet_s > 0.0):
            self._cooling = self._cool(wet_s)

    def go_on(self) -> None:
        """Take one step of each look that is under way."""
        if self._ahead is not None and next(self._ahead, self) is self:
            self._ahead = None
        if self._cooling is not None and next(self._cooling, self) is self:
            self._cooling = None

    def _finish(self) -> None:
        while self._ahead is not None:
            if next(self._ahead, self) is self:
                self._ahead = None

    def _has_moved(self, blow: Blow | None) -> bool:
        """Whether the nozzle is much higher or lower than the last look took it to be."""
        return blow is not None and abs(_height_m(blow) - self._looked_m) > _MOVED * self._looked_m

    def _look_ahead(self, blow: Blow | None) -> Iterator[None]:
        """One minute on at the input of now."""
        self._began_s, chain = self._passed_s, self._chain
        self._looked_m = 0.0 if blow is None else _height_m(blow)
        rows = [_limited(chain.sites())]
        if blow is not None:
            state = chain.state()
            for step_s in _AHEAD_STEPS_S:
                estimate = chain.swap(state)
                if np.ravel(blow.airflow_m3_s)[0] > 0:
                    chain.blow(blow, step_s)
                else:
                    chain.rest(step_s)
                rows.append(_limited(chain.sites()))
                state = chain.swap(estimate)
                yield
        history, past_s = self._told(np.array(rows)), self._passed_s - self._began_s  # (times, sites, members)
        self.melt_in_s = _later(_crossing(history[:, -1], self._melt_c), past_s)
        self.limit_in_s = {name: _later(_crossing(history[:, i], limit_c), past_s)
                           for i, (name, limit_c) in enumerate(self._limits_c.items())}

    def _cool(self, wet_s: float) -> Iterator[None]:
        """On without a jet until the joints are solid."""
        began_s, chain, cooled_s = self._passed_s, self._chain, 0.0
        state, found = chain.state(), None
        for step_s in _COOLING_STEPS_S:
            estimate = chain.swap(state)
            chain.rest(step_s)
            cooled_s += step_s
            is_solid = self._is_solid(chain.sites())
            state = chain.swap(estimate)
            if is_solid:
                found = max(cooled_s, chain.alloy.wet_hold_s - wet_s)
                break
            yield
        self.solid_in_s = None if found is None else max(0.0, found - (self._passed_s - began_s))


def _height_m(blow: Blow) -> float:
    return float(np.ravel(blow.height_m)[0])


def _limited(sites: Sites) -> FloatArray:
    """Sites that have limits, and last the coldest joint, (sites, members)."""
    faces = [sites.package_top, sites.board_top, sites.underside]
    return np.concatenate([faces, sites.neighbours, [sites.joint_corner]])


def _later(ahead: Band | None, past_s: float) -> Band | None:
    """What is left of a forecast after a while."""
    return ahead and Band(max(ahead.low - past_s, 0), max(ahead.mid - past_s, 0), max(ahead.high - past_s, 0))


def _crossing(history: FloatArray, limit_c: float) -> Band | None:
    """Time at which (times, members) first reach a limit; None when the estimate does not within the look-ahead.

    Members that do not reach it count as the end of the look-ahead.
    """
    above = history >= limit_c
    if not above[:, 0].any():
        return None
    times = np.concatenate([[0.0], np.cumsum(_AHEAD_STEPS_S)])[:len(history)]
    reached = np.full(history.shape[1], times[-1])
    for m in np.flatnonzero(above.any(axis=0)):
        k = int(above[:, m].argmax())
        reached[m] = 0.0 if k == 0 else np.interp(limit_c, history[k - 1:k + 1, m], times[k - 1:k + 1])
    low, high = np.quantile(reached, [0.05, 0.95])
    mid = float(reached[0])
    return Band(min(float(low), mid), mid, max(float(high), mid))
