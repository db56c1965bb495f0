"""Stages over time on a chain that only takes notes, and members by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.heat.chain import Sites
from monitor.heat.part import PartShape
from monitor.heat.types import Protection
from monitor.heat.uncertainty import PARAMETERS, Knowledge, parameters, prior
from monitor.plan.course import (
    COARSE,
    Course,
    Ensemble,
    Own,
    Stage,
    judged_names,
    read_sites,
    repeated,
    run_stages,
    step_times,
)
from tests.heat.cases import job

TIMES = np.array([0.0, 1.0, 2.5, 4.0, 8.0])
NAMES = ("joint corner", "joint centre", "package top")
COURSE = Course(TIMES, np.random.default_rng(3).uniform(20, 250, (5, 3, 4)), NAMES)


@pytest.mark.parametrize("t_s", [0.0, 0.3, 1.0, 2.2, 2.5, 5.5, 8.0])
def test_course_is_read_on_lines_between_its_times(t_s):
    expected = [[np.interp(t_s, TIMES, COURSE.temp_c[:, k, m]) for m in range(4)] for k in range(3)]

    np.testing.assert_allclose(COURSE.at(t_s), expected)


def test_course_is_held_before_and_after():
    np.testing.assert_allclose(COURSE.at(-3.0), COURSE.temp_c[0])
    np.testing.assert_allclose(COURSE.at(99.0), COURSE.temp_c[-1])


def test_ramp_is_the_mean_rise_once_its_span_is_full():
    rise = COURSE.ramp_k_s("joint centre", 2.5)
    row = COURSE.of("joint centre")

    np.testing.assert_array_equal(rise[:2], 0.0)
    np.testing.assert_allclose(rise[2], (row[2] - row[0]) / 2.5)  # the span is just full
    np.testing.assert_allclose(rise[4], (row[4] - [np.interp(5.5, TIMES, row[:, m]) for m in range(4)]) / 2.5)
    np.testing.assert_allclose(COURSE.ramp_k_s()[2], (row[2] - [np.interp(0.5, TIMES, r) for r in row.T]) / 2.0)


def ensemble(n_members=5, knowledge=None, setup=None):
    n = len(PARAMETERS) + 3 + len(judged_names(setup or job()))
    return Ensemble(np.random.default_rng(6).normal(size=(n, n_members)), knowledge or prior())


def known():
    rng = np.random.default_rng(9)
    root = rng.normal(0, 0.4, (8, 8))
    return Knowledge(rng.normal(0, 0.5, 8), root @ root.T + 0.1 * np.eye(8), True, "known", 0.03)


def test_scores_of_the_chain_have_the_mean_and_covariance_that_are_known():
    knowledge = known()
    units = np.zeros((17, 8))
    units[:8] = np.eye(8)
    spread = Ensemble(units, knowledge).chain_scores - knowledge.mean[:, None]

    np.testing.assert_allclose(spread @ spread.T, knowledge.cov, rtol=1e-9)
    np.testing.assert_allclose(Ensemble(units[:, :1] * 0, knowledge).middle().loss,
                               parameters(knowledge.mean[:, None]).loss)


def test_hand_errs_by_two_millimetres_of_height_and_one_and_a_half_of_aim():
    drawn = ensemble()
    own = drawn.own([Stage(12e-3, (1e-3, 1e-3), 5.0), Stage(2e-3, (1e-3, 1e-3), 5.0)])

    np.testing.assert_allclose(own.heights_m[0], 12e-3 + 2e-3 * drawn.scores[8])
    np.testing.assert_allclose(own.heights_m[1], np.maximum(2e-3 + 2e-3 * drawn.scores[8], 1e-3))
    np.testing.assert_allclose(own.aim_error_m, 1.5e-3 * drawn.scores[9:11])


def test_first_of_an_ensemble_is_its_middle_alone():
    drawn = ensemble()

    np.testing.assert_array_equal(drawn.first().scores, drawn.scores[:, :1])


@pytest.mark.parametrize("start_c", [None, 23.0])
def test_form_moves_every_site_by_a_share_of_its_rise_and_both_joints_alike(start_c):
    drawn = ensemble(4, replace(prior(), form_share=0.03))
    moved = drawn.with_form(COURSE, start_c)

    for k, row in enumerate((11, 11, 13)):  # the joints' own score, then that of the package top
        rise = COURSE.temp_c[:, k] - (COURSE.temp_c[0, k] if start_c is None else start_c)
        np.testing.assert_allclose(moved.temp_c[:, k], COURSE.temp_c[:, k] + 0.03 * drawn.scores[row] * rise)


@pytest.mark.parametrize("protections", [(), (Protection("preheater", None, {"temp_c": 120.0}),)])
def test_repeated_chain_has_every_member_so_many_times(protections):
    setup, values = job(protections=protections), parameters(np.random.default_rng(1).normal(0, 1, (8, 2)))
    chain, alone = repeated(setup, values, COARSE, 3), repeated(setup, values, COARSE, 1)

    np.testing.assert_array_equal(chain.values.loss, np.tile(values.loss, 3))
    assert alone.n_members == 2
    np.testing.assert_allclose(chain.sites().underside, np.tile(alone.sites().underside, 3), atol=1e-9)
    assert not protections or (chain.sites().underside > 40).all()


def test_sites_of_a_course_come_in_the_order_of_its_names():
    sites = Sites(*(np.full(2, v) for v in (3.0, 2.0, 1.0, 4.0, 5.0)), neighbours=np.array([[6.0, 6.0], [7.0, 7.0]]))

    assert judged_names(job()) == ("joint corner", "joint centre", "package top", "board top", "underside", "J1")
    np.testing.assert_array_equal(read_sites(sites)[:, 0], [1, 2, 3, 4, 5, 6, 7])


@pytest.mark.parametrize("until_s, times_s", [
    (0.25, [0, 0.125, 0.25]), (0.3, [0, 0.125, 0.3]),  # a rest of less than one and a half steps is one step
    (0.3125, [0, 0.125, 0.25, 0.3125])])
def test_first_steps_are_an_eighth_of_a_second(until_s, times_s):
    np.testing.assert_allclose(step_times(until_s), times_s)


def test_steps_grow_by_a_twentieth_of_the_time_up_to_two_seconds():
    times = step_times(100.0)
    steps, begun = np.diff(times)[:-2], times[:-3]

    np.testing.assert_allclose(steps, np.clip(begun / 20, 0.125, 2.0))
    assert times[-1] == 100.0


def test_later_stages_begin_with_half_a_second():
    np.testing.assert_allclose(step_times(3.0, [1.0]), [*np.arange(9) / 8, 1.5, 2.0, 2.5, 3.0])
    late = step_times(40.0, [1.0])
    at = np.searchsorted(late, 21.0)
    assert late[at + 1] - late[at] == pytest.approx((late[at] - 1.0) / 20)


def test_steps_meet_every_mark_within_the_time():
    times = step_times(9.0, [4.1, 0.0, 9.0, 12.0, 2.3])

    assert {0.0, 2.3, 4.1, 9.0} <= set(times) and times[-1] == 9.0 and (np.diff(times) > 0.05).all()


def test_steps_may_be_coarser_and_cut_in_parts():
    np.testing.assert_allclose(step_times(1.0, coarser=2.0), [0, 0.25, 0.5, 0.75, 1.0])
    np.testing.assert_allclose(step_times(0.3, parts=2), [0, 0.0625, 0.125, 0.2125, 0.3])


CENTRE, ANGLE = (4e-3, -7e-3), 0.4


class Notes:
    """Takes the place of a chain: notes what it is told."""

    def __init__(self, n=1):
        self.setup, self.shape = job(), PartShape(CENTRE, ANGLE, 8e-3, 5e-3, 1e-3)
        self.now_s, self.aims, self.steps, self.n = 0.0, [], [], n

    def sites(self):
        return Sites(*(np.full(self.n, self.now_s + k) for k in range(5)), neighbours=np.full((1, self.n), self.now_s))

    def aim(self, blow, places):
        self.aims.append(SimpleNamespace(t_s=self.now_s, blow=blow, places=np.array(places)))

    def keep(self, dt_s):
        self.now_s += dt_s
        self.steps.append((self.now_s, self.aims[-1]))


STAGES = (Stage(30e-3, (9e-3, 6e-3), 6.0), Stage(10e-3, (3e-3, 1e-3), 11.0, glides=True),
          Stage(8e-3, (2e-3, 1e-3), 5.0))


def sweep_of(aim):
    """Semi-axes of the oval that was aimed at, and where its middle lies."""
    z = (aim.places[:, 0] + 1j * aim.places[:, 1]).squeeze() - complex(*CENTRE)
    z *= np.exp(-1j * ANGLE)
    np.testing.assert_allclose(z.real - z.real.mean(), z.real.max() * np.cos(np.arange(6) * np.pi / 3), atol=1e-12)
    return z.real.max(), z.imag.max() / math.sin(np.pi / 3), z.mean()


def test_every_stage_is_blown_at_its_height_over_its_oval():
    chain = Notes()
    course = run_stages(chain, STAGES, 370.0)

    assert course.times_s[-1] == 22.0 and chain.now_s == pytest.approx(22.0)
    for t_s, aim in chain.steps:
        assert aim.blow.setpoint_c == 370.0 and aim.blow.airflow_m3_s == chain.setup.station.airflow_m3_s
        wide, high, middle = sweep_of(aim)
        if t_s <= 6.0 + 1e-9 or t_s > 17.0 + 1e-9:
            stage = STAGES[0] if t_s <= 6.0 + 1e-9 else STAGES[2]
            assert (float(aim.blow.height_m), wide, high) == pytest.approx((stage.height_m, *stage.sweep_m))
        assert abs(middle) < 1e-12


def test_glide_goes_down_evenly_in_steps_of_two_seconds():
    chain = Notes()
    run_stages(chain, STAGES, 370.0)
    gliding = [(t_s - 6.0, aim) for t_s, aim in chain.steps if 6.0 + 1e-9 < t_s <= 17.0 + 1e-9]

    for passed_s, aim in gliding:
        share = (30e-3 - float(aim.blow.height_m)) / 20e-3
        assert abs(share * 11.0 - min(passed_s, 11.0)) <= 1.0 + 1e-6  # followed to the nearest two seconds
        assert share * 11.0 / 2 == pytest.approx(round(share * 11.0 / 2)) or share == pytest.approx(1.0)
        wide, high, _ = sweep_of(aim)
        assert (wide, high) == pytest.approx((9e-3 - 6e-3 * share, 6e-3 - 5e-3 * share))
    assert len({float(a.blow.height_m) for _, a in gliding}) == 7


def test_second_stage_that_does_not_glide_is_held_from_its_begin():
    chain = Notes()
    run_stages(chain, (STAGES[0], replace(STAGES[1], glides=False)), 370.0)

    assert {round(1e3 * float(a.blow.height_m), 6) for t_s, a in chain.steps if t_s > 6.0 + 1e-9} == {10.0}


def test_first_stage_cannot_glide():
    chain = Notes()
    run_stages(chain, (replace(STAGES[0], glides=True),), 370.0)

    assert {float(a.blow.height_m) for a in chain.aims} == {30e-3}


def test_jet_is_looked_at_again_when_half_as_much_time_again_has_passed():
    chain = Notes()
    run_stages(chain, (Stage(30e-3, (9e-3, 6e-3), 40.0),), 370.0)
    ends = np.array([next(t for t, a in chain.steps if a is aim) for aim in chain.aims])

    every = np.array([t for t, _ in chain.steps])
    for one, following in pairwise(ends):
        assert following == pytest.approx(every[every > 1.5 * one + 1e-12][0])
    assert not (every > 1.5 * ends[-1] + 1e-12).any()


def test_course_of_the_stages_reads_every_step():
    chain, shares = Notes(3), []
    course = run_stages(chain, STAGES[:2], 370.0, told=shares.append)

    assert course.temp_c.shape == (course.times_s.size, 6, 3)
    np.testing.assert_allclose(course.of("package top")[:, 0], course.times_s, atol=1e-9)
    n = course.times_s.size - 1
    np.testing.assert_allclose(shares, np.arange(1, n + 1) / n)


def test_members_have_heights_sweeps_and_errors_of_their_own():
    off = np.array([[1e-3, -2e-3], [0.5e-3, 3e-3]])
    own = Own([np.array([20e-3, 21e-3]), np.array([10e-3, 12e-3])],
              [np.array([[5e-3, 4e-3], [2e-3, 3e-3]]), np.array([[1e-3, 2e-3], [1e-3, 2e-3]])], off,
              np.array([[1.1, 1.2], [1.3, 1.4]]), np.array([0.8, 0.9]), np.array([0.7, 0.6]))
    chain = Notes(2)
    run_stages(chain, (Stage(0.0, (0.0, 0.0), 4.0), Stage(0.0, (0.0, 0.0), 4.0)), np.array([300.0, 400.0]), own)
    first, last = chain.steps[0][1], chain.steps[-1][1]

    np.testing.assert_allclose(first.blow.height_m, [20e-3, 21e-3])
    np.testing.assert_allclose(last.blow.height_m, [10e-3, 12e-3])
    np.testing.assert_array_equal(first.blow.rise, [1.1, 1.2])
    np.testing.assert_array_equal(last.blow.rise, [1.3, 1.4])
    np.testing.assert_array_equal([last.blow.duty, last.blow.width], [[0.8, 0.9], [0.7, 0.6]])
    np.testing.assert_allclose(first.places.mean(axis=0), np.array(CENTRE)[:, None] + off)
    z = (first.places[0, 0] + 1j * first.places[0, 1] - complex(*CENTRE) - off[0] - 1j * off[1]) * np.exp(-1j * ANGLE)
    np.testing.assert_allclose([z.real, z.imag], [[5e-3, 4e-3], [0.0, 0.0]], atol=1e-12)
