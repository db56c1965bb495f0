"""The part to be worked on: its rectangle on the board, package, joints and heat capacity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from monitor.errors import InputError
from monitor.heat.alloy import Alloy
from monitor.heat.types import PartSetup, Point

__all__ = ["KINDS", "PackageKind", "PartShape", "body_half_m", "joint_latent_j_m2", "package_heat_j_m3k",
           "package_kind", "part_shape"]


@dataclass(frozen=True)
class PackageKind:
    """Typical build of a kind of package; trade practice and arithmetic, no source unless named.

    joint_m: height of the joint layer; joint_k_*: effective, solder with air between; solder_share: share of the
    layer's volume that is solder; package_k_*: effective; heat_j_m3k: used when the mass is unknown;
    mass_cp_j_kgk: specific heat used when it is known.
    """

    joint_m: float
    joint_k_xy_w_mk: float
    joint_k_z_w_mk: float
    solder_share: float
    package_k_xy_w_mk: float
    package_k_z_w_mk: float
    heat_j_m3k: float
    mass_cp_j_kgk: float


# Mould compound 0.63 W/m/K is a maker's figure; ball and lead conductances follow from solder at 58 W/m/K.
KINDS = {
    "chip": PackageKind(50e-6, 10.0, 20.0, 0.40, 4.0, 4.0, 3.0e6, 700.0),
    "leaded": PackageKind(150e-6, 0.5, 1.0, 0.05, 6.0, 1.0, 1.75e6, 800.0),
    "leadless": PackageKind(60e-6, 5.0, 20.0, 0.50, 10.0, 1.2, 1.75e6, 700.0),
    "ball_grid": PackageKind(350e-6, 2.0, 3.0, 0.06, 6.0, 1.2, 1.75e6, 900.0),
    "connector": PackageKind(200e-6, 0.5, 0.8, 0.05, 0.5, 0.4, 1.9e6, 1100.0),
}
LEAD_M, LARGEST_LEAD_SHARE, LEADS_ALL_ROUND = 1e-3, 0.4, 1.3
SOLDER_J_M3K = 7400.0 * 230.0  # SAC305, handbook, from memory
AIR_J_M3K = 1.0e3


@dataclass(frozen=True)
class PartShape:
    """Rectangle that stands for the part: centre [m], angle of its first side [rad], sides and height [m]."""

    centre_m: Point
    angle_rad: float
    length_m: float
    width_m: float
    height_m: float

    @property
    def area_m2(self) -> float:
        """Area of the footprint."""
        return self.length_m * self.width_m

    @property
    def volume_m3(self) -> float:
        """Volume of the package as a block."""
        return self.area_m2 * self.height_m


def package_kind(name: str) -> PackageKind:
    """The build of a package kind; InputError with the known kinds when there is none of that name."""
    if name not in KINDS:
        raise InputError(f"part kind: {name!r} is not known; use one of {', '.join(KINDS)}")
    return KINDS[name]


def part_shape(part: PartSetup) -> PartShape:
    """Smallest rectangle around the part's polygon; its angle lies in (-45, 45] degrees."""
    polygon = shapely.Polygon(part.region.polygon_m)
    if not polygon.is_valid or polygon.area <= 0:
        raise InputError(f"region {part.region.name!r}: its outline crosses itself or has no area")
    corners = np.array(polygon.minimum_rotated_rectangle.exterior.coords)[:4]
    first, second = corners[1] - corners[0], corners[2] - corners[1]
    angle = np.arctan2(first[1], first[0])
    turns = round(angle / (np.pi / 2))
    sides = np.hypot(*first), np.hypot(*second)
    length, width = sides if turns % 2 == 0 else sides[::-1]
    return PartShape(tuple(corners.mean(axis=0)), float(angle - turns * np.pi / 2), float(length), float(width),
                     part.region.height_m)


def body_half_m(kind_name: str, shape: PartShape) -> tuple[float, float]:
    """Half sides of the body within the outline [m]: leads stand out 1 mm, at all sides of a square part, else at the
    long ones (JEDEC MS-012 and MS-026 outlines, from memory); the whole part where there are none.
    """
    half = shape.length_m / 2, shape.width_m / 2
    if kind_name != "leaded":
        return half
    is_square = max(half) < LEADS_ALL_ROUND * min(half)
    lead = [min(LEAD_M, LARGEST_LEAD_SHARE * h) if is_square or h == min(half) else 0.0 for h in half]
    return half[0] - lead[0], half[1] - lead[1]


def joint_latent_j_m2(kind: PackageKind, alloy: Alloy) -> float:
    """Heat of fusion of the joints per area of footprint [J/m2]."""
    return kind.joint_m * kind.solder_share * alloy.density_kg_m3 * alloy.fusion_kj_kg * 1e3


def joint_heat_j_m3k(kind: PackageKind) -> float:
    """Heat capacity of the joint layer [J/m3/K]."""
    return kind.solder_share * SOLDER_J_M3K + (1 - kind.solder_share) * AIR_J_M3K


def package_heat_j_m3k(kind: PackageKind, part: PartSetup, shape: PartShape) -> float:
    """Heat capacity of the package [J/m3/K], from its mass when that is given."""
    if part.mass_kg is None:
        return kind.heat_j_m3k
    return part.mass_kg * kind.mass_cp_j_kgk / shape.volume_m3
