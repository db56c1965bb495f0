"""How well a pose could be told: the information that an outline carries, from geometry alone, without a picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.camera.model import CameraModel
from vision.fit.bias import LEAST_CUTS, Biases, group_of, slope_variances
from vision.fit.least_squares import CORRELATION_MM, CUT_SIGMA_PX
from vision.fit.pose import inside_picture, weak_prior
from vision.nozzle.body import NozzleBody, ToolPose, axis_frame
from vision.nozzle.silhouette import outline
from vision.types import FloatArray

__all__ = ["Expected", "ExpectedEdges", "expected_spread"]


@dataclass(frozen=True)
class ExpectedEdges:
    """How the tool's edges will appear in the picture.

    Attributes
    ----------
    bias : dict
        As in a nozzle calibration: how far each kind of edge can be trusted.
    lighter_outside : bool
        Whether the scene behind the tool is lighter than it (a white mat) or darker (a dark board).
    sigma_px : float
        Scatter of one cut about its edge [px]; blur, noise and compression make it larger.
    """

    bias: Biases
    lighter_outside: bool
    sigma_px: float = CUT_SIGMA_PX


@dataclass(frozen=True)
class Expected:
    """1-sigma spreads of one picture's pose.

    Attributes
    ----------
    height_mm : float
        Along the bench's normal; inf when no edge is seen from the side.
    steady_mm : float
        The part of it that is alike in all frames, because it comes from where edges appear: averaging does not help.
    along_mm, across_mm : float
        Of the outlet, along the line of sight and across it.
    tilt_rad : float
        Of the axis, in its worst direction.
    width_px : float
        Width of the tube's picture at the outlet.
    """

    height_mm: float
    steady_mm: float
    along_mm: float
    across_mm: float
    tilt_rad: float
    width_px: float


def expected_spread(camera: CameraModel, body: NozzleBody, pose: ToolPose, up_cam: FloatArray,
                    edges: ExpectedEdges) -> Expected:
    """Spread that the fit's own information matrix gives for a pose.

    Parameters
    ----------
    pose : ToolPose
        Camera frame.
    up_cam : array, shape (3,)
        The bench's normal in the camera frame [-].

    Notes
    -----
    Covariance (J' W J + P)^-1 of six steps of the pose, an offset and a slope for every group of edges, as
    `vision.fit.pose` has it, with every edge found. A real frame hides some; shadows and highlights add to it.
    """
    w, h = camera.image_size_px
    out = inside_picture(outline(camera, body, pose), (h, w))
    label = group_of(out.part, out.side, int(edges.lighter_outside))
    _, group, counts = np.unique(label, return_inverse=True, return_counts=True)
    plain = counts[group] >= LEAST_CUTS  # a scrap of a rim that peeps out is not to be counted on
    out, label = out.at(plain), label[plain]
    groups, group = np.unique(label, return_inverse=True)
    if len(groups) == 0:
        return Expected(np.inf, np.inf, np.inf, np.inf, np.inf, 0.0)
    of_group = np.eye(len(groups))[group]
    design = np.hstack([out.jacobian, of_group, of_group * out.place[:, None]])
    share = np.maximum(CORRELATION_MM / np.maximum(out.mm_per_sample, 1e-3), 1.0)
    data = (design.T / (edges.sigma_px**2 * share)) @ design
    cov = np.linalg.inv(data + _known(body, edges.bias, pose, groups))
    steady = cov - cov @ data @ cov  # what comes from the offsets and not from this frame's own scatter
    ray = pose.tip_mm / np.linalg.norm(pose.tip_mm)
    aside, tip = np.array(axis_frame(ray)), cov[:3, :3]
    across = aside @ tip @ aside.T
    tube = out.px_per_mm[(out.part == 0) & (out.side != 0)]
    return Expected(_root(up_cam @ tip @ up_cam), _root(up_cam @ steady[:3, :3] @ up_cam), _root(ray @ tip @ ray),
                    _root(np.linalg.eigvalsh(across)[-1]), _root(np.linalg.eigvalsh(cov[3:5, 3:5])[-1]),
                    float(2 * body.frusta[0].start_radius_mm * np.median(tube)) if tube.size else 0.0)


def _known(body: NozzleBody, bias: Biases, pose: ToolPose, groups: np.ndarray) -> FloatArray:
    """Information of what is known before: hardly anything of the pose, and the offsets and slopes of groups."""
    variances = np.diag(weak_prior(body, bias, pose).cov)
    return np.diag(1.0 / np.concatenate([variances[:6], variances[6 + groups], slope_variances(body)[groups]]))


def _root(value: FloatArray | float) -> float:
    return float(np.sqrt(max(value, 0.0)))
