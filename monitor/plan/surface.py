"""Temperatures of many members from few runs: a response surface over what the board answers to.

The board feels of a setting and a hand's errors only the rise of the arriving air in each stage, the film coefficient,
the width of both, and where they lie; of its own it has conductivity, losses and heat capacity. A run varies each of
these alone, up and down (a star design, Box and Wilson 1951); the logarithm of every temperature's rise is nearly a sum
of their effects, as they act by factors. What setpoint, height, airflow and the jet's laws make of those numbers is
computed exactly for every member, so that one run serves many settings and any number of members.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.heat.chain import Blow, Chain, Fineness, outlet, strength
from monitor.heat.jet import JetExit
from monitor.heat.types import HeatSetup
from monitor.heat.uncertainty import Parameters
from monitor.plan.course import (
    AIM_SIGMA_M,
    Course,
    Ensemble,
    Own,
    Progress,
    Stage,
    TimeSteps,
    repeated,
    run_stages,
)

__all__ = ["Surface", "Way", "cool_star", "coordinates", "run_members", "run_star"]

FloatArray = NDArray[np.float64]

RISE_STEP, FILM_STEP, WIDTH_STEP = 0.4, 0.4, 0.3  # of logarithms: about 1.5 sigma of what is not known
BOARD_STEPS = {"board_k": 0.45, "loss": 0.45, "capacity": 0.15}
AIM_STEP = 1.6  # sigma of a hand's aim
OFFSET_K = 5.0  # keeps the logarithm's argument above zero
LEAST_RISE_K = 0.1
LEAST_HELD_K = 0.5
FARTHEST = 4.0  # steps beyond which the surface is not followed


@dataclass(frozen=True)
class Way:
    """A setpoint [C] and the stages that are run with it."""

    setpoint_c: float
    stages: tuple[Stage, ...]


@dataclass(frozen=True)
class Melting:
    """By how much melting holds every site back, by the middle's runs with and without heat of fusion.

    Every member's sites are held back as the middle's are when they would be as warm without: the logarithm of a rise
    with a plateau in it, for every member at another time, is no surface at all.

    Attributes
    ----------
    plain_c, held_k : array, shape (times, sites)
        Temperature without melting, growing, and what it is less with it.
    """

    plain_c: FloatArray
    held_k: FloatArray

    @classmethod
    def between(cls, molten_c: FloatArray, plain_c: FloatArray) -> Melting:
        """From both runs, (times, sites)."""
        order = np.argsort(plain_c, axis=0, kind="stable")
        held = np.maximum(plain_c - molten_c, 0.0)
        return cls(np.take_along_axis(plain_c, order, axis=0), np.take_along_axis(held, order, axis=0))

    def hold_back(self, plain_c: FloatArray) -> FloatArray:
        """Temperatures (times, sites, members) with melting, in place; what it changes by less is left as it is."""
        for k in np.flatnonzero(self.held_k.max(axis=0) > LEAST_HELD_K):
            begins_c = self.plain_c[max(int((self.held_k[:, k] > 0).argmax()) - 1, 0), k]
            is_held = plain_c[:, k] > begins_c
            plain_c[:, k][is_held] -= np.interp(plain_c[:, k][is_held], self.plain_c[:, k], self.held_k[:, k])
        return plain_c


@dataclass(frozen=True)
class Surface:
    """What a star run has shown of one way.

    Attributes
    ----------
    way : Way
    felt : array, shape (stages + 2,)
        Logarithms of rise in each stage, film and radius of the middle, from where the coordinates count.
    middle, slope, bend : array, shape (times, sites), (times, sites, coordinates) twice
        Of the logarithm of the rise over from_c, without heat of fusion.
    melting : what that does.
    notes : what the chain has to say of the job.
    """

    way: Way
    felt: FloatArray
    times_s: FloatArray
    names: tuple[str, ...]
    from_c: float
    middle: FloatArray
    slope: FloatArray
    bend: FloatArray
    melting: Melting
    notes: tuple[str, ...] = ()

    def log_rise(self, at: FloatArray) -> FloatArray:
        """Logarithm of the rise at coordinates (coordinates, members), (times, sites, members)."""
        at = np.clip(at[: self.slope.shape[-1]], -FARTHEST, FARTHEST)
        return self.middle[..., None] + self.slope @ at + self.bend @ (at * at)

    def course(self, logs: FloatArray) -> Course:
        """Temperatures from logarithms of the rise, (times, sites, members)."""
        return Course(self.times_s, self.melting.hold_back(np.exp(logs) + self.from_c), self.names)

    def logs_of(self, temp_c: FloatArray) -> FloatArray:
        """Logarithms of the rise."""
        return np.log(np.maximum(temp_c - self.from_c, LEAST_RISE_K))


def run_star(
    setup: HeatSetup,
    ensemble: Ensemble,
    ways: Sequence[Way],
    fineness: Fineness | None,
    told: Progress | None = None,
    coarser: float = 1.0,
) -> list[Surface]:
    """Run the star of several ways at once; their stages last equally long.

    With the middle alone in the ensemble, what only members differ in is not varied.
    """
    chain, course = _blown(setup, ensemble, ways, fineness, told, coarser)
    temps = course.temp_c.reshape(*course.temp_c.shape[:2], len(ways), -1)
    return [
        _fitted(setup, ensemble.middle(), way, replace(course, temp_c=temps[:, :, i]), chain.notes)
        for i, way in enumerate(ways)
    ]


def run_members(setup: HeatSetup, ensemble: Ensemble, way: Way) -> tuple[Course, tuple[str, ...]]:
    """Every member through a way, on the grid of the live estimate, with what the chain leaves out; and its notes.

    The step's error, of first order in backward Euler, is extrapolated away for the middle, and all share in that.
    """
    (surface,) = run_star(setup, ensemble, [way], None)
    chain = repeated(setup, ensemble.middle(), None, 2)
    chain.model.layers.latent_j_m2[1] = 0.0
    halved = run_stages(chain, way.stages, way.setpoint_c, steps=TimeSteps(2)).temp_c[::2]
    surface = replace(
        surface,
        middle=2.0 * surface.logs_of(halved[..., 1]) - surface.middle,
        melting=Melting.between(halved[..., 0], halved[..., 1]),
    )
    (at,) = coordinates(setup, ensemble, [surface], way.setpoint_c, way.stages)
    return ensemble.with_form(surface.course(surface.log_rise(at))), surface.notes


def cool_star(
    setup: HeatSetup, ensemble: Ensemble, way: Way, fineness: Fineness | None, steps_s: Sequence[float]
) -> Surface:
    """The hottest joint's surface while it cools after a way, the jet away; times from then."""
    chain, _ = _blown(setup, ensemble, [way], fineness, None, 1.0)
    rows = [chain.model.joint_c().max(axis=(0, 1))]
    for step_s in steps_s:
        chain.rest(step_s)
        rows.append(chain.model.joint_c().max(axis=(0, 1)))
    times = np.concatenate([[0.0], np.cumsum(steps_s)])
    course = Course(times, np.array(rows)[:, None], ("hottest joint",))
    return _fitted(setup, ensemble.middle(), way, course, ())


