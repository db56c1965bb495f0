"""Runs settings and stages through the heat chain: temperatures over time for many members at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.heat.chain import Blow, Chain, Fineness, Sites
from monitor.heat.types import HeatSetup
from monitor.heat.uncertainty import PARAMETERS, Knowledge, Parameters, draw_scores, parameters

__all__ = [
    "AIM_SIGMA_M",
    "COARSE",
    "HEIGHT_SIGMA_M",
    "Course",
    "Ensemble",
    "Own",
    "Stage",
    "TimeSteps",
    "judged_names",
    "read_sites",
    "repeated",
    "run_stages",
    "step_times",
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
FIRST_STEP_S, STEP_GROWTH, LONGEST_STEP_S = 0.125, 0.05, 2.0
LATER_STEP_S = 0.5  # the first of a later stage, which changes less than the begin from cold
SWEEP_POINTS = 6
GLIDE_STEP_S = 2.0  # how finely a glide is followed
AIM_AGAIN = 1.5  # what the jet can give hangs on the board's warmth: looked at again when so much longer has passed
LEAST_HEIGHT_M = 1e-3


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
    """Members drawn from what is known, with a hand's errors and what the chain leaves out; the first is the middle.

    scores : array, shape (parameters + 3 + sites, members); of the last, one for every name of `judged_names`.
    """

    scores: FloatArray
    knowledge: Knowledge

    @classmethod
    def draw(cls, knowledge: Knowledge, n_members: int, setup: HeatSetup) -> Ensemble:
        """So many members, odd, in opposite pairs."""
        return cls(draw_scores(len(PARAMETERS) + 3 + len(judged_names(setup)), n_members), knowledge)

    @cached_property
    def values(self) -> Parameters:
        """The chain's parameters of every member."""
        return parameters(self.chain_scores)

    @property
    def chain_scores(self) -> FloatArray:
        """The chain's own, with what is known of them."""
        root = np.linalg.cholesky(self.knowledge.cov + 1e-12 * np.eye(len(PARAMETERS)))
        return self.knowledge.mean[:, None] + root @ self.scores[: len(PARAMETERS)]

    @property
    def height_scores(self) -> FloatArray:
        """A hand's error of height, (members,)."""
        return self.scores[len(PARAMETERS)]

    @property
    def aim_scores(self) -> FloatArray:
        """A hand's error of aim, (2, members)."""
        return self.scores[len(PARAMETERS) + 1 : len(PARAMETERS) + 3]

    def first(self) -> Ensemble:
        """The middle estimate alone."""
        return Ensemble(self.scores[:, :1], self.knowledge)

    def middle(self) -> Parameters:
        """The middle estimate's parameters."""
        return parameters(self.knowledge.mean[:, None])

    def own(self, stages: Sequence[Stage]) -> Own:
        """Every member's own height and aim."""
        error = HEIGHT_SIGMA_M * self.height_scores
        heights = [np.maximum(s.height_m + error, LEAST_HEIGHT_M) for s in stages]
        return Own(heights, aim_error_m=AIM_SIGMA_M * self.aim_scores)

    def with_form(self, course: Course, start_c: float | None = None) -> Course:
        """Each member's temperatures off by what the chain leaves out: a share of the rise, every site for itself.

        The joints, which are one site in this, go together. start_c: from where the rise counts; None: the course's
        own begin.
        """
        scores = self.scores[len(PARAMETERS) + 3 :][: len(course.names)].copy()
        scores[:2] = scores[0]
        risen = course.temp_c - (course.temp_c[0] if start_c is None else start_c)
        return replace(course, temp_c=course.temp_c + self.knowledge.form_share * scores * risen)


@dataclass(frozen=True)
class Own:
    """What members have each for themselves, none given: all alike.

    heights_m, sweeps_m: one array a stage, (members,) and (2, members); aim_error_m (2, members); factors on the jet:
    rise (stages, members), film and width (members,), see `Blow`.
    """

    heights_m: Sequence[ArrayLike] | None = None
    sweeps_m: Sequence[FloatArray] | None = None
    aim_error_m: FloatArray | None = None
    rise: FloatArray | None = None
    film: ArrayLike = 1.0
    width: ArrayLike = 1.0


def repeated(setup: HeatSetup, values: Parameters, fineness: Fineness | None, copies: int) -> Chain:
    """A chain with every member so many times over, its start solved once."""
    many = Parameters(**{name: np.tile(value, copies) for name, value in vars(values).items()})
    if copies == 1 or not any(p.kind in ("preheater", "metal_block") for p in setup.protections):
        return Chain(setup, many, fineness)  # nothing to bring into balance, or only once
    return Chain(setup, many, fineness, start_of=Chain(setup, values, fineness))


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


