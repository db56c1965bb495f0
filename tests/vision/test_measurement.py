"""A filter's state as the prior of a fit, and a fit's covariance as the filter takes it."""

import numpy as np
from numpy.testing import assert_allclose

from vision.track.measurement import in_steps, turned_cov

RNG = np.random.default_rng(7)
TURN = np.eye(6) + 0.3 * RNG.normal(size=(6, 6))
N = 13  # six of the pose, five rates, two offsets


def _cov(n):
    root = RNG.normal(size=(n, n)) * np.linspace(0.2, 3.0, n)[:, None]
    return root @ root.T


def test_a_covariance_turns_as_its_samples_do():
    cov, whole = _cov(9), np.eye(9)
    whole[:6, :6] = TURN

    assert_allclose(turned_cov(cov, TURN), whole @ cov @ whole.T, rtol=1e-10, atol=1e-10)


def test_a_state_in_steps_is_the_same_gaussian_in_other_coordinates():
    mean, cov = RNG.normal(size=N), _cov(N)
    # steps, their rates (the turn about the jet has none) and offsets, from pose, rates and offsets
    to_steps, whole = np.linalg.inv(TURN), np.zeros((14, N))
    whole[:6, :6], whole[6:12, 6:11], whole[12:, 11:] = to_steps, to_steps[:, :5], np.eye(2)
    joint, kept = whole @ cov @ whole.T, np.r_[:6, 12:14]

    found, rates, faster = in_steps(mean, cov, TURN)

    assert_allclose(found, joint[np.ix_(kept, kept)], rtol=1e-9, atol=1e-9)
    assert_allclose(rates, (whole @ mean)[6:12], rtol=1e-10)
    # of a Gaussian, what the rates are on the mean for a step: covariance with it over its own
    assert_allclose(faster, joint[6:12, :6] @ np.linalg.inv(joint[:6, :6]), rtol=1e-7, atol=1e-8)
