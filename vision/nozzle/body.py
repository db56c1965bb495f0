"""The nozzle as a body: radii along its axis, its bend, and how far its visible edges differ from callipers."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from vision.compiled import njit
from vision.errors import GeometryError
from vision.types import FloatArray

__all__ = ["Frustum", "NozzleBody", "ToolPose", "PoseArrays", "pose_arrays", "Hold", "hold_of", "distinct_holds",
           "body_from_measures", "axis_frame", "sideways_of", "roll_of", "cross"]


@dataclass(frozen=True)
class Frustum:
    """A slice of the tool between two circles.

    Attributes
    ----------
    kind : str
        "tube", "cone", "collar" or "handle": which edges behave alike.
    start_mm, end_mm : float
        Distances from the outlet along the (bent) axis [mm].
    start_radius_mm, end_radius_mm : float
    """

    kind: str
    start_mm: float
    end_mm: float
    start_radius_mm: float
    end_radius_mm: float


@dataclass(frozen=True)
class NozzleBody:
    """All slices from the outlet up; the metal part is straight, a handle leaves at bend_at_mm, turned by bend_rad."""

    frusta: tuple[Frustum, ...]
    bend_at_mm: float
    bend_rad: float

    @property
    def is_bent(self) -> bool:
        """Whether the turn about the jet's axis can be seen."""
        return abs(self.bend_rad) > 1e-6

    def __hash__(self) -> int:
        # of a few numbers: what is kept for a body is asked for many times a picture
        return hash((self.bend_at_mm, self.bend_rad, *[f.end_radius_mm for f in self.frusta]))


@dataclass(frozen=True)
class ToolPose:
    """Where the tool is, in some frame: outlet centre [mm], jet direction [-], turn about it [rad]."""

    tip_mm: FloatArray
    axis: FloatArray
    roll_rad: float = 0.0


class PoseArrays(NamedTuple):
    """A `ToolPose` for compiled code: arrays (3,) and (3,) of float64, and a float."""

    tip_mm: FloatArray
    axis: FloatArray
    roll_rad: float


def pose_arrays(pose: ToolPose) -> PoseArrays:
    """The pose's numbers."""
    return PoseArrays(np.asarray(pose.tip_mm, float), np.asarray(pose.axis, float), float(pose.roll_rad))


@dataclass(frozen=True)
class Hold:
    """How a hand held the tool once: jet direction and the direction in which a bent handle leaves, bench frame (3,)
    [-].
    """

    axis: FloatArray
    sideways: FloatArray

    def pose_at(self, tip_cam_mm: FloatArray, cam_from_bench: FloatArray) -> ToolPose:
        """The tool held like this with its outlet at a point of the camera frame [mm]."""
        r = cam_from_bench[:3, :3]
        axis, sideways = r @ self.axis, r @ self.sideways
        return ToolPose(tip_cam_mm, axis, roll_of(axis, sideways))


def hold_of(pose: ToolPose, cam_from_bench: FloatArray) -> Hold:
    """The hold of a pose given in the camera frame."""
    r = cam_from_bench[:3, :3]
    return Hold(r.T @ pose.axis, r.T @ sideways_of(pose.axis, pose.roll_rad))


def distinct_holds(holds: list[Hold]) -> tuple[Hold, ...]:
    """The holds without those that differ from an earlier one by less than 12 degrees."""
    kept: list[Hold] = []
    for h in holds:
        if all(h.axis @ k.axis < 0.978 or h.sideways @ k.sideways < 0.978 for k in kept):
            kept.append(h)
    return tuple(kept)


def body_from_measures(
    profile_mm: list[tuple[float, float]],
    handle_mm: list[tuple[float, float]],
    bend_deg: float = 0.0,
    tube_length_mm: float | None = None,
) -> NozzleBody:
    """Body from (radius, distance from the outlet) pairs, as measured with callipers.

    Parameters
    ----------
    profile_mm, handle_mm : list of (radius, distance) [mm]
        Metal part and front of the handle; distances must not fall. The bend, if any, lies at tube_length_mm
        (by default where the first constant radius ends).

    Raises
    ------
    GeometryError
        When radii are not positive or the distances run backwards.
    """
    slices: list[Frustum] = []
    for pairs, is_handle in ((profile_mm, False), (handle_mm, True)):
        rows = np.asarray(pairs, float).reshape(-1, 2)
        if len(rows) and ((rows[:, 0] <= 0).any() or (np.diff(rows[:, 1]) < 0).any()):
            raise GeometryError("nozzle profile: radii must be positive and distances from the outlet must not fall")
        for (r0, s0), (r1, s1) in itertools.pairwise(rows):
            if s1 - s0 > 1e-6:
                slices.append(Frustum(_kind(r0, r1, s1 - s0, is_handle, len(slices)), s0, s1, r0, r1))
    if not slices:
        raise GeometryError("nozzle profile: needs at least two (radius, distance) pairs")
    bend_at = tube_length_mm if tube_length_mm is not None else slices[0].end_mm
    return NozzleBody(tuple(slices), float(bend_at), float(np.deg2rad(bend_deg)))


@njit(cache=True, nogil=True)
def axis_frame(axis):
    """Two unit vectors (3,) that complete `axis` (3,) to a right-handed frame, smooth almost everywhere."""
    x, y, z = axis[0], axis[1], axis[2]
    a = np.array([0.0, z, -y]) if abs(x) < 0.8 else np.array([-z, 0.0, x])
    a /= math.sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2])
    return a, cross(axis, a)


@njit(cache=True, nogil=True)
def sideways_of(axis, roll_rad):
    """The direction (3,), square to a jet direction, from which a turn about it by roll_rad is counted."""
    a, b = axis_frame(axis)
    return math.cos(roll_rad) * a + math.sin(roll_rad) * b


@njit(cache=True, nogil=True)
def roll_of(axis, sideways):
    """Turn about a jet direction that brings `axis_frame`'s first vector to a sideways one [rad]."""
    a, b = axis_frame(axis)
    return math.atan2((sideways * b).sum(), (sideways * a).sum())


@njit(cache=True, nogil=True)
def cross(a, b):
    """Cross product of two vectors (3,)."""
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def _kind(r0: float, r1: float, length: float, is_handle: bool, index: int) -> str:
    if is_handle:
        return "handle"
    if index == 0:
        return "tube"
    return "cone" if abs(r1 - r0) > 0.15 * length else "collar"
