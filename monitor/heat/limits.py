"""Temperatures and rates that must not be passed, each with where it comes from."""

from __future__ import annotations

from dataclasses import dataclass

import shapely

from monitor.heat.alloy import Alloy, find_alloy, joint_alloy
from monitor.heat.part import part_shape
from monitor.heat.types import HeatSetup, PartSetup, RegionSetup

__all__ = [
    "SILICON_RISK_C",
    "TARGET_MARGIN_K",
    "Limit",
    "Melt",
    "melt_wanted",
    "package_class_c",
    "neighbour_melts_c",
    "plastic_limit_c",
    "practice_words",
    "ramp_limits_k_s",
    "ramp_wanted_k_s",
    "seconds_near_class",
    "site_limits",
    "time_above_s",
]

SILICON_RISK_C = 400.0  # silicon at risk; common practice, no source
CHIP_C = 270.0  # makers test chip resistors and capacitors at 260 to 270 C for 10 s (after IEC 60068-2-58), from memory
LAMINATE_TOP_C = 260.0  # top laminate under 260-280 C; common practice, no source
TARGET_MARGIN_K, FIT_HOLD_S = 15.0, 2.0  # joint target liquidus + 15 to 30 K; practice, no source
THICK_M = 2.5e-3  # the thickest row of the J-STD-020 tables begins here
LIFT_MARGIN_K, LIFT_HOLD_S = 5.0, 1.0  # to lift off: just molten everywhere; common practice, no source
FLOOD_MARGIN_K, FLOOD_HOLD_S = 30.0, 10.0  # a low-melt alloy needs time to dissolve the old joint; practice, no source
# J-STD-020 lead-free classification (rev C table 4-2 as reproduced in public makers' reflow sheets)
_LEAD_FREE_C = ((1.6, (260.0, 260.0, 260.0)), (2.5, (260.0, 250.0, 245.0)), (float("inf"), (250.0, 245.0, 245.0)))
# J-STD-020D.1 and later table 4-1, from memory: thickness under 2.5 mm and above, volume under 350 mm3 and above
_LEADED_C = ((2.5, (235.0, 220.0)), (float("inf"), (220.0, 220.0)))
# Plastics, continuous or short-time; handbooks and practice, from memory
_PLASTICS_C = {"PA66": 260.0, "PBT": 223.0, "PET": 250.0, "PPS": 280.0, "LCP": 280.0, "polyester film": 150.0,
               "electrolytic": 150.0, "battery": 60.0}


@dataclass(frozen=True)
class Limit:
    """A temperature not to be passed, and its provenance in words."""

    value_c: float
    source: str


@dataclass(frozen=True)
class Melt:
    """What the coldest joint must reach, for how long, and why; seen_c: from where the melt can be seen."""

    mark_c: float
    hold_s: float
    seen_c: float
    why: str


def melt_wanted(part: PartSetup) -> Melt:
    """When the joints count as done for the work at hand.

    Notes
    -----
    Margins and times are common practice, no source: to lift a part its joints need only be molten, to fit one the
    solder must wet. Bismuth solder flooded over old joints dissolves them from its own melting point on.
    """
    alloy, added = joint_alloy(part.alloy, part.alloy_before), find_alloy(part.alloy)
    if part.work == "fit":
        return Melt(alloy.liquidus_c + TARGET_MARGIN_K, FIT_HOLD_S, alloy.liquidus_c,
                    f"liquidus of {alloy.name} and {TARGET_MARGIN_K:.0f} K to wet")
    flooded_c = added.liquidus_c + FLOOD_MARGIN_K
    if "Bi" in added.elements and part.alloy_before is not None and flooded_c < alloy.liquidus_c:
        return Melt(flooded_c, FLOOD_HOLD_S, flooded_c,
                    f"{added.name} flooded over the joints, {FLOOD_MARGIN_K:.0f} K over its liquidus")
    return Melt(alloy.liquidus_c + LIFT_MARGIN_K, LIFT_HOLD_S, alloy.liquidus_c,
                f"liquidus of {alloy.name} and {LIFT_MARGIN_K:.0f} K to lift")


def package_class_c(thickness_mm: float, volume_mm3: float, lead_free: bool) -> float:
    """J-STD-020 classification temperature of a package [C].

    The 1.6-2.5 mm row takes both of its ends; sources differ on 2.5 mm exactly.
    """
    if lead_free:
        column = 0 if volume_mm3 < 350 else 1 if volume_mm3 <= 2000 else 2
        row = 0 if thickness_mm < 1.6 else 1 if thickness_mm <= 2.5 else 2
        return _LEAD_FREE_C[row][1][column]
    column = 0 if volume_mm3 < 350 else 1
    return _LEADED_C[0 if thickness_mm < 2.5 else 1][1][column]


