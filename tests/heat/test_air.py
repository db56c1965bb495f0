"""Air against CoolProp and fluids, and against the table of check values."""

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.heat import air
from tests.heat.checks import agrees, inputs, with_prefix

BY_LETTER = {"rho": air.density_kg_m3, "mu": air.viscosity_pa_s, "k": air.conductivity_w_mk,
             "cp": air.heat_capacity_j_kgk, "Pr": air.prandtl}


@pytest.fixture(scope="module")
def coolprop():
    """Loaded for the tests that need it: that takes two seconds, and both processes read this file."""
    from CoolProp import CoolProp

    return CoolProp


@pytest.mark.parametrize("check_id", with_prefix("air-"))
def test_property_meets_its_check_value(check_id):
    letter = check_id.split("-")[1]

    agrees(check_id, BY_LETTER[letter](inputs(check_id)["T_C"]))


@pytest.mark.parametrize("name, function", [
    ("D", air.density_kg_m3), ("V", air.viscosity_pa_s), ("L", air.conductivity_w_mk), ("C", air.heat_capacity_j_kgk),
    ("A", air.sound_speed_m_s), ("PRANDTL", air.prandtl)])
@pytest.mark.parametrize("temp_c", [0.0, 60.0, 150.0, 250.0, 420.0, 600.0])
def test_property_agrees_with_coolprop(coolprop, name, function, temp_c):
    expected = coolprop.PropsSI(name, "T", temp_c + 273.15, "P", 101325, "Air")  # CoolProp, fluid Air

    np.testing.assert_allclose(function(temp_c), expected, rtol=0.003)


def test_enthalpy_agrees_with_coolprop(coolprop):
    expected = sum(sign * coolprop.PropsSI("H", "T", t + 273.15, "P", 101325, "Air")
                   for t, sign in ((480, 1), (20, -1)))

    np.testing.assert_allclose(air.enthalpy_j_kg(480, 20), expected, rtol=0.002)


def test_density_at_sea_level_is_the_standard_atmosphere():
    expected = fluids.ATMOSPHERE_1976(0).rho  # U.S. Standard Atmosphere 1976, 15 C at sea level

    np.testing.assert_allclose(air.density_kg_m3(15.0), expected, rtol=0.001)


def test_viscosity_agrees_with_the_standard_atmosphere():
    layer = fluids.ATMOSPHERE_1976(0)

    np.testing.assert_allclose(air.viscosity_pa_s(layer.T - 273.15), layer.mu, rtol=0.01)


@given(st.floats(0, 590))
def test_hotter_air_is_thinner_and_more_viscous(temp_c):
    assert air.density_kg_m3(temp_c + 10) < air.density_kg_m3(temp_c)
    assert air.viscosity_pa_s(temp_c + 10) > air.viscosity_pa_s(temp_c)


@given(st.floats(25, 600))
def test_no_air_is_heated_from_a_temperature_to_itself(temp_c):
    assert abs(air.enthalpy_j_kg(temp_c, temp_c)) < 1e-9
