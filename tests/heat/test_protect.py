"""What protections do, and what they are not credited with."""

from __future__ import annotations

import pytest

from monitor.errors import InputError
from monitor.heat import material
from monitor.heat.estimate import HeatEstimator
from monitor.heat.types import Protection, RegionSetup
from tests.heat.cases import QUICK, hold, job, rectangle

OVER_NEIGHBOUR = rectangle(15, 0, 8, 10)


def after(*protections, seconds=10.0, **jet):
    """Middle estimates after a hold, with the given protections."""
    reading = hold(HeatEstimator(job(protections=protections), fineness=QUICK), seconds, **jet)
    return {name: b.mid for name, b in reading.temp_c.items()} | {"power J1": reading.power_w["J1"].mid}


def test_tape_is_credited_with_a_tenth_at_most():
    bare, taped = after(seconds=0.5), after(Protection("tape", OVER_NEIGHBOUR), seconds=0.5)

    assert 0.88 < taped["power J1"] / bare["power J1"] < 1.0  # the bare face warms and so takes less


def test_air_under_tape_counts_only_when_entered():
    plain, puffed = (after(Protection("tape", OVER_NEIGHBOUR, v), seconds=1.0)["power J1"]
                     for v in ({}, {"gap_m": 3e-4}))

    assert puffed < 0.75 * plain  # 0.3 mm of still air is about 100 W/m2/K


def test_stand_off_shield_cuts_more_than_tape():
    taped = after(Protection("tape", OVER_NEIGHBOUR))
    shielded = after(Protection("shield_above", OVER_NEIGHBOUR, {"gap_m": 2e-3}))

    assert shielded["power J1"] < 0.5 * taped["power J1"]


def test_air_gap_below_cuts_the_loss_by_a_third_at_most():
    open_, closed = after(seconds=60.0), after(Protection("gap_below", None, {"gap_m": 4e-3}), seconds=60.0)

    assert open_["underside"] <= closed["underside"] < open_["underside"] + 15


def test_metal_block_keeps_the_underside_cool():
    bare = after(seconds=30.0)
    block = after(Protection("metal_block", rectangle(0, 0, 20, 20), {"mass_kg": 0.05}), seconds=30.0)

    assert block["underside"] < bare["underside"] - 20 and block["joint centre"] < bare["joint centre"]


def test_light_block_warms_and_helps_less():
    heavy, light = (after(Protection("metal_block", rectangle(0, 0, 20, 20), {"mass_kg": m}),
                          seconds=40.0)["joint centre"]
                    for m in (0.2, 0.002))

    assert light > heavy + 5


def test_better_contact_lets_a_block_draw_more():
    dry, pasted = (after(Protection("metal_block", rectangle(0, 0, 20, 20), {"mass_kg": 0.1, "contact_w_m2k": c}),
                         seconds=10.0)["underside"] for c in (300.0, 6000.0))

    assert pasted < dry - 3


def test_block_stores_the_heat_it_takes():
    estimator = HeatEstimator(job(protections=(
        Protection("metal_block", rectangle(0, 0, 20, 20), {"mass_kg": 0.05, "cp_j_kgk": 900.0}),)))
    hold(estimator, 20.0)
    (body,) = estimator.chain._bodies
    taken = -float(estimator.chain.model.work.touched_j[0])

    assert 0.9 * taken < 0.05 * 900.0 * float(body.temp_c[0] - 23.0) <= taken  # the rest it lost itself


def test_preheated_board_starts_warm():
    start = after(Protection("preheater", None, {"temp_c": 150.0}), seconds=0.1, on=False)["joint centre"]

    assert 70 < start < 150


def test_preheated_board_stays_as_warm_as_it_started():
    heater = Protection("preheater", None, {"temp_c": 150.0})
    early, late = (after(heater, seconds=s, on=False)["board top"] for s in (0.1, 60.0))

    assert late == pytest.approx(early, abs=4)


@pytest.mark.parametrize("mass_kg", [0.005, 0.1])
def test_a_block_under_a_preheated_board_starts_as_warm_as_it_stays(mass_kg):
    work = Protection("preheater", None, {"temp_c": 150.0}), Protection("metal_block", rectangle(0, 0, 20, 20),
                                                                        {"mass_kg": mass_kg})
    early, late = (after(*work, seconds=s, on=False) for s in (0.1, 200.0))

    assert late["joint centre"] == pytest.approx(early["joint centre"], abs=0.3)
    assert 60 < early["joint centre"] < early["board top"] - 10  # the block's own losses cool what it touches


def test_preheat_brings_the_joints_further():
    assert after(Protection("preheater", None, {"temp_c": 150.0}))["joint corner"] > after()["joint corner"] + 20


def test_missing_value_is_named():
    with pytest.raises(InputError, match="gap_m"):
        HeatEstimator(job(protections=(Protection("shield_above", OVER_NEIGHBOUR),)))


def test_shield_elsewhere_changes_nothing_here():
    far = after(Protection("shield_above", rectangle(-30, -20, 6, 6), {"gap_m": 2e-3}))

    assert far["joint centre"] == pytest.approx(after()["joint centre"], abs=1.0)


def test_neighbour_with_a_tall_body_warms_more_slowly():
    low, tall = (hold(HeatEstimator(job(neighbours=(RegionSetup("J1", rectangle(15, 0, 5, 8), h),))), 3.0)
                 for h in (0.5e-3, 8e-3))

    assert low.temp_c["J1"].mid >= tall.temp_c["J1"].mid


def test_gap_conductance_adds_conduction_and_radiation():
    total = material.air_gap_w_m2k(3e-3) + material.radiation_w_m2k(100.0, 25.0, 0.82)

    assert 10.5 + 4 < total < 10.5 + 8  # conduction 10.5 (CoolProp), radiation 4 to 8
