"""The filter beside the exact solution of its own stochastic equations, Gaussian updates, and a dense smoother."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import expm
from scipy.spatial.distance import mahalanobis

from vision.track.kalman import (
    N_MOVING,
    Motion,
    condition,
    gate,
    mixture_cov,
    predict,
    smooth,
    start_state,
    with_modes,
)

MOTION = Motion(np.array([0.4, -0.3]), np.array([[0.09, 0.02], [0.02, 0.05]]))
POSE = np.array([3.0, -7.0, 21.0, 0.2, -0.15, 0.4])
DT_S = 1 / 30
RESTS, WORKS, TRAVELS = np.eye(3)
# densities and times that the module's documentation gives
STROKE_S, TURN_S, HOME_S, OFFSET_S = 0.35, 0.3, 1.5, 0.4
DENSITIES = {"rests": (300.0, 0.5, 2.0), "works": (6.0e4, 0.0, 2.0), "travels": (1.0e6, 0.0, 2.0)}


def full_cov(n, seed, scale):
    root = (np.eye(n) + 0.2 * np.random.default_rng(seed).normal(size=(n, n))) * np.reshape(scale, (-1, 1))
    return root @ root.T


def state(modes=WORKS, seed=1):
    """A state that moves and turns, every entry correlated with every other."""
    fresh = start_state(2.0, POSE, np.eye(6), MOTION)
    mean = fresh.mean.copy()
    mean[6:11], mean[11:] = [40.0, -25.0, 12.0, 0.3, -0.2], [0.9, 0.1]
    scale = np.r_[[0.3, 0.4, 0.9], [0.01, 0.02], 0.3, [20.0, 25.0, 30.0], [0.1, 0.15], [0.2, 0.15]]
    return replace(fresh, mean=mean, cov=full_cov(13, seed, scale), modes=modes, came_by=modes,
                   rest=np.array([0.1, -0.05]))


def exact(kind, dt_s):
    """Transition and noise of one axis of the outlet, and of the direction's x, over dt (Van Loan 1978)."""
    accel, jitter, turn = DENSITIES[kind]
    out = []
    for a, q in (([[0, 1], [0, -1 / STROKE_S]], [jitter, accel]), ([[-1 / HOME_S, 1], [0, -1 / TURN_S]], [0.0, turn])):
        block = expm(np.block([[-np.array(a), np.diag(q)], [np.zeros((2, 2)), np.transpose(a)]]) * dt_s)
        f = block[2:, 2:].T
        out.append((f, f @ block[:2, 2:]))
    return out


@pytest.mark.parametrize(("kind", "modes"), [("rests", RESTS), ("works", WORKS), ("travels", TRAVELS)])
def test_noise_of_a_frame_s_time_is_that_of_the_equations_of_motion(kind, modes):
    # the chain leaves its mode at most by a hundred-thousandth in so short a time
    known = replace(state(modes), cov=np.zeros((13, 13)))
    grown = predict(known, 2.0 + 1e-5, MOTION).cov / 1e-5
    accel, jitter, turn = DENSITIES[kind]

    rate = np.diag(grown)
    assert_allclose(rate[:3], jitter, rtol=2e-3, atol=1e-3 * (accel * 1e-10 + 1))
    assert_allclose(rate[6:9], accel, rtol=0.1 if kind == "rests" else 1e-3)
    assert_allclose(rate[9:11], turn, rtol=0.02)
    assert rate[5] == pytest.approx(0.02)
    assert_allclose(grown[11:, 11:], 2 / OFFSET_S * MOTION.offset_cov, rtol=1e-3)


def test_over_a_frame_the_noise_is_nearly_van_loan_s():
    # a third of travelling leaves for the others within it, so that the mean of the modes is compared
    known = replace(state(WORKS), cov=np.zeros((13, 13)))
    ahead = predict(known, 2.0 + DT_S, MOTION)
    noise = [sum(p * exact(kind, DT_S)[i][1] for p, kind in zip(ahead.modes, DENSITIES, strict=True)) for i in (0, 1)]

    for k in range(3):
        assert_allclose(ahead.cov[np.ix_([k, 6 + k], [k, 6 + k])], noise[0], rtol=0.12)
    for k in (3, 4):
        assert_allclose(ahead.cov[np.ix_([k, 6 + k], [k, 6 + k])], noise[1], rtol=0.12)


