"""Transforms against scipy's rotations, and covariances against drawn samples."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from vision import rigid

TURNS = st.lists(st.floats(-1.7, 1.7), min_size=3, max_size=3).map(np.array)
POSE = rigid.transform(rigid.exp_rotation(np.array([0.3, -0.8, 0.2])), np.array([10.0, -30.0, 350.0]))
COV = np.diag([1e-3, 2e-3, 1e-3, 0.2, 0.3, 0.9]) ** 2


@given(TURNS)
def test_a_rotation_vector_turns_as_scipy_has_it(turn):
    assert_allclose(rigid.exp_rotation(turn), Rotation.from_rotvec(turn).as_matrix(), atol=1e-12)


@given(TURNS)
def test_a_rotation_gives_its_vector_back(turn):
    assert_allclose(rigid.log_rotation(rigid.exp_rotation(turn)), turn, atol=1e-7)


def test_a_half_turn_gives_its_axis():
    assert_allclose(np.abs(rigid.log_rotation(np.diag([-1.0, 1.0, -1.0]))), [0, np.pi, 0], atol=1e-9)


def test_an_inverse_undoes():
    assert_allclose(rigid.inverse(POSE) @ POSE, np.eye(4), atol=1e-12)


@given(TURNS)
def test_a_difference_is_the_move_that_was_made(turn):
    step = np.concatenate([turn, [1.0, 2.0, 3.0]])
    assert_allclose(rigid.difference(rigid.moved(POSE, step), POSE), step, atol=1e-6)


def _spread(values):
    return np.cov(np.array(values).T)


def test_a_points_covariance_is_that_of_samples():
    steps = np.random.default_rng(1).multivariate_normal(np.zeros(6), COV, 4000)
    point = np.array([50.0, 20.0, 5.0])
    seen = _spread([rigid.apply(rigid.moved(POSE, s), point) for s in steps])

    assert_allclose(rigid.point_cov(POSE, COV, point), seen, rtol=0.1, atol=0.01)


def test_an_inverses_covariance_is_that_of_samples():
    steps = np.random.default_rng(2).multivariate_normal(np.zeros(6), COV, 4000)
    back = rigid.inverse(POSE)
    seen = _spread([rigid.difference(rigid.inverse(rigid.moved(POSE, s)), back) for s in steps])

    said = rigid.inverse_cov(POSE, COV)
    assert_allclose(np.diag(said), np.diag(seen), rtol=0.12)
