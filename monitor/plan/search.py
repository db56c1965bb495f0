"""The chance of every setting: setpoint and height on a grid, the sweep chosen for the part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.heat.limits import Melt, site_limits
from monitor.heat.part import PartShape, part_shape
from monitor.heat.types import HeatSetup
from monitor.plan.chance import chance_above, judge
from monitor.plan.course import (
    AIM_SIGMA_M,
    COARSE,
    HEIGHT_SIGMA_M,
    Course,
    Ensemble,
    Progress,
    Stage,
    judged_names,
    run_stages,
)

__all__ = ["PlanLimits", "SettingMap", "form_sigma_k", "search", "sweep_axes", "usual"]

FloatArray = NDArray[np.float64]

HEIGHTS_MM = (5.0, 8.0, 12.0, 16.0, 20.0, 25.0, 30.0)
NODES_C = (280.0, 400.0)  # setpoints that are run; between and beside them temperatures follow on a line
SETPOINT_STEP_C = 10.0
SWEEPS = (0.5, 1.0, 1.5)  # semi-axes over the part's half-sides
LEAST_SWEEP_M = 1e-3
MIDDLE_FINER = 0.5  # steps twice as long where the middle estimate alone ranks sweeps and measures
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


def form_sigma_k(ensemble: Ensemble, melt: Melt, start_c: float) -> float:
    """What the chain itself leaves out, at the melt [K]."""
    return ensemble.knowledge.form_share * max(melt.mark_c - start_c, 0.0)


def search(
    setup: HeatSetup,
    limits: PlanLimits,
    ensemble: Ensemble,
    melt: Melt,
    told: Progress,
    heights_mm: tuple[float, ...] = HEIGHTS_MM,
    sweep_m: tuple[float, float] | None = None,
) -> SettingMap:
    """Run every node with every member, and judge the settings between; sweep_m None: the best of a few."""
    bounds, sweep = site_limits(setup), sweep_m or _sweep(setup, limits, ensemble, melt, heights_mm)
    course, heights = _nodes(setup, limits, ensemble, sweep, heights_mm, told)
    setpoints = _setpoints(limits)
    extra = form_sigma_k(ensemble, melt, setup.station.ambient_c)
    rows = []
    for setpoint in setpoints:
        judged = judge(_between(course, _node_c(limits), setpoint), bounds, melt)
        rows.append((chance_above(judged.best_k, ensemble.scores, extra), judged.best_k[:, 0], judged.melt_s[:, 0]))
    chance, middle, melts = (np.array(column) for column in zip(*rows, strict=True))
    return SettingMap(setpoints, heights, sweep, chance, middle, melts)


def sweep_axes(shape: PartShape, share: float) -> tuple[float, float]:
    """Semi-axes of a sweep over a share of the part's half-sides [m]."""
    return max(share * shape.length_m / 2, LEAST_SWEEP_M), max(share * shape.width_m / 2, LEAST_SWEEP_M)


def middle_only(ensemble: Ensemble) -> Ensemble:
    """The middle estimate alone."""
    return Ensemble(ensemble.scores[:, :1], ensemble.knowledge)


def _sweep(
    setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, melt: Melt, heights_mm: tuple[float, ...]
) -> tuple[float, float]:
    """A small circle, or a wider one where that gains enough, by the middle estimate."""
    bounds, gained = site_limits(setup), -np.inf
    best: tuple[float, float] = sweep_axes(part_shape(setup.part), SWEEPS[0])
    for sweep in dict.fromkeys(sweep_axes(part_shape(setup.part), share) for share in SWEEPS):
        course, _ = _nodes(setup, limits, middle_only(ensemble), sweep, heights_mm[1::2], lambda share: None)
        found = max(
            judge(_between(course, _node_c(limits), s), bounds, melt).best_k.max() for s in _setpoints(limits)[::3]
        )
        if found > gained + WIDER_K:
            best, gained = sweep, found
    return best


def _nodes(
    setup: HeatSetup,
    limits: PlanLimits,
    ensemble: Ensemble,
    sweep: tuple[float, float],
    heights_mm: tuple[float, ...],
    told: Progress,
) -> tuple[Course, FloatArray]:
    """Temperatures at every node, (times, sites, setpoints, heights, members)."""
    low, high = limits.height_m
    heights = np.unique(np.clip(np.array(heights_mm) * 1e-3, low, high))
    nodes, n = _node_c(limits), ensemble.scores.shape[1]
    copies = nodes.size * heights.size
    chain = ensemble.chain(setup, COARSE, copies)
    setpoint = np.repeat(nodes, heights.size * n)
    height = np.tile(np.repeat(heights, n), nodes.size)
    error_m = np.tile(ensemble.scores[-3:], (1, copies))
    height = np.maximum(height + HEIGHT_SIGMA_M * error_m[0], 1e-3)
    held = [Stage(float(heights[0]), sweep, limits.dwell_s)]
    finer = 1.0 if n > 1 else MIDDLE_FINER
    course = run_stages(chain, held, setpoint, [height], AIM_SIGMA_M * error_m[1:], told, finer)
    shape = *course.temp_c.shape[:2], nodes.size, heights.size, n
    return Course(course.times_s, course.temp_c.reshape(shape), judged_names(setup)), heights


def _between(course: Course, nodes_c: FloatArray, setpoint_c: float) -> Course:
    """Temperatures at a setpoint, on the line through the two nodes."""
    first, last = course.temp_c[:, :, 0], course.temp_c[:, :, -1]
    share = (setpoint_c - nodes_c[0]) / (nodes_c[-1] - nodes_c[0])
    return Course(course.times_s, first + share * (last - first), course.names)


def _node_c(limits: PlanLimits) -> FloatArray:
    low, high = limits.setpoint_c
    nodes = np.clip(NODES_C, low, high)
    return nodes if nodes[1] - nodes[0] > 20 else np.array([low, max(high, low + 1.0)])


def _setpoints(limits: PlanLimits) -> FloatArray:
    low, high = limits.setpoint_c
    steps = np.arange(np.ceil(low / SETPOINT_STEP_C), np.floor(high / SETPOINT_STEP_C) + 1) * SETPOINT_STEP_C
    return steps if steps.size else np.array([0.5 * (low + high)])
