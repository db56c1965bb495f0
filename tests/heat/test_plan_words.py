"""A plan in words: what is said at each of its limits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.heat import air, jet
from monitor.heat.limits import Limit, melt_wanted
from monitor.heat.types import Band, PartSetup, RegionSetup, StationSetup
from monitor.heat.uncertainty import Knowledge, prior
from monitor.plan.course import Course, Stage
from monitor.plan.measures import Measure
from monitor.plan.search import SettingMap
from monitor.plan.types import Bound, Plan, Start
from monitor.plan.words import cautions, plan_json, plan_table, reason, stage_lines
from tests.heat.cases import job, rectangle

STAGES = (Stage(20e-3, (4e-3, 4e-3), 30.0), Stage(9e-3, (3e-3, 1.25e-3), 45.0, glides=True))
START = Start(360.0, 9e-3, (3e-3, 1.25e-3), 52.0, STAGES, {
    "joint corner": Band(200.0, 231.0, 250.0), "package top": Band(220.0, 250.0, 400.0)}, Band(-0.5, 2.5, 4.0), 21.0)
GRID = SettingMap(np.array([300.0, 360.0]), np.array([9e-3]), (3e-3, 1e-3), np.array([[0.1], [0.8]]),
                  np.array([[-9.0], [4.0]]), np.array([[math.inf], [40.0]]))
SETUP = job(neighbours=())
PLAN = Plan(SETUP, "open", START, START, 0.8, 0.79, 0.55, (31.0, 40.0, 55.0), (28.0, 60.0), 75.0, "that is the end", (),
            "told", melt_wanted(SETUP.part), {"package top": Limit(260.0, "job file")}, {}, (), (), GRID, STAGES,
            Course(np.zeros(1), np.zeros((1, 1, 1)), ("joint corner",)))
CLOSED = replace(PLAN, verdict="closed", start=None, chance_stop_on_melt=0.1, colliding=(
    Bound("joint corner", 225.0, 210.0, "C", "to lift"), Bound("package top", 260.0, 259.0, "C", "class")))


def test_open_plan_tells_its_setting_moments_and_chances():
    told = reason(PLAN)

    assert told.startswith("open: 360 C, 20, then 9 mm high, ovals of 6 x 2.4 mm. ")
    assert "Try gently from 31 s, most likely molten at 40 s, stop by 75 s" in told
    assert told.endswith("Chance 80 % when you stop on the melt, 55 % when you hold 52 s by the clock.")


def test_one_stage_has_one_height():
    one = replace(START, stages=STAGES[:1], sweep_m=(4e-3, 4e-3))

    assert "360 C, 20 mm high, circles of 4 mm radius." in reason(replace(PLAN, closest=one, verdict="careful"))


@pytest.mark.parametrize("by_stop, is_told", [(0.79, False), (0.77, True)])
def test_chance_by_the_latest_stop_is_told_where_it_is_less(by_stop, is_told):
    assert ("77 % by the latest stop" in reason(replace(PLAN, chance_by_latest_stop=by_stop))) is is_told


@pytest.mark.parametrize("seen_s, words", [
    ((math.nan,) * 3, "The melt is not expected; stop by 75 s"), ((75.0, 80.0, 90.0), "Stop by 75 s whatever you see"),
    ((74.0, 80.0, 90.0), "from 74 s, most likely molten at 75 s, stop by 75 s")])
def test_moments_never_lie_beyond_the_latest_stop(seen_s, words):
    assert words in reason(replace(PLAN, melt_seen_s=seen_s))


@pytest.mark.parametrize("chance, words", [(0.004, "under 1 %"), (0.005, "0 %"), (0.995, "100 %"), (0.996, "over 99 %"),
                                           (0.25, "25 %")])
def test_chances_are_never_told_as_sure(chance, words):
    assert f"Chance {words} when" in reason(replace(PLAN, chance_stop_on_melt=chance, chance_by_latest_stop=chance))


def test_closed_plan_tells_what_stands_against_what():
    assert "comes to 210 C of the 225 C wanted, package top to 259 C of the 260 C allowed" in reason(CLOSED)
    joints, other = CLOSED.colliding
    warm = replace(CLOSED, colliding=(replace(joints, comes_to=225.0), other))
    assert "when its coldest joint is at 225 C (225 C wanted), package top is at 259 C" in reason(warm)
    fast = replace(CLOSED, colliding=(joints, Bound("joint centre", 3.0, 4.25, "K/s", "fastest")))
    assert "may rise by 3.0 K/s at most, and it would rise by 4.2 K/s" in reason(fast)


def test_stages_are_told_one_after_the_other():
    lines = stage_lines(START)

    assert lines == ["stage 1: 20 mm high, circles of 4 mm radius, 0 to 30 s",
                     "stage 2: evenly down to 9 mm high, ovals of 6 x 2.4 mm, 30 to 75 s",
                     "then take the jet away and keep the board still until the joints are solid: 21 s"]
    assert stage_lines(replace(START, solid_after_s=None))[-1].endswith("longer than the plan looks ahead")


def test_table_sets_sites_against_what_they_must_and_must_not_pass():
    text = plan_table(replace(PLAN, measures=(Measure("preheat", 0.93, 330.0, 12e-3, 1.0),)))

    assert "joint corner       200   231   250    225  to be passed: liquidus of SAC305 and 5 K to lift" in text
    assert "package top        220   250   400    260  job file" in text and "start: 360 C" in text
    assert "fastest rise of the joint 2.5 K/s (0.0 to 4.0)" in text
    assert "  preheat: 93 %, at 330 C and 12 mm" in text and "watch for: every joint shines" in text


def test_table_of_a_closed_plan_tells_the_closest_and_that_nothing_helps():
    text = plan_table(CLOSED)

    assert "closest without passing a limit: 360 C" in text and "watch for" not in text
    assert "joint corner must pass 225 C (to lift), comes to 210 C" in text
    assert "package top must stay under 260 C (class), comes to 259 C" in text and "helps by more than 5 %" in text
    assert "helps by more than 5 %" not in plan_table(PLAN)


def said(plan=PLAN, knowledge=None, notes=()):
    return " ".join(cautions(plan, knowledge or prior(), notes))


def test_cautions_hang_on_what_is_known():
    assert "No thermocouple run" in said() and "Copper assumed." in said(notes=("copper assumed",))
    assert "No thermocouple run" not in said(knowledge=Knowledge(prior().mean, prior().cov, True))


@pytest.mark.parametrize("change, word, is_told", [
    ({"reflow": {"J1": 0.02}}, "J1", False), ({"reflow": {"J1": 0.03}}, "J1 3 %", True),
    ({"limits": {"package top": Limit(260.0, "J-STD-020 class")}}, "within 5 K under its 260 C", True),
    ({}, "within 5 K", False), ({}, "silicon is at risk (common", False), ({}, "Joints rise", False)])
def test_cautions_hang_on_the_plan(change, word, is_told):
    assert (word in said(replace(PLAN, **change))) is is_told


@pytest.mark.parametrize("high_c, is_told", [(400.0, False), (401.0, True)])
def test_silicon_is_at_risk_above_four_hundred(high_c, is_told):
    hot = replace(START, temp_c={**START.temp_c, "package top": Band(220.0, 250.0, high_c)})

    assert ("Package top may pass 400 C" in said(replace(PLAN, closest=hot))) is is_told


@pytest.mark.parametrize("rise, ramp_k_s, is_told", [(3.0, None, False), (3.6, None, True), (3.6, 5.0, False)])
def test_steep_rise_is_told_where_the_job_does_not_limit_it(rise, ramp_k_s, is_told):
    steep = replace(PLAN, closest=replace(START, ramp_k_s=Band(1, rise, 5)), setup=replace(SETUP, ramp_k_s=ramp_k_s))

    assert ("Joints rise by 4 K/s at first" in said(steep)) is is_told


@pytest.mark.parametrize("mass_kg, is_blown", [(0.9e-4, True), (1.1e-4, False)])
def test_part_is_blown_away_when_the_air_presses_harder_than_it_weighs(mass_kg, is_blown):
    part = PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 5), 0.7e-3), mass_kg=1.0)
    still = replace(SETUP, part=part, station=StationSetup(360.0, 30 / 6e4, bore_m=6.8e-3))
    # the push on the long side, 9 by 0.7 mm: half the density times the square of the speed at 9 mm
    out = jet.exit_state(360.0, 30 / 6e4, 6.8e-3, ambient_c=23.0)
    wide = 6.8e-3 * math.sqrt(air.density_kg_m3(out.temp_c) / air.density_kg_m3(23.0))
    push = air.density_kg_m3(out.temp_c) / 2 * (out.velocity_m_s * jet.velocity_share(9e-3, wide)) ** 2 * 6.3e-6
    made = replace(still, part=replace(part, mass_kg=float(push / 9.81) * mass_kg / 1e-4))

    assert ("blown away" in said(replace(PLAN, setup=made))) is is_blown


def test_part_of_unknown_mass_weighs_what_its_kind_does():
    # a leadless package of 1.75e6 J/m3/K at 700 J/kg/K is 2500 kg/m3
    thin, thick = (replace(SETUP, part=PartSetup(RegionSetup("U7", rectangle(0, 0, 9, width_mm), 0.7e-3)))
                   for width_mm in (0.3, 90.0))

    assert "blown away" in said(replace(PLAN, setup=thin)) and "blown away" not in said(replace(PLAN, setup=thick))


def test_plain_values_have_none_for_what_is_not_known():
    plain = plan_json(replace(PLAN, melt_seen_s=(31.0, math.nan, math.inf), start=None))

    assert plain["melt_seen_s"] == [31.0, None, None] and plain["start"] is None
    assert plain["settings"]["melt_s"] == [[None], [40.0]] and plain["settings"]["setpoints_c"] == [300.0, 360.0]
    closest = plain["closest"]
    assert (closest["sweep_m"], closest["sweep_axes_m"], closest["stages"][1]["sweep_m"]) == (
        3e-3, [3e-3, 1.25e-3], 3e-3)
    assert closest["stages"][0]["glides"] is False and plain["melt"]["mark_c"] == 225.0
