"""The words of the hot-work screen: one state at a time, the most urgent; estimates with their bands; a summary of
three numbers.
"""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from PyQt6.QtGui import QFontMetricsF

from monitor.engine.annunciator import Alarm
from monitor.engine.engine import Shown
from monitor.engine.session import Moment, PassTold
from monitor.heat.types import Band
from monitor.judging.alerts import RULES, Priority, TechniqueWarning
from monitor.judging.pipeline import Judge
from monitor.recording.recorder import PassNote
from monitor.ui.bench_panels import SummaryPanel
from monitor.ui.bench_state import big_state, height_words, limit_rows, next_limit, summarise
from monitor.ui.theme import Standing, font
from tests.monitor.make import hover, job, result, track
from vision.types import PoseMiss, TrackStatus

NOTE = PassNote("outside the band", 0.15, 1.0, True, False)


def warning(kind, number=1):
    rule = RULES[kind]
    return TechniqueWarning(number, kind, "U7", rule.priority, rule.action, 0.0, 0.0, None, 1.0, 30.0, 25.0, rule.unit,
                            None, f"why {kind}")


def shown(place=(0, 0, 15), warnings=(), is_flood=False, seconds=1.0, gone_s=0.0):
    """The state after hovering somewhere, with these warnings."""
    def where(t):
        return place if t < seconds - gone_s else None
    result = hover(Judge(job()), (seconds, where))[-1]
    return Shown(SimpleNamespace(), PoseMiss(0.0, ""), Moment(result, Alarm(tuple(warnings), (), is_flood), None, ()),
                 "", 0.0)


def test_the_most_urgent_warning_is_the_state():
    told = big_state(shown(warnings=[warning("part_limit"), warning("too_far", 2)]))
    assert (told.standing, told.word, told.reason) == (Standing.ACT, "Lift off now", "why part_limit")


@pytest.mark.parametrize("kind, arrow", [("too_far", "down"), ("too_close", "up"), ("drift", "")])
def test_an_arrow_shows_the_way_where_there_is_one(kind, arrow):
    told = big_state(shown(warnings=[warning(kind)]))
    assert (told.standing, told.arrow) == (Standing.HEED, arrow)


def test_a_warning_about_the_equipment_does_not_hide_the_work():
    assert big_state(shown(warnings=[warning("no_sound")])).word == "On target"


def test_a_flood_asks_to_stop_and_look():
    assert big_state(shown(warnings=[warning("drift")], is_flood=True)).word == "Stop and look"


def test_no_picture_is_unknown_and_not_good():
    told = big_state(Shown(None, PoseMiss(0.0, ""), None, "unplugged", 0.0))
    assert (told.standing, told.reason) == (Standing.UNKNOWN, "unplugged")


def test_a_nozzle_lost_over_the_work_is_not_seen():
    told = big_state(shown(gone_s=0.4))
    assert (told.standing, told.word) == (Standing.UNKNOWN, "Not seen")


def test_a_nozzle_of_which_too_little_shows_is_seen_in_part():
    vague = replace(track(0.0, (0, 0, 15)), status=TrackStatus.VAGUE, reason="too little of the nozzle in view")
    judge = Judge(job())
    for k in range(20):
        moment = judge.step(result(k, track(k / 20, (0, 0, 15)) if k < 8
                                   else replace(vague, t_s=k / 20, t_seen_s=7 / 20)))
    told = big_state(Shown(SimpleNamespace(), PoseMiss(0.0, ""), Moment(moment, Alarm((), (), False), None, ()), "",
                           0.0))

    assert (told.standing, told.word, told.reason) == (Standing.UNKNOWN, "Seen in part",
                                                       "too little of the nozzle in view")
    assert height_words(moment) == ("–", "no measurement")


@pytest.mark.parametrize("place, word", [((0, 0, 15), "On target"), ((60, 40, 60), "Off target"),
                                         ((0, 0, 30), "Near target")])
def test_without_a_warning_the_state_says_where_the_tool_is(place, word):
    assert big_state(shown(place)).word == word


def test_every_state_has_a_word_and_a_reason():
    for kind in RULES:
        told = big_state(shown(warnings=[warning(kind)]))
        assert told.word and told.reason and len(told.word.split()) <= 4


def test_an_unmeasured_height_is_a_dash():
    assert height_words(shown(gone_s=0.4).moment.result) == ("–", "no measurement") == height_words(None)


def test_a_height_carries_its_ninety_percent_band():
    assert height_words(shown().moment.result) == ("15.0", "± 0.8 mm")  # 1.645 x 0.5 mm


