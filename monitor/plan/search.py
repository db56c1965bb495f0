"""The chance of every setting: setpoint and height on a grid, the sweep chosen for the part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.heat.chain import Fineness, outlet
from monitor.heat.jet import JetExit
from monitor.heat.limits import melt_wanted, site_limits
from monitor.heat.part import PartShape, part_shape
from monitor.heat.types import HeatSetup
from monitor.plan.chance import judge
from monitor.plan.course import COARSE, Course, Ensemble, Progress, Stage
from monitor.plan.surface import Surface, Way, coordinates, run_star

__all__ = ["PlanLimits", "SettingMap", "height_nodes", "search", "settings_map", "sweep_axes", "usual"]

FloatArray = NDArray[np.float64]

HEIGHTS_MM = (5.0, 8.0, 12.0, 16.0, 20.0, 25.0, 30.0)
NODES_APART_M = 2e-3  # a range of heights narrower than this is run at its middle alone
SETPOINT_STEP_C = 10.0
SWEEPS = (0.5, 1.0, 1.5)  # semi-axes over the part's half-sides
LEAST_SWEEP_M = 1e-3
STEPS_COARSER = 2.0  # than those of the start itself
NEAR = 0.05  # settings within this of the best chance count as good as the best
USUAL_C, USUAL_M = (300.0, 400.0), (5e-3, 15e-3)  # settings that people use; common practice, no source
LEAST_MELT_S = 12.0  # a melt that comes sooner leaves no time to see it
WIDER_K = 3.0  # what a wider sweep must gain over a smaller one


@dataclass(frozen=True)
class PlanLimits:
    """What the plan may choose from: ranges of height [m] and setpoint [C], and the longest pass [s]."""

    height_m: tuple[float, float] = (5e-3, 30e-3)
    setpoint_c: tuple[float, float] = (250.0, 430.0)
    dwell_s: float = 90.0


@dataclass(frozen=True)
class SettingMap:
    """Chance of melt before any limit and middle estimates over settings; arrays (setpoints, heights).

    middle_k: how far the middle estimate keeps its limits and passes its mark at its best moment [K]; negative: never.
    melt_s: when its coldest joint is molten; inf when never.
    """

    setpoints_c: FloatArray
    heights_m: FloatArray
    sweep_m: tuple[float, float]
    chance: FloatArray
    middle_k: FloatArray
    melt_s: FloatArray

    def best(self) -> tuple[int, int]:
        """The setting to begin with: the usual ones win among those as good as the best."""
        if self.chance.max() < NEAR:
            return _at(int(self.middle_k.argmax()), self.middle_k)
        near = self.chance >= self.chance.max() - NEAR
        cost = usual(self.setpoints_c[:, None], self.heights_m[None, :], self.melt_s) - 0.1 * self.chance
        return _at(int(np.where(near, cost, np.inf).argmin()), cost)


def _at(flat: int, of: FloatArray) -> tuple[int, int]:
    return flat // of.shape[1], flat % of.shape[1]


def usual(setpoint_c: FloatArray, height_m: FloatArray, melt_s: FloatArray) -> FloatArray:
    """How unusual a setting is: 0 for what people use [-]."""

    def beyond(value: FloatArray, span: tuple[float, float]) -> FloatArray:
        return np.maximum(span[0] - value, 0.0) + np.maximum(value - span[1], 0.0)

    hurry = np.clip(LEAST_MELT_S - melt_s, 0.0, LEAST_MELT_S) / LEAST_MELT_S
    return beyond(setpoint_c, USUAL_C) / 50.0 + beyond(height_m, USUAL_M) / 5e-3 + hurry


def search(setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, told: Progress) -> SettingMap:
    """The chance of every setting, on the grid of the live estimate; the sweep is the best of a few."""
    sweep = _sweep(setup, limits, ensemble)
    (surfaces,) = height_nodes(setup, limits, ensemble, (sweep,), None, told)
    return settings_map(setup, limits, ensemble, surfaces)


def settings_map(
    setup: HeatSetup,
    limits: PlanLimits,
    ensemble: Ensemble,
    surfaces: Sequence[Surface],
    heights_mm: tuple[float, ...] = HEIGHTS_MM,
    setpoint_step_c: float = SETPOINT_STEP_C,
) -> SettingMap:
    """The chance of every setting by surfaces of `height_nodes`."""
    bounds, melt, (low, high) = site_limits(setup), melt_wanted(setup.part), limits.height_m
    heights = np.unique(np.clip(np.array(heights_mm) * 1e-3, low, high))
    setpoints, rows = _setpoints(limits, setpoint_step_c), []
    for setpoint in setpoints:
        exit_ = outlet(setup.station, ensemble.values, setpoint, setup.station.airflow_m3_s)
        courses = [_between(setup, ensemble, surfaces, setpoint, height, exit_) for height in heights]
        together = Course(courses[0].times_s, np.stack([c.temp_c for c in courses], axis=2), courses[0].names)
        judged = judge(together, bounds, melt)
        chance = (judged.best_k[:, 1:] > 0).mean(axis=1)
        rows.append((chance, judged.best_k[:, 0], judged.melt_s[:, 0]))
    chance, middle, melts = (np.array(column) for column in zip(*rows, strict=True))
    return SettingMap(setpoints, heights, surfaces[0].way.stages[0].sweep_m, chance, middle, melts)


def sweep_axes(shape: PartShape, share: float) -> tuple[float, float]:
    """Semi-axes of a sweep over a share of the part's half-sides [m]."""
    return max(share * shape.length_m / 2, LEAST_SWEEP_M), max(share * shape.width_m / 2, LEAST_SWEEP_M)


