"""Stages: come in high and wide, go down as the rise allows, so that the joints never warm faster than they may."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.heat.chain import Chain
from monitor.heat.limits import Limit, Melt
from monitor.heat.part import part_shape
from monitor.heat.types import HeatSetup
from monitor.plan.chance import chance_above, judge
from monitor.plan.course import (AIM_SIGMA_M, COARSE, HEIGHT_SIGMA_M, Course, Ensemble, Progress, Stage, judged_names, read_sites,
                                 run_stages, sweep_blows)
from monitor.plan.search import PlanLimits, middle_only, sweep_axes

__all__ = ["Descent", "StagedStart", "best_descent", "cut", "find_stages"]

FloatArray = NDArray[np.float64]

DESCENT_C, DESCENTS = (340.0, 370.0, 400.0, 420.0), ((1.0, 0.4, 0.05), (0.6, 0.25, 0.05))  # shares of the height range
HIGHEST_DESCENT_M, LEAST_DESCENT_M = 25e-3, 5e-3
STEP_S, SWITCH_EVERY_S = 0.5, 5.0
SETPOINTS_C = (280.0, 320.0, 360.0, 400.0)
WAYS = (((1.0, 3.0), (0.6, 1.5), (0.3, 1.0)), ((1.0, 3.0), (0.5, 1.5), (0.0, 1.0)), ((1.0, 4.0), (0.5, 2.0), (0.1, 1.0)),
        ((1.0, 5.0), (0.8, 2.5), (0.3, 1.0)), ((1.0, 2.0), (0.6, 1.0), (0.3, 0.5)))
# each way: (share of the height range, sweep over the part's half-sides) of three stages; choices
SWITCH_SHARES = (0.35, 0.55, 0.75)  # go on to the next stage when the rise has fallen to this share of what is allowed
RAMP_SHARE = 0.93  # aimed at: the map's grid and the whole seconds leave something to be kept back
RAMP_COST_S = 10.0  # a rise over the limit by 1 K/s counts as so many kelvin


@dataclass(frozen=True)
class StagedStart:
    """The best stages found: setpoint, stages (the last one to the longest pass), and the middle's fastest rise."""

    setpoint_c: float
    stages: tuple[Stage, ...]
    ramp_k_s: float


def find_stages(setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, bounds: dict[str, Limit], melt: Melt,
                ramp_k_s: float, told: Progress) -> StagedStart:
    """Try ways down at several setpoints with the middle estimate, each going on when the rise has slowed.

    ramp_k_s: the fastest rise allowed, as a mean over two seconds at the joint.
    """
    tried = [(setpoint, way, share) for setpoint in SETPOINTS_C if setpoint <= limits.setpoint_c[1]
             for way in WAYS for share in SWITCH_SHARES]
    chain = middle_only(ensemble).chain(setup, COARSE, len(tried))
    course, switches = _descend(chain, limits, tried, ramp_k_s * RAMP_SHARE, told)
    judged = judge(course, bounds, melt)
    steepest = course.ramp_k_s().max(axis=0)
    over = np.maximum(steepest - ramp_k_s * RAMP_SHARE, 0.0)
    best = int((np.minimum(judged.best_k, 30.0) - RAMP_COST_S * over * 10.0).argmax())
    setpoint, way, _ = tried[best]
    heights, sweeps = _places(setup, limits, [tried[best]])
    ends = [*switches[best], limits.dwell_s]
    stages, since = [], 0.0
    for height, sweep, end in zip(heights, sweeps, ends, strict=False):
        if end > since:
            stages.append(Stage(float(height[0]), (float(sweep[0][0]), float(sweep[1][0])), end - since))
            since = end
    return StagedStart(setpoint, tuple(stages), float(steepest[best]))


@dataclass(frozen=True)
class Descent:
    """Three stages of equal length from high to low, and the chance of melt before any limit."""

    setpoint_c: float
    stages: tuple[Stage, ...]
    chance: float


