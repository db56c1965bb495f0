"""Capability figures: which law they follow, which limits they keep, and when none is stated."""

import math

import numpy as np
import pytest
from scipy import stats

from monitor.repeat.compare import capability as cap
from monitor.repeat.compare.gauge import HandSpread

STEADY = np.random.default_rng(6).normal(15, 1, size=30)


def test_one_limit_gives_one_side_and_no_width():
    found = cap.indices(4.0, 0.5, -math.inf, 7.0)

    assert found["cpu"] == found["cpk"] == 2.0
    assert all(math.isnan(found[k]) for k in ("cp", "cpl", "k"))


def test_a_floor_alone_gives_the_lower_side():
    found = cap.indices(4.0, 0.5, 1.0, math.inf)

    assert found["cpl"] == found["cpk"] == 2.0 and math.isnan(found["cpu"])


def test_the_interval_of_cpk_is_bissell_s():
    # cpk 1.33 of 50: sigma = sqrt(1 / 450 + 1.33^2 / 98) = 0.14237; 1.95996 of it
    assert cap.cpk_interval(1.33, 50) == pytest.approx((1.33 - 0.27904, 1.33 + 0.27904), abs=1e-4)


def test_the_interval_of_cp_holds_as_often_as_it_says():
    rng, inside = np.random.default_rng(3), 0
    for _ in range(2000):
        low, high = cap.cp_interval(20 / (6 * rng.normal(0, 2.5, 12).std(ddof=1)), 12, 0.8)
        inside += low <= 20 / 15 <= high

    assert inside / 2000 == pytest.approx(0.8, abs=0.036)  # four standard errors


def test_percentiles_of_a_lognormal_law_are_those_of_its_normal_one():
    # logs -1, 0, 1 have mean 0 and SD 1; the percentiles lie 2.99998 of it away
    values = np.exp([-1.0, 0.0, 1.0])
    low, high = math.exp(-2.99998), math.exp(2.99998)
    found = cap.by_percentiles(values, 0.5, 9.0)

    assert found["cp"] == pytest.approx(8.5 / (high - low), rel=1e-4)
    assert found["cpk"] == pytest.approx(8.0 / (high - 1), rel=1e-4)


def test_percentiles_with_a_floor_near_them_give_the_lower_side():
    found = cap.by_percentiles(np.exp([-1.0, 0.0, 1.0]), 0.9, 90.0)

    assert found["cpk"] == pytest.approx(0.1 / (1 - math.exp(-2.99998)), rel=1e-4)


def test_percentiles_with_one_limit_have_no_cp():
    assert math.isnan(cap.by_percentiles(np.exp([-1.0, 0.0, 1.0]), -math.inf, 9.0)["cp"])


def test_skewed_values_are_judged_by_percentiles_and_even_ones_are_not():
    skewed = np.exp(np.random.default_rng(1).normal(1.0, 0.8, 60))
    assert stats.skew(skewed) > 1.5 and abs(stats.skew(STEADY)) < 0.9

    assert cap.capability(skewed, 0.0, 30.0, is_steady=True).cpk == cap.by_percentiles(skewed, 0.0, 30.0)["cpk"]
    assert cap.capability(STEADY, 5, 25, is_steady=True).cpk == pytest.approx(
        min(25 - STEADY.mean(), STEADY.mean() - 5) / (3 * STEADY.std(ddof=1)))


def test_skewed_values_that_are_not_all_positive_stay_with_the_normal_law():
    skewed = np.exp(np.random.default_rng(1).normal(1.0, 0.8, 60)) - 1.0

    found = cap.capability(skewed, -5.0, 30.0, is_steady=True)

    assert found.cp == pytest.approx(35 / (6 * skewed.std(ddof=1)))


def test_the_limits_themselves_are_within_and_what_is_not_known_does_not_count():
    found = cap.capability([5.0, math.nan, 25.0, 25.5, 4.5], 5, 25, is_steady=True)

    assert (found.n, found.n_inside) == (4, 2)
    assert found.share_low == pytest.approx(stats.beta.ppf(0.05, 2, 3))
    assert found.n_more == cap.more_needed(2, 4) > 59


def test_none_within_the_limits_leaves_no_sure_share():
    assert cap.share_within(0, 12) == 0.0


def test_without_a_known_value_nothing_is_stated():
    found = cap.capability([math.nan], 5, 25, is_steady=True)

    assert found.n == found.n_more == 0 and math.isnan(found.share_low) and "0 passes" in found.why_not


def hand(sigma, camera_share):
    return HandSpread(math.nan, sigma, math.nan, math.nan, camera_share)


def test_the_hand_alone_is_as_much_more_capable_as_its_spread_is_smaller():
    found = cap.capability(STEADY, 5, 25, is_steady=True, hand=hand(0.5, 0.2))

    assert found.cp_hand == pytest.approx(20 / 3.0) and found.camera_share == 0.2
    assert math.isnan(cap.capability(STEADY, 5, 25, is_steady=True).cp_hand)
    assert math.isnan(cap.capability(STEADY, 5, 25, is_steady=True, hand=hand(0.0, 1.0)).cp_hand)


@pytest.mark.parametrize(("share", "gauge", "says"), [
    (0.99, 0.30, ""), (1.0, 0.2, "no larger than the camera's own"), (0.2, 0.31, "31 % of the width of the limits")])
def test_the_camera_may_take_up_to_thirty_per_cent_of_the_limits_and_less_than_all_of_the_spread(share, gauge, says):
    found = cap.capability(STEADY, 5, 25, is_steady=True, hand=hand(0.1, share), gauge_share_of_limits=gauge)

    assert (found.why_not == "") if not says else (says in found.why_not)


def test_passes_alike_to_the_last_digit_have_no_index():
    assert "alike to the last digit" in cap.capability([4.0] * 25, 1, 9, is_steady=True).why_not
