"""What every plan must keep to, on a few jobs."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from monitor.heat.limits import melt_wanted
from monitor.heat.types import BoardSetup, Layer, PartSetup, Protection, RegionSetup, StationSetup
from monitor.plan.chance import spans
from monitor.plan.chart import draw_plan
from monitor.plan.course import Stage, step_times
from monitor.plan.search import PlanLimits
from monitor.plan.stages import cut
from monitor.plan.window import make_plan
from monitor.plan.words import plan_json, plan_table
from tests.heat.cases import job, rectangle

PLANES = tuple(Layer(70e-6, 0.9) for _ in range(8))
HEAVY = BoardSetup(2.4e-3, PLANES, (120e-3, 90e-3), (0.0, 0.0))


def quad(kind="leadless", alloy="SAC305", height_mm=0.9, **more):
    return PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9), height_mm * 1e-3), kind, None, alloy, **more)


CASES = {
    "leaded": job(part=quad("leaded", "Sn63Pb37", 1.5)),
    "low melt": job(part=quad(alloy="Sn42Bi58")),
    "heavy planes": job(board=HEAVY),
    "soft neighbour": job(neighbours=(RegionSetup("C9", rectangle(8, 0, 5, 8), 6e-3, 150.0, "electrolytic"),)),
    "kept ramp": job(part=quad("leaded", "Sn63Pb37", 1.5), ramp_k_s=3.0),
}


@cache
def plan_of(case):
    limits = PlanLimits(height_m=(5e-3, 40e-3), dwell_s=150.0) if case == "kept ramp" else None
    return make_plan(CASES[case], limits)


@pytest.mark.parametrize("case", CASES)
def test_verdict_follows_from_the_chance(case):
    plan = plan_of(case)

    if plan.verdict == "closed":
        assert plan.start is None
    else:
        assert plan.start is plan.closest and (plan.verdict == "open") == (plan.chance_stop_on_melt >= 0.7)
        assert plan.chance_stop_on_melt >= 0.3


@pytest.mark.parametrize("case", CASES)
def test_nothing_printed_passes_a_limit_in_its_middle_estimate(case):
    plan = plan_of(case)

    assert all(plan.closest.temp_c[name].mid <= limit.value_c + 0.5 for name, limit in plan.limits.items())
    assert plan.latest_stop_s >= plan.closest.dwell_s - 1e-6


@pytest.mark.parametrize("case", CASES)
def test_stopping_on_the_melt_is_never_less_likely_than_the_clock(case):
    plan = plan_of(case)

    assert plan.chance_stop_on_melt >= plan.chance_by_clock - 0.02
    assert plan.chance_stop_on_melt >= plan.chance_by_latest_stop - 0.02


@pytest.mark.parametrize("case", CASES)
def test_no_setpoint_above_430_unless_asked_for(case):
    assert plan_of(case).closest.setpoint_c <= 430


@pytest.mark.parametrize("case", ["leaded", "low melt"])
def test_moments_come_in_order(case):
    plan = plan_of(case)

    assert 0 < plan.melt_seen_s[0] < plan.melt_seen_s[1] < plan.melt_seen_s[2]
    assert plan.melt_band_s[0] <= plan.melt_seen_s[0] and plan.melt_band_s[1] >= plan.melt_seen_s[2]
    assert "Try gently from" in plan.reason and "stop by" in plan.reason


def test_low_melt_alloy_is_open_at_a_usual_setting():
    start = plan_of("low melt").start

    assert plan_of("low melt").verdict == "open"
    assert 300 <= start.setpoint_c <= 400 and 5e-3 <= start.height_m <= 15e-3  # usual, common practice, no source


def test_heavy_ground_planes_are_closed_and_both_constraints_are_told():
    plan = plan_of("heavy planes")

    joints, other = plan.colliding
    assert plan.verdict == "closed" and joints.site == "joint corner" and joints.comes_to < joints.wanted
    assert other.site in plan.limits and joints.site in plan_table(plan) and f"{other.wanted:.0f}" in plan.reason


def test_closed_plan_tells_how_far_the_joints_come_and_not_how_they_began():
    closest = plan_of("heavy planes").closest

    assert closest.dwell_s > 20 and closest.temp_c["joint corner"].mid > 120


def test_dwell_by_the_clock_is_no_longer_than_it_need_be():
    assert plan_of("low melt").start.dwell_s < 0.7 * 90  # the longest pass; the melt comes within a few seconds


def test_soft_neighbour_collides_with_the_joints():
    assert plan_of("soft neighbour").verdict == "closed" and plan_of("soft neighbour").colliding[1].site == "C9"


def test_measures_that_are_there_are_not_told_again():
    neighbour = CASES["soft neighbour"].neighbours[0]
    shielded = make_plan(
        job(
            neighbours=(neighbour,),
            part=quad(alloy="Sn42Bi58", work="fit"),
            protections=(Protection("shield_above", neighbour.polygon_m, {"gap_m": 2e-3}),),
        )
    )

    assert not any("shield" in m.what or "Sn42Bi58" in m.what for m in shielded.measures)


def test_a_measure_is_at_least_a_twentieth_better_than_none():
    for case in ("heavy planes", "soft neighbour"):
        plan = plan_of(case)
        assert plan.measures and all(m.chance > plan.chance_stop_on_melt + 0.04 for m in plan.measures)


def test_ramp_is_kept_by_coming_down_in_stages():
    plan = plan_of("kept ramp")

    heights = [s.height_m for s in plan.closest.stages]
    assert plan.closest.ramp_k_s.mid <= 3.0 and heights == sorted(heights, reverse=True) and len(heights) >= 2
    assert plan_of("leaded").closest.ramp_k_s.mid > 3.0  # without the limit


def test_joints_are_solid_some_time_after_the_jet_has_left():
    assert 2 <= plan_of("leaded").start.solid_after_s <= 120


def test_neighbour_that_may_melt_is_cautioned_and_limits_only_when_it_must_stay_solid():
    near = RegionSetup("C4", rectangle(7, 0, 2, 1), 0.5e-3)
    kept = replace(near, keep_solid=True)
    loose, tight = (
        make_plan(job(neighbours=(n,), part=quad("leaded", "Sn63Pb37", 1.5)), PlanLimits(dwell_s=40.0))
        for n in (near, kept)
    )

    assert loose.limits["C4"].value_c == 235 and tight.limits["C4"].value_c == 183  # SnPb class; public alloy tables
    assert any("C4" in c and "do not touch" in c for c in loose.cautions) and loose.reflow["C4"] > 0.1
    assert tight.chance_stop_on_melt < loose.chance_stop_on_melt


def test_joints_to_lift_need_less_than_joints_to_wet():
    lift, fit = (melt_wanted(quad(work=w)) for w in ("remove", "fit"))

    assert 220 < lift.mark_c < 235 == fit.mark_c  # liquidus of SAC305 and the usual 15 K


def test_flooding_with_low_melt_alloy_needs_no_lead_free_heat():
    flooded = melt_wanted(quad(alloy="Sn42Bi58", alloy_before="SAC305", work="remove"))
    fitted = melt_wanted(quad(alloy="Sn42Bi58", alloy_before="SAC305", work="fit"))

    assert flooded.mark_c < 180 and fitted.mark_c == 235


def test_steps_grow_and_meet_every_stage():
    times = step_times(60.0, [17.0, 33.0])

    assert {0.0, 17.0, 33.0, 60.0} <= set(np.round(times, 9)) and np.diff(times).max() < 3.1
    assert np.diff(times)[0] == pytest.approx(0.125)


def test_steps_cut_in_parts_keep_the_whole_ones():
    times, halves = step_times(40.0, [11.0]), step_times(40.0, [11.0], parts=2)

    np.testing.assert_allclose(halves[::2], times)
    assert halves.size == 2 * times.size - 1 and step_times(40.0, [11.0], coarser=2.0).size < 0.75 * times.size


def test_hold_looks_back_over_its_whole_span():
    times, values = np.arange(11.0), np.arange(11.0)[:, None]

    np.testing.assert_allclose(spans(times, values, 3.0)[:, 0], np.maximum(times - 3.0, 0.0))


def test_stages_are_cut_at_a_time():
    stages = (Stage(30e-3, (1e-3, 1e-3), 20.0), Stage(10e-3, (1e-3, 1e-3), 40.0))

    assert [s.seconds for s in cut(stages, 25.0)] == [20.0, 5.0] and len(cut(stages, 20.0)) == 1
    assert len(cut(stages, 20.3)) == 1 and len(cut(stages, 0.2)) == 1  # no hand keeps a stage of 0.3 s


def test_bismuth_on_leaded_pads_is_cautioned():
    plan = make_plan(
        job(part=quad(alloy="Sn42Bi58", alloy_before="Sn63Pb37", work="fit"), neighbours=()),
        PlanLimits(height_m=(5e-3, 12e-3), dwell_s=30.0),
    )

    assert any("96 C" in c for c in plan.cautions)  # Bi46Sn34Pb20, public alloy table
    assert plan.melt.mark_c == 183 + 15  # the higher liquidus of the two, and the margin


def test_uncalibrated_plan_says_that_it_proves_nothing():
    assert any("does not prove" in c for c in plan_of("leaded").cautions)


def test_job_limit_on_height_is_kept():
    plan = make_plan(job(neighbours=()), PlanLimits(height_m=(18e-3, 22e-3), dwell_s=30.0))

    assert 18e-3 <= plan.closest.height_m <= 22e-3


def test_tiny_nozzle_held_high_is_closed_and_told_to_come_down():
    tiny = job(
        part=quad("leaded", "Sn63Pb37", 1.5), neighbours=(), station=StationSetup(350.0, 10 / 60000, bore_m=2e-3)
    )
    plan = make_plan(tiny, PlanLimits(height_m=(20e-3, 30e-3)))

    assert plan.verdict == "closed" and plan.closest.temp_c["joint corner"].mid < 183
    assert not plan.measures or any("lower" in m.what or "wide" in m.what for m in plan.measures)


def test_progress_grows_to_one():
    told = []
    make_plan(replace(job(), neighbours=()), PlanLimits(dwell_s=20.0), progress=told.append)

    assert told == sorted(told) and told[-1] == 1.0


@pytest.mark.parametrize("case", ["heavy planes", "leaded"])
def test_plan_is_plain_json_with_the_promised_keys(case):
    data = json.loads(json.dumps(plan_json(plan_of(case)), allow_nan=False))

    assert {
        "verdict",
        "start",
        "chance_stop_on_melt",
        "chance_by_clock",
        "melt_seen_s",
        "latest_stop_s",
        "colliding",
    } <= set(data)
    assert (data["start"] is None) == (data["verdict"] == "closed")
    if data["start"] is not None:
        assert {"setpoint_c", "height_m", "sweep_m", "dwell_s", "stages"} <= set(data["start"])


def test_table_names_limits_their_sources_and_what_to_watch_for():
    text = plan_table(plan_of("leaded"))

    assert "J-STD-020" in text and "joint corner" in text and "watch for" in text and "keep the board still" in text


def test_picture_is_written_whole(tmp_path):
    draw_plan(plan_of("leaded"), tmp_path / "plan.png")

    data = (tmp_path / "plan.png").read_bytes()
    assert data.startswith(b"\x89PNG") and data.endswith(b"IEND\xaeB`\x82")
    assert [p.name for p in tmp_path.iterdir()] == ["plan.png"]
