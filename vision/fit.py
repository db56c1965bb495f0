"""Nozzle pose from one picture: least squares on the edges of the whole visible outline, with its covariance."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from vision.edges import CutGrid, edge_gain, pick_edges, refine_edges, sample_cuts
from vision.nozzle import NozzleBody, ToolPose, axis_frame
from vision.silhouette import Outline, moved_pose, outline
from vision.types import FloatArray

__all__ = ["EdgeBias", "Picture", "PoseFit", "fit_pose", "inside_picture", "picture_cuts", "DEFAULT_BIAS"]

_BLUR_PX = 0.8
_CUT_SIGMA_PX = 0.35  # scatter of one cut about a straight edge, measured on rendered and photographed edges
_CORRELATION = 2.0  # neighbouring cuts share pixels and codec blocks: this much in sigma


@dataclass(frozen=True)
class EdgeBias:
    """Where an edge appears, outward of where the body's radius would put it, and how far that can be trusted."""

    offset_px: float
    sigma_px: float


# A limb in front of something lighter is seen where it is; in front of something darker a shiny one mirrors its
# surroundings and looks too narrow (measured on rendered clips; replaced by what the touch photographs say).
DEFAULT_BIAS: dict[tuple[str, bool], EdgeBias] = {
    ("tube", True): EdgeBias(-0.1, 0.25), ("tube", False): EdgeBias(-1.2, 0.8),
    ("cone", True): EdgeBias(-0.2, 0.3), ("cone", False): EdgeBias(-1.0, 0.8),
    ("collar", True): EdgeBias(-0.2, 0.3), ("collar", False): EdgeBias(-0.6, 0.8),
    ("handle", True): EdgeBias(-0.2, 0.15), ("handle", False): EdgeBias(-0.3, 0.5),
    ("rim", True): EdgeBias(-0.2, 0.4), ("rim", False): EdgeBias(-1.0, 1.0),
}


@dataclass(frozen=True)
class Picture:
    """One frame in linear light with what is known of the scene behind the tool.

    Attributes
    ----------
    light : array, shape (h, w, 3), float32
    background : array, shape (h, w, 3), float32
    known : array, shape (h, w), uint8
        255 where the background is known.
    """

    light: np.ndarray
    background: np.ndarray
    known: np.ndarray


@dataclass(frozen=True)
class PoseFit:
    """Result of a fit, in the camera frame.

    Attributes
    ----------
    pose : ToolPose
    cov : array, shape (6, 6)
        Of Outline.jacobian's six steps, edge bias included.
    cov_noise : array, shape (6, 6)
        The part of it that is new in every frame.
    chi2_dof : float
    support, weights : dict
        Share of the cuts of each (part, side) that agree with the fit, and what that share is worth.
    """

    pose: ToolPose
    cov: FloatArray
    cov_noise: FloatArray
    chi2_dof: float
    support: dict = field(default_factory=dict)
    weights: dict = field(default_factory=dict)
    n_edges: int = 0
    n_cuts: int = 0
    groups: dict = field(default_factory=dict)


def fit_pose(camera, body: NozzleBody, picture: Picture, start: ToolPose, bias=DEFAULT_BIAS, *, reach_px=10.0,
             spreads_px=(4.0, 2.0, 1.0), step_mm=0.6,
             plane: tuple[FloatArray, float, float] | None = None,
             prior_cov: FloatArray | None = None, blur_px: float = _BLUR_PX) -> PoseFit | None:
    """Fit the pose to the picture's edges, starting near it.

    Parameters
    ----------
    plane : (normal (3,) in the camera frame, distance, sigma) or None
        What else is known: normal . tip = distance [mm], as when the outlet stands on a gauge block.
    prior_cov : array, shape (6, 6), or None
        How far the pose may be from `start`, in Outline.jacobian's steps; guides the fit, is not counted in `cov`.

    Returns
    -------
    PoseFit or None
        None when too few edges are seen to fix the pose.
    """
    grid = CutGrid(reach_px)
    pose, state = start, None
    for spread in spreads_px:
        out = outline(camera, body, pose, step_mm=step_mm if spread == spreads_px[-1] else 2 * step_mm)
        out = inside_picture(out, picture.light.shape)
        if len(out.px) < 12:
            return None
        cuts, back = picture_cuts(picture, out, grid)
        curves = edge_gain(cuts, back, grid.offsets_px, blur_px)
        edges = pick_edges(curves, np.zeros(len(out.px)), spread)
        edges = refine_edges(cuts, back, grid.offsets_px, edges, blur_px)
        group, centre, sigma = _groups(body, out, edges.lighter, bias)
        state = _solve(out, edges, group, centre, sigma, spread, start, pose, plane, prior_cov)
        lighter = edges.lighter
        if state is None:
            return None
        pose = moved_pose(pose, state.step)
    return _result(body, pose, out, state, group, lighter)


@dataclass
class _State:
    step: FloatArray
    cov: FloatArray
    cov_noise: FloatArray
    chi2: float
    dof: float
    good: np.ndarray
    offset: FloatArray
    bias: FloatArray
    edge: FloatArray


def inside_picture(out: Outline, shape) -> Outline:
    h, w = shape[:2]
    ok = (out.px[:, 0] > 4) & (out.px[:, 0] < w - 5) & (out.px[:, 1] > 4) & (out.px[:, 1] < h - 5)
    return Outline(*(getattr(out, f)[ok] for f in Outline.__dataclass_fields__))


