"""What goes into the heat estimate and what comes out of it; SI units, temperatures in Celsius."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = [
    "Band",
    "BoardSetup",
    "HeatInput",
    "HeatReading",
    "HeatSetup",
    "JointState",
    "Layer",
    "PartSetup",
    "Protection",
    "RegionSetup",
    "StationSetup",
]

Point = tuple[float, float]


@dataclass(frozen=True)
class Band:
    """An estimate with its 90 % interval; never a measurement."""

    low: float
    mid: float
    high: float


@dataclass(frozen=True)
class Layer:
    """One copper layer: thickness [m] and the share of the area it covers [-]."""

    thickness_m: float
    coverage: float


@dataclass(frozen=True)
class BoardSetup:
    """The board. size_m (x, y) is None when the user did not give it; outline_centre_m in the bench frame.

    start_c, or start_top_c and start_below_c for each face, is what was measured before the work; None: in balance with
    the preheater and the surroundings. cutouts_m: slots and cut-outs, polygons in the bench frame.
    """

    thickness_m: float
    layers: tuple[Layer, ...] = ()
    size_m: Point | None = None
    outline_centre_m: Point | None = None
    start_c: float | None = None
    start_top_c: float | None = None
    start_below_c: float | None = None
    cutouts_m: tuple[tuple[Point, ...], ...] = ()

    def start_faces_c(self) -> tuple[float, float] | None:
        """Measured temperature of the top and the underside; one face stands for both when only it is known."""
        top = self.start_c if self.start_top_c is None else self.start_top_c
        below = self.start_c if self.start_below_c is None else self.start_below_c
        if top is None or below is None:
            only = below if top is None else top
            return None if only is None else (only, only)
        return top, below


@dataclass(frozen=True)
class RegionSetup:
    """A target or neighbour: polygon in the bench frame [m], its limit, and whether it sits on the underside.

    keep_solid: its own joints must not melt; else that they may is only a caution.
    """

    name: str
    polygon_m: tuple[Point, ...]
    height_m: float = 1e-3
    limit_c: float | None = None
    limit_source: str = ""
    is_below: bool = False
    keep_solid: bool = False


@dataclass(frozen=True)
class PartSetup:
    """The part to be worked on. kind: "chip", "leaded", "leadless", "ball_grid" or "connector".

    alloy_before is what was on the pads before, when that is known; the two mix in the joint. work: "remove" (the
    joints must melt), "fit" (they must wet too) or None, judged as "remove". pad_m: sides of a soldered pad under the
    part; vias: plated holes in it, or under the whole part without one.
    """

    region: RegionSetup
    kind: str = "leadless"
    mass_kg: float | None = None
    alloy: str = "SAC305"
    alloy_before: str | None = None
    work: str | None = None
    pad_m: Point | None = None
    vias: int = 0
    via_drill_m: float = 0.3e-3
    via_barrel_m: float = 25e-6
    ceramic: bool = False


@dataclass(frozen=True)
class StationSetup:
    """What the station was set to, and the nozzle's bore.

    outlet_c: measured rows (setpoint [C], airflow [m3/s], outlet [C]); used in place of the usual exit factor.
    """

    setpoint_c: float
    airflow_m3_s: float
    airflow_reference_c: float = 20.0
    bore_m: float = 6e-3
    ambient_c: float = 23.0
    outlet_c: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True)
class Protection:
    """One measure the user took.

    kind: "tape", "shield_above", "gap_below" (still air under the board), "metal_block" or "preheater";
    polygon_m None means the whole board. values: gap_m, mass_kg, temp_c, ... as the kind needs them.
    """

    kind: str
    polygon_m: tuple[Point, ...] | None = None
    values: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class HeatSetup:
    """Everything about a job that the heat estimate needs; underside_limit_c None: the laminate's own limit.

    ramp_k_s: fastest rise of the joints; None: see `limits.ramp_wanted_k_s`.
    """

    board: BoardSetup
    part: PartSetup
    neighbours: tuple[RegionSetup, ...]
    station: StationSetup
    protections: tuple[Protection, ...] = ()
    underside_limit_c: float | None = None
    ramp_k_s: float | None = None


@dataclass(frozen=True)
class HeatInput:
    """The jet over one interval that ends at t_s.

    observed False means that the nozzle was not seen: the input is unknown, not zero, and the numbers
    (nan before the first sight) are the last known ones. on False means that it was seen to point elsewhere
    or that the station is off.

    Attributes
    ----------
    height_m : float
        Vertical height of the outlet's centre over the board's top face [m].
    aim_m : tuple
        Where the axis meets the board's top, bench frame [m].
    tilt_rad, azimuth_rad : float
        Tilt of the axis from the vertical, and the direction on the board towards which the jet leans [rad].
    """

    t_s: float
    dt_s: float
    observed: bool
    height_m: float
    height_sigma_m: float
    aim_m: Point
    aim_sigma_m: float
    tilt_rad: float
    azimuth_rad: float
    setpoint_c: float | None = None  # None: as in the setup
    airflow_m3_s: float | None = None
    on: bool = True


class JointState(enum.Enum):
    """What the band allows to be said about the joints."""

    SURELY_SOLID = "surely solid"
    CANNOT_TELL = "cannot tell"
    LIKELY_MOLTEN = "likely molten everywhere"
    SEEN_MOLTEN = "seen molten"


@dataclass(frozen=True)
class HeatReading:
    """The estimate at one instant.

    Attributes
    ----------
    power_w, energy_j : mapping of region name to Band
        Heat going into the target's package and each neighbour's footprint now, and so far.
    temp_c : mapping of site name to Band
        Sites: "package top", "joint centre", "joint corner", "board top", "underside", and each neighbour's name.
    ramp_k_s : Band
        Rate of rise at the joint centre over the last step.
    ramps_k_s : mapping of site name to Band
        Rate of rise of every site, smoothed over two seconds: what a limit on the ramp is compared with.
    above_liquidus_s : float
        Time for which the joint centre's estimate has been above liquidus.
    above_liquidus_band_s : Band or None
        The same with its band; None where it is not known.
    limit_in_s : mapping of site name to Band or None
        Time until the site reaches its limit at the present input; None when it will not.
    joint : JointState
    joint_reason : str
        Why, in words for the user.
    flags : tuple of str
        Correlations used outside their range, and other doubts, in words.
    molten_share : Band or None
        Share of the joints' solder that has melted.
    melt_in_s : Band or None
        Time until the coldest joint melts at the present input; None when it will not within the look-ahead.
    solid_in_s : float or None
        Time until the joints are surely solid with the jet away; None while they are, or when it is not known.
    """

    t_s: float
    observed: bool
    power_w: Mapping[str, Band]
    energy_j: Mapping[str, Band]
    temp_c: Mapping[str, Band]
    ramp_k_s: Band
    above_liquidus_s: float
    limit_in_s: Mapping[str, Band | None]
    joint: JointState
    joint_reason: str
    flags: tuple[str, ...] = ()
    ramps_k_s: Mapping[str, Band] = field(default_factory=dict)
    above_liquidus_band_s: Band | None = None
    molten_share: Band | None = None
    solid_in_s: float | None = None
    melt_in_s: Band | None = None
