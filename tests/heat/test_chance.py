"""Chances and moments read from courses that are given by hand."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.heat.limits import Limit, Melt
from monitor.heat.types import RegionSetup
from monitor.plan import window
from monitor.plan.chance import Judged, judge, spans
from monitor.plan.course import Course
from monitor.plan.search import PlanLimits
from tests.heat.cases import job, rectangle

TIMES = np.array([0.0, 2.0, 3.0, 5.0, 9.0])
MELT = Melt(225.0, 2.0, 220.0, "to lift")
LIMITS = {"package top": Limit(260.0, "class"), "J1": Limit(150.0, "job file")}
NAMES = ("joint corner", "joint centre", "package top", "board top", "underside", "J1")


def course(corner, top=None, j1=None):
    """Rows of members over TIMES; what is not given stays at 25 C."""
    n = np.shape(corner)[0]
    plain = np.full((n, TIMES.size), 25.0)
    rows = [corner, corner, plain if top is None else top, plain, plain, plain if j1 is None else j1]
    return Course(TIMES, np.stack([np.asarray(r, float).T for r in rows], axis=1), NAMES)


CORNER = [[25, 120, 219, 231, 240], [25, 200, 221, 226, 227]]


def test_joint_counts_once_it_has_been_molten_for_the_hold():
    judged = judge(course(CORNER), LIMITS, MELT)

    early = [25, 25, 72.5, 219, 235.5]  # the first member, two seconds before
    expected = [min(c - 225, min(c, e) - 220) for c, e in zip(CORNER[0], early, strict=True)]
    np.testing.assert_allclose(judged.joint_k[:, 0], expected)


def test_melt_is_seen_from_its_own_mark():
    np.testing.assert_allclose(judge(course(CORNER), LIMITS, MELT).melt_k[:, 1], [-195, -20, 1, 6, 7])


def test_spare_is_the_least_so_far_over_all_sites():
    top = [[25, 100, 200, 190, 250], [25, 90, 95, 99, 100]]
    j1 = [[25, 60, 70, 149, 80], [25, 30, 160, 50, 40]]
    judged = judge(course(CORNER, top, j1), LIMITS, MELT)

    np.testing.assert_allclose(judged.spare_k, np.array([[125, 90, 60, 1, 1], [125, 120, -10, -10, -10]]).T)
    assert (judged.nearest(2), judged.nearest(3), judged.nearest(0)) == (0, 1, 1)


def test_best_moment_keeps_limits_and_mark_together():
    top = [[25, 100, 200, 250, 265], [25, 90, 95, 99, 100]]
    judged = judge(course(CORNER, top), LIMITS, MELT)

    expected = np.minimum(judged.joint_k, judged.spare_k)
    assert judged.best_k[0] == pytest.approx(expected[:, 0].max()) and judged.best_k[0] < 0 < judged.best_k[1]


def test_lowest_of_a_span_is_read_between_the_times():
    values = np.array([10.0, 30.0, 50.0, 40.0, 80.0])

    # 1.5 s before: 0, 0.5, 1.5, 3.5, 7.5 s
    np.testing.assert_allclose(spans(TIMES, values, 1.5), [10, 15, 25, 40, 65])
    np.testing.assert_allclose(spans(TIMES, np.stack([values, values + 1], axis=1), 1.5)[:, 1], [11, 16, 26, 41, 66])


def judged_of(joint, spare, melt=None, now=None):
    joint, spare = np.array(joint, float).T, np.array(spare, float).T
    return Judged(TIMES, joint, joint if melt is None else np.array(melt, float).T, spare,
                  spare[None] if now is None else now)


def test_moments_are_read_on_lines_between_steps():
    judged = judged_of([[-10, -4, -2, 6, 9], [1, 2, 3, 4, 5], [-9, -8, -7, -6, 0]], [[9, 5, 3, -1, -2]] * 3)

    np.testing.assert_allclose(judged.done_s, [3.5, 0.0, np.inf])  # 2 of 8 K in 2 s
    np.testing.assert_allclose(judged.limit_s, 4.5)
    np.testing.assert_allclose(judged.melt_s, judged.done_s)


def test_latest_stop_is_when_the_first_limit_would_be_passed():
    now = np.array([[[50], [40], [30], [20], [5]], [[90], [50], [35], [-5], [-9]]], float)
    judged = judged_of([[-9, -8, -7, -6, -5]], now.min(axis=0).T, now=now)

    stop_s, why = window._latest_stop(judged, LIMITS, PlanLimits(dwell_s=77.0))

    assert stop_s == pytest.approx(3 + 2 * 30 / 35) and "J1 would pass its limit of 150 C" in why  # 30 K is the least


def test_longest_pass_is_the_latest_stop_where_no_limit_is_passed():
    stop_s, why = window._latest_stop(judged_of([[1, 2, 3, 4, 5]], [[9, 8, 7, 6, 5]]), LIMITS, PlanLimits(dwell_s=77.0))

    assert stop_s == 77.0 and "longest pass" in why


# the middle, then four members: good from 3 s on, good at 3 s only, good at 9 s only, never
JOINT = [[-9, -3, 2, 4, 6], [-9, -5, 1, 2, 3], [-9, -5, 1, 2, 3], [-9, -5, -4, -3, 1], [-9, -8, -7, -6, -5]]
SPARE = [[9, 8, 7, 6, -2], [9, 9, 9, 9, 9], [9, 5, 1, -1, -2], [9, 9, 9, 9, 9], [9, 9, 9, 9, 9]]


def test_chances_are_shares_of_the_members():
    dwell_s, chance, by_stop, by_clock = window._chances(judged_of(JOINT, SPARE), 5.0)

    assert (chance, by_stop) == (0.75, 0.5)
    assert window._chances(judged_of(JOINT, SPARE), 9.0)[2] == 0.75  # at the stop itself it counts
    assert (dwell_s, by_clock) == (3.0, 0.5)  # at 9 s as many, but there the middle has passed its limit


def test_dwell_is_the_first_that_is_nearly_as_good_as_the_best():
    joint = np.full((301, 5), -1.0)
    joint[0] = 1.0
    joint[1:200, 2], joint[1:201, 3], joint[1:203, 4] = 1.0, 1.0, 1.0  # at 3, 5 and 9 s: 199, 200 and 202 of 300
    judged = judged_of(joint, np.full((301, 5), 9.0))

    assert window._chances(judged, 9.0)[0] == 3.0  # 1 % less is as good


def test_where_hardly_anyone_gets_there_the_nearest_moment_is_the_dwell():
    joint = [[-90, -30, -20, -25, -40], *[[-9, -9, -9, -9, -9]] * 30]

    dwell_s, chance, by_stop, by_clock = window._chances(judged_of(joint, np.full((31, 5), 9.0)), 9.0)

    assert (dwell_s, chance, by_stop, by_clock) == (3.0, 0.0, 0.0, 0.0)


def test_there_is_no_dwell_where_the_middle_keeps_no_limit():
    spare = [[0, -1, -2, -3, -4], *[[9, 9, 9, 9, 9]] * 2]

    assert window._chances(judged_of(JOINT[:3], spare), 9.0)[::3] == (0.0, 0.0)


def test_band_is_a_share_of_the_members_and_holds_the_middle():
    members = np.random.default_rng(1).permutation(np.arange(101.0))
    inside, below = window._band(np.r_[40.0, members]), window._band(np.r_[-7.0, members])

    assert (inside.low, inside.mid, inside.high) == pytest.approx((5.0, 40.0, 95.0))
    assert (below.low, below.mid, window._band(np.r_[300.0, members]).high) == (-7.0, -7.0, 300.0)


def test_times_of_melt_are_quantiles_of_the_members_that_melt():
    melt = np.full((8, 5), -1.0)
    for member, k in ((1, 1), (2, 2), (3, 3), (4, 4)):
        melt[member, k:] = 1e12  # at the step before, up to a rounding
    times = window._melt_times(judged_of(melt, np.full((8, 5), 9.0), melt), (0.5, 0.1))

    assert times[0] == pytest.approx((2.0 + 3.0) / 2, abs=1e-6) and times[1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("melting, is_told", [(2, False), (3, True)])
def test_times_of_melt_are_told_from_three_members_on(melting, is_told):
    melt = np.full((9, 5), -1.0)
    melt[:melting + 1, 3:] = 1.0  # the middle melts too, which does not count

    assert np.isfinite(window._melt_times(judged_of(melt, melt, melt), (0.5,))).all() == is_told


def test_joints_stand_against_the_limit_that_is_nearest_at_the_melt():
    one = course([[25, 120, 219, 231, 240]], [[25, 100, 220, 230, 245]], [[25, 60, 100, 149, 180]])
    judged = judge(one, LIMITS, Melt(200.0, 0.0, 200.0, "to lift"))

    joints, bound = window._colliding(one, judged, LIMITS, MELT, None)

    # 200 C at 2.8 s; read at the next step, 3 s: the package is 40 K from its limit, the connector 50 K
    assert (joints.site, joints.wanted, joints.comes_to) == ("joint corner", 225.0, 219.0)
    assert (bound.site, bound.wanted, bound.comes_to, bound.unit) == ("package top", 260.0, 220.0, "C")


def test_joints_that_never_melt_are_told_by_the_end():
    one = course([[25, 120, 190, 195, 193]], [[25, 100, 220, 230, 225]], [[25, 60, 100, 149, 120]])

    joints, bound = window._colliding(one, judge(one, LIMITS, MELT), LIMITS, MELT, None)

    assert joints.comes_to == 195.0 and (bound.site, bound.comes_to) == ("J1", 149.0)


@pytest.mark.parametrize("ramp_k_s, site", [(60.0, "joint centre"), (99.0, "package top")])
def test_rise_that_is_too_fast_stands_against_the_joints(ramp_k_s, site):
    one = course([[25, 120, 219, 231, 240]], [[25, 100, 220, 230, 245]], [[25, 60, 90, 100, 101]])

    _, bound = window._colliding(one, judge(one, LIMITS, MELT), LIMITS, MELT, ramp_k_s)

    assert bound.site == site
    if site == "joint centre":  # 219 C at 3 s, 72.5 C two seconds before
        assert (bound.wanted, bound.comes_to, bound.unit) == (60.0, pytest.approx(73.25), "K/s")


def test_neighbours_that_melt_are_counted_at_the_dwell():
    setup = job(neighbours=(RegionSetup("J1", rectangle(15, 0, 5, 8), 2e-3),))
    j1 = [[25, 25, 25, 300, 300]] + [[25, 25, 25, c, 300] for c in (216, 217.5, 230)] + [[25] * 5]
    one = course([[25, 120, 219, 231, 240]] * 5, j1=j1)

    assert window._reflow(setup, one, 5.0) == {"J1": 0.5}  # two of four; SAC305 begins to melt at 217 C
