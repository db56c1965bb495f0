"""What lies ahead: looked at a step at a time, beside an estimate that it leaves as it is."""

import numpy as np
import pytest

from monitor.heat.chain import Chain
from monitor.heat.estimate import HeatEstimator
from monitor.heat.outlook import LOOK_AHEAD_S
from tests.heat.cases import FRAME_S, QUICK, hold, jet_at, job

HOT = {"height_mm": 6.0, "setpoint_c": 480.0}


def estimator():
    return HeatEstimator(job(), fineness=QUICK)


def test_looking_ahead_leaves_the_estimate_as_it_would_be_without(monkeypatch):
    looked, blind = estimator(), estimator()
    monkeypatch.setattr(blind._outlook, "go_on", lambda: None)

    told, plain = hold(looked, 3.0), hold(blind, 3.0)

    assert told.temp_c == plain.temp_c and told.energy_j == plain.energy_j


def test_a_limit_is_reached_when_the_outlook_said_it_would_be():
    heat = estimator()
    foreseen = hold(heat, 4.0, **HOT).limit_in_s["package top"]
    limit_c = heat.limits["package top"].value_c

    reached_s = next(t_s for t_s in np.arange(0.1, LOOK_AHEAD_S, 0.1)
                     if heat.step(jet_at(4.0 + t_s, dt_s=0.1, **HOT)).temp_c["package top"].mid >= limit_c)

    assert foreseen.mid == pytest.approx(reached_s, rel=0.1)


def test_an_outlook_counts_down_while_the_next_one_is_worked_out():
    heat = estimator()
    before = hold(heat, 4.0, **HOT).limit_in_s["package top"].mid

    in_s = [heat.step(jet_at(4.0 + 0.1 * (i + 1), dt_s=0.1, **HOT)).limit_in_s["package top"].mid for i in range(3)]

    assert before - 0.5 < in_s[2] < in_s[1] < in_s[0] < before


def test_no_limit_is_foreseen_once_the_jet_is_off():
    heat = estimator()
    assert any(hold(heat, 6.0, **HOT).limit_in_s.values())

    assert set(heat.step(jet_at(6.1, dt_s=0.1, on=False)).limit_in_s.values()) == {None}


def test_at_thirty_pictures_a_second_no_picture_takes_more_than_two_steps_of_the_board(monkeypatch):
    heat, steps = estimator(), []
    heat.step(jet_at(0.0, dt_s=0.1, on=False))
    advance = Chain._advance
    monkeypatch.setattr(Chain, "_advance", lambda *a: (steps.append(1), advance(*a))[1])
    counts = []
    for i in range(150):
        steps.clear()
        heat.step(jet_at((i + 1) * FRAME_S))
        counts.append(len(steps))

    assert max(counts) <= 2 and sum(counts) > 55


def test_a_state_that_was_swapped_away_comes_back_to_the_bit():
    chain = estimator().chain
    before = chain.state()
    own = chain.swap(chain.state())
    chain.rest(5.0)
    chain.swap(own)

    assert all(np.array_equal(a, b) for a, b in zip(chain.state(), before, strict=True))
