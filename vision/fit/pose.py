"""Nozzle pose from one picture: least squares on the edges of the whole visible outline, with its covariance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np

from vision.camera.model import CameraModel
from vision.edges.cuts import CutGrid, is_inside, linear_light
from vision.edges.profiles import tables_of
from vision.edges.search import MISFIT_LIMIT, PICK_LIMIT, STRAY_LIGHT, USUAL_NOISE, Tolerance
from vision.fit.bias import DEFAULT_BIAS, Biases, edge_offsets, group_key, n_groups, slope_variances, travel_variances
from vision.fit.least_squares import Known, Solved, spread_of
from vision.fit.rounds import MARGIN_PX, Found, RoundArrays, Scene, Sight, Travel, cut_through, fit_rounds, tool_of
from vision.nozzle.body import NozzleBody, ToolPose, pose_arrays
from vision.nozzle.silhouette import STEP, Outline
from vision.types import FloatArray

__all__ = ["Picture", "Plane", "PosePrior", "PoseFit", "Rounds", "Travel", "fit_pose", "weak_prior", "free_limbs",
           "inside_picture", "picture_cuts"]

_LEAST_MISFIT_NOISE = 0.42  # of the usual, however quiet the picture: a stored bench is no more exact [trial]
_RESTING = Travel(np.zeros(6), np.zeros((6, 6)), 0.0, 0.0, 1e-12)  # tells nothing of the readout [convention]
_FREE_PX = 2.0  # sigma of where limbs that are left free may be seen [trial]


@dataclass(frozen=True)
class Picture:
    """One frame with what is known of the scene behind the tool.

    Attributes
    ----------
    image : array, shape (h, w, 3), uint8
        As the camera gave it.
    background : array, shape (h, w, 3), float32
        Linear light.
    known : array, shape (h, w), uint8
        Above 0 where the background is known.
    noise : tuple of float
        Scatter of the picture about the bench, as in `Tolerance`.
    gain : array, shape (h,), float32, or None
        Light of each row over the background's; 1 when not given.
    veil : float
        Sigma of the brightness that stray light or smoke lays over the bench [-].
    """

    image: np.ndarray
    background: np.ndarray
    known: np.ndarray
    noise: tuple[float, float, float] = USUAL_NOISE
    gain: np.ndarray | None = None
    veil: float = STRAY_LIGHT

    @cached_property
    def gains(self) -> np.ndarray:
        """The gain (h,), 1 where none is given."""
        return np.ones(len(self.known), np.float32) if self.gain is None else self.gain

    @cached_property
    def light(self) -> np.ndarray:
        """The frame in linear light, shape (h, w, 3), float32; made when first asked for."""
        return linear_light(self.image)


class Plane(NamedTuple):
    """A plane near which the outlet is, as when it stands on a gauge block: its normal (3,) in the camera frame [-],
    normal . tip there [mm], and the sigma of that [mm]."""

    normal: FloatArray
    distance_mm: float
    sigma_mm: float


@dataclass(frozen=True)
class PosePrior:
    """What is known before looking: a pose, how the tool moves there, and where edges appear.

    Attributes
    ----------
    pose : ToolPose
        Camera frame.
    offset_px : array, shape (g,)
        As `edge_offsets` orders them.
    cov : array, shape (6 + g, 6 + g)
        Of the six steps of `moved_pose` about `pose`, then of the offsets.
    is_free : bool
        So little is known of the offsets that edges are looked for where the round before saw the others of their side.
    travel : Travel or None
        How the tool moves while the picture is taken; None when it rests. It blurs the edges that the tool crosses, and
        shifts rows that are read later.
    plane : Plane or None
        What else is known of the outlet.
    """

    pose: ToolPose
    offset_px: FloatArray
    cov: FloatArray
    is_free: bool = False
    travel: Travel | None = None
    plane: Plane | None = None


@dataclass(frozen=True)
class Rounds:
    """How a fit goes on from round to round.

    Attributes
    ----------
    spreads_px : tuple
        How far edges may be from where they are expected, round by round.
    step_mm : float
        Distance of the cuts along the outline.
    reach_px : float
        How far cuts go to either side.
    is_exact : bool
        Get the most out of the last round's edges, and allow for sides that seem turned or bowed; without, as is enough
        to compare poses: what allows for more makes a wrong one look better, too.
    """

    spreads_px: tuple[float, ...] = (4.0, 2.0, 1.0)
    step_mm: float = 0.8
    reach_px: float = 9.0
    is_exact: bool = True

    @cached_property
    def arrays(self) -> RoundArrays:
        """For compiled code."""
        return RoundArrays(np.array(self.spreads_px, float), float(self.step_mm), self.is_exact,
                           tables_of(CutGrid(float(self.reach_px))))


@dataclass(frozen=True)
class PoseFit:
    """Result of a fit, in the camera frame.

    Attributes
    ----------
    pose : ToolPose
        The most probable pose, prior included.
    sites : array, shape (6 + m,), int
        Which entries of the prior the picture spoke of: 0 to 5 the pose's steps, 6 + group the offsets.
    offset_px : array, shape (m,)
        Of those groups.
    cov : array, shape (6 + m, 6 + m)
        Of steps about `pose` and of those offsets.
    readout_information, readout_score : float
        What the picture adds to what was known of the readout [1 / s^2], and that times what it says [1 / s].
    row_share : float
        When the tool's own rows are read, as `CameraModel.row_share` has it [-].
    alone_step, alone_cov : array, shapes (6,), (6, 6)
        What this picture says without the prior of the pose: a step from `pose`, and its covariance.
    offsets_cov : array, shape (6, 6)
        The part of alone_cov that comes from not knowing where edges appear.
    chi2_dof : float
    quality : float
        Share of the visible outline that agrees with the pose, 0 to 1; the tube and its end count most.
    n_edges, n_cuts : int
    label : array, shape (n_cuts,), int
        Group of each cut; edge_px, its edge's offset from the body's outline; good, whether it agrees.
    jacobian : array, shape (n_cuts, 6)
        As in `Outline`, of each cut.
    """

    pose: ToolPose
    sites: np.ndarray
    offset_px: FloatArray
    cov: FloatArray
    readout_information: float
    readout_score: float
    row_share: float
    alone_step: FloatArray
    alone_cov: FloatArray
    offsets_cov: FloatArray
    chi2_dof: float
    quality: float
    n_edges: int
    n_cuts: int
    label: np.ndarray
    edge_px: FloatArray
    good: np.ndarray
    jacobian: FloatArray

    @property
    def score(self) -> float:
        """For choosing among poses of one picture: quality, and how much it rests on."""
        return self.quality * float(np.sqrt(self.n_edges))


def weak_prior(body: NozzleBody, bias: Biases, pose: ToolPose, tip_mm: float = 40.0, turn_rad: float = 0.4,
                roll_rad: float = 0.5) -> PosePrior:
    """A prior that only keeps a fit from wandering off."""
    offset, offset_cov = edge_offsets(body, bias)
    cov = np.zeros((6 + len(offset), 6 + len(offset)))
    cov[:6, :6] = np.diag(np.array([tip_mm, tip_mm, tip_mm, turn_rad, turn_rad, roll_rad]) ** 2)
    cov[6:, 6:] = offset_cov
    return PosePrior(pose, offset, cov)


def free_limbs(body: NozzleBody, prior: PosePrior) -> PosePrior:
    """The same prior, but that the edges of tube and cone may be seen pixels away from where they are.

    Shiny metal mirrors what it stands before, in one picture more than in another: which of several poses it is, is
    told best by the rest of the outline, and by limbs that are alike along their length.
    """
    cov = prior.cov.copy()
    at = np.arange(6, len(cov))
    cov[at, at] = np.maximum(cov[at, at], np.where(_is_limb(body), _FREE_PX**2, 0.0))
    return replace(prior, cov=cov, is_free=True)


@lru_cache
def _is_limb(body: NozzleBody) -> np.ndarray:
    """Which groups are of tube or cone."""
    return np.array([group_key(body, g)[0] in ("tube", "cone") for g in range(n_groups(body))])


def fit_pose(camera: CameraModel, body: NozzleBody, picture: Picture, start: ToolPose, bias: Biases = DEFAULT_BIAS, *,
             prior: PosePrior | None = None, rounds: Rounds = Rounds()) -> PoseFit | None:
    """Fit the pose to the picture's edges, starting near it.

    Parameters
    ----------
    start : ToolPose
        Camera frame.
    bias : dict
        (kind of edge, lighter outside or not) -> EdgeBias; what the prior says of offsets comes before it.
    prior : PosePrior, optional
        Where the tool is expected; by default loosely around `start`, at rest.
    rounds : Rounds

    Returns
    -------
    PoseFit or None
        None when too few edges are seen to fix the pose.
    """
    prior = prior or weak_prior(body, bias, start)
    travel = _RESTING if prior.travel is None else prior.travel
    found, is_found = fit_rounds(Sight(tool_of(body), camera.lens, _scene_of(picture)), pose_arrays(start),
                                 _known(body, prior, travel, rounds.is_exact), travel, rounds.arrays)
    return _pose_fit(body, bias, found, travel) if is_found else None


def _known(body: NozzleBody, prior: PosePrior, travel: Travel, is_exact: bool) -> Known:
    plane = prior.plane
    normal, distance = (np.zeros(3), 0.0) if plane is None else (plane.normal / plane.sigma_mm,
                                                                 float(plane.distance_mm / plane.sigma_mm))
    return Known(pose_arrays(prior.pose), prior.offset_px, prior.cov, prior.is_free, travel.readout_var,
                 slope_variances(body) * is_exact, travel_variances(body) * is_exact, normal, distance)


def _pose_fit(body: NozzleBody, bias: Biases, found: Found, travel: Travel) -> PoseFit:
    """What the last round's solution says."""
    solved, label = found.solved, found.rows.label
    cov, readout_var, alone_step, alone_cov, offsets_cov = spread_of(
        found.rows, solved, *edge_offsets(body, bias), travel.readout_s - found.readout_s, travel.readout_var)
    added = 1.0 / readout_var - 1.0 / travel.readout_var
    score = found.readout_s / readout_var - travel.readout_s / travel.readout_var
    sites = np.append(np.arange(6), 6 + solved.groups)
    return PoseFit(ToolPose(*found.pose), sites, solved.offset_px, cov, added, score, found.row_share, alone_step,
                   alone_cov, offsets_cov, solved.chi2_dof, _quality(body, label, solved),
                   int(np.count_nonzero(solved.good)), len(label), label, found.edge_px, solved.good,
                   found.rows.jacobian[:, :6])