def heat(ahead, temps):
    return SimpleNamespace(limit_in_s=ahead, temp_c=temps)


def test_the_first_limit_is_named_with_its_time_and_band():
    text = next_limit(heat({"package top": Band(20, 30, 60), "connector": Band(3, 4, 7), "underside": None}, {}), "U7")
    assert text == "connector at limit in 4 s (3 to 7)"


def test_a_forecast_without_an_upper_end_says_so():
    assert next_limit(heat({"package top": Band(3, 4, math.inf)}, {}), "U7") == "U7 at limit in 3 s at the earliest"


def test_temperatures_stand_beside_their_limits():
    temps = {name: Band(150, 200, 230) for name in ("joint corner", "package top", "connector", "underside")}
    rows = {r.name: r for r in limit_rows(heat({}, temps), {"package top": 190.0, "connector": 220.0,
                                                            "underside": 260.0}, ("connector",), "U7")}

    assert {n: r.standing for n, r in rows.items() if r.limit} == {
        "U7": Standing.ACT, "connector": Standing.HEED, "underside": Standing.GOOD}
    assert rows["connector"].value == "200 °C (150 to 230)" and rows["joint, coldest"].limit == ""


def test_without_an_estimate_nothing_is_said_of_temperatures():
    assert limit_rows(None, {}, (), "U7") == [] and next_limit(None, "U7") == ""


def passed(warnings=(), height=15.0, heights=None, energy_j=None):
    judge = Judge(job())
    results = hover(judge, (4.0, lambda t: (0, 0, height) if t < 2 else (60, 40, 60)))
    done = replace(next(r.pass_ended for r in results if r.pass_ended is not None), energy_j=energy_j)
    heights = heights or [(r.t_s, r.exposure.height_mm) for r in results]
    return summarise(PassTold(done, NOTE, 0.85), job(), heights, (12.75, 17.25), list(warnings))


def test_a_summary_is_one_verdict_three_numbers_and_a_trace():
    told = passed()
    assert told.standing is Standing.GOOD and told.verdict == "Pass 1: held, 85 % of the time in the band"
    assert 1 <= len(told.numbers) <= 3 and told.trace[0][0] == 0.0
    np.testing.assert_allclose(told.trace[1], 15.0)


def test_a_long_trace_is_thinned_but_keeps_its_extremes_and_gaps():
    times_s = np.linspace(0.0, 1.9, 10_000)
    heights = np.full(10_000, 15.0)
    heights[1234], heights[5678], heights[8000:8500] = 3.0, 27.0, np.nan

    at_s, mm = passed(heights=list(zip(times_s, heights, strict=False))).trace

    assert len(mm) <= 600 and np.all(np.diff(at_s) > 0)
    assert (np.nanmin(mm), np.nanmax(mm)) == (3.0, 27.0) and np.isnan(mm).any()


def test_a_summary_names_what_was_warned_of():
    told = passed([warning("too_far"), warning("neighbour_limit", 2)])
    assert told.standing is Standing.ACT and told.verdict == "Pass 1: too far, neighbour at its limit"


def test_priorities_are_told_apart_by_standing():
    assert big_state(shown(warnings=[warning("underside_limit")])).standing is Standing.ACT
    assert RULES["underside_limit"].priority is Priority.HIGH


@pytest.mark.parametrize("ago_s, word", [(1.0, "Joints molten"), (60.0, "On target")])
def test_a_seen_melt_is_the_state_for_a_while(ago_s, word):
    state = shown()
    result = replace(state.moment.result, molten_s=state.moment.result.t_s - ago_s)

    assert big_state(replace(state, moment=replace(state.moment, result=result))).word == word


def test_a_warning_comes_before_a_seen_melt():
    state = shown(warnings=[warning("too_close")])
    result = replace(state.moment.result, molten_s=state.moment.result.t_s)

    assert big_state(replace(state, moment=replace(state.moment, result=result))).word == "Raise the nozzle"


@pytest.mark.parametrize("width", [380, 460])
def test_the_joules_of_a_summary_are_named_as_the_pass_s_and_not_cut(qapp, width):
    panel, metrics = SummaryPanel(), QFontMetricsF(font("body"))
    panel.tell(passed(energy_j=Band(20.0, 30.0, 40.0)))
    names = [name for name, _ in panel.summary.numbers]

    assert "this pass" in names[-1]
    assert panel.name_room(metrics, width) >= max(map(metrics.horizontalAdvance, names))
