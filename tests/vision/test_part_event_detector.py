"""What readings of a part come to, at the bounds that its judge keeps: sizes, sigmas, times, what is seen around."""

import math

import numpy as np
import pytest

from vision.parts.events import PartEventDetector
from vision.types import PartMotion

RATE = 32  # a second, exact in binary


def reading(t_s, x=0.0, y=0.0, turn=0.0, noise=0.008, seen=0.95, clear=0.9, px_per_mm=16.0, turn_sigma=0.001):
    return PartMotion(t_s, "U3", np.array([x, y]), turn, 0.02, turn_sigma, noise, seen, clear, True, gain=1.0,
                      px_per_mm=px_per_mm)


def bare(t_s, seen=0.2, clear=0.9, edges=0.1, change=0.5, stands=math.nan):
    return PartMotion(t_s, "U3", seen=seen, clear=clear, edges=edges, change=change, stands=stands)


def detected(readings, size_mm=6.0, may_settle=True):
    """Events, and the last reading's time."""
    detector = PartEventDetector(size_mm, may_settle)
    return [e for r in readings for e in detector.step(r)]


def path(where, seconds=3.0, **others):
    """Readings along where(t) -> (x, y) or (x, y, turn)."""
    return [reading(i / RATE, *where(i / RATE), **others) for i in range(int(seconds * RATE))]


def step_to(x, y=0.0, turn=0.0, at_s=1.0, long_s=0.15):
    def where(t_s):
        share = min(max((t_s - at_s) / long_s, 0.0), 1.0)
        return share * x, share * y, share * turn
    return where


def test_a_step_is_told_with_its_size_its_turn_and_when_it_began():
    event, = detected(path(step_to(0.3, -0.4, 0.02)))

    np.testing.assert_allclose(event.shift_mm, [0.3, -0.4], atol=1e-9)
    assert event.turn_rad == pytest.approx(0.02) and event.name == "U3"
    assert 1.0 < event.t_start_s < 1.06 and 1.15 < event.t_s < 1.4
    assert event.sigma_mm == pytest.approx(math.hypot(0.02, 0.008), rel=1e-3)


@pytest.mark.parametrize("rate", [8, 16, 32, 64, 128, 256])
def test_a_step_is_told_at_any_frame_rate(rate):
    where = step_to(0.3, -0.4)

    event, = detected([reading(i / rate, *where(i / rate)) for i in range(3 * rate)])

    np.testing.assert_allclose(event.shift_mm, [0.3, -0.4], atol=2e-3)
    assert 1.0 < event.t_start_s < 1.3 and 1.15 < event.t_s < 1.6


def test_a_step_counts_from_where_the_part_lay():
    far = [reading(r.t_s, r.shift_mm[0] + 5.0, r.shift_mm[1] - 3.0, r.turn_rad + 0.4) for r in
           path(step_to(0.3, -0.4, 0.02))]

    event, = detected(far)

    np.testing.assert_allclose(event.shift_mm, [0.3, -0.4], atol=1e-9)
    assert event.turn_rad == pytest.approx(0.02) and event.kind == "settled"


@pytest.mark.parametrize(("noise", "n"), [(0.008, 0), (0.05, 1)])
def test_a_part_rests_where_its_readings_scatter_no_more_than_their_noise(noise, n):
    def trembles(t):
        return (1.0 + 0.035 * (-1) ** round(t * RATE), 0.0) if t > 1.0 else (0.0, 0.0)
    found = detected(path(trembles, 1.35, noise=noise))  # too short to be told while it goes on

    assert len(found) == n


@pytest.mark.parametrize(("x", "px_per_mm", "noise", "n"), [
    (0.056, 16.0, 0.008, 1), (0.045, 16.0, 0.008, 0),   # at least 0.05 mm
    (0.38, 1.0, 0.008, 1), (0.33, 1.0, 0.008, 0),       # at least 0.35 px
    (0.21, 16.0, 0.04, 1), (0.19, 16.0, 0.04, 0)])      # at least 5 sigmas
def test_the_smallest_step_that_is_told_passes_size_pixels_and_sigmas(x, px_per_mm, noise, n):
    assert len(detected(path(step_to(x, long_s=0.01), px_per_mm=px_per_mm, noise=noise))) == n


