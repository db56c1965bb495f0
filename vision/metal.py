"""The colour of a nozzle's metal, by which fingers, pens and cables of its shape are told from it."""

from __future__ import annotations

import numpy as np

from vision.cuts import linear_light
from vision.fit import Picture
from vision.nozzle import NozzleBody, ToolPose, cross
from vision.types import FloatArray

__all__ = ["metal_colour", "usual_colour", "is_unlike"]

_UNLIKE = 0.4  # further from its usual colour metal is not, though it mirrors its surroundings; skin is 0.5 to 0.8 from grey
_ALONG_MM, _ACROSS = 1.0, (-0.5, -0.25, 0.0, 0.25, 0.5)  # where it is looked at: along the axis, and across in radii
_LEAST_PLACES, _LEAST_PHOTOS = 8, 3
_MARGIN_PX = 3
_DARK = 0.01  # linear light below which a picture tells no colour
_GRID_PX = 16  # of the bench


def metal_colour(camera, body: NozzleBody, picture: Picture, pose: ToolPose) -> FloatArray:
    """Logarithms of blue and of red over green, shape (2,), of the metal at a pose as it would look were the picture's white that
    of the stored bench; nan when too little of it is in view."""
    to_eye = -pose.tip_mm / np.linalg.norm(pose.tip_mm)
    across = cross(pose.axis, to_eye)
    across /= max(float(np.linalg.norm(across)), 1e-9)
    places = []
    for f in body.frusta:
        if f.kind != "handle":
            along = np.arange(f.start_mm + 0.5 * _ALONG_MM, f.end_mm, _ALONG_MM)
            radius = np.interp(along, [f.start_mm, f.end_mm], [f.start_radius_mm, f.end_radius_mm])
            places += [pose.tip_mm - np.outer(along, pose.axis) + share * radius[:, None] * across for share in _ACROSS]
    px = np.round(camera.project(np.concatenate(places)))
    h, w = picture.known.shape
    at = px[np.all((px >= _MARGIN_PX) & (px < (w - _MARGIN_PX, h - _MARGIN_PX)), axis=1)].astype(int)
    if len(at) < _LEAST_PLACES:
        return np.full(2, np.nan)
    return np.median(_ratios(linear_light(picture.image[at[:, 1], at[:, 0]][None])[0]), axis=0) - _cast(picture)


def usual_colour(seen: list[FloatArray]) -> FloatArray | None:
    """The middle of what photographs show, as `metal_colour` tells it; None when too few tell it."""
    told = [c for c in seen if np.isfinite(c).all()]
    return np.median(told, axis=0) if len(told) >= _LEAST_PHOTOS else None


def is_unlike(seen: FloatArray, usual: FloatArray | None) -> bool:
    """Whether a colour is not that of the metal; what is not known speaks against nothing."""
    return usual is not None and bool(np.linalg.norm(seen - usual) > _UNLIKE)


def _ratios(light: np.ndarray) -> FloatArray:
    """Logarithms of blue and red over green, shape (n, 2), of light (n, 3)."""
    logs = np.log(light + _DARK)
    return logs[:, [0, 2]] - logs[:, 1:2]


def _cast(picture: Picture) -> FloatArray:
    """By how much the picture of the bench is tinted against the stored one, shape (2,)."""
    grid = np.s_[_GRID_PX // 2::_GRID_PX, _GRID_PX // 2::_GRID_PX]
    known = picture.known[grid] > 0
    if not known.any():
        return np.zeros(2)
    now = linear_light(np.ascontiguousarray(picture.image[grid]))[known]
    return np.median(_ratios(now) - _ratios(picture.background[grid][known]), axis=0)
