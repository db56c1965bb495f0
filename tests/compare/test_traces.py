"""Curves beside one another: depth, envelope, and how two traces differ in height and in time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.graphics.functional import banddepth

from monitor.repeat.compare.align import landmarks_s, resample, warp
from monitor.repeat.compare.depth import band_depth, envelope


def curves(n, seed=0):
    rng = np.random.default_rng(seed)
    return 15 + rng.normal(size=(n, 1)) + 0.2 * rng.normal(size=(n, 40)).cumsum(1)


def walk(seed=0, n=140):
    return np.random.default_rng(seed).normal(size=n).cumsum()


def test_depth_of_five_parallel_curves():
    # by hand: of the 10 pairs, the outermost curve lies in the 4 it is part of, the middle one in 8
    assert band_depth(np.arange(5.0)[:, None] + np.zeros((5, 7))) == pytest.approx([0.4, 0.7, 0.8, 0.7, 0.4])


def test_depth_agrees_with_statsmodels():
    x = curves(12)

    np.testing.assert_allclose(band_depth(x), banddepth(x, method="MBD"), atol=1e-12)


def test_a_curve_far_above_the_rest_leaves_the_fences():
    x = curves(25)
    x[7] += 30

    assert 7 in envelope(x).outside


def test_a_bump_in_one_curve_leaves_the_fences():
    x = np.linspace(-1, 1, 25)[:, None] + np.zeros((25, 40))
    x[12, 20:] += 6  # half of the curves lie within about 0.5: fences at about 2

    assert envelope(x).outside == (12,)


def test_few_curves_make_no_envelope_and_no_flags():
    x = curves(9)
    x[0] += 100

    assert np.isnan(envelope(x).low).all() and envelope(x).outside == ()


def test_ten_curves_make_an_envelope_but_no_flags():
    x = curves(19)
    x[0] += 100

    assert np.isfinite(envelope(x).low).all() and envelope(x).outside == ()


@pytest.mark.parametrize("k", [-10, -4, 0, 3, 10])
def test_a_shifted_trace_differs_in_time_alone(k):
    base = walk()

    found = warp(base[20:120], base[20 - k:120 - k], dt_s=0.05)

    assert found.residual == pytest.approx(0, abs=1e-12) and found.warp_s == pytest.approx(abs(k) * 0.05)


@given(st.floats(-20, 20), st.integers(0, 1000))
def test_a_trace_that_lies_higher_differs_in_height_alone(offset, seed):
    base = walk(seed)

    found = warp(base, base + offset, dt_s=0.05)

    assert found.residual == pytest.approx(abs(offset), abs=1e-9) and found.warp_s == 0


def test_a_shift_beyond_the_band_cannot_be_warped_away():
    base = walk()

    found = warp(base[20:120], base[0:100], dt_s=0.05)

    assert np.abs(found.lag).max() <= 10 and found.residual > 0.1


def test_the_residual_never_exceeds_the_difference_before_warping():
    rng = np.random.default_rng(5)
    for _ in range(20):
        found = warp(rng.normal(size=60).cumsum(), rng.normal(size=60).cumsum(), 1.0)
        assert found.residual <= found.unwarped


def test_a_gap_in_a_trace_is_bridged_by_a_straight_line():
    at = resample(np.arange(5.0), np.array([0, 1, np.nan, 3, 4.0]), np.array([2.0]))

    assert at == pytest.approx([2.0])


def test_a_trace_of_one_value_cannot_be_compared():
    with pytest.raises(ValueError, match="at least 2"):
        resample(np.arange(2.0), np.array([1.0, np.nan]), np.array([0.5]))


def test_landmarks_of_a_pass_that_comes_down_and_goes_up():
    t, height = np.arange(6.0) + 10, np.array([28, 20, 12, 12, 24, 30.0])

    marks = landmarks_s(t, height, 5, 25)

    assert marks == {"enter": 0.0, "first_in_limits": 1.0, "last_in_limits": 4.0, "leave": 5.0}
