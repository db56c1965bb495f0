"""Charts, rules, capability and the gauge study beside published worked examples.

e-Handbook: NIST/SEMATECH e-Handbook of Statistical Methods. Its data and results were read as quoted in public
repositories and are from memory where marked so; the pages themselves were not at hand.
"""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.proportion import proportion_confint

from monitor.repeat.compare import capability as cap
from monitor.repeat.compare.control import Trust, cusum, ewma, individuals, moving_range, samples
from monitor.repeat.compare.factors import c4, d3, factors
from monitor.repeat.compare.gauge import Anova, crossed_anova, hand_spread, one_way, study
from monitor.repeat.compare.odd import far_ones
from monitor.repeat.compare.rules import arl, ewma_arl, fired
from tests.heat.checks import agrees

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # e-Handbook 6.3.2.2, data from memory
EARLIER = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]  # e-Handbook 6.3.2.4, data from memory
# the crossed study of the AIAG measurement systems manual, 3 people x 3 trials x 10 parts; from memory, and its mean
# squares below are the published ones
CROSSED = np.array([
    [[0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
     [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
     [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31]],
    [[0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
     [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
     [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50]],
    [[0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
     [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
     [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16]]]).transpose(2, 0, 1)
PUBLISHED = Anova(9.81799, 1.58363, 0.01994, 0.04598, 10, 3, 3)


@pytest.mark.parametrize(("check", "name"), [("spc-lower-d2", "d2"), ("spc-c4", "c4"), ("spc-A2", "A2"),
                                             ("spc-A3", "A3"), ("spc-D3", "D3"), ("spc-D4", "D4"), ("spc-B3", "B3"),
                                             ("spc-B4", "B4")])
def test_factors_agree_with_the_printed_table(check, name):
    agrees(check, [getattr(factors(n), name) for n in range(2, 11)])


def test_the_spread_of_ranges_agrees_with_the_printed_table():
    agrees("spc-lower-d3", [d3(n) for n in range(2, 11)])


def test_a_sample_of_one_has_no_factor():
    with pytest.raises(ValueError, match="at least 2"):
        c4(1)


def test_individuals_chart_agrees_with_the_handbook():
    chart = individuals(FLOW, least=10)

    agrees("nist-imr-mean", chart.centre)
    agrees("nist-imr-ucl", chart.high[0])
    agrees("nist-imr-lcl", chart.low[0])


def test_moving_range_agrees_with_the_handbook():
    agrees("nist-imr-mrbar", moving_range(FLOW, least=10).centre)


def test_weighted_mean_agrees_with_the_handbook():
    chart = ewma(EARLIER + FLOW, weight=0.3, width=3.0, centre=50.0, sigma=2.0539)

    agrees("nist-ewma-series", chart.values)


def test_weighted_mean_limits_reach_the_handbook_s_steady_ones():
    chart = ewma((EARLIER + FLOW) * 2, weight=0.3, width=3.0, centre=50.0, sigma=2.0539)

    agrees("nist-ewma-limits", [chart.low[-1], chart.high[-1]])


@pytest.mark.parametrize(("n", "says"), [(19, Trust.NONE), (20, Trust.TRIAL), (49, Trust.TRIAL), (50, Trust.FROZEN)])
def test_limits_need_twenty_passes_and_are_trial_until_fifty(n, says):
    chart = individuals(np.random.default_rng(1).normal(size=n))

    assert chart.trust is says and np.isnan(chart.high).all() == (says is Trust.NONE)


def test_without_limits_nothing_is_flagged():
    assert individuals([0.0] * 5 + [1.0] * 5 + [500.0]).signals == {}


def test_frozen_limits_do_not_follow_later_passes():
    x = np.random.default_rng(2).normal(size=50)

    assert individuals([*x, *(x + 9)]).centre == pytest.approx(x.mean())


def test_an_unknown_value_is_no_signal_and_breaks_a_run():
    assert fired([0.5] * 7 + [math.nan] + [0.5], (4,)) == [()] * 9


def test_the_eighth_point_on_one_side_fires_rule_four():
    assert fired([0.5] * 8, (1, 4))[7] == (4,)


def test_two_of_three_beyond_two_sigma_must_lie_on_one_side():
    assert fired([2.5, 0.0, 2.5], (2,))[2] == (2,) and fired([2.5, 0.0, -2.5], (2,))[2] == ()


def test_a_shift_of_a_sample_is_found():
    rng = np.random.default_rng(3)
    means, spreads = samples([*rng.normal(size=(50, 4)), [9.0, 9.1, 9.2, 9.3]])

    assert 50 in means.signals and 50 not in spreads.signals


def test_sample_limits_agree_with_the_factors_of_the_table():
    rows = [[10.0, 12.0, 14.0]] * 20  # s = 2 by hand; A3(3) = 1.9544, B4(3) = 2.5682: printed table
    means, spreads = samples(rows)

    assert means.high[0] == pytest.approx(12 + 2 * 1.9544, abs=1e-3)
    assert spreads.high[0] == pytest.approx(2 * 2.5682, abs=1e-3)


@pytest.mark.parametrize(("rules", "published"), [((1,), 370.40), ((1, 2), 225.44), ((1, 3), 166.05),
                                                  ((1, 4), 152.73), ((1, 2, 3), 132.89), ((1, 2, 3, 4), 91.75)])
def test_false_alarm_rates_of_run_rules_agree_with_champ_and_woodall(rules, published):
    # Champ and Woodall, Technometrics 29 (1987), table 1, shift 0; from memory
    assert arl(rules) == pytest.approx(published, abs=0.006)


@pytest.mark.parametrize(("weight", "width"), [(0.05, 2.615), (0.1, 2.814), (0.2, 2.962), (0.25, 2.998), (0.4, 3.054)])
def test_weighted_mean_false_alarms_agree_with_lucas_and_saccucci(weight, width):
    # Lucas and Saccucci, Technometrics 32 (1990): these pairs give an in-control run of 500; from memory
    assert ewma_arl(weight, width) == pytest.approx(500, rel=0.005)


def test_weighted_mean_finds_one_sigma_in_about_ten_points():
    # the same table: 10.5 for (0.2, 2.962), 11.1 for (0.25, 2.998), 14.3 for (0.4, 3.054); from memory
    assert [ewma_arl(w, k, 1.0) for w, k in ((0.2, 2.962), (0.25, 2.998), (0.4, 3.054))] == pytest.approx(
        [10.5, 11.1, 14.3], abs=0.06)


def test_a_single_limit_waits_forty_four_points_for_one_sigma():
    assert arl((1,), 1.0) == pytest.approx(43.89, abs=0.01)  # Montgomery, ARL of a Shewhart chart; from memory


def test_more_rules_mean_more_false_alarms():
    assert arl((1, 2, 3, 4)) < arl((1, 2)) < arl((1,))


# e-Handbook 6.3.2.3, data from memory: mean 325, k 0.3175, h 4.1959; it signals at sample 14
GROUPS = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
          328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]


def test_cumulative_sum_agrees_with_the_handbook():
    chart = cusum(GROUPS, 325.0, 0.635, slack=0.5, limit=4.1959 / 0.635)

    assert chart.values[12:15] == pytest.approx([3.0075, 4.9400, 7.4475], abs=1e-4)
    assert min(chart.signals) + 1 == 14


def test_cumulative_sum_of_a_fall_is_drawn_below():
    up, down = (cusum([325 + s * (v - 325) for v in GROUPS], 325.0, 0.635).values for s in (1, -1))

    assert up == pytest.approx(-down)


# e-Handbook 1.3.5.17.3, Rosner's 54 values, from memory: three outliers at 5 %
ROSNER = [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70,
          1.76,
          1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47,
          2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01]


def test_the_many_outlier_test_finds_rosner_s_three():
    far = far_ones(np.array(ROSNER), 0.05)[-1]

    assert sorted(ROSNER[i] for i in far) == [5.34, 5.42, 6.01]


def test_the_many_outlier_test_agrees_with_statsmodels_on_one_outlier():
    # externally studentised residuals of a constant, and their Bonferroni limit
    from statsmodels.stats.outliers_influence import OLSInfluence

    y = np.array([*np.random.default_rng(4).normal(size=12), 4.5])
    residual = OLSInfluence(OLS(y, np.ones(len(y))).fit()).resid_studentized_external
    far = far_ones(y, 0.05)[-1]

    assert list(far) == [12]
    assert far[12] == pytest.approx(residual[12] / stats.t.ppf(1 - 0.05 / 26, 11), rel=1e-9)


def test_capability_agrees_with_the_handbook():
    found = cap.indices(16.0, 2.0, 8.0, 20.0)  # e-Handbook 6.1.6

    assert [found[k] for k in ("cp", "cpk", "cpu", "cpl", "k")] == pytest.approx([1, 2 / 3, 2 / 3, 4 / 3, 1 / 3],
                                                                                 abs=1e-4)


def test_capability_interval_from_fifty_passes():
    # chi-square table; 31.555 and 70.222 at 49 degrees of freedom
    assert cap.cp_interval(1.0, 50) == pytest.approx((math.sqrt(31.555 / 49), math.sqrt(70.222 / 49)), abs=2e-4)


@pytest.mark.parametrize(("n", "bound"), [(10, 0.79), (20, 0.96), (30, 1.03), (50, 1.10), (100, 1.17), (200, 1.21)])
def test_lower_bound_of_capability_needs_many_passes(n, bound):
    # worked separately with the normal approximation of Bissell, Applied Statistics 39 (1990); printed to 0.01
    assert cap.lower_bound(1.33, n) == pytest.approx(bound, abs=0.006)


@pytest.mark.parametrize(("n", "says"), [(24, "24 passes; Cp and Cpk need 25, 1 more"), (30, "")])
def test_indices_are_refused_under_twenty_five_passes(n, says):
    values = np.random.default_rng(6).normal(15, 1, size=n)

    assert cap.capability(values, 5, 25, is_steady=True).why_not == says


def test_indices_are_refused_when_the_measure_is_not_steady():
    values = np.random.default_rng(6).normal(15, 1, size=30)
    found = cap.capability(values, 5, 25, is_steady=False)

    assert "not steady" in found.why_not and math.isnan(found.cpk) and found.share_low > 0.9


def test_indices_are_refused_when_the_camera_is_too_coarse():
    values = np.random.default_rng(6).normal(15, 1, size=30)

    assert "camera" in cap.capability(values, 5, 25, is_steady=True, gauge_share_of_limits=0.4).why_not


@pytest.mark.parametrize(("inside", "n"), [(25, 25), (48, 50), (30, 59)])
def test_the_sure_share_agrees_with_statsmodels(inside, n):
    low, _ = proportion_confint(inside, n, alpha=0.10, method="beta")

    assert cap.share_within(inside, n) == pytest.approx(low, rel=1e-9)


def test_fifty_nine_passes_without_one_outside_make_ninety_five_per_cent():
    # ln 0.05 / ln 0.95 = 58.4: the well-known 59 of distribution-free tolerance limits (Wilks 1941)
    assert cap.more_needed(0, 0) == 59 and cap.more_needed(30, 30) == 29


@pytest.mark.parametrize("law", ["normal", "lognormal", "weibull", "bounded"])
@pytest.mark.parametrize("n", [25, 50])
def test_the_sure_share_holds_whatever_the_law(law, n):
    # 4000 draws at each of four true shares: one rate below 94 % has a chance of 0.2 % when the true ones are 95 %
    from tests.benchmarks.capability import coverage

    assert coverage(law, n, 4000) >= 0.94


def test_repeats_leave_the_spread_and_set_ups_the_mean():
    # hand 0.8, camera repeats 0.6, set-ups 0.5: within a set-up sqrt(0.64 + 0.36) = 1
    rng = np.random.default_rng(5)
    setups = np.repeat([str(i) for i in range(400)], 10)
    found = [hand_spread(rng.normal(15, 1.0, 4000) + np.repeat(rng.normal(0, 0.5, 400), 10), setups, 0.6, 0.5)]

    assert found[0].hand == pytest.approx(0.8, rel=0.05) and found[0].camera_share == pytest.approx(0.36, rel=0.05)


def test_the_spread_within_set_ups_agrees_with_a_mixed_model_of_statsmodels():
    import pandas as pd
    from statsmodels.formula.api import mixedlm

    rng = np.random.default_rng(8)
    setups = np.repeat([str(i) for i in range(12)], 6)
    values = rng.normal(15, 0.7, 72) + np.repeat(rng.normal(0, 1.5, 12), 6)
    model = mixedlm("y ~ 1", pd.DataFrame({"y": values, "s": setups}), groups="s").fit()

    assert hand_spread(values, list(setups), 0.0, 0.0).within ** 2 == pytest.approx(model.scale, rel=1e-4)


def test_a_set_up_s_error_does_not_average_out_over_its_passes():
    found = hand_spread(np.random.default_rng(5).normal(15, 1.0, 400), ["one"] * 400, 0.6, 0.5)

    assert found.mean_sigma == pytest.approx(math.hypot(0.5, 0.05), rel=0.01)


def test_the_mean_s_doubt_holds_though_only_three_set_ups_were_studied():
    # hand 0.8, repeats 0.4, set-ups 0.5; 90 % are asked for, 1.645 standard errors would hold in 81 %; 400 runs
    rng, inside = np.random.default_rng(2), 0
    names = [f"s{i}" for i in range(4) for _ in range(15)]
    for _ in range(400):
        height = np.arange(10)[:, None, None] * 2.0
        found = study(crossed_anova(height + rng.normal(0, 0.5, (1, 3, 1)) + rng.normal(0, 0.4, (10, 3, 3))))
        passes = 15 + rng.normal(0, 0.8, 60) + np.repeat(rng.normal(0, 0.5, 4), 15) + rng.normal(0, 0.4, 60)
        hand = hand_spread(passes, names, found.repeat_sigma, found.setup_sigma, 3)
        inside += abs(passes.mean() - 15) <= hand.mean_half

    assert inside / 400 >= 0.84


def test_crossed_study_agrees_with_the_published_mean_squares():
    found = crossed_anova(CROSSED)

    assert [found.parts, found.setups, found.interaction, found.error] == pytest.approx(
        [9.81799, 1.58363, 0.01994, 0.04598], abs=6e-6)


def test_crossed_study_agrees_with_the_published_variances():
    s = study(PUBLISHED, width_mm=8.0)

    assert [s.repeat, s.setup, s.camera, s.part, s.total] == pytest.approx(
        [0.03997, 0.05146, 0.09143, 1.08645, 1.17788], abs=1e-5)  # the printed total is a sum of rounded numbers
    assert [100 * s.share_of_variance, 100 * s.share_of_spread, 100 * s.share_of_limits] == pytest.approx(
        [7.76, 27.86, 22.68], abs=0.006)
    assert s.classes == 4 and s.pooled


def test_crossed_study_agrees_with_statsmodels_when_the_interaction_counts():
    import pandas as pd

    rng = np.random.default_rng(8)
    x = rng.normal(size=(5, 3, 4)) + rng.normal(size=(5, 3, 1)) * 2 + rng.normal(size=(5, 1, 1)) * 5
    p, s, _ = np.indices(x.shape)
    table = anova_lm(ols("y ~ C(p) * C(s)", pd.DataFrame({"y": x.ravel(), "p": p.ravel(), "s": s.ravel()})).fit())

    found = crossed_anova(x)

    assert [found.parts, found.setups, found.interaction, found.error] == pytest.approx(list(table["mean_sq"]))
    assert found.interaction_p == pytest.approx(table["PR(>F)"].iloc[2])


def test_a_missing_reading_stops_the_study():
    x = CROSSED.copy()
    x[0, 0, 0] = math.nan

    with pytest.raises(ValueError, match="not known"):
        crossed_anova(x)


def test_one_way_analysis_agrees_with_the_certified_file():
    rows = np.loadtxt(Path(__file__).parents[1] / "data" / "compare" / "SiRstv.dat", skiprows=60)
    found = one_way([rows[rows[:, 0] == i, 1] for i in range(1, 6)])

    # certified values of NIST StRD SiRstv
    assert found["f"] == pytest.approx(1.18046237440255, rel=1e-8)
    assert found["residual_sd"] == pytest.approx(0.104076068334656, rel=1e-10)
    assert [found["between"], found["within"]] == pytest.approx([0.0511462616, 0.216636560], rel=1e-8)


@given(st.lists(st.floats(-100, 100), min_size=20, max_size=60), st.floats(-50, 50), st.floats(0.1, 10))
def test_limits_follow_a_change_of_unit(values, offset, factor):
    chart, other = individuals(values), individuals([offset + factor * v for v in values])

    np.testing.assert_allclose(other.centre, offset + factor * chart.centre, rtol=1e-6, atol=1e-6)
    if chart.trust is not Trust.NONE and other.trust is not Trust.NONE:
        np.testing.assert_allclose(other.high - other.low, factor * (chart.high - chart.low), rtol=1e-6, atol=1e-6)
