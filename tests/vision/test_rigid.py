"""Transforms against scipy's rotations, and covariances against drawn samples."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from vision import rigid

TURNS = st.lists(st.floats(-1.7, 1.7), min_size=3, max_size=3).map(np.array)
POSE = rigid.transform(rigid.exp_rotation(np.array([0.3, -0.8, 0.2])), np.array([10.0, -30.0, 350.0]))
SIGMAS = np.array([1e-3, 2e-3, 1e-3, 0.2, 0.3, 0.9])  # turn [rad], shift [mm]


def full_cov(seed):
    """A covariance in which every error hangs together with every other."""
    root = (np.eye(6) + 0.3 * np.random.default_rng(seed).normal(size=(6, 6))) * SIGMAS[:, None]
    return root @ root.T


COV = full_cov(5)


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

    assert_allclose(whitened(rigid.point_cov(POSE, COV, point), seen), np.eye(3), atol=0.08)


def whitened(said, seen):
    """The sampled covariance in units of the stated one: the unit matrix when they agree."""
    root = np.linalg.inv(np.linalg.cholesky(said))
    return root @ seen @ root.T


def test_an_inverses_covariance_is_that_of_samples():
    steps = np.random.default_rng(2).multivariate_normal(np.zeros(6), COV, 6000)
    back = rigid.inverse(POSE)
    seen = _spread([rigid.difference(rigid.inverse(rigid.moved(POSE, s)), back) for s in steps])

    assert_allclose(whitened(rigid.inverse_cov(POSE, COV), seen), np.eye(6), atol=0.08)


def test_the_covariance_of_one_transform_after_another_is_that_of_samples():
    rng, inner_cov = np.random.default_rng(3), full_cov(8)
    inner = rigid.transform(rigid.exp_rotation(np.array([-0.5, 0.1, 1.2])), np.array([-40.0, 25.0, 60.0]))
    outer_steps = rng.multivariate_normal(np.zeros(6), COV, 6000)
    inner_steps = rng.multivariate_normal(np.zeros(6), inner_cov, 6000)
    seen = _spread([rigid.difference(rigid.moved(POSE, a) @ rigid.moved(inner, b), POSE @ inner)
                    for a, b in zip(outer_steps, inner_steps, strict=True)])

    assert_allclose(whitened(rigid.composed_cov(POSE, COV, inner_cov), seen), np.eye(6), atol=0.08)


def test_a_cross_matrix_takes_the_cross_product():
    assert_allclose(rigid.cross_matrix([1.0, 2.0, 3.0]) @ [4.0, 5.0, 6.0], [-3, 6, -3])  # by hand


def test_the_turn_that_lays_noisy_points_onto_others_is_scipy_s():
    rng = np.random.default_rng(3)
    points = rng.normal(0.0, 20.0, (12, 3))
    others = rigid.apply(POSE, points) + rng.normal(0.0, 1.0, (12, 3))
    expected, _ = Rotation.align_vectors(others - others.mean(0), points - points.mean(0))

    turn, shift = rigid.aligned(points, others)

    assert_allclose(turn, expected.as_matrix(), atol=1e-9)
    assert_allclose((points @ turn.T + shift).mean(0), others.mean(0), atol=1e-9)


def test_a_mirror_image_is_no_turn():
    points = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 1.0], [0.0, 1.5]])

    assert np.linalg.det(rigid.aligned(points, points * [-1.0, 1.0])[0]) > 0.99


def test_a_half_turn_about_a_slanted_axis_gives_that_axis():
    axis = np.array([-1.0, 2.0, -2.0]) / 3.0

    found = rigid.log_rotation(2 * np.outer(axis, axis) - np.eye(3))

    assert_allclose(found * np.sign(found @ axis), np.pi * axis, atol=1e-9)


def test_a_turn_just_short_of_a_half_keeps_its_sense():
    for sense in (1.0, -1.0):
        turn = sense * (np.pi - 3e-7) * np.array([-1.0, 2.0, -2.0]) / 3.0
        assert_allclose(rigid.log_rotation(Rotation.from_rotvec(turn).as_matrix()), turn, atol=1e-6)


def test_a_tiny_turn_gives_its_vector_back():
    assert_allclose(rigid.log_rotation(rigid.exp_rotation(np.array([3e-8, -2e-8, 1e-8]))), [3e-8, -2e-8, 1e-8],
                    rtol=1e-6)


def test_a_mirror_image_in_space_is_laid_over_as_well_as_a_turn_can():
    points = np.random.default_rng(6).normal(size=(9, 3)) * [9.0, 4.0, 1.0]
    mirrored = points * [1.0, 1.0, -1.0]

    turn, _ = rigid.aligned(points, mirrored)

    assert np.linalg.det(turn) > 0.99
    assert_allclose(turn, Rotation.align_vectors(mirrored - mirrored.mean(0), points - points.mean(0))[0].as_matrix(),
                    atol=1e-6)