def ramp_limits_k_s() -> tuple[float, float]:
    """Largest mean ramp up and down of the J-STD-020 profile [K/s] (public makers' reflow sheets)."""
    return 3.0, 6.0


def ramp_wanted_k_s(setup: HeatSetup) -> float | None:
    """The fastest rise that the joints may have: the job's, else J-STD-020's for ceramic or thick parts, else None."""
    if setup.ramp_k_s is not None:
        return setup.ramp_k_s
    return ramp_limits_k_s()[0] if setup.part.ceramic or setup.part.region.height_m > THICK_M else None


def time_above_s() -> tuple[float, float]:
    """Time above liquidus of the J-STD-020 profile [s]: for classifying parts, no target for local hot air."""
    return 60.0, 150.0


def seconds_near_class() -> tuple[float, float]:
    """J-STD-020 user rule: at most this many seconds [s] within this many kelvin [K] under the class temperature."""
    return 30.0, 5.0


def plastic_limit_c(name: str) -> float | None:
    """Temperature at which a plastic or part begins to suffer [C]; None when unknown."""
    return _PLASTICS_C.get(name)


def practice_words(alloy: Alloy) -> str:
    """What the trade knows of wetting, as a sentence with its provenance."""
    if "Bi" in alloy.elements:
        told = f"{alloy.name} melts near 130 to 140 C and may stay wet for up to about {alloy.wet_hold_s:.0f} s"
    elif alloy.lead_free:
        told = "lead-free solder melts before 230 C and is reliably wet by about 250 C"
    else:
        told = "leaded solder is wet 40 to 50 C earlier than lead-free, which takes about 250 C"
    return f"{told}; silicon is at risk near {SILICON_RISK_C:.0f} C (common practice, no source)"


def site_limits(setup: HeatSetup) -> dict[str, Limit]:
    """The limit of every site of a job; what the job does not say is filled in with its provenance."""
    alloy, shape = find_alloy(setup.part.alloy), part_shape(setup.part)
    region = setup.part.region
    if region.limit_c is not None:
        package = Limit(region.limit_c, region.limit_source or "job file")
    elif setup.part.kind == "chip":
        package = Limit(CHIP_C, "resistance to soldering heat of chip parts, from memory; "
                        "the part's datasheet comes first")
    else:
        package = Limit(package_class_c(shape.height_m * 1e3, shape.volume_m3 * 1e9, alloy.lead_free),
                        "J-STD-020 class by thickness and volume; the part's datasheet comes first")
    laminate = Limit(LAMINATE_TOP_C, "common practice for FR-4, no source")
    below = laminate if setup.underside_limit_c is None else Limit(setup.underside_limit_c, "job file")
    limits = {"package top": package, "board top": laminate, "underside": below}
    board_alloy = find_alloy(setup.part.alloy_before or setup.part.alloy)  # what the rest of the board is soldered with
    for neighbour in setup.neighbours:
        limits[neighbour.name] = _neighbour_limit(neighbour, board_alloy)
    return limits


def neighbour_melts_c(setup: HeatSetup) -> dict[str, float]:
    """Temperature from which each neighbour's own joints may melt [C]: left alone they freeze again in place."""
    alloy = find_alloy(setup.part.alloy_before or setup.part.alloy)
    return {neighbour.name: alloy.solidus_c for neighbour in setup.neighbours}


def _neighbour_limit(neighbour: RegionSetup, board_alloy: Alloy) -> Limit:
    """What it stands itself; its joints too where they must stay solid."""
    if neighbour.limit_c is not None:
        own = Limit(neighbour.limit_c, neighbour.limit_source or "job file")
    else:
        area_mm2 = 1e6 * shapely.Polygon(neighbour.polygon_m).area
        height_mm = 1e3 * neighbour.height_m
        own = Limit(package_class_c(height_mm, area_mm2 * height_mm, board_alloy.lead_free),
                    "J-STD-020 class by thickness and volume; plastics may need less")
    if neighbour.keep_solid and board_alloy.solidus_c < own.value_c:
        return Limit(board_alloy.solidus_c, f"its joints must stay solid ({board_alloy.name})")
    return own
