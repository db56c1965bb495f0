"""What makes a pass odd: the limits for one more like pass, the camera's doubt, and what matters."""

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from monitor.repeat.compare.odd import (
    chances,
    differing_passes,
    far_ones,
    matters,
    odd_passes,
    pick_reference,
    traces_in_percent,
    usual,
)
from monitor.repeat.compare.rates import alpha_of, singles
from tests.compare.test_compare import one
from tests.monitor.make import job

HEIGHTS = [14.2, 15.4, 15.0, 14.7, 15.9, 15.1, 14.4, 15.6]


def heights_of(values, **others):
    return [one(i, height=h, **others) for i, h in enumerate(values)]


def test_one_more_like_value_lies_within_student_s_prediction_limits():
    # prediction interval of one more of m values, shared among m + 1 by Bonferroni
    y = np.array(HEIGHTS)
    centre, half, sigmas, far = far_ones(y, 0.02)

    assert far == {} and centre == pytest.approx(y.mean())
    assert sigmas == pytest.approx(stats.t.ppf(1 - 0.01 / 9, 7))
    assert half == pytest.approx(sigmas * y.std(ddof=1) * math.sqrt(9 / 8))


def test_a_spread_below_the_least_is_not_taken():
    centre, half, sigmas, _ = far_ones(np.array([4.0, 4.0, 4.0, 4.1]), 0.05, least=0.3)

    assert half == pytest.approx(sigmas * 0.3 * math.sqrt(5 / 4))


def test_two_far_values_that_hide_each_other_are_both_found():
    y = np.array([*HEIGHTS, 26.0, 27.0])

    far = far_ones(y, 0.05)[-1]

    assert set(far) == {8, 9} and far[9] > far[8] > 1


def test_three_values_may_hold_one_far_one():
    assert set(far_ones(np.array([5.0, 5.0, 9.0]), 0.05, least=0.01)[-1]) == {2}


def test_the_usual_range_of_a_time_is_even_in_factors():
    passes = [one(i, dwell=d) for i, d in enumerate([2.5, 3.0, 3.4, 2.8, 3.9, 3.1])]
    here = usual(passes, "dwell_s", job(), 0.02)

    assert here.high / here.centre == pytest.approx(here.centre / here.low)
    assert here.centre == pytest.approx(stats.gmean([2.5, 3.0, 3.4, 2.8, 3.9, 3.1]))


def test_two_known_values_tell_nothing_usual():
    passes = heights_of([15.0, 16.0, math.nan])

    assert math.isnan(usual(passes, "height_mean_mm", job(), 0.02).centre)


def test_indices_count_the_passes_that_are_not_known():
    values = [math.nan, *HEIGHTS, math.nan, 40.0]

    assert set(usual(heights_of(values), "height_mean_mm", job(), 0.02).far) == {10}


def test_a_steady_hand_is_taken_to_scatter_by_a_twelfth_of_what_matters():
    here = usual(heights_of([15.0, 15.0, 15.0, 15.0]), "height_mean_mm", job(), 0.02)

    spread = job().matters.height_mm / 12
    assert here.high - here.centre == pytest.approx(stats.t.ppf(1 - 0.01 / 5, 3) * spread * math.sqrt(5 / 4))


@pytest.mark.parametrize(("key", "bar"), [("dwell_s", "dwell_share"), ("energy_j", "heat_share"),
                                          ("energy_even_j", "heat_share")])
def test_times_and_heat_matter_by_shares(key, bar):
    assert matters(key, -8.0, job()) == pytest.approx(8.0 * getattr(job().matters, bar))


@pytest.mark.parametrize(("key", "bar"), [("height_mean_mm", "height_mm"), ("height_drift_mm", "height_mm"),
                                          ("height_sd_mm", "wander_mm"), ("coverage", "swept_share"),
                                          ("tilt_mean_deg", "tilt_deg")])
def test_other_measures_matter_by_the_job_s_bars(key, bar):
    assert matters(key, 15.0, job()) == getattr(job().matters, bar)  # which are all unlike


@pytest.mark.parametrize(("setup", "sigma", "studied", "is_odd"), [
    ("same", 0.1, math.nan, True),     # 3.2 mm against 0.16
    ("same", 2.2, math.nan, False),    # against 1.645 x 2.2 = 3.6
    ("same", 2.2, 0.3, True),          # repeats were studied: 1.645 x 1.41 x 0.3 = 0.7
    ("same", 0.1, 1.6, False),         # 1.645 x 1.41 x 1.6 = 3.7
    ("other", 1.5, math.nan, False),   # set-ups differ: both sigmas count, 1.645 x 2.1 = 3.5
    ("other", 1.2, 0.01, True),        # 1.645 x 1.70 = 2.8
])
def test_a_pass_must_differ_by_more_than_the_camera_s_doubt(setup, sigma, studied, is_odd):
    passes = [*heights_of([15.0] * 7, sigma=sigma), one(7, height=18.2, sigma=sigma, setup=setup)]

    found = odd_passes(passes, job(), studied)

    assert [(o.index, o.key) for o in found] == ([(7, "height_mean_mm")] if is_odd else [])


