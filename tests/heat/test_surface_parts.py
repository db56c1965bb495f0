"""The response surface piece by piece: its design, its fit, its coordinates, and melting."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.heat.chain import Blow, Fineness, outlet, strength
from monitor.heat.types import PartSetup, RegionSetup
from monitor.heat.uncertainty import PARAMETERS, parameters, prior
from monitor.plan import surface as room
from monitor.plan.course import Course, Ensemble, Stage, judged_names, repeated, run_stages
from monitor.plan.surface import Melting, Surface, Way, cool_star, coordinates, run_star
from tests.heat.cases import job, rectangle

TINY = Fineness(part_cells=3, smallest_m=1.5e-3, coarsest_m=20e-3, neighbour_m=5e-3, growth=1.0, board_levels=2,
                package_levels=1, shrink=1.2)
SETUP = job(part=PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 7), 0.9e-3), "leadless", None, "Sn42Bi58"))
NAMES = judged_names(SETUP)
WAY = Way(370.0, (Stage(22e-3, (6e-3, 5e-3), 8.0), Stage(9e-3, (2e-3, 3e-3), 6.0, glides=True)))
OTHER = Way(300.0, (Stage(15e-3, (3e-3, 2e-3), 8.0), Stage(12e-3, (4e-3, 1e-3), 6.0, glides=True)))
NONE = Melting(np.array([[0.0], [1.0]]), np.zeros((2, 1)))


def ensemble(n=5):
    scores = np.random.default_rng(2).normal(size=(len(PARAMETERS) + 3 + len(NAMES), n))
    scores[:, 0] = 0.0
    return Ensemble(scores, prior())


def surface_of(times=3, sites=2, coordinates_=4, seed=1):
    rng = np.random.default_rng(seed)
    return Surface(WAY, np.zeros(4), np.arange(float(times)), NAMES[:sites], 18.0, rng.normal(3, 1, (times, sites)),
                   rng.normal(size=(times, sites, coordinates_)), rng.normal(size=(times, sites, coordinates_)), NONE)


def test_surface_is_a_sum_of_parabolas_that_is_not_followed_far():
    surface, at = surface_of(), np.random.default_rng(4).uniform(-6, 6, (7, 5))
    got = surface.log_rise(at)

    for t, s, m in np.ndindex(3, 2, 5):
        x = np.clip(at[:4, m], -4.0, 4.0)  # coordinates beyond its own are not its own
        expected = surface.middle[t, s] + sum(surface.slope[t, s, c] * x[c] + surface.bend[t, s, c] * x[c] ** 2
                                              for c in range(4))
        assert got[t, s, m] == pytest.approx(expected)


def test_temperatures_and_logarithms_of_the_rise_belong_together():
    surface, logs = surface_of(sites=1), np.random.default_rng(4).uniform(1, 5, (3, 1, 4))
    course = surface.course(logs)

    np.testing.assert_allclose(course.temp_c, 18.0 + np.exp(logs))
    np.testing.assert_allclose(surface.logs_of(course.temp_c), logs)
    np.testing.assert_allclose(surface.logs_of(np.array([18.05, 3.0])), math.log(0.1))


def test_what_melting_holds_back_is_sorted_by_the_temperature_without():
    plain = np.array([[100.0, 50.0], [180.0, 90.0], [150.0, 70.0]])
    melting = Melting.between(np.array([[100.5, 50.0], [160.0, 90.0], [140.0, 69.8]]), plain)

    np.testing.assert_allclose(melting.plain_c, [[100, 50], [150, 70], [180, 90]])
    np.testing.assert_allclose(melting.held_k, [[0, 0], [10, 0.2], [20, 0]])  # never warmer than without


def test_members_are_held_back_from_where_melting_begins():
    melting = Melting(np.array([[60.0, 60.0], [100.0, 100.0], [150.0, 150.0], [200.0, 200.0]]),
                      np.array([[0.0, 0.0], [0.0, 0.4], [10.0, 0.5], [30.0, 0.3]]))
    plain = np.array([[[80.0, 100.0, 125.0, 180.0, 250.0]] * 2])

    held = melting.hold_back(plain.copy())[0]

    np.testing.assert_allclose(held[0], [80.0, 100.0, 120.0, 158.0, 220.0])
    np.testing.assert_allclose(held[1], plain[0, 1])  # by half a kelvin at most: left as it is


def test_member_that_is_colder_than_the_first_that_was_held_back_is_left_as_it_is():
    melting = Melting(np.array([[60.0], [100.0]]), np.array([[5.0], [9.0]]))

    np.testing.assert_allclose(melting.hold_back(np.array([[[50.0, 60.0, 80.0, 120.0]]]))[0, 0], [50, 60, 73, 111])


def test_star_varies_one_coordinate_at_a_time_up_and_down():
    design = room._star(4, 2)

    np.testing.assert_array_equal(design, [[0, 0, 1, -1, 0, 0], [0, 0, 0, 0, 1, -1], [0] * 6, [0] * 6])
    assert room._star(3, None).shape == (3, 8)


def test_steps_of_the_star_are_those_of_its_coordinates():
    np.testing.assert_allclose(room._steps(2), [0.4, 0.4, 0.4, 0.3, 0.45, 0.45, 0.15, 1.6, 1.6])


def test_boards_of_the_star_differ_by_their_factors():
    boards = room._boards(parameters(np.zeros((8, 1))), np.array([[0, 1, 0, 0], [0, 0, -1, 0], [0, 0, 0, 2.0]]))

    np.testing.assert_allclose(boards.board_k, np.exp([0, 0.45, 0, 0]))
    np.testing.assert_allclose(boards.loss, np.exp([0, 0, -0.45, 0]))
    np.testing.assert_allclose(boards.capacity, np.exp([0, 0, 0, 0.3]))
    np.testing.assert_allclose(boards.decay, [5.0] * 4)


def felt(height_m, values, setpoint_c=370.0):
    exit_ = outlet(SETUP.station, values, setpoint_c, SETUP.station.airflow_m3_s)
    return strength(SETUP.station, values, exit_, Blow(setpoint_c, SETUP.station.airflow_m3_s, height_m, 0.0, 0.0))


def test_board_feels_the_rise_of_each_stage_and_the_film_and_radius_of_the_last():
    values = ensemble().values
    heights = [np.array([22e-3, 20e-3, 21e-3, 23e-3, 19e-3]), np.array([9e-3, 8e-3, 10e-3, 7e-3, 11e-3])]
    got = room._felt(SETUP, values, 370.0, WAY.stages, heights)

    first, half_way = felt(heights[0], values), felt((heights[0] + heights[1]) / 2, values)
    expected = [first.rise_k, half_way.rise_k, half_way.film_w_m2k, half_way.radius_m]
    np.testing.assert_allclose(got, np.log(expected))


def test_stage_that_is_held_is_felt_at_its_own_height():
    values = ensemble().values
    stages = (Stage(22e-3, (6e-3, 5e-3), 8.0, glides=True), Stage(9e-3, (2e-3, 3e-3), 6.0))
    got = room._felt(SETUP, values, 370.0, stages, [22e-3, 9e-3])

    np.testing.assert_allclose(got[:2], np.log([felt(22e-3, values).rise_k, felt(9e-3, values).rise_k]))


def test_air_that_is_no_warmer_than_the_room_is_felt_as_a_tenth_of_a_kelvin():
    got = room._felt(SETUP, ensemble().values, 23.0, WAY.stages[:1], [22e-3])

    np.testing.assert_allclose(got[0], math.log(0.1))


def test_members_lie_where_their_jet_board_and_hand_differ_from_the_surfaces_middle():
    drawn, at = ensemble(), (Stage(20e-3, (1e-3, 1e-3), 8.0), Stage(10e-3, (1e-3, 1e-3), 6.0))
    base = Surface(WAY, np.array([1.0, 2.0, 3.0, -4.0]), np.zeros(1), NAMES[:1], 18.0, *np.zeros((3, 1, 1)), NONE)
    (got,) = coordinates(SETUP, drawn, [base], 330.0, at)

    values, own = drawn.values, drawn.own(at).heights_m
    first, last = felt(own[0], values, 330.0), felt(own[1], values, 330.0)
    expected = [np.log(first.rise_k) - 1.0, np.log(last.rise_k) - 2.0, np.log(last.film_w_m2k) - 3.0,
                np.log(last.radius_m) + 4.0, np.log(values.board_k), np.log(values.loss), np.log(values.capacity),
                *drawn.scores[9:11]]
    steps = [0.4, 0.4, 0.4, 0.3, 0.45, 0.45, 0.15, 1.6, 1.6]
    np.testing.assert_allclose(got, np.array(expected) / np.array(steps)[:, None], atol=1e-12)


def test_fit_gives_back_the_parabolas_that_the_runs_lie_on():
    rng, times, sites, n = np.random.default_rng(6), 4, 3, 5
    middle = rng.uniform(3, 5, (times, sites))
    slope, bend = rng.normal(0, 0.2, (2, times, sites, n))
    pairs = np.stack([slope + bend, bend - slope], axis=-1).reshape(times, sites, 2 * n)
    lowest = 23.0 - 5.0
    plain = lowest + np.exp(np.concatenate([middle[..., None], middle[..., None] + pairs], axis=2))
    molten = plain[..., :1] - 3.0
    course = Course(np.arange(4.0), np.concatenate([molten, plain], axis=2), NAMES[:3])
    fitted = room._fitted(SETUP, ensemble().middle(), WAY, course, ("a note",))

    assert course.temp_c[0].min() > 23.0  # warmer than the room: that counts
    assert fitted.from_c == lowest and fitted.notes == ("a note",)
    np.testing.assert_allclose(fitted.middle, middle)
    np.testing.assert_allclose(fitted.slope, slope, atol=1e-9)
    np.testing.assert_allclose(fitted.bend, bend, atol=1e-9)
    np.testing.assert_allclose(fitted.melting.held_k, 3.0)


def test_surface_counts_from_below_the_coldest_begin():
    temps = np.full((2, 1, 4), 90.0)
    temps[0] = 11.0

    assert room._fitted(SETUP, ensemble().middle(), WAY, Course(np.arange(2.0), temps, NAMES[:1]), ()).from_c == 6.0


def test_ways_that_run_together_give_what_each_gives_alone():
    both = run_star(SETUP, ensemble(), [WAY, OTHER], TINY)

    for way, got in zip((WAY, OTHER), both, strict=True):
        (alone,) = run_star(SETUP, ensemble(), [way], TINY)
        assert got.way == way
        for name in ("felt", "middle", "slope", "bend"):
            np.testing.assert_allclose(getattr(got, name), getattr(alone, name), atol=1e-9)
        np.testing.assert_allclose(got.melting.held_k, alone.melting.held_k, atol=1e-9)


def test_middle_of_a_star_is_the_middles_own_run_with_and_without_fusion():
    (surface,) = run_star(SETUP, ensemble(), [OTHER], TINY)
    chain = repeated(SETUP, ensemble().middle(), TINY, 2)
    chain.model.layers.latent_j_m2[1] = 0.0
    alone = run_stages(chain, OTHER.stages, 300.0).temp_c

    np.testing.assert_allclose(surface.middle, surface.logs_of(alone[..., 1]), atol=1e-9)
    np.testing.assert_allclose(surface.melting.plain_c, np.sort(alone[..., 1], axis=0), atol=1e-9)


@pytest.mark.parametrize("name, column", [("board_k", 4), ("loss", 5), ("capacity", 6)])
def test_each_coordinate_of_the_board_is_a_run_of_its_own(name, column):
    (surface,) = run_star(SETUP, ensemble(), [OTHER], TINY)
    index, step = PARAMETERS.index(name), {"board_k": 0.45 / 0.3, "loss": 0.45 / 0.3, "capacity": 0.15 / 0.1}[name]
    scores = np.zeros((8, 2))
    scores[index] = step, -step
    chain = repeated(SETUP, parameters(scores), TINY, 1)
    chain.model.layers.latent_j_m2[:] = 0.0
    logs = surface.logs_of(run_stages(chain, OTHER.stages, 300.0).temp_c)

    np.testing.assert_allclose(surface.slope[..., column], (logs[..., 0] - logs[..., 1]) / 2, atol=1e-9)


def test_middle_alone_varies_the_jet_only():
    (surface,) = run_star(SETUP, ensemble(1), [WAY], TINY)

    assert surface.slope.shape[-1] == 4  # rise of two stages, film and width


def test_cooling_goes_on_from_the_end_of_the_way():
    steps = (1.0, 2.0, 5.0)
    surface = cool_star(SETUP, ensemble(), OTHER, TINY, steps)
    chain = repeated(SETUP, ensemble().middle(), TINY, 1)
    chain.model.layers.latent_j_m2[:] = 0.0
    run_stages(chain, OTHER.stages, 300.0)
    hottest = [chain.model.joint_c()[..., 0].max()]
    for step_s in steps:
        chain.rest(step_s)
        hottest.append(chain.model.joint_c()[..., 0].max())

    np.testing.assert_allclose(surface.times_s, [0.0, 1.0, 3.0, 8.0])
    np.testing.assert_allclose(surface.middle[:, 0], surface.logs_of(np.array(hottest)), atol=1e-9)
    assert surface.names == ("hottest joint",)