def test_the_mean_follows_the_equations_of_motion():
    now, ahead = state(), predict(state(), 2.0 + DT_S, MOTION)
    (place, _), (turning, _) = exact("works", DT_S)

    for k in range(3):
        assert_allclose(ahead.mean[[k, 6 + k]], place @ now.mean[[k, 6 + k]], rtol=1e-9)
    for k in (3, 4):
        away = now.mean[[k, 6 + k]] - [now.rest[k - 3], 0.0]
        assert_allclose(ahead.mean[[k, 6 + k]], [now.rest[k - 3], 0.0] + turning @ away, rtol=3e-3)
    assert_allclose(ahead.mean[11:], MOTION.offset_px + np.exp(-DT_S / OFFSET_S) * (now.mean[11:] - MOTION.offset_px))
    assert ahead.mean[5] == now.mean[5] and ahead.t_s == 2.0 + DT_S


def test_a_covariance_is_carried_by_how_the_mean_answers_to_the_state():
    now, t_s = state(), 2.0 + DT_S
    at = predict(now, t_s, MOTION).mean
    f = np.stack([predict(replace(now, mean=now.mean + step), t_s, MOTION).mean - at for step in np.eye(13)], -1)

    noise = predict(replace(now, cov=np.zeros((13, 13))), t_s, MOTION).cov
    assert_allclose(predict(now, t_s, MOTION).cov, f @ now.cov @ f.T + noise, rtol=1e-9, atol=1e-12)


def test_offsets_that_are_as_usual_stay_so():
    usual = start_state(0.0, POSE, np.eye(6), MOTION)
    ahead = predict(usual, 0.7, MOTION)

    assert_allclose(ahead.mean[11:], MOTION.offset_px)
    assert_allclose(ahead.cov[11:, 11:], MOTION.offset_cov)


def test_the_rest_follows_the_direction_within_three_seconds():
    ahead = predict(state(), 2.0 + 3.0, MOTION)

    assert_allclose(ahead.rest, [0.1, -0.05] + (1 - np.exp(-1)) * (POSE[3:5] - [0.1, -0.05]))


def test_modes_change_as_a_markov_chain():
    leaves = 1 / np.array([0.5, 1.0, 0.3])
    rates = leaves[:, None] * (np.ones((3, 3)) / 2 - 1.5 * np.eye(3))
    modes = np.array([0.2, 0.5, 0.3])

    ahead = predict(state(modes), 2.0 + 0.02, MOTION)

    assert_allclose(ahead.modes, modes @ expm(rates * 0.02), atol=1.5e-3)
    assert ahead.modes.sum() == pytest.approx(1.0) and (ahead.came_by == ahead.modes).all()


@pytest.mark.parametrize(("modes", "step_mm", "likeliest"), [
    (np.ones(3) / 3, 0.0, 0), (np.ones(3) / 3, 6.0, 2), (np.array([0.05, 0.9, 0.05]), 0.8, 1)])
def test_what_was_measured_tells_whether_the_hand_rests_works_or_travels(modes, step_mm, likeliest):
    before = start_state(2.0, POSE, np.eye(6), MOTION)
    before = replace(before, cov=np.diag([0.01] * 3 + [1e-6] * 2 + [0.01] + [1.0] * 3 + [1e-4] * 2 + [0.01] * 2),
                     modes=modes, rest=POSE[3:5])
    after = predict(before, 2.0 + DT_S, MOTION)

    measured = POSE[:5] + [step_mm, -step_mm, 0, 0, 0]
    found = with_modes(after, before, measured, np.diag([0.01] * 3 + [1e-6] * 2))

    assert found.modes.argmax() == likeliest and found.modes.sum() == pytest.approx(1.0)


def test_modes_weigh_by_their_own_gaussian_densities():
    from scipy.stats import multivariate_normal

    before, cov = state(np.array([0.2, 0.5, 0.3])), full_cov(5, 4, [0.2, 0.2, 0.5, 0.01, 0.01])
    after = predict(before, 2.0 + DT_S, MOTION)
    measured = after.mean[:5] + [0.8, -0.6, 1.5, 0.01, -0.02]
    found = with_modes(after, before, measured, cov)

    odds = []
    for mode in np.eye(3):  # of so short a time that a chain begun in one mode hardly leaves it
        alone = predict(replace(before, modes=mode), 2.0 + DT_S, MOTION)
        odds.append(multivariate_normal(alone.mean[:5], alone.cov[:5, :5] + cov).pdf(measured))
    expected = after.came_by * odds
    assert_allclose(found.modes, expected / expected.sum(), atol=0.03)


def test_the_gate_is_the_squared_mahalanobis_distance():
    now, cov = state(), full_cov(5, 6, [0.3, 0.2, 0.4, 0.01, 0.02])
    measured = now.mean[:5] + [0.4, -0.1, 0.7, 0.01, -0.02]

    expected = mahalanobis(measured, now.mean[:5], np.linalg.inv(now.cov[:5, :5] + cov)) ** 2
    assert gate(now, measured, cov) == pytest.approx(expected)