def test_a_sigma_that_is_not_known_adds_no_doubt():
    passes = heights_of([15.0] * 7 + [18.2], sigma=math.nan)

    assert [o.index for o in odd_passes(passes, job())] == [7]


def test_an_odd_pass_tells_value_others_and_by_how_much_it_is_beyond():
    found, = odd_passes(heights_of([*HEIGHTS, 30.0]), job())
    here = usual(heights_of([*HEIGHTS, 30.0]), "height_mean_mm", job(), chances(heights_of([*HEIGHTS, 30.0]))[
        "height_mean_mm"])

    assert (found.value, found.word) == (30.0, "high") and found.others == pytest.approx(np.mean(HEIGHTS))
    assert found.score == pytest.approx((30 - here.centre) / (here.high - here.centre))


def test_heat_stands_behind_its_causes_and_the_oddest_first():
    passes = [*(one(i, height=h, dwell=3 + h / 50) for i, h in enumerate(HEIGHTS)), one(8, height=30, dwell=9, heat=40)]

    found = odd_passes(passes, job())

    estimated = [o.key.startswith("energy") for o in found]
    assert estimated == sorted(estimated) and any(estimated) and not all(estimated)
    causes = [o.score for o in found if not o.key.startswith("energy")]
    assert causes == sorted(causes, reverse=True) and len(causes) >= 2


@pytest.mark.parametrize("n", [7, 8])
def test_the_chances_of_all_measures_add_up_to_what_other_tests_leave(n):
    found = chances(heights_of([15.0] * n))

    assert sum(found.values()) == pytest.approx(0.05 if n < 8 else 0.05 - 3 * 0.004)
    assert found["height_mean_mm"] == pytest.approx(3 * found["tilt_mean_deg"])


def test_operators_and_samples_take_their_share_of_the_chance():
    assert singles(7, 8, has_operators=True, has_samples=True) == pytest.approx(0.05 - 0.008)
    assert singles(7, 8, has_operators=False, has_samples=True) == pytest.approx(0.05 - 0.004)


def test_a_measure_that_is_not_among_the_known_still_takes_its_share():
    assert alpha_of("coverage", ["dwell_s"], 0.04) == pytest.approx(0.01)


def test_a_measure_known_of_two_passes_takes_no_share():
    passes = [dataclasses.replace(p, values=p.values | ({"tilt_mean_deg": math.nan} if i > 1 else {}))
              for i, p in enumerate(heights_of([15.0] * 5))]

    assert "tilt_mean_deg" not in chances(passes) and "coverage" in chances(passes)


def test_of_twenty_passes_none_is_named_that_may_be_chance():
    wide = [13.0, 17.0] * 9

    assert differing_passes(heights_of([*wide, 15.0, 18.6]), job()) == []
    assert [o.index for o in differing_passes(heights_of([15.0] * 18 + [18.6]), job())] == [18]


def test_what_is_odd_already_is_not_told_again_as_chance():
    passes = heights_of([15.0] * 7 + [18.6])
    odd = odd_passes(passes, job())

    assert [o.index for o in odd] == [7] and differing_passes(passes, job(), odd=odd) == []


@pytest.mark.parametrize(("n_high", "named"), [(2, [6, 7]), (3, [])])
def test_more_than_one_of_four_that_differ_are_a_hand_that_scatters(n_high, named):
    high = [18.0, 18.2, 18.4][:n_high]
    passes = heights_of([15.0] * (8 - n_high) + high)

    assert sorted(o.index for o in differing_passes(passes, job())) == named


def test_what_may_be_chance_scores_below_one_and_tells_the_others_middle():
    found, = differing_passes(heights_of([14.8, 15.0, 15.4, 18.6]), job())

    assert found.score < 1 and found.others == 15.0 and found.value == 18.6


def test_traces_are_laid_on_shares_of_their_time():
    curves = traces_in_percent([one(0, dwell=3.0, bump=1.0), one(1, dwell=6.0, height=17.0)])

    t = np.linspace(0, 3.0, 31)
    np.testing.assert_allclose(curves[0][::10], np.interp(np.linspace(0, 3.0, 11), t, 15 + np.sin(6 * t)))
    assert (curves[1] == 17.0).all() and curves.shape == (2, 101)


def test_the_reference_is_taken_from_the_warned_where_all_are():
    passes = heights_of([15.0, 16.0, 21.0], warnings=["too high"])

    assert pick_reference(passes) == 1


def test_one_trace_is_its_own_reference_and_none_has_none():
    blind = dataclasses.replace(one(0), height_mm=np.full(31, np.nan))

    assert pick_reference([blind, one(1)]) == 1 and pick_reference([blind]) is None