def _sweep(setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble) -> tuple[float, float]:
    """A small circle, or a wider one where that gains enough, by the middle estimate."""
    bounds, melt, gained, one = site_limits(setup), melt_wanted(setup.part), -np.inf, ensemble.first()
    sweeps = tuple(dict.fromkeys(sweep_axes(part_shape(setup.part), share) for share in SWEEPS))
    best = sweeps[0]
    nodes = height_nodes(setup, limits, one, sweeps, COARSE, lambda share: None)
    for sweep, surfaces in zip(sweeps, nodes, strict=True):
        found = max(
            float(judge(_between(setup, one, surfaces, setpoint, s.way.stages[0].height_m), bounds, melt).best_k[0])
            for s in surfaces
            for setpoint in _setpoints(limits, 3 * SETPOINT_STEP_C)
        )
        if found > gained + WIDER_K:
            best, gained = sweep, found
    return best


def height_nodes(
    setup: HeatSetup,
    limits: PlanLimits,
    ensemble: Ensemble,
    sweeps: tuple[tuple[float, float], ...],
    fineness: Fineness | None,
    told: Progress,
) -> list[list[Surface]]:
    """A surface for every sweep at a few heights over the whole range, all run at once."""
    low, high = limits.height_m
    heights = [low, 0.5 * (low + high), high] if high - low > NODES_APART_M else [0.5 * (low + high)]
    middle_c = 0.5 * sum(limits.setpoint_c)
    ways = [Way(middle_c, (Stage(height, sweep, limits.dwell_s),)) for sweep in sweeps for height in heights]
    surfaces = run_star(setup, ensemble, ways, fineness, told, STEPS_COARSER)
    return [surfaces[n : n + len(heights)] for n in range(0, len(surfaces), len(heights))]


def _between(
    setup: HeatSetup,
    ensemble: Ensemble,
    surfaces: Sequence[Surface],
    setpoint_c: float,
    height_m: float,
    exit_: JetExit | None = None,
) -> Course:
    """Temperatures at a setting: every surface followed there, and a parabola through them along the height."""
    stages = (Stage(height_m, surfaces[0].way.stages[0].sweep_m, 0.0),)
    nodes = np.array([s.way.stages[0].height_m for s in surfaces])
    places = coordinates(setup, ensemble, surfaces, setpoint_c, stages, exit_)
    logs = np.zeros(())
    for n, (surface, at) in enumerate(zip(surfaces, places, strict=True)):
        others = np.delete(nodes, n)
        weight = float(np.prod((height_m - others) / (nodes[n] - others)))
        if abs(weight) > 1e-9:
            logs = logs + weight * surface.log_rise(at)
    return ensemble.with_form(surfaces[0].course(logs))


def _setpoints(limits: PlanLimits, step_c: float) -> FloatArray:
    low, high = limits.setpoint_c
    steps = np.arange(np.ceil(low / step_c), np.floor(high / step_c) + 1) * step_c
    return steps if steps.size else np.array([0.5 * (low + high)])
