"""What is reported of a tool, by its probability and by how well its height and lean are known."""

import numpy as np
import pytest

from vision.track.estimate import judged
from vision.types import TrackStatus

DOWN = np.array([0.0, 0.0, -1.0])


def status(probability=0.99, height_mm=12.0, axis=DOWN, height_sigma_mm=0.5, lean_sigmas_deg=(0.5, 0.5)):
    """A tool whose outlet's height and jet's x and y are known so well."""
    cov = np.zeros((6, 6))
    cov[:3, :3] = np.diag([0.01, 0.01, height_sigma_mm**2])
    cov[3:5, 3:5] = np.diag(np.radians(lean_sigmas_deg) ** 2)
    return judged(probability, height_mm, axis, cov)


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
