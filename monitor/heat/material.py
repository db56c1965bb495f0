"""What boards, solder and protections are made of, and how layers combine."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from monitor.heat import air
from monitor.heat.types import BoardSetup

__all__ = [
    "COPPER_W_MK",
    "LAMINATE_W_MK",
    "air_gap_w_m2k",
    "board_layers",
    "foil_w_mk",
    "natural_convection",
    "radiation_w_m2k",
    "stack_heat_capacity_j_m3k",
    "stack_in_plane_w_mk",
    "stack_through_w_mk",
    "via_conductance_w_k",
]

COPPER_W_MK, COPPER_J_M3K = 390.0, 8930.0 * 393.0  # public board-conduction calculator page
LAMINATE_W_MK, LAMINATE_J_M3K = 0.3, 1900.0 * 1150.0  # FR-4: public values 0.2-0.5 W/m/K; capacity 1150-1200 J/kg/K
_DEFAULT_LAYERS = ((35e-6, 0.2), (35e-6, 0.8))  # assumed when the job names none: signal and plane
STEFAN_BOLTZMANN = 5.670374419e-8  # W/m2/K4, CODATA 2018
BOARD_EMISSIVITY = 0.9  # solder resist, common value


def stack_in_plane_w_mk(thickness_m: float, layers: tuple[tuple[float, float], ...],
                        k_copper_w_mk: float = COPPER_W_MK, k_laminate_w_mk: float = LAMINATE_W_MK) -> float:
    """In-plane conductivity of foils and laminate side by side [W/m/K].

    layers : (thickness_m, coverage) of each foil. A foil with gaps conducts at most what Hashin and Shtrikman's bound
    allows an isotropic pattern (J. Appl. Phys. 33, 1962), which is also Maxwell's law for a sheet with holes; weighing
    it by its coverage, as is common, holds for strips along the flow alone.
    """
    copper_m = sum(t for t, _ in layers)
    metal = sum(t * foil_w_mk(c, k_copper_w_mk, k_laminate_w_mk) for t, c in layers)
    return (metal + k_laminate_w_mk * (thickness_m - copper_m)) / thickness_m


def foil_w_mk(coverage: float, k_copper_w_mk: float = COPPER_W_MK, k_laminate_w_mk: float = LAMINATE_W_MK) -> float:
    """In-plane conductivity of one foil with gaps, see `stack_in_plane_w_mk` [W/m/K]."""
    if coverage >= 1.0:
        return k_copper_w_mk
    return k_copper_w_mk + (1 - coverage) / (1 / (k_laminate_w_mk - k_copper_w_mk) + coverage / (2 * k_copper_w_mk))


def stack_through_w_mk(thickness_m: float, layers: tuple[tuple[float, float], ...],
                       k_copper_w_mk: float = COPPER_W_MK, k_laminate_w_mk: float = LAMINATE_W_MK) -> float:
    """Through-plane conductivity without vias: series rule of mixtures [W/m/K]."""
    copper_m = sum(t for t, _ in layers)
    return thickness_m / (copper_m / k_copper_w_mk + (thickness_m - copper_m) / k_laminate_w_mk)


def stack_heat_capacity_j_m3k(thickness_m: float, layers: tuple[tuple[float, float], ...]) -> float:
    """Volume-weighted heat capacity [J/m3/K]."""
    copper_m = sum(t * c for t, c in layers)
    return (COPPER_J_M3K * copper_m + LAMINATE_J_M3K * (thickness_m - copper_m)) / thickness_m


def board_layers(board: BoardSetup) -> tuple[tuple[float, float], ...]:
    """The job's copper layers, or the assumed ones."""
    return tuple((layer.thickness_m, layer.coverage) for layer in board.layers) or _DEFAULT_LAYERS


def via_conductance_w_k(drill_m: float, barrel_m: float, thickness_m: float,
                        k_copper_w_mk: float = COPPER_W_MK) -> float:
    """Conductance of one plated hole whose drill diameter is the barrel's outside [W/K]."""
    inner_m = drill_m - 2 * barrel_m
    return k_copper_w_mk * np.pi / 4 * (drill_m**2 - inner_m**2) / thickness_m


def radiation_w_m2k(surface_c: ArrayLike, ambient_c: ArrayLike, emissivity: float = BOARD_EMISSIVITY) -> np.ndarray:
    """Radiation coefficient between a face and its surroundings [W/m2/K]."""
    hot, cold = np.asarray(surface_c, float) + 273.15, np.asarray(ambient_c, float) + 273.15
    return emissivity * STEFAN_BOLTZMANN * (hot**2 + cold**2) * (hot + cold)


def air_gap_w_m2k(gap_m: float, film_c: float = 100.0) -> float:
    """Conduction across still air [W/m2/K]; right below about 5 mm, an underestimate above."""
    return float(air.conductivity_w_mk(film_c)) / gap_m


def natural_convection(length_m: float, facing_up: bool, film_c: float = 100.0) -> float:
    """Factor c of the laminar law h = c * dT^0.25 for a level plate [W/m2/K^1.25].

    McAdams: Nu = 0.54 Ra^0.25 facing up, 0.27 Ra^0.25 facing down, length = area / perimeter (handbook form,
    from memory). Published for Ra 1e4-1e7 and 1e5-1e10; small boards lie below, so the loss carries 30 %.
    """
    k, rho = float(air.conductivity_w_mk(film_c)), float(air.density_kg_m3(film_c))
    nu = float(air.viscosity_pa_s(film_c)) / rho
    alpha = k / (rho * float(air.heat_capacity_j_kgk(film_c)))
    rayleigh_per_k = 9.80665 / (film_c + 273.15) * length_m**3 / (nu * alpha)
    return (0.54 if facing_up else 0.27) * k / length_m * rayleigh_per_k**0.25
