"""Alloys, package classes, profiles and layer rules against the table of check values."""

import ht
import numpy as np
import pytest

from monitor.errors import InputError
from monitor.heat import limits, material
from monitor.heat.alloy import alloy_names, find_alloy, joint_alloy, mixing_warning
from tests.heat.checks import agrees, inputs, with_prefix


@pytest.mark.parametrize("check_id", with_prefix("alloy-"))
def test_alloy_melts_where_public_tables_say(check_id):
    alloy = find_alloy(inputs(check_id)["alloy"])

    agrees(check_id, [alloy.solidus_c, alloy.liquidus_c])


@pytest.mark.parametrize("check_id", with_prefix("jstd-pbfree-", "jstd-snpb-"))
def test_package_class_follows_thickness_and_volume(check_id):
    i = inputs(check_id)

    agrees(check_id, limits.package_class_c(i["thickness_mm"], i["volume_mm3"], "pbfree" in check_id))


def test_ramp_limits():
    agrees("jstd-ramp", limits.ramp_limits_k_s())


def test_time_above_liquidus_of_the_profile():
    agrees("jstd-tal", limits.time_above_s())


def test_seconds_near_the_class_temperature():
    agrees("jstd-tp5", limits.seconds_near_class()[0])


def test_bismuth_with_lead_warns_of_a_low_melt():
    text = mixing_warning(find_alloy("Sn42Bi58"), find_alloy("Sn63Pb37"))

    assert text is not None and "96 C" in text  # Bi46Sn34Pb20, public alloy table


def test_one_alloy_may_meet_itself():
    assert mixing_warning(find_alloy("SAC305"), find_alloy("SAC305")) is None


def test_bismuth_on_leaded_pads_may_melt_near_96():
    assert joint_alloy("Sn42Bi58", "Sn63Pb37").solidus_c == 96  # Bi46Sn34Pb20, public alloy table


def test_leaded_residue_under_lead_free_melts_early_and_late():
    mixed = joint_alloy("SAC305", "Sn63Pb37")

    assert (mixed.solidus_c, mixed.liquidus_c) == (179, 220)  # Sn62Pb36Ag2 and SAC305, public alloy tables


def test_the_same_alloy_before_changes_nothing():
    assert joint_alloy("SAC305", "Sn96.5Ag3Cu0.5") == find_alloy("SAC305")


def test_leaded_and_lead_free_are_warned_of():
    assert "lead-free" in mixing_warning(find_alloy("SAC305"), find_alloy("63/37"))


def test_unknown_alloy_names_the_known_ones():
    with pytest.raises(InputError, match="SAC305"):
        find_alloy("Unobtainium")


def test_low_melt_alloy_may_stay_wet_for_half_a_minute():
    assert find_alloy("Sn42Bi58").wet_hold_s == 30  # common practice, no source


def test_solidus_is_never_above_liquidus():
    assert all(find_alloy(n).solidus_c <= find_alloy(n).liquidus_c for n in alloy_names())


@pytest.mark.parametrize("check_id", ["kxy-2L", "kxy-4L"])
def test_in_plane_conductivity_lies_under_the_rule_of_mixtures_and_near_it_for_whole_foils(check_id):
    i = inputs(check_id)
    layers = tuple((i["foil_um"] * 1e-6, c) for c in i["coverage"])
    whole = tuple((t * c, 1.0) for t, c in layers)  # the same copper as whole, thinner foils
    got, all_whole = (material.stack_in_plane_w_mk(i["t_mm"] * 1e-3, x, i["k_cu"], i["k_fr4"]) for x in (layers, whole))

    agrees(check_id, all_whole)
    assert 0.6 * all_whole < got < 0.9 * all_whole


@pytest.mark.parametrize("holes, share", [(0.1, 0.818), (0.2, 0.667), (0.4, 0.429)])
def test_foil_with_holes_conducts_as_maxwells_law_says(holes, share):
    # Maxwell's law for a sheet with round holes, (1 - f) / (1 + f); Rayleigh 1892 differs by 1 % at a share of 0.4
    assert material.foil_w_mk(1 - holes, 390.0, 1e-6) / 390.0 == pytest.approx(share, abs=0.001)


def test_through_plane_conductivity_of_a_stack():
    i = inputs("kz-4L")
    layers = ((i["foil_um"] * 1e-6, 1.0),) * i["layers"]

    agrees("kz-4L", material.stack_through_w_mk(i["t_mm"] * 1e-3, layers, i["k_cu"], i["k_fr4"]))


def test_conductance_of_a_via():
    i = inputs("via-G")

    agrees("via-G", 1e3 * material.via_conductance_w_k(i["drill_mm"] * 1e-3, i["barrel_um"] * 1e-6, i["t_mm"] * 1e-3))


def test_still_air_gap():
    agrees("airgap-h", material.air_gap_w_m2k(3e-3, 100.0))


def test_radiation_coefficient():
    agrees("rad-h", material.radiation_w_m2k(200.0, 25.0, 0.9))


def test_natural_convection_agrees_with_ht():
    length, wall_k, air_k = 20e-3, 398.15, 298.15
    film = (wall_k + air_k) / 2 - 273.15
    rayleigh = 9.80665 * 100 / (film + 273.15) * length**3 * 0.7 / 2.07e-5**2  # nu at 75 C, tables
    nusselt = ht.conv_free_immersed.Nu_horizontal_plate_McAdams(0.7, rayleigh / 0.7, buoyancy=True)
    expected = nusselt * 0.0297 / length  # k at 75 C, tables

    got = material.natural_convection(length, True, film) * 100**0.25

    np.testing.assert_allclose(got, expected, rtol=0.05)


@pytest.mark.parametrize("alloy, fact", [("SAC305", "250 C"), ("Sn63Pb37", "40 to 50 C earlier"), ("Sn42Bi58", "30 s")])
def test_practice_is_told_with_its_provenance(alloy, fact):
    words = limits.practice_words(find_alloy(alloy))

    assert fact in words and "no source" in words and "400 C" in words  # facts of the trade, no source
