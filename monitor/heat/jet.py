"""The hot-air jet: exit state, decay on its way down, and heat transfer where it meets the board.

Correlations and where they come from
-------------------------------------
Decay: density-scaled round jet (Thring and Newby 1953), excess temperature 5.0*d_eff/z (Chen and Rodi 1980);
both from memory. The smooth cap at the core is a choice. Film coefficient: Martin 1977, Adv. Heat Transfer 13,
single round nozzle, area mean over a disc, valid for Re 2000-400000, H/d 2-12, r/d 2.5-7.9. Outside r = 2.5 d the
local value is its derivative; inside, a parabola that meets the local value at 2.5 d and keeps Martin's mean there.
Radial fall of the arrival temperature: assumed, +-30 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.compiled import Apart, njit
from monitor.errors import InputError
from monitor.heat import air

__all__ = [
    "Impingement",
    "JetExit",
    "Strength",
    "add_share",
    "arrival_radius_m",
    "decay_share",
    "effective_diameter_m",
    "exit_state",
    "film_profile",
    "half_width_m",
    "heat_flow_share",
    "limit_film",
    "mass_flow_kg_s",
    "nusselt_scale",
    "momentum_share",
    "range_flags",
    "spread_over",
    "velocity_share",
]

FloatArray = NDArray[np.float64]

DECAY_CONSTANT = 5.0  # excess temperature, Chen and Rodi 1980, from memory
VELOCITY_CONSTANT = 6.2  # same
VELOCITY_SPREAD, TEMPERATURE_SPREAD = 0.086, 0.11  # half-width per path length, same
CORE_HALF_WIDTH = 0.53  # half-width over d_eff while the core lasts; keeps momentum and heat flow, a choice
STAGNATION_RADIUS_D = 2.5  # lower end of Martin's range in r/d
GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True)
class JetExit:
    """State at the outlet; arrays when the inputs are.

    temp_c [C], velocity_m_s, reynolds [-], mach [-], froude [-], power_w above ambient is `mass_flow * enthalpy`.
    """

    temp_c: FloatArray
    velocity_m_s: FloatArray
    reynolds: FloatArray
    mach: FloatArray
    froude: FloatArray
    mass_flow_kg_s: FloatArray

    @cached_property
    def film_w_mk(self) -> FloatArray:
        """Scale of the film coefficient times the bore [W/m/K]; see `film_profile`."""
        return nusselt_scale(self.reynolds, air.prandtl(self.temp_c)) * air.conductivity_w_mk(self.temp_c)


def mass_flow_kg_s(airflow_m3_s: ArrayLike, reference_c: float = 20.0) -> FloatArray:
    """Mass flow of a volume flow stated at a reference temperature and one atmosphere [kg/s]."""
    return np.asarray(airflow_m3_s, float) * air.density_kg_m3(reference_c)


def exit_state(setpoint_c: ArrayLike, airflow_m3_s: ArrayLike, bore_m: float, *, ambient_c: float = 25.0,
               reference_c: float = 20.0, exit_factor: ArrayLike = 1.0) -> JetExit:
    """State of the air as it leaves the nozzle.

    Parameters
    ----------
    setpoint_c : array_like
        What the station was set to [C].
    airflow_m3_s : array_like
        Volume flow at reference_c [m3/s].
    bore_m : float
        Inner diameter of the outlet [m].
    exit_factor : array_like
        Share of the set rise above ambient that reaches the outlet [-]; 0.85 to 1.0 in practice.

    Raises
    ------
    InputError
        If the flow would have to leave faster than sound.
    """
    temp = ambient_c + np.asarray(exit_factor, float) * (np.asarray(setpoint_c, float) - ambient_c)
    flow = mass_flow_kg_s(airflow_m3_s, reference_c)
    density = air.density_kg_m3(temp)
    velocity = flow / (density * np.pi * bore_m**2 / 4)
    reynolds = 4 * flow / (np.pi * bore_m * air.viscosity_pa_s(temp))
    mach = velocity / air.sound_speed_m_s(temp)
    if np.median(mach) >= 1.0:
        raise InputError(f"airflow: {float(np.median(np.asarray(airflow_m3_s))) * 60000:.0f} L/min cannot leave a bore "
                         f"of "
                         f"{bore_m * 1000:.1f} mm at {float(np.median(temp)):.0f} C (Mach "
                         f"{float(np.median(mach)):.2f}); "
                         "check the airflow and the bore")
    lift = GRAVITY_M_S2 * bore_m * np.abs(air.density_kg_m3(ambient_c) - density) / density
    return JetExit(temp, velocity, reynolds, mach, velocity**2 / np.maximum(lift, 1e-9), flow)


def effective_diameter_m(bore_m: float, jet_c: ArrayLike, ambient_c: float) -> FloatArray:
    """Diameter of an ambient-density jet with the same momentum (Thring and Newby 1953, from memory) [m]."""
    return bore_m * np.sqrt(air.density_kg_m3(jet_c) / air.density_kg_m3(ambient_c))


def decay_share(path_m: ArrayLike, d_eff_m: ArrayLike, constant: ArrayLike = DECAY_CONSTANT) -> FloatArray:
    """Share of the exit's excess temperature left on the axis after a path length [-].

    One inside the core, constant*d_eff/z far out; the fourth-power blend between them is a choice. The far
    law holds for 10 to 60 d; its constant is 4.5 to 5.5 in the literature and lower under Re 5000.
    """
    core = np.asarray(constant, float) * np.asarray(d_eff_m, float)
    return (1.0 + (np.maximum(path_m, 0.0) / core) ** 4) ** -0.25


def velocity_share(path_m: ArrayLike, d_eff_m: ArrayLike) -> FloatArray:
    """Share of the exit velocity left on the axis [-]; far law of Chen and Rodi 1980, from memory.

    The sixth-power blend into the core is a choice.
    """
    return (1.0 + (np.asarray(path_m) / (VELOCITY_CONSTANT * np.asarray(d_eff_m))) ** 6) ** (-1 / 6)


def film_profile(exit_: JetExit, bore_m: float, path_m: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Scale [W/m2/K] and shape constant [-] of the film coefficient for a path length; see `spread_over`.

    Below two bores the height is held at two bores, the lower end of Martin's range.
    """
    height_d = np.maximum(np.asarray(path_m, float) / bore_m, 2.0)
    return exit_.film_w_mk / bore_m, 0.1 * (height_d - 6.0)


