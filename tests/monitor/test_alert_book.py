"""When a warning starts, how bad it became, when it ends: readings given by hand at ten frames a second.

The rule `too_far` waits 0.3 s past the limit and ends after 2 s back inside by the deadband.
"""

from __future__ import annotations

import pytest

from monitor.judging.alerts import RULES, AlertBook, Reading

RATE_HZ = 10.0
LIMIT_MM, DEADBAND_MM = 25.0, 2.0


def too_far(height_mm: float, region: str = "U7") -> Reading:
    band = (height_mm - 1.0, height_mm + 1.0)
    return Reading("too_far", region, height_mm - LIMIT_MM, DEADBAND_MM, height_mm, LIMIT_MM, band)


def played(heights_mm, age_s: float = 0.0):
    """Started, ended and standing warnings with their times, one reading a frame; None is no reading."""
    book, started, ended = AlertBook(), [], []
    for i, height in enumerate(heights_mm):
        readings = [] if height is None else [too_far(height)]
        began, over = book.step(i / RATE_HZ, readings, age_s)
        started += began
        ended += over
    return started, ended, book.standing


def frames(*spans: tuple[float, float]) -> list[float]:
    """Heights over spans of (seconds, height)."""
    return [height for seconds, height in spans for _ in range(round(seconds * RATE_HZ))]


def test_a_warning_is_dated_from_the_first_frame_past_the_limit_and_raised_after_the_delay():
    started, _, _ = played(frames((1.0, 20), (1.0, 30)))

    assert [(w.t_first_s, w.t_start_s) for w in started] == [(pytest.approx(1.0), pytest.approx(1.3))]


@pytest.mark.parametrize("height_mm", [25.0, 24.9])
def test_at_the_limit_itself_nothing_is_wrong(height_mm):
    assert played(frames((3.0, height_mm)))[0] == []


def test_the_worst_value_is_kept_with_its_own_band_and_words():
    _, _, standing = played(frames((1.0, 20), (1.0, 30), (0.5, 38), (0.5, 31)))

    (warning,) = standing
    assert (warning.value, warning.band, warning.limit) == (38, (37, 39), LIMIT_MM)
    assert "38 mm" in warning.text


def test_time_past_the_limit_counts_only_while_past_it():
    _, ended, _ = played(frames((1.0, 20), (1.0, 30), (1.0, 24), (0.5, 30), (3.0, 20)))

    assert [w.past_s for w in ended] == [pytest.approx(1.5, abs=0.11)]  # one frame at the most is unsure


def test_a_warning_ends_two_seconds_after_it_is_back_by_the_deadband():
    _, ended, standing = played(frames((1.0, 20), (1.0, 30), (3.0, 22.5)))

    assert not standing
    assert [w.t_end_s for w in ended] == [pytest.approx(2.0 + RULES["too_far"].off_s, abs=0.11)]


def test_inside_the_limit_but_within_the_deadband_it_goes_on():
    _, ended, standing = played(frames((1.0, 20), (1.0, 30), (5.0, 23.5)))

    assert not ended
    assert len(standing) == 1


def test_going_out_again_starts_the_way_back_anew():
    _, ended, standing = played(frames((1.0, 20), (1.0, 30), (1.5, 20), (0.1, 30), (1.5, 20)))

    assert not ended
    assert len(standing) == 1


def test_no_reading_is_well_inside():
    _, ended, _ = played([*frames((1.0, 20), (1.0, 30)), *[None] * 30])

    assert [w.kind for w in ended] == ["too_far"]


def test_half_a_delay_twice_with_a_while_inside_by_the_deadband_between_is_no_warning():
    assert played(frames((1.0, 20), (0.2, 30), (0.5, 20), (0.2, 30), (1.0, 20)))[0] == []


def test_a_touch_inside_for_one_frame_does_not_restart_the_delay():
    started, _, _ = played(frames((1.0, 20), (0.3, 30), (0.1, 24.5), (0.3, 30)))

    assert len(started) == 1


def test_nothing_is_raised_on_what_is_not_measured_now():
    assert played(frames((3.0, 40)), age_s=0.1)[0] == []


def test_warnings_are_numbered_from_one_and_each_region_has_its_own():
    book, started = AlertBook(), []
    for i in range(20):
        started += book.step(i / RATE_HZ, [too_far(30, "U7"), too_far(31, "U8")], 0.0)[0]

    assert [(w.number, w.region) for w in started] == [(1, "U7"), (2, "U8")]


def test_the_most_urgent_stands_first_and_then_the_oldest():
    book = AlertBook()
    hot = Reading("part_limit", "U7", 5.0, 1.0, 265.0, 260.0)
    for i in range(20):
        late = [hot, too_far(30, "U8")] if i >= 10 else []
        book.step(i / RATE_HZ, [too_far(30, "U7"), *late], 0.0)

    assert [(w.kind, w.region) for w in book.standing] == [("part_limit", "U7"), ("too_far", "U7"), ("too_far", "U8")]
