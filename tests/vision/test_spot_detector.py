"""What the shifts of small things come to: what most of them share, which of them go together, and which moved."""

import numpy as np
import pytest
from scipy.sparse.csgraph import connected_components
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from vision.parts.spots import _as_one, _groups, _SpotDetector, _square

RNG = np.random.default_rng(17)
AT = RNG.uniform([5.0, -20.0], [40.0, 10.0], (24, 2))
ALL = np.ones(24, bool)


def swung(turn, shift):
    """Shifts of points that a board carries along as it slides and turns a little."""
    back = Rotation.from_rotvec([0, 0, turn]).as_matrix()[:2, :2]
    return (AT - AT.mean(0)) @ back.T + AT.mean(0) + shift - AT


def test_a_board_s_slide_and_turn_are_what_all_share():
    shift = swung(0.01, np.array([0.4, -0.2]))

    np.testing.assert_allclose(_as_one(AT, shift, ALL), shift, atol=2e-3)


def test_a_few_that_moved_by_themselves_take_nothing_from_what_most_share():
    shift = swung(-0.008, np.array([-0.3, 0.5])) + RNG.normal(0, 0.004, (24, 2))
    moved, seen = shift.copy(), ALL.copy()
    moved[[2, 9, 17]] += [[0.8, 0.1], [-0.5, 0.9], [0.2, -1.1]]
    seen[5] = False
    moved[5] = 30.0

    np.testing.assert_allclose(_as_one(AT, moved, seen)[seen], swung(-0.008, np.array([-0.3, 0.5]))[seen], atol=0.02)


def test_the_share_is_told_where_a_spot_is_hidden_too():
    shift, seen = swung(0.01, np.array([0.4, -0.2])), ALL.copy()
    seen[:6] = False

    np.testing.assert_allclose(_as_one(AT, np.where(seen[:, None], shift, 9.0), seen), shift, atol=0.01)


def test_what_lies_near_one_another_in_a_chain_is_one_thing():
    found = _groups(AT)

    from vision.parts.spots import _ONE_THING_MM
    _, label = connected_components(cdist(AT, AT) < _ONE_THING_MM)
    assert 1 < label.max() + 1 < 24
    assert all((found == found[k]).tolist() == (label == label[k]).tolist() for k in range(24))
    assert sorted(set(found.tolist())) == list(range(label.max() + 1))


@pytest.mark.parametrize(("side", "pitch", "n"), [(2.0, 0.5, 5), (0.5, 0.5, 3), (1.0, 0.34, 4)])
def test_a_square_is_filled_evenly_about_its_middle(side, pitch, n):
    found = _square(side, pitch)

    assert len(found) == n * n
    np.testing.assert_allclose(found.mean(0), 0.0, atol=1e-12)
    np.testing.assert_allclose(np.diff(np.unique(found[:, 0].round(9))), pitch)
    assert found[0].tolist() == [-(n - 1) / 2 * pitch] * 2 and found[1, 0] > found[0, 0]


def run(shift_of, seconds=4.0, rate=8, seen_of=lambda t: np.array([True, True, True]), sigma=0.01, least=0.1):
    """Indices told, with their time, and the judge; three spots."""
    detector, told = _SpotDetector(3), []
    for i in range(int(seconds * rate)):
        t_s = i / rate
        moved = detector.step(t_s, np.asarray(shift_of(t_s), float), np.full(3, sigma), np.full(3, least), seen_of(t_s))
        if len(moved):
            told.append((t_s, moved.tolist(), *detector.take(moved)))
    return told, detector


def rest_then(shift, at_s=2.0):
    return lambda t: [[0.05, -0.02], [0.0, 0.0], shift if t >= at_s else [0.0, 0.0]]


def test_a_spot_that_stays_elsewhere_is_told_once_with_its_shift_sigma_and_beginning():
    (t_s, moved, shift, sigma, since), = run(rest_then([0.3, -0.4]))[0]

    assert moved == [2] and since.tolist() == [2.0] and 2.25 <= t_s <= 3.5
    np.testing.assert_allclose(shift, [[0.3, -0.4]], atol=1e-12)
    assert sigma.tolist() == [0.01]


@pytest.mark.parametrize(("x", "n"), [(0.099, 0), (0.101, 1)])
def test_a_spot_must_lie_elsewhere_by_more_than_the_least(x, n):
    assert len(run(rest_then([x, 0.0]))[0]) == n


def test_a_spot_that_goes_on_moving_is_not_told():
    assert run(lambda t: [[0, 0], [0, 0], [max(0.0, t - 2.0), 0.0]], 5.0)[0] == []


def test_a_spot_that_comes_back_before_it_stayed_is_not_told():
    assert run(lambda t: [[0, 0], [0, 0], [0.3 if 2.0 <= t < 2.2 else 0.0, 0.0]])[0] == []


def test_seats_are_the_mean_of_the_first_readings():
    wave = RNG.normal(0, 0.01, (40, 3, 2))
    detector = run(lambda t: wave[int(t * 8)], 0.75)[1]

    np.testing.assert_allclose(detector.seat_mm, wave[:6].mean(0), atol=1e-12)


def test_a_spot_that_was_hidden_for_long_begins_anew():
    hidden = np.array([True, True, False])
    told = run(rest_then([0.3, 0.0]), 6.0, seen_of=lambda t: hidden if 2.2 < t < 4.0 else np.array([True] * 3))[0]

    assert [entry[-1].tolist() for entry in told] == [[4.0]]
