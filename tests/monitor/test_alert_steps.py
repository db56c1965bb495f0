"""Warnings frame by frame, at times and values that are exact in binary."""

from __future__ import annotations

import math

import pytest

from monitor.judging.alerts import AlertBook, Priority, Reading, Rule

DT = 1 / 16
RULES = {rule.kind: rule for rule in (
    Rule("far", Priority.MEDIUM, "Lower", 0.25, 0.5, "mm", "{value:.0f} over {region}, {limit:.0f}{band} {detail}"),
    Rule("hot", Priority.HIGH, "Lift", 0.0, 0.5, "C", "{region} {value:.1f}"),
    Rule("gear", Priority.LOW, "Check", 0.0, 0.25, "", "{detail}", True))}


class Desk:
    def __init__(self):
        self.book, self.t_s, self.started, self.ended = AlertBook(RULES), 0.0, [], []

    def feed(self, seconds, *readings, age_s=0.0):
        for _ in range(round(seconds / DT)):
            started, ended = self.book.step(self.t_s, readings, age_s)
            self.started += started
            self.ended += ended
            self.t_s += DT
        return self


def far(beyond, value=None, *, deadband=1.0, region="U7", limit=20.0, band=None, detail="!"):
    return Reading("far", region, beyond, deadband, limit + beyond if value is None else value, limit, band, detail)


def test_warning_is_raised_when_past_the_limit_for_its_delay():
    desk = Desk().feed(1.0, far(-5.0)).feed(2.0, far(3.0))
    (raised,) = desk.started

    assert (raised.t_first_s, raised.t_start_s, raised.past_s) == (1.0, 1.25, 0.25)
    assert (raised.number, raised.kind, raised.region, raised.priority, raised.action, raised.unit) == (
        1, "far", "U7", Priority.MEDIUM, "Lower", "mm")
    assert (raised.value, raised.limit, raised.t_end_s) == (23.0, 20.0, None)
    assert desk.book.standing[0].past_s == 2.0 - DT


def test_value_at_the_limit_is_not_past_it():
    assert not Desk().feed(2.0, far(0.0)).started


def test_time_inside_takes_away_from_time_past():
    desk = Desk()
    for _ in range(8):
        desk.feed(3 * DT, far(3.0)).feed(2 * DT, far(-0.5))

    assert not desk.started  # two frames gained at each turn, as the first of three only begins, and two lost

    for _ in range(4):
        desk.feed(3 * DT, far(3.0)).feed(DT, far(-0.5))
    (raised,) = desk.started
    assert raised.t_first_s > 2.0


def test_balance_keeps_the_moment_at_which_it_began():
    desk = Desk().feed(1.0, far(-5.0)).feed(4 * DT, far(3.0)).feed(DT, far(-0.5)).feed(1.0, far(3.0))

    # three frames gained, one lost, two to go after the first of the second run: at 1 s + 7 frames
    assert (desk.started[0].t_first_s, desk.started[0].t_start_s) == (1.0, 1.0 + 7 * DT)
    assert desk.started[0].past_s == 5 * DT


@pytest.mark.parametrize("beyond, start_s", [(-1.0, 7 * DT), (-1.01, 9 * DT)])
def test_frame_that_is_back_by_more_than_the_deadband_starts_anew(beyond, start_s):
    desk = Desk().feed(4 * DT, far(3.0)).feed(DT, far(beyond)).feed(1.0, far(3.0))

    assert desk.started[0].t_start_s == start_s


def test_reading_that_is_missing_counts_as_well_inside():
    desk = Desk().feed(4 * DT, far(3.0)).feed(DT).feed(1.0, far(3.0))

    assert desk.started[0].t_first_s == 5 * DT


def test_warning_ends_when_back_by_the_deadband_for_its_delay():
    desk = Desk().feed(1.0, far(3.0)).feed(0.25, far(-0.75)).feed(0.25, far(-1.0)).feed(0.25, far(-0.75))
    assert desk.book.standing and not desk.book.standing[0].is_back
    desk.feed(7 * DT, far(-1.0))
    assert desk.book.standing[0].is_back
    desk.feed(DT, far(-1.0))

    (ended,) = desk.ended
    assert ended.t_end_s == desk.t_s - DT and not desk.book.standing
    assert ended.past_s == 1.0 - DT  # the time past the limit alone


