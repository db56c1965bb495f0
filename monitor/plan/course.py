"""Runs settings and stages through the heat chain: temperatures over time for many members at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.heat.chain import Blow, Chain, Fineness, Sites
from monitor.heat.types import HeatSetup
from monitor.heat.uncertainty import PARAMETERS, Knowledge, draw_scores, parameters

__all__ = [
    "AIM_SIGMA_M",
    "COARSE",
    "HEIGHT_SIGMA_M",
    "Course",
    "Ensemble",
    "Stage",
    "judged_names",
    "read_sites",
    "run_stages",
    "step_times",
    "sweep_blows",
]

FloatArray = NDArray[np.float64]
Progress = Callable[[float], None]

HEIGHT_SIGMA_M, AIM_SIGMA_M = 2e-3, 1.5e-3  # how well a hand holds what the plan says; practice, no source
# The map over all settings; the start itself is run on the grid of the live estimate.
COARSE = Fineness(
    part_cells=8,
    smallest_m=0.2e-3,
    coarsest_m=8e-3,
    neighbour_m=2.5e-3,
    growth=0.5,
    board_levels=4,
    package_levels=2,
    shrink=1.3,
)
FIRST_STEP_S, STEP_GROWTH, LONGEST_STEP_S = 0.25, 0.06, 2.0
SWEEP_POINTS = 6
GLIDE_STEP_S = 2.0  # how finely a glide is followed


@dataclass(frozen=True)
class Stage:
    """One part of the work: height of the outlet [m], semi-axes of the sweep along the part's sides [m], how long [s].

    glides: from the stage before, evenly over the whole time; else it is held from its begin on.
    """

    height_m: float
    sweep_m: tuple[float, float]
    seconds: float
    glides: bool = False


@dataclass(frozen=True)
class Course:
    """Temperatures over time: times_s (n,), temp_c (n, sites, members) in the order of names."""

    times_s: FloatArray
    temp_c: FloatArray
    names: tuple[str, ...]

    def of(self, name: str) -> FloatArray:
        """One site, (n, members) [C]."""
        return self.temp_c[:, self.names.index(name)]

    def at(self, t_s: float) -> FloatArray:
        """All sites at a time, (sites, members) [C]."""
        k = int(np.clip(np.searchsorted(self.times_s, t_s), 1, self.times_s.size - 1))
        low, high = self.times_s[k - 1 : k + 1]
        w = np.clip((t_s - low) / (high - low), 0.0, 1.0)
        return (1 - w) * self.temp_c[k - 1] + w * self.temp_c[k]

    def ramp_k_s(self, name: str = "joint centre", over_s: float = 2.0) -> FloatArray:
        """Mean rise over a span, (n, members) [K/s]; 0 before the span is full."""
        early = np.array([self.at(t)[self.names.index(name)] for t in np.maximum(self.times_s - over_s, 0.0)])
        return np.where(self.times_s[:, None] >= over_s, (self.of(name) - early) / over_s, 0.0)


@dataclass(frozen=True)
class Ensemble:
    """Members drawn from what is known, with a hand's errors: scores (parameters and 3, members), first the middle."""

    scores: FloatArray
    knowledge: Knowledge

    @classmethod
    def draw(cls, knowledge: Knowledge, n_members: int) -> Ensemble:
        """So many members, odd, in opposite pairs."""
        return cls(draw_scores(len(PARAMETERS) + 3, n_members), knowledge)

    @property
    def chain_scores(self) -> FloatArray:
        """The chain's own, with what is known of them."""
        root = np.linalg.cholesky(self.knowledge.cov + 1e-12 * np.eye(len(PARAMETERS)))
        return self.knowledge.mean[:, None] + root @ self.scores[: len(PARAMETERS)]

    def chain(self, setup: HeatSetup, fineness: Fineness | None, copies: int = 1) -> Chain:
        """A chain with every member so many times over; the start is solved once."""
        many = parameters(np.tile(self.chain_scores, (1, copies)))
        if copies == 1 or not any(p.kind in ("preheater", "metal_block") for p in setup.protections):
            return Chain(setup, many, fineness)  # nothing to bring into balance
        one = Chain(setup, parameters(self.chain_scores), fineness)
        return Chain(setup, many, fineness, start_of=one)


