"""Limits and marks of a job, at the ends of their tables."""

from __future__ import annotations

import pytest

from monitor.heat.limits import (
    Limit,
    melt_wanted,
    neighbour_melts_c,
    package_class_c,
    ramp_wanted_k_s,
    site_limits,
)
from monitor.heat.types import PartSetup, RegionSetup
from tests.heat.cases import job, rectangle


def part(**more):
    return PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9), more.pop("height_m", 0.9e-3)), "leadless", **more)


@pytest.mark.parametrize("more, mark_c, hold_s, seen_c", [
    ({"work": "remove"}, 225.0, 1.0, 220.0), ({"work": "fit"}, 235.0, 2.0, 220.0), ({}, 225.0, 1.0, 220.0),
    ({"alloy": "Sn42Bi58", "alloy_before": "SAC305"}, 168.0, 10.0, 168.0), ({"alloy": "Sn42Bi58"}, 143.0, 1.0, 138.0)])
def test_melt_wanted_follows_the_work(more, mark_c, hold_s, seen_c):
    melt = melt_wanted(part(**more))  # liquidus of SAC305 220, of Sn42Bi58 138 C, public alloy tables

    assert (melt.mark_c, melt.hold_s, melt.seen_c) == (mark_c, hold_s, seen_c)


@pytest.mark.parametrize("more, ramp", [({}, None), ({"ceramic": True}, 3.0), ({"height_m": 2.5e-3}, None),
                                        ({"height_m": 2.6e-3}, 3.0)])
def test_ceramic_and_thick_parts_may_not_warm_faster_than_three_kelvin_a_second(more, ramp):
    assert ramp_wanted_k_s(job(part=part(**more))) == ramp
    assert ramp_wanted_k_s(job(part=part(**more), ramp_k_s=1.5)) == 1.5


def beside(**more):
    setup = job(part=part(), neighbours=(RegionSetup("J1", rectangle(15, 0, 5, 8), 2e-3, **more),))
    return site_limits(setup)["J1"], neighbour_melts_c(setup)["J1"]


def test_neighbour_is_limited_by_what_comes_first():
    assert beside()[0].value_c == 260.0  # J-STD-020 lead-free, 2 mm and 80 mm3
    assert beside(limit_c=180.0, limit_source="datasheet")[0] == Limit(180.0, "datasheet")
    assert beside(limit_c=180.0)[0].source == "job file" and beside()[1] == 217.0
    assert beside(keep_solid=True)[0].value_c == 217.0
    assert beside(keep_solid=True, limit_c=217.0)[0].source == "job file"


@pytest.mark.parametrize("thickness_mm, volume_mm3, lead_free_c, leaded_c", [
    (1.59, 100, 260, 235), (1.59, 350, 260, 220), (1.59, 3000, 260, 220), (1.6, 349, 260, 235), (1.6, 350, 250, 220),
    (2.5, 2000, 250, 220), (2.5, 2001, 245, 220), (2.49, 349, 260, 235), (2.5, 349, 260, 220), (2.51, 349, 250, 220),
    (2.51, 350, 245, 220), (3.0, 2500, 245, 220)])
def test_class_of_a_package_at_the_ends_of_its_table(thickness_mm, volume_mm3, lead_free_c, leaded_c):
    # J-STD-020 tables, as public makers' reflow sheets give them; the row from 1.6 to 2.5 mm takes both of its ends
    assert package_class_c(thickness_mm, volume_mm3, True) == lead_free_c
    assert package_class_c(thickness_mm, volume_mm3, False) == leaded_c


def test_package_is_limited_by_its_datasheet_else_its_kind_else_its_class():
    limit_of = lambda **more: site_limits(job(part=PartSetup(**more)))["package top"]
    plain = {"region": RegionSetup("U7", rectangle(0, 0, 20, 12), 2e-3)}  # 480 mm3

    assert limit_of(**plain).value_c == 250.0 and limit_of(**plain, alloy="Sn63Pb37").value_c == 220.0
    assert limit_of(**plain, kind="chip").value_c == 270.0  # makers' tests of chip parts, from memory
    own = {"region": RegionSetup("U7", rectangle(0, 0, 20, 12), 2e-3, 240.0)}
    assert limit_of(**own, kind="chip") == Limit(240.0, "job file")
    sheet = {"region": RegionSetup("U7", rectangle(0, 0, 20, 12), 2e-3, 240.0, "datasheet")}
    assert limit_of(**sheet) == Limit(240.0, "datasheet")


def test_neighbour_is_classed_by_its_own_volume_and_by_what_it_is_soldered_with():
    big = RegionSetup("J1", rectangle(15, 0, 20, 12), 2e-3)
    setup = job(neighbours=(big,))
    old = job(neighbours=(big,), part=PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9)), alloy_before="Sn63Pb37"))

    assert (site_limits(setup)["J1"].value_c, site_limits(old)["J1"].value_c) == (250.0, 220.0)
    assert neighbour_melts_c(old) == {"J1": 183.0}  # public alloy tables


def test_laminate_stands_260_on_both_sides_unless_the_job_says_less_below():
    limits = site_limits(job(underside_limit_c=150.0))

    assert (limits["board top"].value_c, limits["underside"]) == (260.0, Limit(150.0, "job file"))
    assert site_limits(job())["underside"].value_c == 260.0
