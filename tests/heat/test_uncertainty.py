"""Scores turned into parameters, and members into bands, against numbers worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.heat.types import StationSetup
from monitor.heat.uncertainty import (
    PARAMETERS,
    Knowledge,
    band,
    described,
    draw_scores,
    outlet_table_c,
    parameters,
    prior,
)

ROWS = ((300.0, 2e-4, 240.0), (400.0, 2e-4, 340.0), (300.0, 5e-4, 270.0), (400.0, 5e-4, 360.0), (350.0, 9e-4, 330.0))


def only(name, *scores):
    """Parameters of members that differ from the middle in one score."""
    table = np.zeros((len(PARAMETERS), len(scores)))
    table[PARAMETERS.index(name)] = scores
    return parameters(table)


def test_middle_estimate_has_the_usual_values():
    p = only("spread", 0.0)

    got = [p.exit_factor, p.decay, p.spread, p.board_k, p.loss, p.capacity, p.airflow]
    np.testing.assert_allclose(np.ravel(got), [0.93, 5.0, 1, 1, 1, 1, 1])


@pytest.mark.parametrize("name, sigma", [("spread", 0.2), ("board_k", 0.3), ("loss", 0.3), ("capacity", 0.1),
                                         ("airflow", 0.2)])
def test_factors_grow_by_their_sigma_in_the_logarithm(name, sigma):
    np.testing.assert_allclose(np.log(getattr(only(name, -1.0, 2.0), name)), [-sigma, 2 * sigma], atol=1e-12)


def test_exit_factor_has_a_ceiling():
    np.testing.assert_allclose(only("exit_factor", -1.0, 1.0, 5.0).exit_factor,
                               [0.93 / math.exp(0.06), 0.93 * math.exp(0.06), 1.1])


@pytest.mark.parametrize("reynolds, sigma", [(9000.0, 0.20), (5000.0, 0.20), (3500.0, 0.24), (2000.0, 0.28),
                                             (900.0, 0.28)])
def test_film_gain_spreads_more_at_low_reynolds_numbers(reynolds, sigma):
    gain = only("film_gain", 1.5).film_gain(np.array([reynolds]))

    assert math.log(gain[0]) == pytest.approx(1.5 * sigma)


@pytest.mark.parametrize("reynolds, down, up", [(9000.0, 0.20, 0.10), (3500.0, 0.325, 0.175), (1000.0, 0.45, 0.25)])
def test_decay_constant_spreads_further_down_than_up(reynolds, down, up):
    got = only("decay", -1.0, 0.0, 1.5).decay_constant(np.full(3, reynolds))

    np.testing.assert_allclose(got, [5 * (1 - down), 5.0, 5 * (1 + 1.5 * up)])


def test_decay_constant_never_falls_below_a_fifth():
    np.testing.assert_allclose(only("decay", -4.0).decay_constant(np.array([1000.0])), 1.0)


def test_outlet_table_is_linear_in_the_share_of_the_setpoint():
    # at 320 C: shares of 0.8 and 0.85 at 2e-4 give 0.81; of 0.9 both at 5e-4 give 0.9; a third of the way between
    assert outlet_table_c(ROWS, 320.0, 3e-4) == pytest.approx(320 * (0.81 + (0.9 - 0.81) / 3))


def test_outlet_table_is_held_beyond_its_ends():
    assert outlet_table_c(ROWS, 300.0, 1e-4) == pytest.approx(240.0)
    assert outlet_table_c(ROWS, 350.0, 12e-4) == pytest.approx(330.0)
    assert outlet_table_c(ROWS, 500.0, 2e-4) == pytest.approx(500 * 0.85)


def test_outlet_table_is_read_for_many_members():
    got = outlet_table_c(ROWS, np.array([300.0, 400.0, 350.0]), np.array([2e-4, 5e-4, 7e-4]))

    np.testing.assert_allclose(got, [240.0, 360.0, 350 * (0.9 + 330 / 350) / 2])


def test_one_airflow_serves_for_all():
    got = outlet_table_c(ROWS[:2], np.array([300.0, 350.0]), np.array([1e-4, 8e-4]))

    np.testing.assert_allclose(got, [240.0, 350 * 0.825])


def test_factor_of_a_measured_outlet_is_its_rise_over_the_set_rise():
    station = StationSetup(300.0, 2e-4, ambient_c=20.0, outlet_c=ROWS)
    p = only("exit_factor", 0.0, 1.0)

    got = p.outlet_factor(np.array([300.0, 300.0]), 2e-4, station)

    np.testing.assert_allclose(got, np.array([220 / 280, 220 / 280 * math.exp(0.02)]))


def test_each_members_airflow_counts_for_the_measured_outlet():
    station = StationSetup(300.0, 2e-4, ambient_c=20.0, outlet_c=ROWS)
    p = only("airflow", math.log(2.5) / 0.2)

    np.testing.assert_allclose(p.outlet_factor(np.array([300.0]), 2e-4, station), 250 / 280)


def test_setpoint_at_ambient_needs_no_factor():
    station = StationSetup(20.0, 2e-4, ambient_c=20.0, outlet_c=ROWS)

    assert only("exit_factor", 0.7).outlet_factor(np.array([20.0]), 2e-4, station) == 1.0


def test_band_is_that_of_a_normal_law_about_the_members_mean():
    members = np.array([11.0, 8.0, 9.0, 12.0, 15.0])  # mean of all but the first 11, variance 7.5
    got = band(members, 3.0)

    half = 1.6449 * math.sqrt(7.5 + 9.0)
    assert (got.low, got.mid, got.high) == pytest.approx((11 - half, 11.0, 11 + half))


def test_band_reaches_the_estimate_wherever_the_members_lie():
    low, high = (band(np.array([mid, 9.0, 10.0, 11.0])) for mid in (2.0, 20.0))

    assert low.low == low.mid == 2.0 and high.high == high.mid == 20.0
    assert low.high > 10 and high.low < 10


def test_band_ends_at_what_cannot_be_passed():
    assert band(np.array([10.0, 6.0, 14.0]), lowest=9.0).low == 9.0
    assert band(np.array([8.0, 6.0, 14.0]), lowest=9.0).low == 8.0


@pytest.mark.parametrize("n_dimensions, n_members", [(5, 12), (5, 9)])
def test_too_few_or_even_members_are_refused(n_dimensions, n_members):
    with pytest.raises(ValueError, match="odd number"):
        draw_scores(n_dimensions, n_members)


def test_fewest_members_come_in_opposite_pairs():
    scores = draw_scores(5, 11)

    assert scores.shape == (5, 11) and not scores[:, 0].any()
    np.testing.assert_array_equal(scores[:, 1:6], -scores[:, 6:])
    np.testing.assert_allclose(scores[:, 1:] @ scores[:, 1:].T, 10 * np.eye(5), atol=1e-9)


def test_what_is_known_is_told_with_what_was_known_before():
    mean, cov = prior().mean.copy(), prior().cov.copy()
    mean[PARAMETERS.index("film_gain")], mean[PARAMETERS.index("loss")] = 1.0, -0.5
    cov[1, 1] = cov[PARAMETERS.index("loss"), PARAMETERS.index("loss")] = 0.25

    lines = described(Knowledge(mean, cov))

    # film: 0.2 sigma; exp(0.2 * 0.5) and exp(0.2 * 1.5); loss: 0.3 sigma, scores -1 and 0
    assert any("film" in line and line.endswith("1.11 to 1.35 (0.82 to 1.22)") for line in lines)
    assert any("losses" in line and line.endswith("0.74 to 1.00 (0.74 to 1.35)") for line in lines)