def best_descent(setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, bounds: dict[str, Limit], melt: Melt,
                 sweep_m: tuple[float, float]) -> Descent | None:
    """Come in high and go down: where little heat arrives the lower stages melt the joints, where much does the first do."""
    low, high = limits.height_m
    setpoints = [s for s in DESCENT_C if limits.setpoint_c[0] <= s <= limits.setpoint_c[1]]
    if high - low < LEAST_DESCENT_M or not setpoints:
        return None
    n = ensemble.scores.shape[1]
    tried = [(setpoint, way) for setpoint in setpoints for way in DESCENTS]
    chain = ensemble.chain(setup, COARSE, len(tried))
    error = np.tile(ensemble.scores[-3:], (1, len(tried)))
    wide = sweep_axes(part_shape(setup.part), 1.0)
    sweeps = (tuple(max(1.5 * w, s) for w, s in zip(wide, sweep_m)), tuple(max(w, s) for w, s in zip(wide, sweep_m)), sweep_m)
    places = [[low + way[k] * (min(high, HIGHEST_DESCENT_M) - low) for _, way in tried] for k in range(3)]
    stages = [Stage(place[0], sweep, limits.dwell_s / 3) for place, sweep in zip(places, sweeps, strict=True)]
    heights = [np.maximum(np.repeat(place, n) + HEIGHT_SIGMA_M * error[0], 1e-3) for place in places]
    course = run_stages(chain, stages, np.repeat([s for s, _ in tried], n), heights, AIM_SIGMA_M * error[1:])
    judged = judge(course, bounds, melt)
    chances = chance_above(judged.best_k.reshape(len(tried), n), ensemble.scores)
    best = int((chances - 0.05 * (np.array([s for s, _ in tried]) > 400)).argmax())
    kept = tuple(replace(stage, height_m=float(place[best])) for stage, place in zip(stages, places, strict=True))
    return Descent(tried[best][0], kept, float(chances[best]))


def _places(setup: HeatSetup, limits: PlanLimits, tried: list) -> tuple[list[FloatArray], list[tuple[FloatArray, FloatArray]]]:
    """Height and sweep of every stage, each an array of one per way tried."""
    low, high = limits.height_m
    shape = part_shape(setup.part)
    heights = [np.array([low + way[n][0] * (high - low) for _, way, _ in tried]) for n in range(3)]
    axes = [np.array([sweep_axes(shape, way[n][1]) for _, way, _ in tried]).T for n in range(3)]
    return heights, [(a[0], a[1]) for a in axes]


def _descend(chain: Chain, limits: PlanLimits, tried: list, ramp_k_s: float,
             told: Progress) -> tuple[Course, list[list[float]]]:
    """Run all ways at once; every few seconds each goes on to its next stage when its rise has slowed enough."""
    heights, sweeps = _places(chain.setup, limits, tried)
    setpoint, shares = np.array([t[0] for t in tried]), np.array([t[2] for t in tried])
    stage, switches = np.zeros(len(tried), dtype=int), [[] for _ in tried]
    rows, n_steps = [read_sites(chain.sites())], round(limits.dwell_s / STEP_S)
    every = round(SWITCH_EVERY_S / STEP_S)
    pick = lambda of: np.choose(stage, of)
    for n in range(n_steps):
        is_due = n % every == 0 and n > 0
        if is_due:
            rise = (rows[-1][1] - rows[-1 - every // 2][1]) / (every // 2 * STEP_S)
            for m in np.flatnonzero((rise < shares * ramp_k_s) & (stage < 2)):
                stage[m] += 1
                switches[m].append(n * STEP_S)
        if n == 0 or is_due:
            chain.aim(sweep_blows(chain, setpoint, pick(heights), (pick([s[0] for s in sweeps]), pick([s[1] for s in sweeps]))))
        chain.keep(STEP_S)
        rows.append(read_sites(chain.sites()))
        told((n + 1) / n_steps)
    return Course(STEP_S * np.arange(n_steps + 1), np.array(rows), judged_names(chain.setup)), switches


def cut(stages: tuple[Stage, ...], until_s: float) -> tuple[Stage, ...]:
    """The stages up to a time."""
    kept, since = [], 0.0
    for stage in stages:
        if until_s - since > 1e-9:
            kept.append(replace(stage, seconds=min(stage.seconds, until_s - since)))
        since += stage.seconds
    return tuple(kept)