def _blown(
    setup: HeatSetup,
    ensemble: Ensemble,
    ways: Sequence[Way],
    fineness: Fineness | None,
    told: Progress | None,
    coarser: float,
) -> tuple[Chain, Course]:
    """The chain after every way's star, and its course, members way by way."""
    n_stages, middle = len(ways[0].stages), ensemble.middle()
    design = _star(n_stages + len(_COMMON), n_stages + 2 if ensemble.scores.shape[1] == 1 else None)
    n, factors = design.shape[1], np.exp(design[: n_stages + 2] * _steps(n_stages)[: n_stages + 2, None])
    chain = repeated(setup, _boards(middle, design[n_stages + 2 : n_stages + 5]), fineness, len(ways))
    latent = chain.model.layers.latent_j_m2  # left to the first of every way's members alone
    latent[np.arange(latent.size) % n > 0] = 0.0

    def many(values: FloatArray) -> FloatArray:
        return np.tile(values, len(ways))

    own = Own(
        [np.repeat([way.stages[k].height_m for way in ways], n) for k in range(n_stages)],
        [np.repeat(np.array([way.stages[k].sweep_m for way in ways]).T, n, axis=1) for k in range(n_stages)],
        AIM_SIGMA_M * AIM_STEP * many(design[-2:]),
        many(factors[:n_stages]),
        many(factors[n_stages]),
        many(factors[n_stages + 1]),
    )
    return chain, run_stages(
        chain, ways[0].stages, np.repeat([way.setpoint_c for way in ways], n), own, told, TimeSteps(coarser=coarser)
    )