def judged_names(setup: HeatSetup) -> tuple[str, ...]:
    """Sites of a course: the joints, then every site that has a limit."""
    return (
        "joint corner",
        "joint centre",
        "package top",
        "board top",
        "underside",
        *(n.name for n in setup.neighbours),
    )


def step_times(until_s: float, marks_s: Sequence[float] = (), finer: float = 1.0) -> FloatArray:
    """Steps that grow with time, and meet every mark [s]; finer divides them."""
    times = [0.0]
    stops = sorted({m for m in marks_s if 0 < m < until_s} | {until_s})
    for stop in stops:
        since = times[-1] if len(times) > 1 else 0.0
        while times[-1] < stop - 1e-9:
            step = min(max(FIRST_STEP_S, STEP_GROWTH * (times[-1] - since)), LONGEST_STEP_S) / finer
            left = stop - times[-1]
            times.append(stop if left < 1.5 * step else times[-1] + step)
    return np.array(times)


def run_stages(
    chain: Chain,
    stages: Sequence[Stage],
    setpoint_c: ArrayLike,
    heights_m: Sequence[ArrayLike] | None = None,
    aim_error_m: FloatArray | None = None,
    told: Progress | None = None,
    finer: float = 1.0,
) -> Course:
    """Blow stage after stage and read every step.

    Parameters
    ----------
    chain : Chain
        In its starting state; advanced in place.
    stages : sequence of Stage
    setpoint_c : float or array of one per member
    heights_m : one entry per stage, or None
        Heights per member in place of the stages' own [m].
    aim_error_m : array, shape (2, members), or None
    """
    ends = np.cumsum([s.seconds for s in stages])
    times = step_times(float(ends[-1]), [float(e) for e in ends[:-1]], finer)
    given: Sequence[ArrayLike] = [s.height_m for s in stages] if heights_m is None else heights_m
    rows, current = [read_sites(chain.sites())], (-1, 0.0)
    for n in range(1, times.size):
        stage = int(np.searchsorted(ends, times[n] - 1e-9))
        here = stages[stage]
        share = 1.0
        if here.glides and stage:
            passed = times[n] - (ends[stage] - here.seconds)
            share = min(round(passed / GLIDE_STEP_S) * GLIDE_STEP_S / here.seconds, 1.0)
        if (stage, share) != current:
            current = stage, share
            before = stages[stage - 1] if share < 1.0 else here
            height = given[stage]
            if share < 1.0:
                came_from = np.asarray(given[stage - 1], float)
                height = came_from + share * (np.asarray(given[stage], float) - came_from)
            sweep = (
                before.sweep_m[0] + share * (here.sweep_m[0] - before.sweep_m[0]),
                before.sweep_m[1] + share * (here.sweep_m[1] - before.sweep_m[1]),
            )
            chain.aim(sweep_blows(chain, setpoint_c, height, sweep, aim_error_m))
        chain.keep(times[n] - times[n - 1])
        rows.append(read_sites(chain.sites()))
        if told is not None:
            told(n / (times.size - 1))
    return Course(times, np.array(rows), judged_names(chain.setup))


def sweep_blows(
    chain: Chain,
    setpoint_c: ArrayLike,
    height_m: ArrayLike,
    sweep_m: tuple[ArrayLike, ArrayLike],
    aim_error_m: FloatArray | None = None,
) -> list[Blow]:
    """Points of an oval over the part's centre, along the part's sides."""
    station, shape = chain.setup.station, chain.shape
    off = np.zeros((2, 1)) if aim_error_m is None else aim_error_m
    c, s = np.cos(shape.angle_rad), np.sin(shape.angle_rad)
    blows = []
    for angle in 2 * np.pi * np.arange(SWEEP_POINTS) / SWEEP_POINTS:
        u, v = sweep_m[0] * np.cos(angle), sweep_m[1] * np.sin(angle)
        blows.append(
            Blow(
                setpoint_c,
                station.airflow_m3_s,
                height_m,
                shape.centre_m[0] + c * u - s * v + off[0],
                shape.centre_m[1] + s * u + c * v + off[1],
            )
        )
    return blows


def read_sites(sites: Sites) -> FloatArray:
    """Temperatures in the order of `judged_names`, (sites, members) [C]."""
    return np.concatenate(
        [
            [sites.joint_corner, sites.joint_centre, sites.package_top, sites.board_top, sites.underside],
            sites.neighbours,
        ]
    )