@pytest.mark.parametrize(("turn", "size_mm", "n"), [(0.02, 6.0, 1), (0.015, 6.0, 0), (0.015, 8.0, 1), (-0.02, 6.0, 1)])
def test_a_turn_counts_by_how_far_it_moves_the_ends(turn, size_mm, n):
    assert len(detected(path(step_to(0.0, 0.0, turn)), size_mm)) == n  # 0.05 mm at half the size


def test_a_turn_that_is_poorly_known_is_not_told():
    assert detected(path(step_to(0.0, 0.0, 0.03), turn_sigma=0.007)) == []  # 5 sigmas: 0.035
    assert len(detected(path(step_to(0.0, 0.0, 0.04), turn_sigma=0.007))) == 1


@pytest.mark.parametrize(("x", "may_settle", "seen", "clear", "kind"), [
    (0.3, True, 0.95, 0.9, "settled"), (0.3, False, 0.95, 0.9, "moved"), (0.79, True, 0.95, 0.9, "settled"),
    (0.81, True, 0.95, 0.9, "moved"), (0.3, True, 0.84, 0.9, "moved"), (0.3, True, 0.86, 0.9, "settled"),
    (0.3, True, 0.95, 0.59, "moved"), (0.3, True, 0.95, 0.61, "settled")])
def test_a_part_settles_when_it_may_a_little_and_untouched(x, may_settle, seen, clear, kind):
    event, = detected(path(step_to(x), seen=seen, clear=clear), may_settle=may_settle)

    assert event.kind == kind


def test_a_part_that_overshoots_by_half_has_been_pushed():
    def far(most):
        return lambda t: (step_to(most, long_s=0.1)(t)[0] + step_to(0.3 - most, at_s=1.15)(t)[0], 0.0)

    assert [e.kind for e in detected(path(far(0.44)))] == ["settled"]
    assert [e.kind for e in detected(path(far(0.46)))] == ["moved"]


@pytest.mark.parametrize(("x", "seen", "px_per_mm", "noise", "n"), [
    (0.13, 0.95, 16.0, 0.008, 1), (0.11, 0.95, 16.0, 0.008, 0), (0.3, 0.86, 16.0, 0.008, 1),
    (0.3, 0.84, 16.0, 0.008, 0), (0.45, 0.95, 2.0, 0.008, 1), (0.38, 0.95, 2.0, 0.008, 0),
    (0.26, 0.95, 16.0, 0.03, 1), (0.23, 0.95, 16.0, 0.03, 0)])
def test_an_excursion_that_came_back_is_told_beyond_its_own_bounds(x, seen, px_per_mm, noise, n):
    def there_and_back(t):
        return step_to(x, long_s=0.05)(t)[0] - step_to(x, at_s=1.12, long_s=0.05)(t)[0], 0.0
    found = detected(path(there_and_back, seen=seen, px_per_mm=px_per_mm, noise=noise))

    assert [e.kind for e in found] == ["sprang_back"] * n
    assert all(e.shift_mm[0] == pytest.approx(x) for e in found)


def test_a_movement_that_goes_on_is_told_after_four_tenths_of_a_second_and_once():
    event, = detected(path(lambda t: (0.8 * max(0.0, t - 1.0), 0.0), 2.5))

    assert event.kind == "moved" and 0.4 < event.t_s - event.t_start_s < 0.65
    assert event.shift_mm[0] == pytest.approx(0.8 * (event.t_s - 1.0), abs=0.005)


@pytest.mark.parametrize(("n_away", "n"), [(2, 0), (3, 1)])
def test_three_frames_in_a_row_must_agree(n_away, n):
    def blink(t):
        k = round(t * 16) - 16
        return (0.4 if 0 <= k < n_away else 0.0, 0.0)
    found = detected([reading(i / 16, *blink(i / 16)) for i in range(40)])

    assert len(found) == n


def test_frames_that_point_to_opposite_sides_do_not_agree():
    readings = [reading(i / RATE, 0.2 * (-1) ** i if 1.0 <= i / RATE < 1.4 else 0.0) for i in range(64)]

    assert detected(readings) == []