def test_warning_that_ended_may_come_again_with_a_new_number():
    desk = Desk().feed(1.0, far(3.0)).feed(1.0, far(-5.0)).feed(1.0, far(2.0))

    assert [w.number for w in desk.started] == [1, 2]
    assert (desk.started[1].t_first_s, desk.started[1].past_s) == (2.0, 0.25)


def test_time_past_goes_on_while_a_warning_stands():
    desk = Desk().feed(0.5, far(3.0)).feed(0.25, far(-0.5)).feed(0.5, far(1.0))

    assert desk.book.standing[0].past_s == 0.5 - DT + 0.5


def test_worst_value_is_kept_with_its_words_and_the_last_ones_beside():
    desk = Desk().feed(0.5, far(3.0)).feed(DT, far(9.0, band=(25.0, 33.0))).feed(DT, far(4.0)).feed(DT, far(-0.5))
    (standing,) = desk.book.standing

    assert (standing.value, standing.band, standing.text) == (29.0, (25.0, 33.0), "29 over U7, 20 (25 to 33) !")
    assert standing.text_now == "19.5 over U7, 20.0 !"
    assert desk.feed(DT).book.standing[0].text_now == ""


def test_value_that_is_as_bad_does_not_replace_the_worst():
    desk = Desk().feed(0.5, far(3.0, detail="first")).feed(DT, far(3.0, detail="again"))

    assert desk.book.standing[0].text.endswith("first") and desk.book.standing[0].text_now.endswith("again")


def test_worst_below_a_lower_limit_is_the_lowest():
    desk = Desk().feed(0.5, far(2.0, 18.0)).feed(DT, far(6.0, 14.0)).feed(DT, far(3.0, 17.0))

    assert desk.book.standing[0].value == 14.0


def test_short_gap_holds_everything_still():
    desk = Desk().feed(4 * DT, far(3.0)).feed(2 * DT, age_s=0.2).feed(DT, far(3.0))

    assert [w.t_start_s for w in desk.started] == [6 * DT] and not desk.ended  # the gap's frames count for nothing


def test_longer_gap_ends_what_rests_on_sight_and_starts_anew():
    desk = Desk().feed(1.0, far(3.0)).feed(DT, far(3.0), age_s=0.21)
    assert len(desk.ended) == 1 and not desk.book.standing

    begun = Desk().feed(4 * DT, far(3.0)).feed(DT, age_s=0.21).feed(1.0, far(3.0))
    assert begun.started[0].t_start_s == 5 * DT + 0.25


def test_warning_of_the_equipment_outlives_sight():
    gear = Reading("gear", "bench", 1.0, 0.0, math.nan, math.nan, detail="moved")
    desk = Desk().feed(DT, gear, age_s=9.0)
    assert desk.started[0].text == "moved"

    desk.feed(0.1875, age_s=9.0)
    assert desk.book.standing
    assert not desk.feed(DT, age_s=9.0).book.standing  # a quarter of a second


def test_value_that_is_not_known_changes_nothing():
    desk = Desk().feed(4 * DT, far(3.0)).feed(1.0, far(math.nan)).feed(DT, far(3.0))
    assert [w.t_start_s for w in desk.started] == [1.25]
    standing = desk.book.standing

    assert desk.feed(3.0, far(math.nan)).book.standing == standing


def test_regions_are_judged_each_for_itself_and_the_most_urgent_comes_first():
    hot = Reading("hot", "J1", 1.0, 0.5, 151.0, 150.0)
    desk = Desk().feed(0.5, far(3.0, region="A"), far(-3.0, region="C")).feed(0.5, far(3.0, region="B"), far(
        3.0, region="A"), hot)

    assert [(w.kind, w.region) for w in desk.book.standing] == [("hot", "J1"), ("far", "A"), ("far", "B")]


def test_gap_between_frames_counts_for_no_more_than_three_tenths_of_a_second():
    book = AlertBook(RULES)
    for t_s in (0.0, 5.0):
        book.step(t_s, [far(3.0)], 0.0)

    assert book.standing[0].past_s == pytest.approx(0.3)


@pytest.mark.parametrize("value, words", [(20.25, "20.2 over"), (20.75, "21 over"), (20.0, "20 over")])
def test_value_that_would_read_like_its_limit_is_told_with_one_more_digit(value, words):
    desk = Desk().feed(1.0, far(1.0, value))

    assert desk.started[0].text.startswith(words)
