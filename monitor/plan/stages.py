"""Stages: come in high and wide, go down as the rise allows, so that the joints never warm faster than they may."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.heat.chain import Chain
from monitor.heat.limits import melt_wanted, site_limits
from monitor.heat.part import part_shape
from monitor.heat.types import HeatSetup
from monitor.plan.chance import judge
from monitor.plan.course import COARSE, Course, Ensemble, Own, Progress, Stage, TimeSteps, repeated, run_stages
from monitor.plan.search import STEPS_COARSER, USUAL_C, PlanLimits, sweep_axes
from monitor.plan.surface import Way, coordinates, run_star

__all__ = ["Descent", "StagedStart", "best_descent", "cut", "find_stages"]

FloatArray = NDArray[np.float64]

DESCENT_C, DESCENTS = (340.0, 370.0, 400.0, 420.0), ((1.0, 0.4, 0.05), (0.6, 0.25, 0.05))  # shares of the height range
HIGHEST_DESCENT_M, LEAST_DESCENT_M = 25e-3, 5e-3
SETPOINTS_C = (280.0, 320.0, 360.0, 400.0)
FAR_SWEEPS, NEAR_SWEEPS = (12.0, 8.0, 6.0, 4.0, 2.5, 1.5), (3.0, 1.5, 0.7)  # over the part's half-sides; choices
NEAR_HEIGHT_SHARES = (0.5, 0.25, 0.05)
SOAK_S, GLIDES_S = 15.0, (35.0, 55.0, 80.0, 105.0)
RAMP_SHARE = 0.95  # aimed at: the coarse grid leaves something to be kept back
HOT_COST = 0.05  # of chance, that a hotter setpoint than people use must gain
SHORTEST_S, LEAST_REST_S = 0.5, 15.0  # of a stage; left at the last place
OVER_COST_K = 400.0  # a rise over the limit by 1 K/s counts as so many kelvin of margin


_Way = tuple[float, tuple[float, float], float, tuple[float, float]]  # setpoint, first sweep, last height and sweep


@dataclass(frozen=True)
class StagedStart:
    """The best stages found: setpoint, stages (the last one to the longest pass), and the middle's fastest rise."""

    setpoint_c: float
    stages: tuple[Stage, ...]
    ramp_k_s: float


def find_stages(
    setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, ramp_k_s: float, told: Progress
) -> StagedStart:
    """Soak high and wide, glide down, stay: several setpoints, places and speeds, by the middle estimate.

    ramp_k_s: the fastest rise allowed, as a mean over two seconds at the joint.
    """
    bounds, melt, (low, high) = site_limits(setup), melt_wanted(setup.part), limits.height_m
    shape = part_shape(setup.part)
    found: list[tuple[float, StagedStart]] = []
    setpoints = [s for s in SETPOINTS_C if s <= limits.setpoint_c[1]]
    near = [
        (low + share * (high - low), sweep_axes(shape, sweep)) for share in NEAR_HEIGHT_SHARES for sweep in NEAR_SWEEPS
    ]
    one = ensemble.first()
    far = _far(setup, limits, one, setpoints, ramp_k_s * RAMP_SHARE)
    ways = [(setpoint, far[setpoint], height, sweep) for setpoint in setpoints for height, sweep in near]
    for n, glide_s in enumerate(GLIDES_S):
        rest_s = limits.dwell_s - SOAK_S - glide_s
        if rest_s < LEAST_REST_S:
            continue
        course, stages = _glide(setup, one, ways, high, (SOAK_S, glide_s, rest_s))
        judged, steepest = judge(course, bounds, melt), course.ramp_k_s().max(axis=0)
        over = np.maximum(steepest - ramp_k_s * RAMP_SHARE, 0.0)
        merit = np.minimum(judged.best_k, 30.0) - OVER_COST_K * over
        best = int(merit.argmax())
        found.append((float(merit[best]), StagedStart(ways[best][0], stages(best), float(steepest[best]))))
        told((n + 1) / len(GLIDES_S))
    return (
        max(found, key=lambda f: f[0])[1]
        if found
        else StagedStart(setpoints[0], (Stage(high, near[0][1], limits.dwell_s),), 0.0)
    )