def test_conditioning_on_what_a_measurement_says_of_some_entries_is_the_whole_update():
    now, sites = state(), np.array([0, 2, 3, 11])
    h, noise = np.eye(13)[sites], full_cov(4, 7, [0.2, 0.3, 0.02, 0.1])
    seen = now.mean[sites] + [0.3, -0.5, 0.02, 0.1]
    gain = now.cov @ h.T @ np.linalg.inv(h @ now.cov @ h.T + noise)
    mean, cov = now.mean + gain @ (seen - now.mean[sites]), now.cov - gain @ h @ now.cov

    found = condition(now, sites, mean[sites], cov[np.ix_(sites, sites)])

    assert_allclose(found.mean, mean, rtol=1e-9)
    assert_allclose(found.cov, cov, rtol=1e-7, atol=1e-10)


def test_a_picture_that_may_show_something_else_leaves_the_covariance_of_the_mixture():
    ahead, share, rng = state(), 0.8, np.random.default_rng(9)
    after = replace(ahead, mean=ahead.mean + 0.7 * np.sqrt(np.diag(ahead.cov)), cov=full_cov(13, 4, [0.1] * 13))

    found = mixture_cov(ahead, after, share)

    draws = np.concatenate([rng.multivariate_normal(one.mean, one.cov, round(w * 400_000))
                            for one, w in ((after, share), (ahead, 1 - share))])
    scale = np.sqrt(np.diag(found))
    assert_allclose((found - np.cov(draws.T)) / np.outer(scale, scale), 0.0, atol=0.02)


@pytest.mark.parametrize("share", [1.0, 0.0])
def test_what_is_surely_seen_or_surely_something_else_is_no_mixture(share):
    ahead = state()
    after = replace(ahead, mean=ahead.mean + 1.0, cov=0.5 * ahead.cov)

    assert_allclose(mixture_cov(ahead, after, share), (after if share else ahead).cov)


def test_smoothing_is_the_dense_solution_of_all_measurements_at_once():
    rng, times = np.random.default_rng(5), [2.0, 2.03, 2.07, 2.1]
    first = replace(state(), mean=state().mean[:N_MOVING], cov=state().cov[:N_MOVING, :N_MOVING])
    still = Motion(np.zeros(0), np.zeros((0, 0)))
    states, priors, measured, joint = [first], [first.mean], [], first.cov
    noise = np.diag([0.1, 0.2, 0.4, 0.01, 0.01]) ** 2
    # the whole chain as one Gaussian, before the measurements; the rest is kept so that each step is linear
    for before, t_s in itertools.pairwise(times):
        base = replace(states[-1], t_s=before, rest=first.rest)
        ahead = predict(base, t_s, still)
        f = np.stack([predict(replace(base, mean=base.mean + s), t_s, still).mean - ahead.mean for s in np.eye(11)], -1)
        q = predict(replace(base, cov=np.zeros((11, 11))), t_s, still).cov
        cross = f @ joint[-11:]
        joint = np.block([[joint, cross.T], [cross, f @ joint[-11:, -11:] @ f.T + q]])
        priors.append(f @ priors[-1] + (ahead.mean - f @ base.mean))
        seen = ahead.mean[:5] + rng.normal(size=5) * np.sqrt(np.diag(noise))
        gain = ahead.cov[:, :5] @ np.linalg.inv(ahead.cov[:5, :5] + noise)
        states.append(replace(ahead, rest=first.rest, mean=ahead.mean + gain @ (seen - ahead.mean[:5]),
                              cov=ahead.cov - gain @ ahead.cov[:5]))
        measured.append(seen)
    prior = np.concatenate(priors)
    rows = np.concatenate([11 * k + np.arange(5) for k in (1, 2, 3)])
    gain = joint[:, rows] @ np.linalg.inv(joint[np.ix_(rows, rows)] + np.kron(np.eye(3), noise))
    mean, cov = prior + gain @ (np.concatenate(measured) - prior[rows]), joint - gain @ joint[rows]

    found = smooth(states)

    for k, one in enumerate(found):
        part = slice(11 * k, 11 * k + 11)
        assert_allclose(one.mean, mean[part], rtol=1e-6, atol=1e-7)
        assert_allclose(one.cov, cov[part, part], rtol=1e-5, atol=1e-8)


def test_nothing_to_smooth_gives_nothing():
    assert smooth([]) == []