def _scene_of(picture: Picture) -> Scene:
    # a bench stored from photographs and a codec's colours are never as exact as a quiet picture
    widening = max(1.0, (_LEAST_MISFIT_NOISE / picture.noise[0]) ** 2)
    return Scene(np.ascontiguousarray(picture.image), picture.background, picture.known, picture.gains,
                 Tolerance(PICK_LIMIT * widening, MISFIT_LIMIT * widening, float(picture.veil), picture.noise))


def inside_picture(out: Outline, shape: tuple[int, ...]) -> Outline:
    """The part of an outline whose cuts lie in a picture of that shape."""
    ok = is_inside(out.px, shape[:2], MARGIN_PX)
    return out if ok.all() else out.at(ok)


def picture_cuts(picture: Picture, out: Outline, grid: CutGrid) -> tuple[np.ndarray, np.ndarray]:
    """Cuts across the outline through the picture and through the bench behind it, each (n, 3, m), as `cut_through`
    gives them.
    """
    return cut_through(_scene_of(picture), out.px, out.normal_px, out.side == STEP,
                       np.ones(len(out.px), np.int64), grid.offsets_px)


@lru_cache
def _worth(body: NozzleBody) -> FloatArray:
    """What a cut of each group counts: a hand hides the handle without making the pose doubtful."""
    kinds = [group_key(body, g)[0] for g in range(n_groups(body))]
    return np.array([{"tube": 3.0, "rim": 3.0, "handle": 0.45}.get(k, 1.0) for k in kinds])


def _quality(body: NozzleBody, label: np.ndarray, solved: Solved) -> float:
    worth = _worth(body)[label]
    return float(worth @ solved.good / worth.sum()) / max(1.0, math.sqrt(solved.chi2_dof / 1.5))