def test_a_part_must_be_known_at_rest_before_anything_is_told():
    early = detected(path(step_to(0.4, at_s=0.06, long_s=0.01), 0.15))

    assert early == []
    assert len(detected(path(step_to(0.4, at_s=0.25, long_s=0.03), 1.0))) == 1


def test_the_seat_follows_slow_light_and_not_a_step():
    assert detected(path(lambda t: (0.02 * t, 0.0), 12.0)) == []  # 0.24 mm in all
    assert len(detected(path(lambda t: (0.09 * t, 0.0), 4.0))) >= 1


def test_after_a_gap_what_was_under_way_is_forgotten():
    whole = path(step_to(0.4, at_s=1.0, long_s=0.6), 3.0)
    cut = [r for r in whole if not 1.2 < r.t_s < 1.75]

    found = detected(cut)

    assert found and found[0].t_start_s >= 1.75


def gone_after(rest_s=1.0, long_s=1.0, **others):
    rests = path(lambda t: (0.0, 0.0), rest_s)
    return detected(rests + [bare(rest_s + i / RATE, **others) for i in range(int(long_s * RATE))])


@pytest.mark.parametrize(("others", "n"), [
    ({}, 1), ({"seen": 0.5}, 0), ({"seen": 0.49}, 1), ({"clear": 0.75}, 0), ({"clear": 0.76}, 1), ({"edges": 0.35}, 0),
    ({"edges": 0.34}, 1), ({"change": 4.0}, 0), ({"change": 3.9}, 1), ({"change": math.nan}, 0),
    ({"edges": math.nan}, 0)])
def test_a_part_is_gone_where_the_board_is_clear_and_what_is_there_lies_still(others, n):
    found = gone_after(**others)

    assert [e.kind for e in found] == ["removed"] * n
    assert all(e.t_start_s == 1.0 and e.t_s == 1.25 and np.isnan(e.shift_mm).all() for e in found)


@pytest.mark.parametrize(("stands", "kind"), [(0.51, "stood_up"), (0.49, "removed"), (math.nan, "removed")])
def test_a_part_that_hides_what_a_standing_one_would_stood_up(stands, kind):
    assert [e.kind for e in gone_after(stands=stands)] == [kind]


def test_how_much_is_hidden_is_averaged_toward_the_newest():
    rests = path(lambda t: (0.0, 0.0), 1.0)
    after = [bare(1.0 + i / RATE, stands=0.0 if i < 6 else 1.0) for i in range(20)]

    event, = detected(rests + after)  # told at the ninth: 1 - 1/8 of it newest

    assert event.kind == "stood_up"


def test_a_part_that_is_covered_again_begins_anew():
    rests = path(lambda t: (0.0, 0.0), 1.0)
    after = [bare(1.0 + i / RATE, clear=0.1 if i == 6 else 0.9) for i in range(24)]

    event, = detected(rests + after)

    assert event.t_start_s == 1.0 + 7 / RATE


def test_a_part_that_was_never_seen_at_rest_is_not_gone():
    assert detected([bare(i / RATE) for i in range(40)]) == []
    assert detected([reading(0.0), *(bare(0.1 + i / RATE) for i in range(40))]) == []


def test_a_part_that_is_seen_again_is_not_gone_and_may_go_again():
    detector, kinds = PartEventDetector(6.0, True), []
    rests = path(lambda t: (0.0, 0.0), 1.0)
    for r in [*rests, *(bare(1.0 + i / RATE) for i in range(20))]:
        kinds += [e.kind for e in detector.step(r)]
    assert detector.is_gone
    for i in range(20):
        detector.step(reading(2.0 + i / RATE))
    assert not detector.is_gone
    for i in range(20):
        kinds += [e.kind for e in detector.step(bare(3.0 + i / RATE))]

    assert kinds == ["removed", "removed"]


@pytest.mark.parametrize(("seen", "kind"), [(0.8, "moved"), (0.9, "settled")])
def test_one_frame_in_which_the_part_is_touched_is_remembered(seen, kind):
    readings = path(step_to(0.3, long_s=0.01))
    first = next(i for i, r in enumerate(readings) if r.shift_mm[0] > 0)
    readings[first] = reading(readings[first].t_s, 0.3, seen=seen)

    event, = detected(readings)

    assert event.kind == kind
