"""What a shift must pass to be one, and a thing to be seen."""

from types import SimpleNamespace

import numpy as np
import pytest

from vision.parts.gates import Least, Likeness


@pytest.mark.parametrize(("px_per_mm", "sigma_mm", "least_mm"), [
    (10.0, 0.001, 0.1), (2.0, 0.001, 0.4), (10.0, 0.05, 0.3)])  # by mm, by 0.8 px, by 6 sigmas
def test_a_shift_must_pass_millimetres_pixels_and_sigmas(px_per_mm, sigma_mm, least_mm):
    gate = Least(0.1, 0.8, 6.0)

    assert gate.at(px_per_mm, sigma_mm) == pytest.approx(least_mm)
    np.testing.assert_allclose(gate.each(px_per_mm, np.array([sigma_mm, 1.0])), [least_mm, 6.0])


@pytest.mark.parametrize(("share", "alike", "gain", "is_seen"), [
    (0.6, 0.75, 1.0, True), (0.59, 0.9, 1.0, False), (0.9, 0.74, 1.0, False),
    (0.9, 0.9, 2.99, True), (0.9, 0.9, 3.01, False), (0.9, 0.9, 0.34, True), (0.9, 0.9, 0.33, False)])
def test_a_thing_is_seen_by_its_points_its_contrasts_and_its_brightness(share, alike, gain, is_seen):
    one = SimpleNamespace(share=share, alike=alike, gain=gain)
    many = SimpleNamespace(**{key: np.array([value]) for key, value in vars(one).items()})

    assert Likeness(0.6, 0.75).holds(one) is is_seen
    assert Likeness(0.6, 0.75).holds(many).tolist() == [is_seen]