def half_width_m(path_m: ArrayLike, rate: float = TEMPERATURE_SPREAD, d_eff_m: ArrayLike = 0.0) -> FloatArray:
    """Radius at which a free jet's excess has fallen to a half [m]; rate is TEMPERATURE_SPREAD or VELOCITY_SPREAD.

    Chen and Rodi 1980, from memory; for 10 to 60 d, where the profiles are bells. With d_eff_m the jet keeps a width
    of its own near the outlet, so that momentum and heat are kept from the core's end on; the blend is a choice.
    """
    return ((CORE_HALF_WIDTH * np.asarray(d_eff_m, float)) ** 4 + (rate * np.asarray(path_m, float)) ** 4) ** 0.25


def momentum_share(path_m: ArrayLike, d_eff_m: ArrayLike) -> FloatArray:
    """Momentum of the bell-shaped velocity profile over the nozzle's [-]; 0.82 far out, where the constants leave
    it.
    """
    width = half_width_m(path_m, VELOCITY_SPREAD, d_eff_m) / np.asarray(d_eff_m)
    return velocity_share(path_m, d_eff_m) ** 2 * width**2 * 2 / np.log(2)


def heat_flow_share(path_m: ArrayLike, d_eff_m: ArrayLike, constant: ArrayLike = DECAY_CONSTANT) -> FloatArray:
    """Heat flow of the bell-shaped profiles of velocity and excess temperature over the nozzle's [-]."""
    narrow, wide = (half_width_m(path_m, rate, d_eff_m) / np.asarray(d_eff_m)
                    for rate in (VELOCITY_SPREAD, TEMPERATURE_SPREAD))
    area = 4 / np.log(2) / (narrow**-2 + wide**-2)
    return velocity_share(path_m, d_eff_m) * decay_share(path_m, d_eff_m, constant) * area


def arrival_radius_m(bore_m: float, path_m: ArrayLike, spread: ArrayLike = 1.0) -> FloatArray:
    """Radius over which the arrival temperature falls along the board: 1.5 d + 0.11 H, assumed [m]."""
    return np.asarray(spread, float) * (1.5 * bore_m + half_width_m(path_m))


