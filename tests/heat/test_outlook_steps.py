"""Forecasts from courses that are given: when a limit is reached, what is left of it, and when a look is due."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.heat import outlook
from monitor.heat.chain import Blow, Sites
from monitor.heat.outlook import LOOK_AHEAD_S, Outlook
from monitor.heat.types import Band

TIMES = np.cumsum([0, 1, 1, 2, 2, 4, 5, 7, 10, 13, 15])


class Line:
    """Takes the place of a chain: every site rises evenly under a jet, and falls without one."""

    def __init__(self, rates, n=5):
        self.now = np.full((5, n), 100.0)
        self.rates, self.alloy, self.calls = np.asarray(rates, float), SimpleNamespace(wet_hold_s=0.0), []

    def sites(self):
        corner, top, board, under, beside = self.now
        return Sites(top, corner, corner, board, under, np.array([beside]))

    def state(self):
        return (self.now.copy(),)

    def swap(self, state):
        before, (self.now,) = (self.now,), state
        return before

    def blow(self, blow, dt_s):
        self.calls.append(("blow", dt_s))
        self.now = self.now + dt_s * self.rates

    def rest(self, dt_s):
        self.calls.append(("rest", dt_s))
        self.now = self.now - 2.0 * dt_s


RATES = np.array([[2.0, 1.5, 2.5, 2.0, 3.0], [5.0] * 5, [0.5] * 5, [4.0, 2, 6, 3, 5], [8.0] * 5])
LIMITS = {"package top": 180.0, "board top": 500.0, "underside": 140.0, "J1": 90.0}
BLOW = Blow(360.0, 5e-4, np.array([12e-3, 13e-3]), 0.0, 0.0)


def ahead_of(rates=RATES, melt_c=140.0, solid_c=90.0):
    chain = Line(rates)
    return chain, Outlook(chain, lambda v: v, LIMITS, melt_c, lambda s: s.joint_corner.max() < solid_c)


def test_limits_are_foreseen_where_the_estimate_reaches_them():
    _, look = ahead_of()
    look.pass_by(0.1, BLOW, math.inf)

    assert look.limit_in_s["package top"].mid == pytest.approx(16.0) and look.limit_in_s["board top"] is None
    assert look.limit_in_s["J1"] == Band(0.0, 0.0, 0.0)  # passed already
    under = look.limit_in_s["underside"]
    times = 40.0 / RATES[3]
    assert under.mid == pytest.approx(10.0)
    assert (under.low, under.high) == pytest.approx(tuple(np.quantile(times, [0.05, 0.95])))
    assert look.melt_in_s.mid == pytest.approx(20.0) and look.solid_in_s is None


def test_look_leaves_the_chain_as_it_is_and_takes_its_steps():
    chain, look = ahead_of()
    look.pass_by(0.1, BLOW, math.inf)

    assert (chain.now == 100.0).all() and [dt for _, dt in chain.calls] == np.diff(TIMES).tolist()
    assert {kind for kind, _ in chain.calls} == {"blow"} and LOOK_AHEAD_S == 60.0


def test_look_without_air_rests():
    chain, look = ahead_of()
    look.pass_by(0.1, BLOW._replace(airflow_m3_s=0.0), math.inf)

    assert {kind for kind, _ in chain.calls} == {"rest"}


@pytest.mark.parametrize("rate, mid", [(40.0 / 60, 60.0), (40.0 / 61, None)])
def test_limit_counts_up_to_the_end_of_the_look(rate, mid):
    rates = RATES.copy()
    rates[3] = rate
    _, look = ahead_of(rates)
    look.pass_by(0.1, BLOW, math.inf)
    under = look.limit_in_s["underside"]

    assert (None if under is None else under.mid) == (mid if mid is None else pytest.approx(mid))


def test_members_that_do_not_reach_a_limit_count_as_the_end_of_the_look():
    rates = RATES.copy()
    rates[3] = [4.0, 0.0, 0.0, 0.0, 8.0]
    _, look = ahead_of(rates)
    look.pass_by(0.1, BLOW, math.inf)

    low, high = np.quantile([10, 60, 60, 60, 5], [0.05, 0.95])
    under = look.limit_in_s["underside"]
    assert (under.low, under.mid, under.high) == pytest.approx((low, 10.0, high))


def test_forecast_counts_down_and_never_below_nothing():
    _, look = ahead_of()
    look.pass_by(0.1, BLOW, math.inf)
    before = look.limit_in_s["underside"]
    look.pass_by(1.25, BLOW, math.inf)

    after = look.limit_in_s["underside"]
    for name in ("low", "mid", "high"):
        assert getattr(after, name) == pytest.approx(getattr(before, name) - 1.25)
    assert look.melt_in_s.mid == pytest.approx(18.75) and look.limit_in_s["J1"] == Band(0, 0, 0)


def passes(look, chain, heights_mm, step_s=0.25):
    """Steps of the chain after each passing by."""
    counts = []
    for height in heights_mm:
        look.pass_by(step_s, BLOW._replace(height_m=1e-3 * np.array([height, 99.0])), math.inf)
        look.go_on()
        counts.append(len(chain.calls))
    return np.diff([len(TIMES) - 1, *counts])


def test_look_is_due_every_three_seconds_and_goes_on_a_step_at_a_time():
    chain, look = ahead_of()
    look.pass_by(0.25, BLOW, math.inf)
    taken = passes(look, chain, [12.0] * 30)

    assert taken.tolist() == [0] * 11 + [1] * 10 + [0] * 2 + [1] * 7  # begun again three seconds after its begin


@pytest.mark.parametrize("height_mm, first", [(13.75, 12), (13.85, 6), (10.25, 12), (10.15, 6)])
def test_look_is_due_sooner_when_the_nozzle_went_up_or_down(height_mm, first):
    chain, look = ahead_of()
    look.pass_by(0.25, BLOW, math.inf)

    assert int(np.argmax(passes(look, chain, [height_mm] * 14) > 0)) + 1 == first  # 15 % of 12 mm


def test_look_that_took_a_while_counts_from_its_begin():
    chain, look = ahead_of()
    look.pass_by(0.25, BLOW, math.inf)
    for _ in range(12):
        look.pass_by(0.25, BLOW, math.inf)
    for n in range(11):
        look.go_on()
        if n < 10:
            look.pass_by(0.25, BLOW, math.inf)

    assert look.limit_in_s["package top"].mid == pytest.approx(16.0 - 2.5)


def test_jet_that_comes_or_goes_makes_the_forecast_worth_nothing():
    chain, look = ahead_of()
    look.pass_by(0.25, BLOW, math.inf)
    look.pass_by(0.25, None, math.inf)
    assert look.limit_in_s["underside"] is None and look.melt_in_s is None and look.limit_in_s["J1"].mid == 0
    look.pass_by(0.25, BLOW, math.inf)  # it comes back: looked at step by step
    assert look.limit_in_s["underside"] is None

    for _ in range(11):
        look.go_on()
    assert look.limit_in_s["underside"].mid == pytest.approx(10.0)


def cooled(wet_s=0.5, wet_hold_s=0.0, solid_c=90.0, blow=None, looks=20):
    chain, look = ahead_of(solid_c=solid_c)
    chain.alloy.wet_hold_s = wet_hold_s
    look.pass_by(0.25, blow, wet_s)
    for _ in range(looks):
        look.go_on()
    return look


def test_joints_are_solid_when_they_have_cooled_so_far():
    # 2 K/s: 100 C are below 90 C after more than 5 s; looked at after 1, 2, 4, 6 s and so on
    assert cooled().solid_in_s == 6.0 and cooled(looks=3).solid_in_s is None
    assert cooled(solid_c=-1000.0).solid_in_s is None  # not within the look


def test_joints_that_may_stay_wet_take_their_time():
    assert cooled(wet_s=4.0, wet_hold_s=30.0).solid_in_s == 26.0


def test_cooling_is_not_foreseen_for_solid_joints_or_under_the_jet():
    assert cooled(wet_s=math.inf).solid_in_s is None
    assert cooled(wet_s=0.0, blow=BLOW).solid_in_s is None and cooled(wet_s=0.0).solid_in_s == 6.0
    assert cooled(wet_s=0.5, blow=BLOW).solid_in_s is not None


def test_time_to_solid_counts_down_and_ends_when_the_jet_keeps_them_molten():
    look = cooled()
    look.pass_by(1.5, None, 2.0)
    assert look.solid_in_s == 4.5
    look.pass_by(9.0, None, 11.0)
    assert look.solid_in_s == 0.0
    look.pass_by(0.25, BLOW, 0.0)
    assert look.solid_in_s is None


def test_jet_that_comes_back_to_cooling_joints_does_not_end_the_forecast():
    look = cooled()
    look.pass_by(0.5, BLOW, 2.0)

    assert look.solid_in_s == 5.5


def test_cooling_counts_from_the_begin_of_its_look():
    _, look = ahead_of()
    for _ in range(4):
        look.pass_by(0.25, None, 0.5)
        look.go_on()

    assert look.solid_in_s == pytest.approx(6.0 - 0.75)  # known with its fourth step, three passings later


def test_crossing_of_the_first_time_is_now():
    assert outlook._crossing(np.full((11, 3), 50.0), 50.0) == Band(0.0, 0.0, 0.0)
    assert outlook._crossing(np.full((11, 3), 49.9), 50.0) is None
