"""Control charts at their limits: where these lie, what fires, and what is left without limits."""

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from monitor.repeat.compare.control import Trust, cusum, ewma, individuals, moving_range, samples
from monitor.repeat.compare.factors import c4, d2, factors

# mean 103, every step 2, so that 3 sigma are 2.66 x 2 (printed tables: 2.659 or 2.66)
ZIGZAG = [102.0, 104.0] * 15


def test_limits_of_single_values_lie_by_two_point_six_six_mean_steps():
    chart = individuals(ZIGZAG)

    assert chart.centre == 103.0 and chart.sigma == pytest.approx(2 / 1.12838, rel=1e-5)
    assert [chart.low[0], chart.high[-1]] == pytest.approx([103 - 2.65868 * 2, 103 + 2.65868 * 2], abs=1e-4)


@pytest.mark.parametrize(("last", "fires"), [(108.2, {}), (108.4, {60: ("rule 1",)}), (97.6, {60: ("rule 1",)})])
def test_a_value_fires_just_beyond_the_limit_on_either_side(last, fires):
    assert individuals([*ZIGZAG, *ZIGZAG, last]).signals == fires


def test_limits_rest_on_the_first_fifty_known_values():
    values = [math.nan, *ZIGZAG, math.nan, *ZIGZAG[:20], 900.0, 100.0]
    chart = individuals(values)

    assert chart.centre == 103.0 and chart.n_basis == 50 and set(chart.signals) == {52}


def test_the_limit_of_steps_is_three_point_two_six_seven_mean_steps():
    chart = moving_range(ZIGZAG)

    assert math.isnan(chart.values[0]) and chart.values[1:].tolist() == [2.0] * 29
    assert chart.high[3] == pytest.approx(3.2665 * 2, abs=1e-3) and chart.low[3] == 0.0  # printed table, D4 of 2
    assert chart.sigma == pytest.approx(2 / 1.12838, rel=1e-5)


@pytest.mark.parametrize(("step", "fires"), [(6.5, {}), (6.6, {60: ("jump",)})])
def test_a_step_jumps_just_beyond_its_limit(step, fires):
    assert moving_range([*ZIGZAG, *ZIGZAG, 104.0 - step]).signals == fires


@pytest.mark.parametrize("chart", [individuals, moving_range, ewma])
@pytest.mark.parametrize("values", [[5.0] * 30, ZIGZAG[:19]])
def test_alike_values_and_few_have_no_limits(chart, values):
    found = chart(values)

    assert found.trust is Trust.NONE and found.signals == {} and np.isnan(found.high).all()


def test_no_values_make_charts_of_nothing():
    assert all(len(chart([]).values) == 0 for chart in (individuals, moving_range, ewma))


def test_the_weighted_mean_is_the_recursive_filter_with_limits_that_open():
    values = np.random.default_rng(4).normal(7.0, 2.0, 30)
    chart = ewma(values, weight=0.3, width=2.5, centre=6.0, sigma=1.7)

    smooth, _ = lfilter([0.3], [1, -0.7], values, zi=[0.7 * 6.0])
    np.testing.assert_allclose(chart.values, smooth)
    # variance of the weighted mean of n values: the squared weights, summed
    half = [2.5 * 1.7 * math.sqrt(sum((0.3 * 0.7**k) ** 2 for k in range(n))) for n in range(1, 31)]
    np.testing.assert_allclose(chart.high - 6.0, half)
    np.testing.assert_allclose(6.0 - chart.low, half)
    assert set(chart.signals) == set(np.flatnonzero(np.abs(smooth - 6.0) > half)) != set()


def test_a_value_that_is_not_known_leaves_mean_and_limits_where_they_are():
    chart = ewma([3.0, math.nan, 5.0], centre=4.0, sigma=1.0)

    assert chart.values[1] == chart.values[0] and chart.high[1] == chart.high[0] < chart.high[2]


def test_a_weighted_mean_signals_on_either_side():
    up, down = (ewma([4.0 + s] * 12, centre=4.0, sigma=1.0) for s in (2.0, -2.0))

    assert set(up.signals) == set(down.signals) and 1 < min(up.signals) + 1 < 4


def test_cumulative_sums_by_hand():
    chart = cusum([12.0, 9.0, math.nan, 5.0, 5.0, 5.0, 20.0], 10.0, 2.0)

    # slack 1: up 1, 0, 0, 0 ... 9; down 0, 0, 0, 4, 8, 12, 1
    assert chart.values.tolist() == [1.0, 0.0, 0.0, -4.0, -8.0, -12.0, 9.0]
    assert chart.signals == {5: ("shift",)} and chart.high[0] == 10.0 == -chart.low[0]
    assert chart.n_basis == 6


def test_without_a_spread_there_is_no_cumulative_limit():
    assert cusum([1.0, 2.0], 1.0, 0.0).trust is Trust.NONE


@pytest.mark.parametrize("batches", [[[1.0, 2.0], [1.0, 2.0, 3.0]], [[1.0], [2.0]]])
def test_samples_of_unlike_sizes_or_of_one_are_refused(batches):
    with pytest.raises(ValueError, match="expected one size"):
        samples(batches)


def test_samples_of_two_are_taken():
    rows = [[1.0, 2.0], [2.0, 1.0]] * 10
    means, spreads = samples(rows)

    assert means.centre == 1.5 and spreads.centre == pytest.approx(math.sqrt(0.5))
    assert means.sigma == pytest.approx(math.sqrt(0.5) / 0.797885, rel=1e-5)  # c4 of 2, printed table


def test_limits_of_fifty_samples_do_not_follow_later_ones():
    rows = [[1.0, 2.0, 6.0]] * 50
    means, spreads = samples([*rows, [11.0, 12.0, 16.0], [1.0, 40.0, 80.0]])

    assert means.centre == 3.0 and means.n_basis == 50
    assert set(means.signals) == {50, 51} and set(spreads.signals) == {51}


def test_a_spread_below_its_lower_limit_signals():
    rng = np.random.default_rng(9)
    rows = rng.normal(size=(50, 8))
    _, spreads = samples([*rows, 0.01 * rows[0]])

    assert spreads.low[0] == pytest.approx(factors(8).B3 * spreads.centre) and 50 in spreads.signals


def test_the_chance_given_for_samples_is_kept_over_all_of_them():
    # 24 samples of 4, in either chart; 600 draws: 5 % are at most 8.2 % at four standard errors
    rng, n_false = np.random.default_rng(11), 0
    for _ in range(600):
        means, spreads = samples(rng.normal(3.0, 2.0, size=(24, 4)), chance=0.05)
        n_false += bool(means.signals or spreads.signals)

    assert 0.018 <= n_false / 600 <= 0.082


@pytest.mark.parametrize("n", [26, 100])
def test_ranges_have_no_factor_beyond_the_printed_tables(n):
    found = factors(n)

    assert math.isnan(found.d2) and math.isnan(found.D3) and found.c4 == pytest.approx(1 - 1 / (4 * n), abs=1e-3)
    with pytest.raises(ValueError, match="at most 25"):
        d2(n)


def test_the_largest_sample_of_the_tables_has_its_factors():
    found = factors(25)  # printed table

    assert [found.d2, found.A2, found.D3, found.D4] == pytest.approx([3.931, 0.153, 0.459, 1.541], abs=6e-4)
    assert c4(25) == pytest.approx(0.9896, abs=5e-5)
