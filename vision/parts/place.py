"""Where a part is looked for: points on its top face, on the board around it and across its edge, and their way into a
picture."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from vision import rigid
from vision.camera.model import CameraModel
from vision.types import FloatArray

__all__ = ["PartSpec", "Place", "Window", "make_frame", "make_place", "outside_mm", "windows_of",
           "AROUND_MM", "LEAN", "SECTORS", "SQUARE"]

SECTORS = 8  # pieces of the ring, each of which must be clear before a part is called gone [convention]
LEAN = 0.7  # of a part's height, by which its sides may hide the board beside it: tan 35 degrees [convention]
SQUARE = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
_RIM_PX = 1.5  # on both sides of an edge, so that it is in the patch [convention]
_MOST_TOP = 900  # points on a part, for the time that they take [convention]
AROUND_MM = 1.5  # so far around its seat a part is looked for, and cut out [convention]


class _Ring(NamedTuple):
    """The board that is looked at around a part [convention]: from so far of its outline on, and of others; as wide as
    that and so much of the part's size; by so many points at most, for the time that they take."""

    apart_mm: float = 0.5
    wide_mm: float = 2.5
    share: float = 0.35
    most: int = 500


_RING = _Ring()


@dataclass(frozen=True)
class PartSpec:
    """A part to be watched.

    Attributes
    ----------
    name : str
    outline_mm : array, shape (k, 2)
        Corners in the bench frame, of where it stands on the board's top face.
    height_mm : float
        Of its top face over the board's.
    """

    name: str
    outline_mm: FloatArray
    height_mm: float


@dataclass(frozen=True)
class Place:
    """Points of one part, mm from its centre, axes of the bench frame.

    Attributes
    ----------
    centre_mm : array, shape (2,)
    top_mm, ring_mm : arrays, shape (n, 2)
        Of the top face with its edge; of the board around.
    sector : array of int, shape (n,)
        Of each ring point.
    in_sector : tuple of int
        Ring points of each sector.
    inner_mm, outer_mm : arrays, shape (k, 2)
        Pairs on both sides of the top face's edge.
    size_mm, reach_mm : float
        The outline's longer side; half the side of a square about all points.
    """

    spec: PartSpec
    centre_mm: FloatArray
    top_mm: FloatArray
    ring_mm: FloatArray
    sector: np.ndarray
    in_sector: tuple[int, ...]
    inner_mm: FloatArray
    outer_mm: FloatArray
    size_mm: float
    reach_mm: float


@dataclass(frozen=True)
class Window:
    """A part's place in one picture: corner of the cut-out (x, y, width, height), homographies into it, and its
    scale."""

    box: tuple[int, int, int, int]
    top_px: FloatArray
    ring_px: FloatArray
    px_per_mm: float


def make_place(spec: PartSpec, others: list[FloatArray], px_per_mm: float) -> Place:
    """The points of a part among others, about a pixel apart."""
    outline = np.asarray(spec.outline_mm, float)
    centre = (outline.min(0) + outline.max(0)) / 2
    shape = (outline - centre).astype(np.float32)
    size = float(cv2.minAreaRect(shape)[1][0]), float(cv2.minAreaRect(shape)[1][1])
    rim = _RIM_PX / px_per_mm
    top = _grid(shape, -1e9, rim, 1 / px_per_mm, _MOST_TOP)
    gap = _RING.apart_mm + LEAN * spec.height_mm
    ring = _grid(shape, gap, gap + _RING.wide_mm + _RING.share * max(size), 1 / px_per_mm, _RING.most)
    for other in others:
        ring = ring[_distance((np.asarray(other) - centre).astype(np.float32), ring) > _RING.apart_mm]
    sector = ((np.arctan2(ring[:, 1], ring[:, 0]) / (2 * np.pi) % 1.0) * SECTORS).astype(int) % SECTORS
    inner, outer = _edge_pairs(shape, rim)
    reach = float(np.abs(ring).max(initial=max(size)))
    in_sector = tuple(np.bincount(sector, minlength=SECTORS).tolist())
    return Place(spec, centre, top, ring, sector, in_sector, inner, outer, max(size), reach)


def make_frame(spec: PartSpec, reach_mm: float) -> Place:
    """The surroundings of a part, without points: what `windows_of` needs."""
    outline, none = np.asarray(spec.outline_mm, float), np.empty((0, 2))
    half = float(np.ptp(outline, axis=0).max()) / 2 + reach_mm
    centre = (outline.min(0) + outline.max(0)) / 2
    return Place(spec, centre, none, none, np.empty(0, int), (), none, none, 2 * half, half)


