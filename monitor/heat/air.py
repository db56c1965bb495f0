"""Properties of dry air at one atmosphere, from 0 to 600 C."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "GAS_CONSTANT_J_KGK",
    "conductivity_w_mk",
    "density_kg_m3",
    "enthalpy_j_kg",
    "heat_capacity_j_kgk",
    "prandtl",
    "sound_speed_m_s",
    "viscosity_pa_s",
]

FloatArray = NDArray[np.float64]

PRESSURE_PA = 101325.0
MOLAR_MASS_KG_MOL = 28.9586e-3  # Lemmon and Jacobsen 2004
GAS_CONSTANT_J_KGK = 8.314510 / MOLAR_MASS_KG_MOL
_ZERO_C_K = 273.15


def density_kg_m3(temp_c: ArrayLike) -> FloatArray:
    """Density as an ideal gas [kg/m3]; within 0.1 % of the real gas over 0-600 C at one atmosphere."""
    return PRESSURE_PA / (GAS_CONSTANT_J_KGK * _kelvin(temp_c))


def viscosity_pa_s(temp_c: ArrayLike) -> FloatArray:
    """Dynamic viscosity [Pa s].

    Notes
    -----
    Dilute-gas term of Lemmon and Jacobsen 2004, Int. J. Thermophysics 25, 21, eq. 2 with its table for air
    (coefficients from memory, checked against a property library in the tests).
    """
    kelvin = _kelvin(temp_c)
    log_t = np.log(kelvin / 103.3)
    omega = np.exp(0.431 + log_t * (-0.4623 + log_t * (0.08406 + log_t * (0.005341 - 0.00331 * log_t))))
    return 1e-6 * 0.0266958 * np.sqrt(28.9586 * kelvin) / (0.360**2 * omega)


def conductivity_w_mk(temp_c: ArrayLike) -> FloatArray:
    """Thermal conductivity [W/m/K]; dilute-gas term of Lemmon and Jacobsen 2004, eq. 5."""
    tau = 132.6312 / _kelvin(temp_c)
    return 1e-3 * (1.308 * 1e6 * viscosity_pa_s(temp_c) + 1.405 * tau**-1.1 - 1.036 * tau**-0.3)


def heat_capacity_j_kgk(temp_c: ArrayLike) -> FloatArray:
    """Specific heat at constant pressure [J/kg/K].

    Notes
    -----
    Ideal-gas form of Lemmon, Jacobsen, Penoncello and Friend 2000, J. Phys. Chem. Ref. Data 29, 331
    (coefficients from memory, checked against a property library in the tests).
    """
    kelvin = _kelvin(temp_c)
    smooth = (3.490888032 + 2.395525583e-6 * kelvin + 7.172111248e-9 * kelvin**2 - 3.115413101e-13 * kelvin**3
              + 0.223806688 * kelvin**-1.5)
    return GAS_CONSTANT_J_KGK * (smooth + 0.791309509 * _einstein(3364.011 / kelvin)
                                 + 0.212236768 * _einstein(2242.45 / kelvin))


def prandtl(temp_c: ArrayLike) -> FloatArray:
    """Prandtl number [-]."""
    return viscosity_pa_s(temp_c) * heat_capacity_j_kgk(temp_c) / conductivity_w_mk(temp_c)


def enthalpy_j_kg(temp_c: float, from_c: float) -> float:
    """Enthalpy gained between two temperatures [J/kg], by Simpson's rule on the specific heat."""
    steps = np.linspace(from_c, temp_c, 33)
    weights = np.r_[1.0, np.tile([4.0, 2.0], 16)[:-1], 1.0] * (temp_c - from_c) / 96.0
    return float(weights @ heat_capacity_j_kgk(steps))


def sound_speed_m_s(temp_c: ArrayLike) -> FloatArray:
    """Speed of sound as an ideal gas [m/s]."""
    capacity = heat_capacity_j_kgk(temp_c)
    return np.sqrt(capacity / (capacity - GAS_CONSTANT_J_KGK) * GAS_CONSTANT_J_KGK * _kelvin(temp_c))


def _kelvin(temp_c: ArrayLike) -> FloatArray:
    return np.asarray(temp_c, dtype=float) + _ZERO_C_K


def _einstein(u: FloatArray) -> FloatArray:
    """One vibrational mode's share of the specific heat, in units of the gas constant."""
    return u**2 * np.exp(u) / np.expm1(u) ** 2
