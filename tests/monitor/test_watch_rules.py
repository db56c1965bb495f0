"""What the rules are asked of one frame: how far past each limit, at places worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.heat.limits import Limit
from monitor.heat.types import Band
from monitor.job import parse_job
from monitor.judging.watch_rules import WatchRules, part_words
from tests.monitor.make import JOB_TEXT, job
from tests.monitor.test_passes import UNSEEN, at
from vision.types import BenchEvent, PartEvent

# the target is 10 mm square at the origin, the connector reaches from 10 to 16 mm and from -3 to 3 mm
LATE = SimpleNamespace(pass_time_s=lambda t_s: 5.5)


def read(now, last=None, heat=None, rules=None, **more):
    found = (rules or WatchRules(job())).readings(now, last or now, LATE, heat, **more)
    return {(r.kind, r.region): r for r in found}


@pytest.mark.parametrize("x_mm, height_mm, far, close", [
    (0.0, 28.0, 3.0, -23.0), (0.0, 4.0, -21.0, 1.0), (9.0, 28.0, 2.0, -23.0), (9.0, 4.0, -21.0, 1.0),
    (10.75, 4.0, -21.0, 0.25), (13.0, 28.0, -2.0, -23.0)])
def test_height_is_asked_for_within_six_millimetres_of_the_target(x_mm, height_mm, far, close):
    found = read(at(x_mm, 0.0, height_mm))

    assert found["too_far", "U7"].beyond == pytest.approx(far)
    assert found["too_close", "U7"].beyond == pytest.approx(close)


def test_height_carries_its_interval_limit_and_deadband():
    found = read(at(0.0, 0.0, 28.0, height_sigma_mm=2.0))

    too_far, too_close = found["too_far", "U7"], found["too_close", "U7"]
    assert (too_far.value, too_far.limit, too_close.limit) == (28.0, 25.0, 5.0)
    assert too_far.band == pytest.approx((28 - 1.645 * 2, 28 + 1.645 * 2))
    assert too_far.deadband == too_close.deadband == pytest.approx(3.4)


@pytest.mark.parametrize("sigma_mm, deadband_mm", [(0.1, 1.0), (2.0, 3.4), (9.0, 6.0), (math.nan, 1.0)])
def test_deadband_of_the_height_follows_its_spread_within_bounds(sigma_mm, deadband_mm):
    now = at(0.0, 0.0, 12.0, height_sigma_mm=sigma_mm)

    assert read(now)["too_far", "U7"].deadband == pytest.approx(deadband_mm)  # 5 and 30 % of 20 mm


@pytest.mark.parametrize("x_mm, height_mm, beyond", [(9.0, 12.0, 0.5), (13.0, 12.0, 4.5), (13.0, 22.0, 3.0),
                                                     (13.0, 27.0, -2.0), (7.5, 12.0, -1.0), (18.5, 12.0, -1.0)])
def test_aim_at_a_neighbour_or_near_it_is_drift(x_mm, height_mm, beyond):
    drift = read(at(x_mm, 0.0, height_mm))["drift", "connector"]

    assert drift.beyond == pytest.approx(beyond) and drift.deadband == 1.0 and drift.limit == 0.0


def test_neighbour_that_reaches_into_the_target_does_not_make_it_drift():
    text = JOB_TEXT.replace("[[10, -3], [16, -3], [16, 3], [10, 3]]", "[[5.5, -3], [16, -3], [16, 3], [5.5, 3]]")

    drift = read(at(4.5, 0.0, 12.0), rules=WatchRules(parse_job(text)))["drift", "connector"]
    assert drift.beyond == pytest.approx(-0.5)


def test_dwell_is_asked_for_by_the_pass_under_way():
    dwell = read(at(0.0, 0.0, 12.0))["long_dwell", "U7"]

    assert (dwell.beyond, dwell.value, dwell.limit) == (1.5, 5.5, 4.0)


def test_nothing_rests_on_old_data():
    assert ("too_far", "U7") in read(replace(at(0, 0, 12), age_s=0.2))
    assert set(read(replace(at(0, 0, 12), age_s=0.21))) == {("not_seen", "nozzle")}


def not_seen(last, **more):
    return read(replace(UNSEEN, age_s=1.5, **more), last)["not_seen", "nozzle"]


@pytest.mark.parametrize("x_mm, height_mm, beyond", [
    (0.0, 12.0, 1.3), (30.0, 12.0, 1.3), (31.5, 12.0, -0.2), (0.0, 49.0, 1.3), (0.0, 50.0, -0.2)])
def test_nozzle_that_was_last_seen_at_work_should_be_there(x_mm, height_mm, beyond):
    # the work reaches 15 mm beyond the regions, and up to twice the highest height
    unseen = not_seen(at(x_mm, 0.0, height_mm))

    assert unseen.beyond == pytest.approx(beyond) and unseen.limit == 0.2 and unseen.detail == "nozzle not found"


def test_work_reaches_twenty_millimetres_above_a_low_limit():
    rules = WatchRules(parse_job(JOB_TEXT.replace("height_mm = [5, 25]", "height_mm = [5, 15]")))

    assert [rules.is_at_work(at(0.0, 0.0, h)) for h in (34.9, 35.0)] == [True, False]
    assert not rules.is_at_work(None) and not rules.is_at_work(UNSEEN)


def test_nozzle_that_is_gone_is_not_missed():
    assert not_seen(at(0.0, 0.0, 12.0), is_gone=True).beyond == pytest.approx(-0.2)
    assert not_seen(at(0.0, 0.0, 12.0), reason="smoke").detail == "smoke"


@pytest.mark.parametrize("x_mm, is_near", [(10.9, True), (11.1, False), (math.nan, False)])
def test_aim_is_near_the_target_within_its_rim(x_mm, is_near):
    assert WatchRules(job()).is_near_target(at(x_mm, 0.0, 12.0)) is is_near


def test_aim_that_is_not_known_is_far_from_everything():
    level = replace(at(0.0, 0.0, 12.0), aim_board_mm=np.full(2, math.nan))

    assert read(level)["too_far", "U7"].beyond == -math.inf and read(level)["drift", "connector"].beyond == -math.inf


LIMITS = {"package top": Limit(260.0, ""), "underside": Limit(250.0, ""), "connector": Limit(223.0, "")}


def heat(top=Band(230.0, 240.0, 255.0), ahead=None, ramp=Band(1.0, 2.0, 4.0)):
    plain = Band(40.0, 50.0, 60.0)
    return SimpleNamespace(temp_c={"package top": top, "underside": plain, "connector": plain},
                           limit_in_s={"package top": ahead}, ramp_k_s=ramp)


def warm(text=JOB_TEXT, limits=LIMITS, **more):
    return read(at(0.0, 0.0, 12.0), heat=heat(**more), rules=WatchRules(parse_job(text), limits))


def test_temperatures_are_set_against_what_the_heat_model_knows():
    found = warm(top=Band(250.0, 263.0, 275.0))
    part = found["part_limit", "U7"]

    assert (part.beyond, part.deadband, part.value, part.limit, part.band) == (3.0, 5.0, 263.0, 260.0, (250.0, 275.0))
    assert found["underside_limit", "underside"].beyond == -200.0
    assert found["neighbour_limit", "connector"].beyond == -173.0


def test_limits_of_the_job_come_first():
    text = JOB_TEXT.replace("dwell_s = 4", "dwell_s = 4\npart_c = 245\nunderside_c = 140").replace(
        'name = "connector"', 'name = "connector"\nlimit_c = 120')
    rules = WatchRules(parse_job(text), LIMITS)

    assert rules.limits_c() == {"package top": 245, "underside": 140, "connector": 120}
    own = WatchRules(parse_job(text.replace('name = "U7"', 'name = "U7"\nlimit_c = 230')), LIMITS)
    assert own.limits_c()["package top"] == 230 and WatchRules(job()).limits_c() == {}


@pytest.mark.parametrize("ahead_s, beyond", [(4.0, 1.0), (5.0, 0.0), (9.0, -4.0)])
def test_limit_that_is_near_is_told_beforehand(ahead_s, beyond):
    soon = warm(ahead=Band(ahead_s - 1, ahead_s, ahead_s + 2))["limit_soon", "U7"]

    assert (soon.beyond, soon.deadband, soon.value, soon.limit) == (beyond, 2.0, ahead_s, 5.0)
    assert soon.band == (ahead_s - 1, ahead_s + 2)


@pytest.mark.parametrize("more", [{"ahead": None}, {"ahead": Band(1, math.inf, math.inf)},
                                  {"ahead": Band(1, 2, 3), "top": Band(250.0, 260.0, 270.0)},
                                  {"ahead": Band(1, 2, 3), "limits": {"package top": Limit(255.0, "")}, "text":
                                   JOB_TEXT.replace("dwell_s = 4", "dwell_s = 4\npart_c = 245")}])
def test_limit_that_is_passed_or_not_the_one_foreseen_is_not_told_beforehand(more):
    assert ("limit_soon", "U7") not in warm(**more)


def test_rise_is_asked_for_where_the_job_limits_it():
    text = JOB_TEXT.replace("dwell_s = 4", "dwell_s = 4\nramp_k_s = 1.5")
    ramp = warm(text)["ramp", "U7"]

    assert (ramp.beyond, ramp.value, ramp.limit, ramp.band) == (0.5, 2.0, 1.5, (1.0, 4.0))
    assert ramp.deadband == pytest.approx(0.15) and ("ramp", "U7") not in warm()


def test_events_of_the_bench_and_of_other_parts_are_told():
    events = (BenchEvent(1.0, "board_moved", "by 2 mm"), BenchEvent(1.0, "mat_lost", "hidden"))
    moved = part_event("connector")
    found = read(at(0, 0, 12), events=events, part_events=(moved, part_event("U7")))

    assert found["bench_moved", "bench"].detail == "by 2 mm" and found["bench_moved", "bench"].beyond == 1.0
    assert found["part_moved", "connector"].value == pytest.approx(0.62) and ("part_moved", "U7") not in found


def part_event(name="C3", kind="moved", size_mm=0.62, turn_deg=-4.0):
    fields = {"name": name, "kind": kind, "shift_mm": np.array([0.6, -0.8]) * size_mm, "sigma_mm": 0.1,
              "turn_rad": math.radians(turn_deg)}
    made = {field: fields.get(field, 1.0) for field in PartEvent.__dataclass_fields__}
    return PartEvent(**made)


@pytest.mark.parametrize("turn_deg, words", [
    (-4.0, "shifted by 0.62 mm (90 % within 0.21 mm), turned by -4 degrees"),
    (3.1, "shifted by 0.62 mm (90 % within 0.21 mm), turned by +3 degrees"),
    (-2.9, "shifted by 0.62 mm (90 % within 0.21 mm)")])
def test_turn_of_a_part_is_told_from_three_degrees_on(turn_deg, words):
    assert part_words(part_event(turn_deg=turn_deg)) == words
    assert part_words(part_event(kind="removed", size_mm=math.nan)) == "is gone"