def _far(
    setup: HeatSetup, limits: PlanLimits, one: Ensemble, setpoints: list[float], ramp_k_s: float
) -> dict[float, tuple[float, float]]:
    """The smallest first sweep, at the largest height, that keeps the rise from cold; for every setpoint [m]."""
    tried = [(setpoint, sweep) for setpoint in setpoints for sweep in FAR_SWEEPS]
    axes = [sweep_axes(part_shape(setup.part), sweep) for _, sweep in tried]
    course = _together(
        repeated(setup, one.middle(), COARSE, len(tried)),
        (SOAK_S,),
        np.array([s for s, _ in tried]),
        [(np.full(len(tried), limits.height_m[1]), np.array(axes).T)],
    )
    steepest = course.ramp_k_s().max(axis=0)
    far = {}
    for setpoint in setpoints:
        own = [n for n, (s, _) in enumerate(tried) if s == setpoint]
        kept = [n for n in own if steepest[n] <= ramp_k_s]
        far[setpoint] = axes[kept[-1] if kept else own[0]]
    return far


def _glide(
    setup: HeatSetup, one: Ensemble, ways: list[_Way], high_m: float, seconds: tuple[float, float, float]
) -> tuple[Course, Callable[[int], tuple[Stage, ...]]]:
    """Soak far away, glide down, stay: all ways at once; and what makes the stages of one of them."""
    first = (np.full(len(ways), high_m), np.array([way[1] for way in ways]).T)
    last = (np.array([way[2] for way in ways]), np.array([way[3] for way in ways]).T)
    course = _together(
        repeated(setup, one.middle(), COARSE, len(ways)),
        seconds,
        np.array([way[0] for way in ways]),
        [first, last, last],
    )

    def stages(n: int) -> tuple[Stage, ...]:
        _, far, height, sweep = ways[n]
        return (
            Stage(high_m, far, seconds[0]),
            Stage(height, sweep, seconds[1], glides=True),
            Stage(height, sweep, seconds[2]),
        )

    return course, stages


def _together(
    chain: Chain, seconds: tuple[float, ...], setpoint_c: FloatArray, places: list[tuple[FloatArray, FloatArray]]
) -> Course:
    """Several ways at once, each with its own places; the second of three stages glides."""
    plan = [Stage(0.0, (0.0, 0.0), s, glides=n == 1) for n, s in enumerate(seconds)]
    own = Own([height for height, _ in places], [sweep for _, sweep in places])
    return run_stages(chain, plan, setpoint_c, own, steps=TimeSteps(coarser=STEPS_COARSER))


@dataclass(frozen=True)
class Descent:
    """Three stages of equal length from high to low, and the chance of melt before any limit."""

    setpoint_c: float
    stages: tuple[Stage, ...]
    chance: float


def best_descent(
    setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, sweep_m: tuple[float, float]
) -> Descent | None:
    """Come in high and go down: the first stage melts the joints where much heat arrives, the lower where little."""
    bounds, melt, (low, high) = site_limits(setup), melt_wanted(setup.part), limits.height_m
    setpoints = [s for s in DESCENT_C if limits.setpoint_c[0] <= s <= limits.setpoint_c[1]]
    if high - low < LEAST_DESCENT_M or not setpoints:
        return None
    wide = sweep_axes(part_shape(setup.part), 1.0)
    sweeps = (
        (max(1.5 * wide[0], sweep_m[0]), max(1.5 * wide[1], sweep_m[1])),
        (max(wide[0], sweep_m[0]), max(wide[1], sweep_m[1])),
        sweep_m,
    )
    span = min(high, HIGHEST_DESCENT_M) - low
    ways = [
        Way(
            setpoints[len(setpoints) // 2],
            tuple(Stage(low + k * span, sweep, limits.dwell_s / 3) for k, sweep in zip(shares, sweeps, strict=True)),
        )
        for shares in DESCENTS
    ]
    found = []
    for surface in run_star(setup, ensemble, ways, COARSE, coarser=STEPS_COARSER):
        for setpoint in setpoints:
            (at,) = coordinates(setup, ensemble, [surface], setpoint, surface.way.stages)
            chance = float(
                (judge(ensemble.with_form(surface.course(surface.log_rise(at))), bounds, melt).best_k[1:] > 0).mean()
            )
            found.append(Descent(setpoint, surface.way.stages, chance))
    return max(found, key=lambda descent: descent.chance - HOT_COST * (descent.setpoint_c > USUAL_C[1]))


def cut(stages: tuple[Stage, ...], until_s: float) -> tuple[Stage, ...]:
    """The stages up to a time; one of less than half a second is none that a hand can keep."""
    kept: list[Stage] = []
    since = 0.0
    for stage in stages:
        if until_s - since > SHORTEST_S or not kept:
            kept.append(replace(stage, seconds=min(stage.seconds, until_s - since)))  # a glide cut short ends there
        since += stage.seconds
    return tuple(kept)
