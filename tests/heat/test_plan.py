"""Ten planning cases, and what every plan must keep to."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from monitor.heat.types import BoardSetup, Layer, PartSetup, Protection, RegionSetup, StationSetup
from monitor.plan.window import PlanLimits, draw_plan, make_plan
from tests.heat.cases import job, rectangle

PLANES = tuple(Layer(70e-6, 0.9) for _ in range(8))
HEAVY = BoardSetup(2.4e-3, PLANES, (120e-3, 90e-3), (0.0, 0.0))
LIQUIDUS_C = {"SAC305": 220.0, "Sn42Bi58": 138.0, "Sn63Pb37": 183.0}  # public alloy tables


def quad(kind="leadless", alloy="SAC305", height_mm=0.9, **region):
    return PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9), height_mm * 1e-3, **region), kind, None, alloy)


def chip_beside_connector(gap_mm):
    """A 0402 beside a PBT connector whose near edge is gap_mm from its centre."""
    return job(part=PartSetup(RegionSetup("C1", rectangle(0, 0, 1, 0.5), 0.5e-3), "chip"),
               neighbours=(RegionSetup("J1", rectangle(gap_mm + 2, 0, 4, 8), 5e-3, 180.0, "PBT, softens"),),
               station=StationSetup(350.0, 20 / 60000, bore_m=3e-3))


@cache
def plan_of(case):
    return make_plan(CASES[case])


CASES = {  # nine; the tenth, a station that stops at 250 C, has its own limits below
    "ordinary": job(),
    "heavy planes": job(board=HEAVY),
    "0402 close": chip_beside_connector(2.0),
    "0402 clear": chip_beside_connector(12.0),
    "low melt": job(part=quad(alloy="Sn42Bi58")),
    "leaded": job(part=quad("leaded", "Sn63Pb37", 1.5)),
    "soft neighbour": job(neighbours=(RegionSetup("C9", rectangle(8, 0, 5, 8), 6e-3, 150.0, "electrolytic"),)),
    "preheated": job(protections=(Protection("preheater", None, {"temp_c": 150.0}),)),
    "large array": job(
        part=PartSetup(RegionSetup("U1", rectangle(0, 0, 23, 23), 2.2e-3), "ball_grid", 2.3e-3), neighbours=(),
        board=BoardSetup(1.6e-3, tuple(Layer(35e-6, c) for c in (0.3, 0.8, 0.8, 0.3)), (100e-3, 80e-3), (0.0, 0.0)),
        station=StationSetup(380.0, 60 / 60000, bore_m=12e-3)),
}


@pytest.mark.parametrize("case", ["ordinary", "0402 clear", "low melt", "leaded", "preheated"])
def test_case_has_a_window(case):
    plan = plan_of(case)

    assert plan.is_open and plan.window().any() and plan.reason.startswith("window")


def test_heavy_ground_planes_leave_too_little_heat():
    plan = plan_of("heavy planes")

    assert not plan.is_open and plan.binding == "heat" and "too little heat" in plan.reason


def test_chip_close_to_a_connector_is_bound_by_the_connector():
    plan = plan_of("0402 close")

    assert not plan.is_open and plan.binding == "J1" and "PBT" in plan.reason


def test_soft_neighbour_binds():
    plan = plan_of("soft neighbour")

    assert not plan.is_open and plan.binding == "C9" and "electrolytic" in plan.reason


def test_station_that_stops_at_250_leaves_too_little_heat():
    plan = make_plan(job(neighbours=()), PlanLimits(setpoint_c=(150.0, 250.0)))

    assert not plan.is_open and plan.binding == "heat"


def test_large_array_is_bound_by_its_own_package():
    assert plan_of("large array").binding == "package top"


def test_closed_window_names_measures_and_whether_they_open_it():
    openers = plan_of("0402 close").openers

    assert any(o.opens for o in openers) and any("shield" in o.what for o in openers)


def test_what_is_said_to_open_the_window_does():
    opener = next(o for o in plan_of("soft neighbour").openers if "shield" in o.what)
    neighbour = CASES["soft neighbour"].neighbours[0]
    shielded = make_plan(job(neighbours=(neighbour,),
                             protections=(Protection("shield_above", neighbour.polygon_m, {"gap_m": 2e-3}),)))

    assert shielded.is_open == opener.opens
    assert np.nanmax(shielded.margin_k) > np.nanmax(plan_of("soft neighbour").margin_k)


@pytest.mark.parametrize("case", ["ordinary", "low melt", "leaded"])
def test_start_brings_the_joints_over_liquidus_within_the_limits(case):
    plan, alloy = plan_of(case), CASES[case].part.alloy

    temps = plan.start.temp_c
    assert temps["joint corner"].mid > LIQUIDUS_C[alloy] + 14
    assert all(temps[name].mid < limit.value_c + 1 for name, limit in plan.limits.items())


def test_low_melt_alloy_needs_less_heat():
    low, plain = plan_of("low melt").start, plan_of("ordinary").start

    assert low.temp_c["package top"].mid < plain.temp_c["package top"].mid - 50


def test_bismuth_on_leaded_pads_is_cautioned():
    part = replace(CASES["low melt"].part, alloy_before="Sn63Pb37")

    plan = make_plan(replace(CASES["low melt"], part=part, neighbours=()))

    assert any("96 C" in c for c in plan.cautions)  # Bi46Sn34Pb20, public alloy table
    assert plan.mark_c == 183 + 15  # the higher liquidus of the two, and the margin


def test_preheat_shortens_or_cools_the_work():
    warm, plain = plan_of("preheated"), plan_of("ordinary")

    assert np.nanmin(warm.need_s) < np.nanmin(plain.need_s)


def test_lower_nozzle_is_told_to_heat_the_joints_and_the_neighbour():
    lower = next(c for c in plan_of("ordinary").changes if "lower" in c.what).rise_k

    assert lower["joint corner"] > 0 and lower["J1"] > 0


def test_hotter_setpoint_is_told_by_about_the_exit_factor():
    hotter = next(c for c in plan_of("ordinary").changes if c.what == "20 C hotter").rise_k

    assert 0 < hotter["joint corner"] < 20  # no site can rise by more than the setpoint did


def test_uncalibrated_plan_is_never_sure():
    plan = plan_of("ordinary")

    assert not plan.is_sure and any("does not prove" in c for c in plan.cautions)


def test_steep_ramp_is_cautioned():
    plan = plan_of("ordinary")

    assert plan.closest.ramp_k_s > 3 and any("J-STD-020" in c for c in plan.cautions)  # 3 K/s, J-STD-020


def test_chances_are_shares():
    start = plan_of("ordinary").start

    assert 0 <= start.chance_joints <= 1 and 0 <= start.chance_limits <= 1


def test_job_limit_on_height_is_kept():
    plan = make_plan(job(), PlanLimits(height_m=(18e-3, 22e-3)))

    assert 18e-3 <= plan.closest.height_m <= 22e-3


def test_progress_grows_to_one():
    told = []
    make_plan(replace(job(), neighbours=()), progress=told.append)

    assert told == sorted(told) and told[-1] == 1.0


def test_plan_is_plain_json():
    text = json.dumps(plan_of("heavy planes").to_json(), allow_nan=False)

    assert json.loads(text)["start"] is None


def test_table_names_limits_and_their_sources():
    text = plan_of("ordinary").table()

    assert "J-STD-020" in text and "joint corner" in text and "chance" in text


def test_picture_is_written_whole(tmp_path):
    draw_plan(plan_of("ordinary"), tmp_path / "plan.png")

    data = (tmp_path / "plan.png").read_bytes()
    assert data.startswith(b"\x89PNG") and data.endswith(b"IEND\xaeB`\x82")
    assert [p.name for p in tmp_path.iterdir()] == ["plan.png"]