def step_times(until_s: float, marks_s: Sequence[float] = (), parts: int = 1, coarser: float = 1.0) -> FloatArray:
    """Steps that grow with time, and meet every mark [s]; coarser multiplies them, then each is cut in equal parts."""
    times = [0.0]
    stops = sorted({m for m in marks_s if 0 < m < until_s} | {until_s})
    for stop in stops:
        since = times[-1] if len(times) > 1 else 0.0
        while times[-1] < stop - 1e-9:
            first_s = FIRST_STEP_S if since == 0.0 else LATER_STEP_S
            step = min(max(first_s, STEP_GROWTH * (times[-1] - since)), LONGEST_STEP_S) * coarser
            left = stop - times[-1]
            times.append(stop if left < 1.5 * step else times[-1] + step)
    n = len(times) - 1
    return np.interp(np.arange(n * parts + 1) / parts, np.arange(n + 1), times)


@dataclass(frozen=True)
class TimeSteps:
    """How finely time is cut: see `step_times`."""

    parts: int = 1
    coarser: float = 1.0


def run_stages(
    chain: Chain,
    stages: Sequence[Stage],
    setpoint_c: ArrayLike,
    own: Own | None = None,
    told: Progress | None = None,
    steps: TimeSteps = TimeSteps(),
) -> Course:
    """Blow stage after stage and read every step.

    Parameters
    ----------
    chain : Chain
        In its starting state; advanced in place.
    stages : sequence of Stage
    setpoint_c : float or array of one per member
    own : Own or None
        What each member has in place of the stages' own.
    steps : TimeSteps
    """
    ends, own = np.cumsum([s.seconds for s in stages]), own or Own()
    times = step_times(float(ends[-1]), [float(e) for e in ends[:-1]], steps.parts, steps.coarser)
    rows, current, aim_again_s = [read_sites(chain.sites())], (-1, 0.0), 0.0
    for n in range(1, times.size):
        stage = int(np.searchsorted(ends, times[n] - 1e-9))
        share = 1.0
        if stages[stage].glides and stage:
            passed = times[n] - (ends[stage] - stages[stage].seconds)
            share = min(round(passed / GLIDE_STEP_S) * GLIDE_STEP_S / stages[stage].seconds, 1.0)
        if (stage, share) != current or times[n] > aim_again_s:
            current, aim_again_s = (stage, share), AIM_AGAIN * times[n]
            chain.aim(*_swept(chain, stages, stage, share, setpoint_c, own))
        chain.keep(times[n] - times[n - 1])
        rows.append(read_sites(chain.sites()))
        if told is not None:
            told(n / (times.size - 1))
    return Course(times, np.array(rows), judged_names(chain.setup))


def _swept(
    chain: Chain, stages: Sequence[Stage], stage: int, share: float, setpoint_c: ArrayLike, own: Own
) -> tuple[Blow, list[tuple[FloatArray, FloatArray]]]:
    """The jet, a share of the way from the stage before, and points of an oval over the part, along its sides."""
    given = [s.height_m for s in stages] if own.heights_m is None else own.heights_m
    first, last = (np.asarray(given[k], float) for k in (stage - 1 if share < 1.0 else stage, stage))
    sweeps = [np.asarray(s.sweep_m)[:, None] for s in stages] if own.sweeps_m is None else own.sweeps_m
    half = (1 - share) * sweeps[stage - 1 if share < 1.0 else stage] + share * sweeps[stage]
    station, shape = chain.setup.station, chain.shape
    off = np.zeros((2, 1)) if own.aim_error_m is None else own.aim_error_m
    c, s = np.cos(shape.angle_rad), np.sin(shape.angle_rad)
    places = []
    for angle in 2 * np.pi * np.arange(SWEEP_POINTS) / SWEEP_POINTS:
        u, v = half[0] * np.cos(angle), half[1] * np.sin(angle)
        places.append((shape.centre_m[0] + c * u - s * v + off[0], shape.centre_m[1] + s * u + c * v + off[1]))
    rise = 1.0 if own.rise is None else own.rise[stage]
    height = first + share * (last - first)
    return Blow(setpoint_c, station.airflow_m3_s, height, 0.0, 0.0, duty=own.film, rise=rise, width=own.width), places


def read_sites(sites: Sites) -> FloatArray:
    """Temperatures in the order of `judged_names`, (sites, members) [C]."""
    return np.concatenate(
        [
            [sites.joint_corner, sites.joint_centre, sites.package_top, sites.board_top, sites.underside],
            sites.neighbours,
        ]
    )
