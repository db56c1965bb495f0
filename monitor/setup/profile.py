"""A nozzle's profile from its outline: two pictures of the mat, without it and with it lying on the mat.

Every ray through the edge of the outline touches the metal, so its distance from the nozzle's axis is the radius there,
however the camera looks. The axis lies over the mat by the tube's radius, which a calliper tells; the diameter that the
outline gives is checked against it, and a shadow taken for metal fails that check. Steps along the axis come out a few
millimetres off where the camera looks along it, since what is thick hides what lies behind: a profile by calliper is
better, and touch photographs refuse one that is too far off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from skimage.measure import find_contours

from vision.camera.model import CameraModel
from vision.types import BenchPose, FloatArray

__all__ = ["ProfileFound", "measure_profile"]

LEAST_CHANGE = 14.0  # grey levels by which the nozzle differs from the mat
STATION_MM = 0.5
LEAST_LENGTH_MM = 15.0
AGREES = 0.05  # of the outer diameter
TOLERANCE_MM = 0.25  # of the straight pieces that the outline is told by
RIM_MM, FULL_SHARE = 3.0, 0.97
TUBE_SHARE = 0.06  # by which the tube's radius may change along it


@dataclass(frozen=True)
class ProfileFound:
    """What the outline says, or why it says nothing.

    Attributes
    ----------
    profile_mm, handle_mm : tuple of (radius, distance from the outlet)
        Straight pieces; empty when there is nothing to be told.
    tube_length_mm, diameter_mm, diameter_sigma_mm : float
    reason : str
        One line: the comparison with the calliper, or why the outline is refused.
    """

    profile_mm: tuple[tuple[float, float], ...]
    handle_mm: tuple[tuple[float, float], ...]
    tube_length_mm: float
    diameter_mm: float
    diameter_sigma_mm: float
    reason: str


def measure_profile(camera: CameraModel, bench: BenchPose, empty: np.ndarray, laid: np.ndarray,
                    outer_diameter_mm: float) -> ProfileFound:
    """Radius along the nozzle from two pictures (BGR) of one camera that stood still."""
    height_mm = outer_diameter_mm / 2
    edge_px = _outline(empty, laid)
    if edge_px is None:
        return _refused("nothing lies on the mat that was not there before")
    origin, rays = _rays(camera, bench.cam_from_bench, edge_px)
    flat = origin + rays * ((height_mm - origin[2]) / rays[:, 2:])
    s, radius = _radii(origin, rays, flat, height_mm)
    if s is None or np.ptp(s) < LEAST_LENGTH_MM:
        return _refused("too little of the nozzle is seen: lay its whole length on the mat, the markers free")
    first = int(np.argmax(radius >= FULL_SHARE * np.median(radius[(s > RIM_MM) & (s < 3 * RIM_MM)])))
    s, radius = s[first:] - s[first], radius[first:]  # before it the rim's circle is seen askew
    tube = radius[s < min(8.0, 0.3 * s[-1])]
    diameter = 2 * float(np.median(tube))
    sigma = 2 * 1.4826 * float(np.median(np.abs(tube - np.median(tube)))) / math.sqrt(max(len(tube), 1))
    sigma = math.hypot(sigma, 2 * 0.3 * _mm_per_px(camera, bench, flat))  # where an edge is put, alike along it
    told = f"the outline says {diameter:.1f} mm (1 sigma {sigma:.1f}), the calliper {outer_diameter_mm:.1f} mm"
    if abs(diameter - outer_diameter_mm) > max(AGREES * outer_diameter_mm, 2 * sigma):
        return _refused(f"{told}: a shadow, or another nozzle? Soften the lamp and lay it again", diameter, sigma)
    scaled = radius * outer_diameter_mm / diameter
    off = np.flatnonzero(np.abs(scaled / height_mm - 1) > TUBE_SHARE)
    length = float(s[off[0]]) if len(off) else float(s[-1])
    profile, handle = _pieces(s, scaled, outer_diameter_mm)
    return ProfileFound(profile, handle, round(length, 1), diameter, sigma, f"{told}: they agree")


def _refused(reason: str, diameter_mm: float = math.nan, sigma_mm: float = math.nan) -> ProfileFound:
    return ProfileFound((), (), math.nan, diameter_mm, sigma_mm, reason)


def _outline(empty: np.ndarray, laid: np.ndarray) -> FloatArray | None:
    """Edge pixels of the largest thing that has come, (n, 2)."""
    if empty.shape != laid.shape:
        return None
    change = np.max(np.abs(cv2.GaussianBlur(laid, (0, 0), 1.0).astype(np.float32)
                           - cv2.GaussianBlur(empty, (0, 0), 1.0).astype(np.float32)), axis=2)
    mask = (change > max(LEAST_CHANGE, 6 * 1.4826 * float(np.median(change)))).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9)))
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    if n < 2:
        return None
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    if stats[best, cv2.CC_STAT_AREA] < 400:
        return None
    thing = labels == best
    core = cv2.erode(thing.astype(np.uint8), np.ones((5, 5))) > 0
    # where the change is half of its own is the edge
    half = 0.5 * float(np.median(change[core if core.any() else thing]))
    change[cv2.dilate(thing.astype(np.uint8), np.ones((5, 5))) == 0] = 0.0
    edge = max(find_contours(change, half), key=len)[:, ::-1]
    inside = np.all((edge > 1) & (edge < np.array(empty.shape[1::-1]) - 2), axis=1)
    return edge[inside] if inside.sum() > 50 else None


def _rays(camera: CameraModel, cam_from_bench: FloatArray, px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The camera's place and the directions of pixels, bench frame."""
    flat = cv2.undistortPoints(px.reshape(-1, 1, 2), camera.camera_matrix_px,
                               np.asarray(camera.distortion, float)).reshape(-1, 2)
    turn = cam_from_bench[:3, :3].T
    rays = np.column_stack([flat, np.ones(len(flat))]) @ turn.T
    return -turn @ cam_from_bench[:3, 3], rays / np.linalg.norm(rays, axis=1, keepdims=True)