def outside_mm(outline_mm: FloatArray, points_mm: FloatArray) -> FloatArray:
    """Distance of points (n, 2) from an outline (k, 2), negative inside."""
    return _distance(np.asarray(outline_mm, np.float32), points_mm)


def windows_of(
    camera: CameraModel,
    cam_from_bench: FloatArray,
    places: list[Place],
    board_top_mm: float,
    board_shift: FloatArray,
) -> list[Window | None]:
    """The parts' places in a picture, the board having been nudged by a shift (3,); None for one not wholly in view."""
    half = np.array([place.reach_mm + AROUND_MM for place in places])
    centre = np.array([place.centre_mm for place in places])
    tops = np.array([place.spec.height_mm for place in places])
    c, s = math.cos(board_shift[2]), math.sin(board_shift[2])
    square = half[:, None, None] * SQUARE
    points = np.empty((len(places), 2, 4, 3))  # on the part's top face, and on the board
    points[..., :2] = ((centre[:, None] + square) @ np.array([[c, s], [-s, c]]) + board_shift[:2])[:, None]
    points[:, 0, :, 2], points[:, 1, :, 2] = board_top_mm + tops[:, None], board_top_mm
    px = camera.project(rigid.apply(cam_from_bench, points))
    size = np.array(camera.image_size_px)
    low, high = np.floor(px.min((1, 2))) - 3, np.ceil(px.max((1, 2))) + 4
    low, high = np.maximum(low, 0), np.minimum(high, size)
    middle = px.mean((1, 2))
    holds = ((high - low >= 8) & (middle > 4) & (middle < size - 5)).all(1)
    px = np.where(holds[:, None, None, None], px - low[:, None, None], 0.0)
    maps = [(_homography(a, on_top), _homography(a, on_board)) if ok else None for a, (on_top, on_board), ok
            in zip(square.astype(np.float32), px.astype(np.float32), holds, strict=True)]
    (ax, ay), (bx, by) = (px[:, 0, 2] - px[:, 0, 0]).T, (px[:, 0, 3] - px[:, 0, 1]).T
    side = np.sqrt(np.abs(ax * by - ay * bx) / 2) / (2 * half)
    boxes = np.column_stack([low, high - low])
    return [Window((int(x), int(y), int(width), int(height)), *both, float(scale)) if both is not None else None
            for (x, y, width, height), both, scale in zip(boxes, maps, side, strict=True)]


def _homography(square: np.ndarray, seen_px: np.ndarray) -> FloatArray:
    """From points (4, 2) of a face to their pixels (4, 2), shape (3, 3)."""
    return np.asarray(cv2.getPerspectiveTransform(square, seen_px), float)


def _distance(shape: np.ndarray, points: FloatArray) -> FloatArray:
    """Of points from an outline, negative inside."""
    return np.array([-cv2.pointPolygonTest(shape, (float(x), float(y)), True) for x, y in points])


def _grid(shape: np.ndarray, least_mm: float, most_mm: float, pitch_mm: float, most: int) -> FloatArray:
    """Points of a square grid whose distance from an outline lies between two."""
    while True:
        low, high = shape.min(0) - most_mm - pitch_mm, shape.max(0) + most_mm + pitch_mm
        x, y = np.meshgrid(np.arange(low[0], high[0], pitch_mm), np.arange(low[1], high[1], pitch_mm))
        points = np.stack([x.ravel(), y.ravel()], 1)
        away = _distance(shape, points)
        points = points[(away >= least_mm) & (away <= most_mm)]
        if len(points) <= most:
            return points
        pitch_mm *= max(1.05, (len(points) / most) ** 0.5)


def _edge_pairs(shape: np.ndarray, off_mm: float) -> tuple[FloatArray, FloatArray]:
    """Points inside and outside of an outline, opposite each other."""
    closed = np.vstack([shape, shape[:1]]).astype(float)
    inner, outer = [], []
    for a, b in itertools.pairwise(closed):
        edge = b - a
        length = float(np.hypot(*edge))
        normal = np.array([edge[1], -edge[0]]) / max(length, 1e-9)
        if cv2.pointPolygonTest(shape, tuple(map(float, (a + b) / 2 + 1e-3 * normal)), False) > 0:
            normal = -normal
        shares = (np.arange(max(2, int(length / off_mm))) + 0.5) / max(2, int(length / off_mm))
        on_edge = a + shares[:, None] * edge
        inner.append(on_edge - off_mm * normal)
        outer.append(on_edge + off_mm * normal)
    return np.concatenate(inner), np.concatenate(outer)