def range_flags(exit_: JetExit, bore_m: float, path_m: float) -> tuple[str, ...]:
    """Which correlations are used outside their range, in words."""
    height_d, flags = path_m / bore_m, []
    mach, reynolds, froude = (float(np.sort(v, axis=None)[np.size(v) // 2])
                              for v in (exit_.mach, exit_.reynolds, exit_.froude))
    if mach > 0.3:
        flags.append(f"exit Mach {mach:.2f} is above 0.3: the jet laws assume slower air")
    if reynolds < 2000:
        flags.append(f"Reynolds number {reynolds:.0f} is below 2000, outside the heat-transfer law")
    elif reynolds < 5000:
        flags.append(f"Reynolds number {reynolds:.0f} is below 5000, where data are few: wider band")
    if height_d < 2:
        flags.append(f"height of {height_d:.1f} bores is below 2: film coefficient held at 2 bores")
    if height_d > 12:
        flags.append(f"height of {height_d:.1f} bores is above 12, outside the heat-transfer law")
    if froude < 1000 and path_m > 0:
        flags.append("weak jet: buoyancy may bend or lift it")
    return tuple(flags)


class Impingement(NamedTuple):
    """Where each member's jet meets the board, each shape (members,): its centre, unit vector of the lean on the board,
    stretch (1 / cos tilt) of the downhill side."""

    x_m: FloatArray
    y_m: FloatArray
    lean_x: FloatArray
    lean_y: FloatArray
    stretch: FloatArray


class Strength(NamedTuple):
    """What the board feels of a jet, each shape (members,): it answers to nothing else of it.

    film_w_m2k and bend: scale and shape of the film coefficient, see `film_profile`; rise_k: the arrival's rise over
    ambient on the axis; radius_m: over which it falls.
    """

    film_w_m2k: FloatArray
    bend: FloatArray
    rise_k: FloatArray
    radius_m: FloatArray


@njit(cache=True, error_model="numpy", pipeline_class=Apart)
def spread_over(x_m, y_m, at, felt, bore_m, ambient_c, coefficient, arrival_c):
    """Fill the film coefficient [W/m2/K] and arrival temperature [C] of jets on a grid, each (ny, nx, members); at:
    Impingement, felt: Strength."""
    centre_x_m, centre_y_m, lean_x, lean_y, stretch = at
    scale, shape, rise_k, radius_m = felt
    n, edge = scale.size, STAGNATION_RADIUS_D
    mean, dip, inverse = np.empty(n), np.empty(n), 1.0 / (bore_m * bore_m)
    shrink, fall = 1.0 / stretch, 1.0 / (radius_m * radius_m)
    for m in range(n):
        mean[m] = (edge - 1.1) / (edge * (edge + shape[m]))
        dip[m] = 1.0 - _local(edge, shape[m]) / mean[m]
    for j in range(y_m.size):
        for i in range(x_m.size):
            for m in range(n):
                dx, dy = x_m[i] - centre_x_m[m], y_m[j] - centre_y_m[m]
                along = dx * lean_x[m] + dy * lean_y[m]
                across2 = max(dx * dx + dy * dy - along * along, 0.0)
                along *= shrink[m] if along > 0 else stretch[m]
                r2 = along * along + across2
                rho2 = r2 * inverse
                inside = mean[m] * (1.0 + dip[m] * (1.0 - 2.0 / (edge * edge) * rho2))
                outside = _local(max(np.sqrt(rho2), edge), shape[m])
                coefficient[j, i, m] = scale[m] * (inside if rho2 < edge * edge else outside)
                arrival_c[j, i, m] = ambient_c + rise_k[m] / np.sqrt(1.0 + r2 * fall[m])


@njit(cache=True, error_model="numpy", pipeline_class=Apart)
def limit_film(dx_m, dy_m, top_c, carried_w, coefficient, arrival_c):
    """Lower each member's film coefficient so that the board takes less than the jet carries [W], in place.

    The wall jet cools as it gives its heat away, which Martin's law and the assumed arrival leave out far from the
    nozzle. Factor (1 + (q / carried)^4)^(-1/4): nothing is taken off where a tenth is used; the exponent is a choice.
    """
    ny, nx, n = coefficient.shape
    taken = np.zeros(n)
    for j in range(ny):
        for i in range(nx):
            area = dx_m[i] * dy_m[j]
            for m in range(n):
                taken[m] += area * coefficient[j, i, m] * (arrival_c[j, i, m] - top_c[j, i, m])
    for m in range(n):
        share = max(taken[m], 0.0) / max(carried_w[m], 1e-9)
        taken[m] = (1.0 + share * share * share * share) ** -0.25
    for j in range(ny):
        for i in range(nx):
            for m in range(n):
                coefficient[j, i, m] *= taken[m]


@njit(cache=True, error_model="numpy", pipeline_class=Apart)
def add_share(share, coefficient, arrival_c, coefficients, driven):
    """Add a share of a jet's film coefficient, and of its product with the arrival temperature, to sums in place."""
    for j in range(coefficient.shape[0]):
        for i in range(coefficient.shape[1]):
            for m in range(coefficient.shape[2]):
                part = share * coefficient[j, i, m]
                coefficients[j, i, m] += part
                driven[j, i, m] += part * arrival_c[j, i, m]


@njit(cache=True, error_model="numpy", inline="always")
def _local(rho, a):
    """Martin's local value: d(r^2 mean)/dr / 2r, with rho = r/d and a = 0.1 (H/d - 6)."""
    return ((2 * rho - 1.1) * (rho + a) - rho * (rho - 1.1)) / ((rho + a) * (rho + a) * 2 * rho)


def nusselt_scale(reynolds: ArrayLike, prandtl: ArrayLike) -> FloatArray:
    """Pr^0.42 * F(Re) of the Nusselt number under one round jet (Martin 1977) [-].

    Re 2000 to 400000, at 2 to 12 bores, to 2.5 to 7.9 bores from the axis; 10-20 % scatter in the range.
    """
    re = np.asarray(reynolds, float)
    return np.asarray(prandtl, float) ** 0.42 * 2 * np.sqrt(re * (1 + 0.005 * re**0.55))