def _radii(origin: FloatArray, rays: FloatArray, flat: FloatArray,
           height_mm: float) -> tuple[FloatArray, FloatArray] | tuple[None, None]:
    """Stations from the outlet and radii there, from both sides of the outline; None when it has no two sides."""
    centre, along = flat[:, :2].mean(0), np.linalg.svd(flat[:, :2] - flat[:, :2].mean(0), full_matrices=False)[2][0]
    for _ in range(4):  # the axis runs where both sides are equally far
        axis, at = np.array([*along, 0.0]), np.array([*centre, height_mm])
        s, distance = _to_axis(origin, rays, at, axis)
        left, right = (_binned(s[pick], distance[pick]) for pick in (distance > 0, distance < 0))
        both = sorted(set(left) & set(right))
        if len(both) < 10:
            return None, None
        middle = np.array([(left[b] + right[b]) / 2 for b in both])
        stations = STATION_MM * (np.array(both) + 0.5)
        near = np.abs(middle - np.median(middle)) < 3.0
        slope, shift = np.polyfit(stations[near], middle[near], 1)
        across = np.array([-along[1], along[0]])
        centre, along = centre + shift * across, along + slope * across
        along = along / np.linalg.norm(along)
    radius = np.array([(left[b] - right[b]) / 2 for b in both])
    if np.median(radius[: len(radius) // 4]) > np.median(radius[-len(radius) // 4:]):  # the outlet is the thin end
        stations, radius = -stations[::-1], radius[::-1]
    return stations - stations[0], radius


def _to_axis(origin: FloatArray, rays: FloatArray, at: FloatArray, axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where along an axis each ray passes nearest, and how far from it, signed by the side."""
    normal = np.cross(rays, axis)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    distance = normal @ (at - origin)
    lean = rays @ axis
    gap = origin - at
    s = (gap @ axis - lean * (rays @ gap)) / (1 - lean**2)
    return s, -distance if np.cross(rays[0], axis)[2] > 0 else distance


def _binned(s: FloatArray, distance: FloatArray) -> dict[int, float]:
    """Median distance at each station."""
    bins = np.floor(s / STATION_MM).astype(int)
    order = np.argsort(bins, kind="stable")
    edges = np.flatnonzero(np.diff(bins[order])) + 1
    return {int(bins[part[0]]): float(np.median(distance[part])) for part in np.split(order, edges)}


def _mm_per_px(camera: CameraModel, bench: BenchPose, flat: FloatArray) -> float:
    middle = bench.cam_from_bench[:3, :3] @ flat.mean(0) + bench.cam_from_bench[:3, 3]
    return float(np.linalg.norm(middle)) / camera.focal_px


def _pieces(s: FloatArray, radius: FloatArray, outer_diameter_mm: float):
    """The outline as few straight pieces, split where it is nearly at its thickest: metal before, handle behind."""
    smooth = cv2.medianBlur(radius.astype(np.float32).reshape(1, -1), 5).ravel()
    line = cv2.approxPolyDP(np.column_stack([s, smooth]).astype(np.float32).reshape(-1, 1, 2), TOLERANCE_MM,
                            False).reshape(-1, 2)
    points = [(round(float(r), 2), round(float(at), 1)) for at, r in line]
    points[0] = (outer_diameter_mm / 2, 0.0)
    thick = next((k for k, (r, _) in enumerate(points) if r > 0.9 * smooth.max()), len(points) - 1)
    thick = min(max(thick, 1), len(points) - 2) if len(points) > 3 else len(points) - 1
    metal, handle = tuple(points[:thick + 1]), tuple(points[thick + 1:])
    return metal, handle if len(handle) >= 2 else ()
