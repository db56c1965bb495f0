"""What is reported of a tool, by its probability and by how well its height and lean are known."""

from dataclasses import replace

import numpy as np
import pytest

from vision.track.estimate import spread_over, status_of, steady
from vision.track.hypothesis import Hypothesis
from vision.track.kalman import Motion, start_state
from vision.types import TrackStatus

DOWN = np.array([0.0, 0.0, -1.0])


def status(probability=0.99, height_mm=12.0, axis=DOWN, height_sigma_mm=0.5, lean_sigmas_deg=(0.5, 0.5)):
    """A tool whose outlet's height and jet's x and y are known so well."""
    cov = np.zeros((6, 6))
    cov[:3, :3] = np.diag([0.01, 0.01, height_sigma_mm**2])
    cov[3:5, 3:5] = np.diag(np.radians(lean_sigmas_deg) ** 2)
    return status_of(probability, height_mm, axis, cov)


@pytest.mark.parametrize(("probability", "told"), [(0.4, TrackStatus.TENTATIVE), (0.6, TrackStatus.VAGUE),
                                                   (0.94, TrackStatus.VAGUE), (0.96, TrackStatus.TRACKING)])
def test_what_is_told_goes_by_the_probability_that_a_tool_is_there(probability, told):
    assert status(probability)[0] is told


@pytest.mark.parametrize(("sigma_mm", "told"), [(3.9, TrackStatus.TRACKING), (4.1, TrackStatus.VAGUE)])
def test_a_height_is_told_when_it_is_known_to_four_millimetres(sigma_mm, told):
    assert status(height_sigma_mm=sigma_mm)[0] is told


@pytest.mark.parametrize("sigmas_deg", [(0.5, 5.0), (5.0, 0.5), (5.0, 5.0)])
def test_a_lean_that_is_unknown_in_one_direction_alone_is_unknown(sigmas_deg):
    assert status(lean_sigmas_deg=sigmas_deg)[0] is TrackStatus.VAGUE


@pytest.mark.parametrize(("tilt_deg", "told"), [(55.0, TrackStatus.TRACKING), (65.0, TrackStatus.VAGUE)])
def test_a_tool_tilted_past_sixty_degrees_lies_parked(tilt_deg, told):
    tilt = np.radians(tilt_deg)
    found, why = status(axis=np.array([0.0, np.sin(tilt), -np.cos(tilt)]))

    assert found is told and ("parked" in why) == (told is TrackStatus.VAGUE)


def test_a_height_surely_below_the_board_is_not_told_and_one_that_may_touch_it_is():
    assert status(height_mm=-5.0)[0] is TrackStatus.VAGUE
    assert status(height_mm=-0.3)[0] is TrackStatus.TRACKING


MOTION = Motion(np.zeros(0), np.zeros((0, 0)))


def followed(pose, log_odds, seen_s=5.0, seed=1, log_right=50.0):
    """A hypothesis that has been seen for so long, with the log odds that it is in the right place."""
    root = np.eye(6) * [0.3, 0.4, 0.8, 0.01, 0.02, 0.1] + 0.002 * np.random.default_rng(seed).normal(size=(6, 6))
    state = start_state(9.0, np.array(pose, float), root @ root.T, MOTION)
    state = replace(state, steady_cov=np.diag([0.01, 0.02, 0.04, 1e-5, 2e-5]))
    return Hypothesis(state, log_odds, 9.0, 9.0 - seen_s, 9.0, None, 0.0, 1.0, log_right)


def told_cov(*hypotheses):
    return spread_over(list(hypotheses), [h.state for h in hypotheses])


AT, ELSEWHERE = (3.0, -4.0, 15.0, 0.2, -0.1, 0.3), (4.0, -4.5, 22.0, 0.1, -0.25, 0.3)


def test_one_pose_that_is_followed_is_known_as_the_filter_has_shown_with_what_is_alike_in_all_frames():
    h = followed(AT, 5.0)

    expected = 0.4 * h.state.cov[:5, :5] + h.state.steady_cov
    np.testing.assert_allclose(told_cov(h)[:5, :5], expected, rtol=1e-4)
    # a unit vector's z changes by -x/z and -y/z with its x and y
    slope = np.array([0, 0, 0, 0.2, -0.1]) / np.sqrt(1 - 0.05)
    assert told_cov(h)[5, 5] == pytest.approx(slope @ expected @ slope, rel=1e-4)


def test_a_track_that_has_just_begun_is_known_less_well_than_one_that_is_followed():
    first, soon, late = (told_cov(followed(AT, 5.0, seen_s))[2, 2] for seen_s in (0.0, 0.3, 5.0))

    assert first == pytest.approx(3 * late) and soon == pytest.approx((1 + 2 * np.exp(-1)) * late)


def test_a_place_that_may_be_another_is_known_as_far_as_others_lie_away():
    sure, doubted = (told_cov(followed(AT, 5.0, log_right=odds)) for odds in (50.0, np.log(9.0)))

    np.testing.assert_allclose(np.diag(doubted - sure)[:3], [1.6, 1.6, 4.9], rtol=1e-6)  # a tenth of 4, 4, 7 mm squared
    assert (doubted - sure)[3, 3] == pytest.approx(0.1 * 0.1**2)


def test_two_poses_make_a_band_that_holds_both_by_their_odds():
    one, other = followed(AT, np.log(6.0)), followed(ELSEWHERE, np.log(2.0), seed=2)

    apart = np.array([1.0, -0.5, 7.0])  # 6 : 2 to each other, whatever is said of no tool at all
    expected = 0.75 * told_cov(one)[:3, :3] + 0.25 * (told_cov(other)[:3, :3] + np.outer(apart, apart))
    np.testing.assert_allclose(told_cov(one, other)[:3, :3], expected)


def test_what_no_number_of_frames_takes_away_grows_with_the_edges_doubt_and_the_way_in_an_open_shutter():
    edges = np.diag([0.2, 0.3, 0.5, 1e-4, 2e-4])

    np.testing.assert_allclose(steady(edges, 4.0) - steady(np.zeros((5, 5)), 4.0), 0.11 * edges)
    np.testing.assert_allclose(np.diag(steady(edges, 4.0) - steady(edges, 0.0)), [0.64, 0.64, 0.64, 0, 0])
    assert np.sqrt(np.diag(steady(np.zeros((5, 5)), 0.0)))[:3].tolist() == pytest.approx([0.15, 0.15, 0.22])
