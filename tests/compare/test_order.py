"""The order of passes: lines, shifts, weighted means and cumulative sums beside independent computations."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from monitor.repeat.compare.align import percent_axis, resample, warp
from monitor.repeat.compare.changes import changes_of
from monitor.repeat.compare.control import Trust
from monitor.repeat.compare.order import _statistics, order_of
from monitor.repeat.compare.passes import JUDGED
from monitor.repeat.compare.scales import from_scale, to_scale
from tests.monitor.make import job

RNG_SEED = 21


def noisy(n=14, k=3, seed=RNG_SEED):
    return np.random.default_rng(seed).normal(5.0, 2.0, size=(n, k))


def values_of(**given):
    """All measures, those not given alike and even."""
    n = len(next(iter(given.values())))
    even = {"dwell_s": 3.0, "coverage": 0.9}
    return {key: np.asarray(given.get(key, np.full(n, even.get(key, 5.0))), float) for key in JUDGED}


def test_a_straight_line_s_change_and_error_agree_with_scipy():
    x = noisy() + 0.7 * np.arange(14)[:, None]
    x[3, 1] = math.nan
    found = order_of(x, 14)

    for k in range(3):
        known = np.isfinite(x[:, k])
        line = stats.linregress(np.arange(14)[known], x[known, k])
        assert found.change[k] == pytest.approx(13 * line.slope)
        assert found.change_sigma[k] == pytest.approx(13 * line.stderr)


def test_a_trend_is_the_correlation_with_the_order():
    x = noisy()

    expected = [abs(stats.pearsonr(np.arange(14), x[:, k]).statistic) * math.sqrt(13) for k in range(3)]
    np.testing.assert_allclose(order_of(x, 14).trend_sigmas, expected)


def test_weighted_mean_and_cumulative_sum_are_the_largest_of_their_charts():
    x = noisy()
    _, smooth, sums = _statistics(x[None], 9)

    for k in range(3):
        z = (x[:, k] - x[:9, k].mean()) / x[:9, k].std(ddof=1)
        weighted = lfilter([0.2], [1, -0.8], z)
        spread = np.sqrt([sum((0.2 * 0.8**j) ** 2 for j in range(n)) for n in range(1, 15)])
        up = down = most = 0.0
        for v in z:
            up, down = max(0.0, up + v - 0.5), max(0.0, down - v - 0.5)
            most = max(most, up, down)
        assert smooth[0, k] == pytest.approx(np.abs(weighted / spread).max()) and sums[0, k] == pytest.approx(most)


def test_the_limits_are_passed_by_four_in_a_thousand_random_orders():
    x = noisy(12, 2)
    found = order_of(x, 12)
    orders = np.random.default_rng(1).permuted(np.tile(np.arange(12), (8000, 1)), axis=1)

    found = zip((found.trend_limit, found.ewma_width, found.cusum_limit), _statistics(x[orders], 12), strict=True)
    # quantiles of 1250 orders scatter by 0.0018 themselves
    assert all(np.mean(most.max(1) > limit) < 0.012 and most.max() > limit for limit, most in found)


@pytest.mark.parametrize(("n", "tells"), [(7, False), (8, True)])
def test_the_order_of_eight_passes_can_be_tested(n, tells):
    assert (order_of(noisy(n), n) is not None) is tells


def test_passes_that_do_not_vary_have_no_order():
    assert order_of(np.full((12, 2), 4.0), 12) is None
    assert order_of(np.stack([np.full(12, 4.0), noisy(12, 1)[:, 0]], -1), 12) is not None


def test_two_known_values_make_no_line():
    x = noisy()
    x[2:, 0] = math.nan

    assert np.isnan(order_of(x, 14).change[0]) and np.isfinite(order_of(x, 14).change[1:]).all()


def test_a_drift_is_told_by_the_ends_of_its_line():
    rng = np.random.default_rng(5)
    heights = 12.0 + 0.25 * np.arange(20) + rng.normal(0, 0.2, 20)
    found, = changes_of(values_of(height_mean_mm=heights), job(), 20).found

    line = stats.linregress(np.arange(20), heights)
    assert found.is_trend and (found.key, found.at) == ("height_mean_mm", 19)
    assert [found.before, found.after] == pytest.approx([line.intercept, line.intercept + 19 * line.slope])


def test_a_drift_in_a_time_is_told_by_factors():
    rng = np.random.default_rng(5)
    dwell = 2.0 * np.exp(0.06 * np.arange(20) + rng.normal(0, 0.03, 20))
    found, = changes_of(values_of(dwell_s=dwell), job(), 20).found

    line = stats.linregress(np.arange(20), np.log(dwell))
    assert [found.before, found.after] == pytest.approx(np.exp([line.intercept, line.intercept + 19 * line.slope]))


def test_a_shift_in_the_middle_of_a_rise_and_fall_is_dated_by_least_squares():
    rng = np.random.default_rng(8)
    heights = np.concatenate([rng.normal(15, 0.3, 9), rng.normal(18.5, 0.3, 9), rng.normal(15, 0.3, 9)])
    found = changes_of(values_of(height_mean_mm=heights), job(), 20).found

    cost = [np.var(heights[:k]) * k + np.var(heights[k:]) * (27 - k) for k in range(1, 27)]
    change, = found
    assert not change.is_trend and change.at == 1 + int(np.argmin(cost))
    assert [change.before, change.after] == pytest.approx([heights[:change.at].mean(), heights[change.at:].mean()])


def test_passes_of_which_nothing_is_known_keep_their_place():
    rng = np.random.default_rng(8)
    heights = np.concatenate([rng.normal(15, 0.3, 12), rng.normal(18.5, 0.3, 12), rng.normal(15, 0.3, 1)])
    gaps = values_of(height_mean_mm=np.insert(heights, [4, 4, 20], math.nan))
    for key in gaps:
        gaps[key][[4, 5, 22]] = math.nan

    whole, = changes_of(values_of(height_mean_mm=heights), job(), 20).found
    found, = changes_of(gaps, job(), 20).found

    assert found.before == pytest.approx(whole.before) and found.at == whole.at + (2 if whole.at < 20 else 3)


def test_charts_have_limits_from_the_number_of_passes_asked_for():
    heights = np.random.default_rng(5).normal(15, 0.5, 20)

    few, enough = (changes_of(values_of(height_mean_mm=heights), job(), least) for least in (21, 20))

    assert few.weighted["height_mean_mm"].trust is Trust.NONE and few.summed["height_mean_mm"].trust is Trust.NONE
    assert enough.weighted["height_mean_mm"].trust is Trust.TRIAL
    np.testing.assert_allclose(few.summed["height_mean_mm"].values, enough.summed["height_mean_mm"].values)
    np.testing.assert_allclose(few.weighted["height_mean_mm"].values, enough.weighted["height_mean_mm"].values)


def test_the_cumulative_sum_is_in_standard_deviations_of_the_first_passes():
    heights = np.random.default_rng(5).normal(15, 0.5, 20)
    sums = changes_of(values_of(height_mean_mm=heights), job(), 20).summed["height_mean_mm"]

    z, up, down = (heights - heights.mean()) / heights.std(ddof=1), 0.0, 0.0
    for i, v in enumerate(z):
        up, down = max(0.0, up + v - 0.5), max(0.0, down - v - 0.5)
        assert sums.values[i] == pytest.approx(up if up >= down else -down)


def test_the_weighted_mean_of_a_time_is_in_seconds():
    dwell = 3.0 * np.exp(np.random.default_rng(5).normal(0, 0.1, 20))
    chart = changes_of(values_of(dwell_s=dwell), job(), 20).weighted["dwell_s"]

    assert chart.centre == pytest.approx(stats.gmean(dwell))
    assert chart.high[5] / chart.centre == pytest.approx(chart.centre / chart.low[5])


def test_without_a_known_measure_nothing_changes():
    nothing = {key: np.full(9, math.nan) for key in JUDGED}

    assert changes_of(nothing, job(), 20).found == ()


@pytest.mark.parametrize(("key", "value"), [("dwell_s", 2.7), ("coverage", 0.83), ("height_mean_mm", -4.0)])
def test_scales_go_there_and_back_and_rise(key, value):
    assert float(from_scale(key, to_scale(key, value))) == pytest.approx(value)
    assert to_scale(key, value + 0.1) > to_scale(key, value)


def test_shares_are_judged_by_the_logarithm_of_what_is_missed():
    # missing 9 % and 19 %, one more per cent each: a factor of two
    assert to_scale("coverage", 0.91) - to_scale("coverage", 0.81) == pytest.approx(math.log(2))


def test_a_pass_has_one_hundred_and_one_places():
    assert percent_axis()[[0, 37, 100]].tolist() == [0.0, 37.0, 100.0] and len(percent_axis()) == 101


def test_two_known_values_make_a_trace():
    assert resample(np.array([0.0, 1.0, 4.0]), np.array([2.0, np.nan, 6.0]), np.array([1.0])) == pytest.approx(3.0)


def test_a_trace_that_comes_later_has_its_lag_and_its_mean_shift():
    t = np.arange(100)
    reference = 15 + 3 * np.exp(-((t - 40) / 6.0) ** 2)
    late = 17 + 3 * np.exp(-((t - 44) / 6.0) ** 2)

    found = warp(reference, late, 0.05)

    assert (found.lag[34:47] == 4).all() and found.residual == pytest.approx(2.0, abs=0.05)
    assert found.warp_s == pytest.approx(np.abs(found.lag).mean() * 0.05)
    assert found.unwarped == pytest.approx(math.sqrt(np.mean((late - reference) ** 2)))


def test_a_trace_that_comes_earlier_has_a_lag_below_nothing():
    t = np.arange(100)
    reference, early = (15 + 3 * np.exp(-((t - at) / 6.0) ** 2) for at in (40, 37))

    assert (warp(reference, early, 0.05).lag[34:46] == -3).all()


@pytest.mark.parametrize("shapes", [((5,), (6,)), ((1,), (1,)), ((2, 2), (2, 2))])
def test_traces_of_unlike_lengths_are_not_warped(shapes):
    with pytest.raises(ValueError, match="expected one length"):
        warp(*(np.ones(s) for s in shapes), 0.1)


def test_traces_that_are_the_same_are_not_warped():
    t = np.sin(np.arange(60) / 5.0)

    found = warp(t, t + 3.0, 0.1)

    assert (found.lag == 0).all() and found.residual == found.unwarped == pytest.approx(3.0)


def test_without_a_band_nothing_is_warped():
    t = np.arange(60)
    reference, late = (3 * np.exp(-((t - at) / 6.0) ** 2) for at in (30, 33))

    assert (warp(reference, late, 0.1, band=0.0).lag == 0).all()


@pytest.mark.parametrize(("shift_mm", "n"), [(0.45, 0), (3.5, 1)])
def test_a_shift_is_told_from_half_of_what_matters_within_its_error(shift_mm, n):
    # up and down again, so that it is no drift: half of 2 mm matters, and the means are known to 0.1 mm
    rng = np.random.default_rng(4)
    heights = np.concatenate([rng.normal(15, 0.15, 9), rng.normal(15 + shift_mm, 0.15, 9), rng.normal(15, 0.15, 9)])

    for one in (heights, heights[::-1]):
        assert len(changes_of(values_of(height_mean_mm=one), job(), 20).found) == n
