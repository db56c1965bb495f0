"""What one sight of a melt teaches, against integrals and regressions by other means."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from monitor.heat.melt import LAW, Law, Lesson, MeltLearner, MeltSight, scalar_update

N = 33


def posterior(law, mean_c, sigma_k, mark_c, noise_k):
    """Mean, spread and chance of a wrong sight by quadrature; a wrong one is as likely anywhere within 150 K."""
    def likelihood(c, wrong):
        if wrong:
            return 0.05 * (1 / 150.0 if law.is_crossing else 0.5)
        right = norm.pdf(c, mark_c, noise_k) if law.is_crossing else norm.cdf((c - mark_c) / noise_k * (
            1 if law.is_above else -1))
        return 0.95 * right

    def moment(of, wrongs=(False, True)):
        return sum(quad(lambda c: of(c) * norm.pdf(c, mean_c, sigma_k) * likelihood(c, w), mean_c - 6 * sigma_k,
                        mean_c + 6 * sigma_k, limit=200)[0] for w in wrongs)

    total = moment(lambda c: 1.0)
    mean = moment(lambda c: c) / total
    return mean, math.sqrt(moment(lambda c: (c - mean) ** 2) / total), moment(lambda c: 1.0, (True,)) / total


@pytest.mark.parametrize("kind", LAW)
@pytest.mark.parametrize("mean_c, sigma_k, noise_k", [(205.0, 14.0, 6.0), (231.0, 9.0, 8.0), (216.0, 20.0, 4.0)])
def test_update_is_the_posterior_of_its_law(kind, mean_c, sigma_k, noise_k):
    mean, spread, wrong = scalar_update(LAW[kind], mean_c, sigma_k, 217.0, noise_k)
    expected = posterior(LAW[kind], mean_c, sigma_k, 217.0, noise_k)

    assert (mean, wrong) == pytest.approx(expected[::2], rel=1e-3)
    assert spread == pytest.approx(min(expected[1], sigma_k), rel=1e-3)


def made(n_beyond=4, seed=5):
    """Members whose coldest joint is linear in their scores and inputs, and a few beyond that stand apart."""
    rng = np.random.default_rng(seed)
    scores, inputs = rng.normal(size=(8, N + n_beyond)), rng.normal(size=(3, N + n_beyond))
    scores[:, 0] = inputs[:, 0] = 0.0
    slopes, errors = rng.uniform(-9, 9, 8), np.array([5.0, -3.0, 2.0])
    coldest = 212.0 + slopes @ scores + errors @ inputs
    return MeltLearner(scores, inputs, N), coldest, slopes, errors


def test_members_keep_their_order_about_the_new_mean():
    learner, coldest, *_ = made()
    lesson = learner.see(MeltSight(9.0, "settled"), coldest, 2.0, 220.0, 3.0)
    known = coldest[1:N]

    whole, noise = math.hypot(known.std(), 3.0), math.hypot(2.0 * 1.5, 2.0)
    mean, left, wrong = scalar_update(LAW["settled"], known.mean(), whole, 220.0 + 2.0 * 1.0, noise)
    after = math.sqrt(left**2 - 3.0**2)
    np.testing.assert_allclose(learner.told(coldest), mean + after / known.std() * (coldest - known.mean()), rtol=1e-9)
    assert lesson.before_c == pytest.approx((known.mean(), whole))
    assert lesson.after_c == pytest.approx((mean, left)) and lesson.wrong == pytest.approx(wrong)
    assert (lesson.slope_k_s, lesson.liquidus_c, lesson.form_sigma_k) == (2.0, 220.0, 3.0)


def test_other_quantities_follow_by_their_regression_on_the_coldest_joint():
    learner, coldest, *_ = made()
    other = 90.0 + 0.3 * coldest + np.random.default_rng(1).normal(0, 5, coldest.size)
    learner.see(MeltSight(9.0, "settled"), coldest, 2.0, 220.0, 3.0)

    slope = np.polyfit(coldest[1:N], other[1:N], 1)[0]
    moved = learner.told(coldest) - coldest
    np.testing.assert_allclose(learner.told(np.stack([other, 2 * other])), np.outer([1, 2], other + slope * moved))


def test_second_sight_builds_on_the_first():
    learner, coldest, *_ = made()
    learner.see(MeltSight(9.0, "settled"), coldest, 2.0, 220.0, 3.0)
    between = learner.told(coldest)
    alone = MeltLearner(np.zeros((8, N + 4)), np.zeros((3, N + 4)), N)
    alone.see(MeltSight(10.0, "solid"), between, 1.0, 220.0, 3.0)
    learner.see(MeltSight(10.0, "solid"), coldest, 1.0, 220.0, 3.0)

    np.testing.assert_allclose(learner.told(coldest), alone.told(between), rtol=1e-9)


def test_spread_never_falls_below_its_least_share():
    learner, coldest, *_ = made()
    lesson = learner.see(MeltSight(9.0, "settled"), coldest, 0.1, 215.0, 25.0)
    left = math.hypot(lesson.after_c[1], 0.0)

    spread = learner.told(coldest)[1:N].std()  # the form's 25 K are more than all that is left
    whole, noise = math.hypot(coldest[1:N].std(), 25.0), math.hypot(0.5 * 1.5, 2.0)
    _, before, _ = scalar_update(LAW["settled"], coldest[1:N].mean(), whole, 215.0 + 0.5, noise)
    assert spread == pytest.approx(0.3 * before) and left == pytest.approx(math.hypot(spread, 25.0))
    assert lesson.slope_k_s == 0.5  # the least


def test_spread_is_never_widened():
    learner, coldest, *_ = made()
    narrow = 212.0 + (coldest - 212.0) * 0.02
    learner.see(MeltSight(9.0, "molten"), narrow, 1.0, 220.0, 8.0)

    # members that lie so near to one another count as half a kelvin wide; what is left does not exceed that
    told = learner.told(narrow)
    assert told[1:N].std() <= narrow[1:N].std() * (1 + 1e-9)


def test_lesson_holds_the_line_through_the_members():
    learner, coldest, slopes, errors = made()
    lesson = learner.see(MeltSight(9.0, "settled"), coldest, 2.0, 220.0, 3.0)

    assert lesson.at_zero_c == pytest.approx(212.0)
    np.testing.assert_allclose(lesson.per_score_k, slopes, rtol=1e-6)
    assert lesson.input_sigma_k == pytest.approx(math.sqrt((errors**2).sum()))


def test_line_leans_on_the_members_near_to_the_sight():
    learner, coldest, *_ = made()
    bent = coldest + 0.004 * (coldest - 200.0) ** 2
    lesson = learner.see(MeltSight(9.0, "settled"), bent, 2.0, 220.0, 3.0)
    rng = np.random.default_rng(5)
    scores, inputs = rng.normal(size=(8, N + 4)), rng.normal(size=(3, N + 4))
    rows, values = np.vstack([np.ones(N - 1), scores[:, 1:N], inputs[:, 1:N]]), bent[1:N]

    whole, noise = math.hypot(values.std(), 3.0), math.hypot(3.0, 2.0)
    weight = np.exp(-0.5 * ((values - 222.0) / (1.5 * math.hypot(whole, noise))) ** 2)
    line = np.linalg.solve((rows * weight) @ rows.T, (rows * weight) @ values)
    assert lesson.at_zero_c == pytest.approx(line[0], rel=1e-3)
    np.testing.assert_allclose(lesson.per_score_k, line[1:9], rtol=0.02, atol=0.05)


def test_sight_taken_back_is_unlearned_and_the_rest_stays():
    learner, coldest, *_ = made()
    first, second = MeltSight(9.0, "settled"), MeltSight(10.0, "solid", "k1")
    learner.see(first, coldest, 2.0, 220.0, 3.0)
    once = learner.told(coldest)
    learner.see(second, coldest, 2.0, 220.0, 3.0)
    learner.forget(second)

    np.testing.assert_allclose(learner.told(coldest), once)
    assert [lesson.sight for lesson in learner.lessons] == [first]
    learner.forget(first)
    assert learner.told(coldest) is coldest and learner.fresh().lessons == ()


def seen(*kinds):
    learner, coldest, *_ = made()
    for t_s, kind in kinds:
        learner.see(MeltSight(t_s, kind), coldest + 6.0, 2.0, 220.0, 3.0)
    return learner.molten_s


def test_molten_is_told_by_the_last_sight_that_is_believed():
    assert math.isnan(seen())
    assert seen((4.0, "molten"), (9.0, "sprang_back")) == seen((9.0, "sprang_back"), (4.0, "molten")) == 9.0
    assert math.isnan(seen((4.0, "molten"), (9.0, "solid")))
    assert seen((9.0, "molten"), (4.0, "solid")) == 9.0


def test_sight_that_is_more_likely_wrong_is_left_aside():
    learner, coldest, *_ = made()
    learner.see(MeltSight(4.0, "molten"), coldest, 2.0, 220.0, 3.0)
    learner.see(MeltSight(9.0, "solid"), coldest + 80.0, 2.0, 220.0, 3.0)

    assert learner.lessons[1].wrong > 0.5 and learner.lessons[1].is_left_aside and learner.molten_s == 4.0


@pytest.mark.parametrize("wrong, aside", [(0.5, False), (0.51, True)])
def test_sight_is_left_aside_from_even_odds_on(wrong, aside):
    lesson = Lesson(MeltSight(0.0, "molten"), (0, 1), (0, 1), 220.0, wrong, 1.0, 0.0, np.zeros(8), 1.0, 1.0)

    assert lesson.is_left_aside is aside


def test_laws_of_the_sights_are_told_apart():
    assert {kind: (law.is_crossing, law.is_above) for kind, law in LAW.items()} == {
        "settled": (True, True), "sprang_back": (False, True), "molten": (False, True), "solid": (False, False)}
    assert isinstance(LAW["settled"], Law)