def picture_cuts(picture: Picture, out: Outline, grid: CutGrid):
    off = grid.offsets_px
    cuts = sample_cuts(picture.light, out.px, out.normal_px, off)
    back = sample_cuts(picture.background, out.px, out.normal_px, off)
    known = sample_cuts(picture.known, out.px, out.normal_px, off)[..., 0]
    flat = known[:, len(off) // 3:].min(1) < 128
    # where the scene behind is not known, the outer end of the cut stands for it
    back[flat] = cuts[flat, -len(off) // 4:].mean(1, keepdims=True)
    return cuts, back


def _groups(body: NozzleBody, out: Outline, lighter, bias):
    """Edges that share one unknown offset: a part's one side, in front of something lighter or not."""
    label = (out.part + 1) * 6 + (out.side + 1) * 2 + lighter
    unique, group = np.unique(label, return_inverse=True)
    centre, sigma = np.empty(len(unique)), np.empty(len(unique))
    for i, u in enumerate(unique):
        part = u // 6 - 1
        b = bias[("rim" if part < 0 else body.frusta[part].kind, bool(u % 2))]
        centre[i], sigma[i] = b.offset_px, b.sigma_px
    return group, centre, sigma


def _solve(out, edges, group, centre, sigma, spread, start, pose, plane, prior_cov) -> _State | None:
    """Re-weighted least squares for the six steps of the pose and one offset a group."""
    n_bent = 6 if np.any(out.jacobian[:, 5]) else 5
    m = len(centre)
    x = np.zeros(n_bent + m)
    x[n_bent:] = centre
    design = np.zeros((len(out.px), n_bent + m))
    design[:, :n_bent] = out.jacobian[:, :n_bent]
    design[np.arange(len(group)), n_bent + group] = 1.0
    prior = np.zeros(n_bent + m)
    prior[n_bent:] = sigma ** -2.0
    lam = np.array([1 / 30.0**2] * 3 + [1 / 0.3**2] * (n_bent - 3))  # keeps one step within what tracking can have missed
    prior[:n_bent] += lam
    target = x.copy()
    if prior_cov is not None:
        prior[:n_bent] = 1.0 / np.diag(prior_cov)[:n_bent]
        a, b = axis_frame(pose.axis)
        away = np.concatenate([start.tip_mm - pose.tip_mm, [start.axis @ np.cross(a, pose.axis), start.axis @ np.cross(b, pose.axis)]])
        target[:5] = away
    known = np.zeros((n_bent + m, n_bent + m))
    pull = np.zeros(n_bent + m)
    if plane is not None:
        normal_cam, distance, plane_sigma = plane
        row = np.zeros(n_bent + m)
        row[:3] = normal_cam
        known = np.outer(row, row) / plane_sigma**2
        pull = row * (distance - normal_cam @ pose.tip_mm) / plane_sigma**2
    for _ in range(6):
        s = np.hypot(np.minimum(edges.sigma_px, 5.0), _CUT_SIGMA_PX) * _CORRELATION
        r = edges.offset_px - design @ x
        usable = np.isfinite(r) & (edges.gain > 12)
        if usable.sum() < 8:
            return None
        r = np.where(usable, r, 0.0)
        c = np.maximum(2.0 * s / _CORRELATION, 0.5 * spread)
        w = np.where(usable, 1.0 / (s * (1.0 + (r / c) ** 2)) ** 2, 0.0)
        normal = design.T @ (w[:, None] * design) + np.diag(prior) + known
        dx = np.linalg.solve(normal, design.T @ (w * r) + prior * (target - x) + pull - known @ x)
        x = x + dx
        if np.abs(dx[:3]).max() < 1e-3 and np.abs(dx[3:n_bent]).max() < 1e-5:
            break
    r = np.where(usable, edges.offset_px - design @ x, 0.0)
    good = usable & (np.abs(r) < 3 * s / _CORRELATION)
    dof = max(1.0, good.sum() - n_bent)
    chi2 = float(np.sum((r[good] * _CORRELATION / s[good]) ** 2))
    w = np.where(good, s ** -2.0, 0.0)
    prior[:n_bent] = lam
    information = design.T @ (w[:, None] * design) + np.diag(prior) + known
    worse = max(1.0, chi2 / dof)
    full, noise = np.zeros((6, 6)), np.zeros((6, 6))
    full[:n_bent, :n_bent] = worse * np.linalg.inv(information)[:n_bent, :n_bent]
    noise[:n_bent, :n_bent] = worse * np.linalg.inv(information[:n_bent, :n_bent])
    step = np.zeros(6)
    step[:n_bent] = x[:n_bent]
    return _State(step, full, noise, chi2, dof, good, edges.offset_px, x[n_bent:], edges.offset_px - design[:, :n_bent] @ x[:n_bent])


def _result(body, pose, out, state, group, lighter) -> PoseFit:
    support, weights, groups = {}, {}, {}
    for part in np.unique(out.part):
        for side in np.unique(out.side[out.part == part]):
            k = (out.part == part) & (out.side == side)
            key = (int(part), int(side))
            support[key] = float(state.good[k].mean())
            kind = "rim" if part < 0 else body.frusta[part].kind
            # a hand hides the handle without making the pose doubtful; the tube and its end must be seen
            weights[key] = float(k.sum()) * {"tube": 3.0, "rim": 3.0, "handle": 0.3}.get(kind, 1.0)
    for g in np.unique(group):
        k = (group == g) & state.good
        if k.sum() > 3:
            i = np.flatnonzero(k)[0]
            kind = "rim" if out.part[i] < 0 else body.frusta[out.part[i]].kind
            groups[(kind, int(out.part[i]), int(out.side[i]), bool(lighter[i]))] = (float(state.bias[g]), float(np.median(state.edge[k])), int(k.sum()))
    return PoseFit(pose, state.cov, state.cov_noise, state.chi2 / state.dof, support, weights, int(state.good.sum()), len(out.px), groups)
