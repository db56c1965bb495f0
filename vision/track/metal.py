"""The appearance of a nozzle's metal, by which fingers, pens and cables of its shape are told from it."""

from __future__ import annotations

import numpy as np

from vision.bench.background import cast_of, log_colours
from vision.camera.model import CameraModel
from vision.edges.cuts import linear_light
from vision.fit.pose import Picture
from vision.nozzle.body import NozzleBody, ToolPose, cross
from vision.types import FloatArray

__all__ = ["log_appearance_ratio", "metal_appearance", "usual_appearance"]

# where it is looked at: along the axis, and across in radii [convention]
_ALONG_MM, _ACROSS = 1.0, (-0.5, -0.25, 0.0, 0.25, 0.5)
_LEAST_PLACES, _LEAST_PHOTOS = 8, 3  # for an appearance [convention]
# sigmas of (blue and red over green, brightness) of the metal from picture to picture, and of other things from the
# metal; and the share of metal that heat or soot has made look otherwise [convention]
_METAL_SIGMA, _OTHER_SIGMA = np.array([0.2, 0.2, 0.6]), np.array([0.5, 0.5, 1.2])
_TINTED = 0.05


def metal_appearance(camera: CameraModel, body: NozzleBody, picture: Picture, pose: ToolPose) -> FloatArray:
    """How the metal at a pose looks, were the picture exposed and tinted as that of the stored bench.

    Returns
    -------
    array, shape (3,)
        As `log_colours` tells it; nan when too little is in view.
    """
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
    at = px[np.all((px >= 0) & (px < (w, h)), axis=1)].astype(int)
    if len(at) < _LEAST_PLACES:
        return np.full(3, np.nan)
    seen = log_colours(linear_light(picture.image[at[:, 1], at[:, 0]][None])[0])
    return np.median(seen, axis=0) - cast_of(picture.image, picture.background, picture.known)


def usual_appearance(seen: list[FloatArray]) -> FloatArray | None:
    """The middle of what photographs show, as `metal_appearance` tells it; None when too few tell it."""
    known = [one for one in seen if np.isfinite(one).all()]
    return np.median(known, axis=0) if len(known) >= _LEAST_PHOTOS else None


def log_appearance_ratio(seen: FloatArray, usual: FloatArray | None) -> float:
    """Natural logarithm of how much likelier an appearance is that of the metal than that of another thing; 0 when
    either is not known.
    """
    if usual is None or not np.isfinite(seen).all():
        return 0.0
    logs = [-0.5 * float((((seen - usual) / s) ** 2).sum()) - float(np.log(s).sum())
            for s in (_METAL_SIGMA, _OTHER_SIGMA)]
    return float(np.logaddexp(np.log1p(-_TINTED) + logs[0], np.log(_TINTED) + logs[1]) - logs[1])