def coordinates(
    setup: HeatSetup,
    ensemble: Ensemble,
    surfaces: Sequence[Surface],
    setpoint_c: float,
    stages: Sequence[Stage],
    exit_: JetExit | None = None,
) -> list[FloatArray]:
    """Where every member lies on each surface when it is held at a setting, (coordinates, members) each.

    exit_: every member's outlet at that setpoint, where it is known.
    """
    values, middle = ensemble.values, ensemble.middle()
    felt = _felt(setup, values, setpoint_c, stages, ensemble.own(stages).heights_m or (), exit_)
    board = [np.log(getattr(values, name) / getattr(middle, name)) for name in BOARD_STEPS]
    own = np.concatenate([board, ensemble.aim_scores])
    steps = _steps(len(stages))[:, None]
    return [np.concatenate([felt - surface.felt[:, None], own]) / steps for surface in surfaces]


def _fitted(setup: HeatSetup, middle: Parameters, way: Way, course: Course, notes: tuple[str, ...]) -> Surface:
    """Slope and bend along every coordinate, from the runs at either side of the middle."""
    lowest = min(setup.station.ambient_c, float(course.temp_c[0].min())) - OFFSET_K
    felt = _felt(setup, middle, way.setpoint_c, way.stages, [s.height_m for s in way.stages])[:, 0]
    melting = Melting.between(course.temp_c[..., 0], course.temp_c[..., 1])
    logs = np.log(np.maximum(course.temp_c[..., 1:] - lowest, LEAST_RISE_K))
    here, up, down = logs[..., 0], logs[..., 1::2], logs[..., 2::2]
    slope, bend = 0.5 * (up - down), 0.5 * (up + down) - here[..., None]
    return Surface(way, felt, course.times_s, course.names, lowest, here, slope, bend, melting, notes)


def _felt(
    setup: HeatSetup,
    values: Parameters,
    setpoint_c: float,
    stages: Sequence[Stage],
    heights_m: Sequence[ArrayLike],
    exit_: JetExit | None = None,
) -> FloatArray:
    """Logarithms of the rise in each stage, then of film and radius in the last, (stages + 2, members).

    A stage that glides counts half way down.
    """
    station, rises = setup.station, []
    exit_ = exit_ or outlet(station, values, setpoint_c, station.airflow_m3_s)
    for k, (stage, height) in enumerate(zip(stages, heights_m, strict=True)):
        middle = (
            0.5 * (np.asarray(heights_m[k - 1], float) + np.asarray(height, float)) if stage.glides and k else height
        )
        here = strength(station, values, exit_, Blow(setpoint_c, station.airflow_m3_s, middle, 0.0, 0.0))
        rises.append(np.maximum(here.rise_k, LEAST_RISE_K))
    return np.log(np.array([*rises, here.film_w_m2k, here.radius_m]))


_COMMON = ("film", "width", *BOARD_STEPS, "aim x", "aim y")


def _steps(n_stages: int) -> FloatArray:
    """How far the star reaches along every coordinate."""
    return np.array([*[RISE_STEP] * n_stages, FILM_STEP, WIDTH_STEP, *BOARD_STEPS.values(), AIM_STEP, AIM_STEP])


def _star(n_coordinates: int, n_varied: int | None) -> FloatArray:
    """The middle twice, then a step up and one down along each of the first n_varied coordinates, or all; shape
    (coordinates, 2 + 2 * varied).
    """
    pairs = np.kron(np.eye(n_coordinates, n_varied), [1.0, -1.0])
    return np.concatenate([np.zeros((n_coordinates, 2)), pairs], axis=1)


def _boards(middle: Parameters, design: FloatArray) -> Parameters:
    """Parameters of the design's boards."""
    plain = {name: np.repeat(value, design.shape[1]) for name, value in vars(middle).items()}
    varied = {name: np.exp(step * row) for (name, step), row in zip(BOARD_STEPS.items(), design, strict=True)}
    return Parameters(**{name: value * varied.get(name, 1.0) for name, value in plain.items()})
