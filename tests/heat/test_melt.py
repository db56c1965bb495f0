"""What seen melts teach: one temperature, the members, and the shelf."""

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.heat.estimate import HeatEstimator
from monitor.heat.melt import LAW, MeltLearner, MeltSight, scalar_update
from monitor.heat.taught import SHARED, board_key, keep_melts, melt_of, read_melts, taught
from monitor.heat.uncertainty import PARAMETERS, prior
from tests.heat.cases import hold, job


def test_a_crossing_that_fits_sharpens_as_two_normal_laws_do():
    # product of two normal laws: precision adds (Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.5)
    mean, sigma, wrong = scalar_update(LAW["settled"], 210.0, 20.0, 217.0, 10.0)

    precision = 1 / 20**2 + 1 / 10**2
    assert sigma == pytest.approx(precision**-0.5, rel=0.05)
    assert mean == pytest.approx((210 / 400 + 217 / 100) / precision, abs=0.3)
    assert wrong < 0.05


def test_one_that_does_not_fit_at_all_is_left_aside():
    mean, sigma, wrong = scalar_update(LAW["settled"], 120.0, 15.0, 217.0, 8.0)

    assert wrong > 0.9 and mean == pytest.approx(120.0, abs=3.0) and sigma > 13.0


@pytest.mark.parametrize("kind, way", [("molten", 1), ("solid", -1)])
def test_an_inequality_pushes_to_its_side_only(kind, way):
    mean, sigma, _ = scalar_update(LAW[kind], 217.0, 20.0, 217.0, 8.0)
    far, _, _ = scalar_update(LAW[kind], 217.0 + way * 60, 20.0, 217.0, 8.0)

    assert way * (mean - 217.0) > 5.0 and sigma < 20.0
    assert far == pytest.approx(217.0 + way * 60, abs=0.5)


@settings(max_examples=30, suppress_health_check=[HealthCheck.too_slow])
@example("settled", 50.0, 2.0, 2.0)
@given(st.sampled_from(sorted(LAW)), st.floats(50, 300), st.floats(2, 40), st.floats(2, 20))
def test_a_sight_never_widens_the_law(kind, mean_c, sigma_k, noise_k):
    after, spread, wrong = scalar_update(LAW[kind], mean_c, sigma_k, 217.0, noise_k)

    assert spread <= sigma_k + 1e-9 and math.isfinite(after) and 0.0 <= wrong <= 1.0


@pytest.fixture(scope="module")
def heated():
    estimator = HeatEstimator(job())
    hold(estimator, 18.0)
    return estimator


def fresh(estimator):
    estimator.learner = estimator.learner.fresh()
    return estimator


def test_a_seen_melt_narrows_the_band_of_the_joint_and_of_what_goes_with_it(heated):
    estimator = fresh(heated)
    before = estimator.chain.sites()
    lesson = estimator.see(MeltSight(18.0, "settled"))
    after = estimator.learner.told(before.joint_corner)

    assert lesson.after_c[1] < lesson.before_c[1]
    assert after[1:33].std() < 0.8 * before.joint_corner[1:33].std()
    assert estimator.learner.told(before.package_top)[1:33].std() < before.package_top[1:33].std()


def test_what_the_chain_leaves_out_is_not_counted_twice():
    members = 210.0 + np.array([0.0, *np.tile([20.0, -20.0], 16)])
    learner = MeltLearner(np.zeros((8, 33)), np.zeros((3, 33)), 33)
    lesson = learner.see(MeltSight(5.0, "settled"), members, 4.0, 220.0, 3.0)
    noise = math.hypot(4.0 * LAW["settled"].lag_sigma_s, 2.0)

    # precision adds (Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.5); that one sight in twenty is wrong
    # widens it a little, and the band adds the 3 K of its own
    alone = (1 / (20.0**2 + 3.0**2) + 1 / noise**2) ** -0.5
    assert alone < math.hypot(learner.told(members)[1:].std(), 3.0) < 1.2 * alone
    assert alone < lesson.after_c[1] < 1.2 * alone


def test_taking_a_sight_back_leaves_what_was_before(heated):
    estimator = fresh(heated)
    first, second = MeltSight(18.0, "settled"), MeltSight(18.0, "molten", "k1")
    estimator.see(first)
    once = estimator.learner.told(estimator.chain.sites().joint_corner).copy()
    estimator.see(second)
    estimator.forget(second)

    np.testing.assert_allclose(estimator.learner.told(estimator.chain.sites().joint_corner), once)


def melt(heated, key="a", kind="settled", setup=None):
    lesson = fresh(heated).see(MeltSight(18.0, kind))
    return melt_of(lesson, setup or job(), key)


def test_the_shelf_teaches_station_and_nozzle_to_another_board_but_not_the_board(heated):
    knowledge, _ = taught(prior(), (melt(heated),), "another board")
    spread = dict(zip(PARAMETERS, np.sqrt(np.diag(knowledge.cov)), strict=True))

    assert min(spread[name] for name in SHARED) < 0.95
    assert all(spread[name] == pytest.approx(1.0, abs=1e-6) for name in PARAMETERS if name not in SHARED)


def test_ten_melts_on_one_board_teach_another_less_than_ten_boards(heated):
    from dataclasses import replace
    one = melt(heated)
    same = taught(prior(), (one,) * 10, "another")[0]
    ten = taught(prior(), tuple(replace(one, board=f"b{i}") for i in range(10)), "another")[0]
    row = np.array(one.per_score_k)

    assert row @ ten.cov @ row < row @ same.cov @ row


def test_one_wrong_mark_among_five_does_little_harm_and_is_found(heated):
    from dataclasses import replace
    good = [replace(melt(heated), board=f"b{i}") for i in range(4)]
    bad = replace(good[0], board="b9", mark_c=good[0].mark_c - 120.0)
    clean, _ = taught(prior(), tuple(good), "another")
    knowledge, wrong = taught(prior(), (*good, bad), "another")
    row = np.array(good[0].per_score_k)

    assert wrong[-1] > 0.5 and max(wrong[:-1]) < 0.5
    assert abs(row @ (knowledge.mean - clean.mean)) < 4.0


def test_melts_come_back_from_the_shelf_and_a_rerun_takes_their_place(heated, tmp_path):
    first = melt(heated, "rec 1")
    keep_melts(tmp_path, (first,), "rec 1")
    keep_melts(tmp_path, (melt(heated, "rec 2"),), "rec 2")
    keep_melts(tmp_path, (first,), "rec 1")

    assert [m.recording for m in read_melts(tmp_path)] == ["rec 2", "rec 1"]
    assert read_melts(tmp_path)[1] == first


@pytest.mark.parametrize("text", ["{", "[]", '{"scores": [], "melts": []}', '{"melts": [{"kind": 1}]}'])
def test_a_damaged_shelf_is_said_in_one_line(tmp_path, text):
    (tmp_path / "melts.json").write_text(text)

    with pytest.raises(InputError, match="melts.json"):
        read_melts(tmp_path)


def test_boards_that_differ_have_different_keys():
    from dataclasses import replace
    setup = job()

    assert board_key(setup) != board_key(replace(setup, board=replace(setup.board, thickness_m=2.0e-3)))
