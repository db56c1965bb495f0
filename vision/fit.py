"""Nozzle pose from one picture: least squares on the edges of the whole visible outline, with its covariance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
from numba import njit

from vision.edge_bias import DEFAULT_BIAS, edge_offsets, group_key, group_of, n_groups, side_of
from vision.edges import CutGrid, EdgeSet, find_edges, linear_light, sample_cuts
from vision.nozzle import NozzleBody, ToolPose, axis_frame, cross, sideways_of
from vision.silhouette import STEP, Outline, moved_pose, outline
from vision.types import FloatArray

__all__ = ["BLUR_PX", "Picture", "PosePrior", "PoseFit", "fit_pose", "loose_prior", "free_limbs", "inside_picture", "is_inside",
           "picture_cuts", "steps_between"]

BLUR_PX = 0.8  # of a sharp edge in a camera's picture, lens, pixel and compression together
CUT_SIGMA_PX = 0.35  # scatter of one cut about a straight edge, measured on rendered and photographed edges
CORRELATION_MM = 2.4  # cuts nearer than this share pixels and codec blocks
_LEAST_MISFIT_NOISE = 0.7
_SHARED = 1.0  # of the sigma of a cut: what all cuts of a faint edge are wrong by alike
_FAINT_GAIN, _SMEAR_PX = 50.0, 1.6  # mean gain of a side below which a codec may have smeared it, and by how much
_FREE_PX = 2.0  # sigma of where limbs that are left free may be seen
_LEAST_GAIN = 12.0  # drop of chi-square below which an edge is chance


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
    noise : float
        Scatter of the picture about the bench, as a share of `vision.edges.noise_sigma` [-].
    """

    image: np.ndarray
    background: np.ndarray
    known: np.ndarray
    noise: float = 1.0

    @cached_property
    def light(self) -> np.ndarray:
        """The frame in linear light, shape (h, w, 3), float32; made when first asked for."""
        return linear_light(self.image)


@dataclass(frozen=True)
class PosePrior:
    """What is known before looking: a pose, and where edges appear.

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
    """

    pose: ToolPose
    offset_px: FloatArray
    cov: FloatArray
    is_free: bool = False


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
    """

    pose: ToolPose
    sites: np.ndarray
    offset_px: FloatArray
    cov: FloatArray
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

    @property
    def merit(self) -> float:
        """For choosing among poses of one picture: quality, and how much it rests on."""
        return self.quality * float(np.sqrt(self.n_edges))


def loose_prior(body: NozzleBody, bias, pose: ToolPose, tip_mm=40.0, turn_rad=0.4, roll_rad=0.5) -> PosePrior:
    """A prior that only keeps a fit from wandering off."""
    offset, offset_cov = edge_offsets(body, bias)
    cov = np.zeros((6 + len(offset), 6 + len(offset)))
    cov[:6, :6] = np.diag(np.array([tip_mm, tip_mm, tip_mm, turn_rad, turn_rad, roll_rad]) ** 2)
    cov[6:, 6:] = offset_cov
    return PosePrior(pose, offset, cov)


def free_limbs(body: NozzleBody, prior: PosePrior) -> PosePrior:
    """The same prior, but that the edges of tube and cone may be seen pixels away from where they are.

    Shiny metal mirrors what it stands before, in one picture more than in another: which of several poses it is, is told best
    by the rest of the outline, and by limbs that are alike along their length.
    """
    cov = prior.cov.copy()
    at = np.arange(6, len(cov))
    cov[at, at] = np.maximum(cov[at, at], np.where(_is_limb(body), _FREE_PX**2, 0.0))
    return PosePrior(prior.pose, prior.offset_px, cov, is_free=True)


@lru_cache
def _is_limb(body: NozzleBody) -> np.ndarray:
    """Which groups are of tube or cone."""
    return np.array([group_key(body, g)[0] in ("tube", "cone") for g in range(n_groups(body))])


def fit_pose(
    camera, body: NozzleBody, picture: Picture, start: ToolPose, bias=DEFAULT_BIAS, *, prior: PosePrior | None = None,
    reach_px=9.0, spreads_px=(4.0, 2.0, 1.0), step_mm=0.8, plane: tuple[FloatArray, float, float] | None = None,
    blur_of=None, veil: float | None = None,
) -> PoseFit | None:
    """Fit the pose to the picture's edges, starting near it.

    Parameters
    ----------
    start : ToolPose
        Camera frame.
    bias : dict
        (kind of edge, lighter outside or not) -> EdgeBias; what the prior says of offsets comes before it.
    prior : PosePrior, optional
        Where the tool is expected; by default loosely around `start`.
    spreads_px : tuple
        How far edges may be from where they are expected, round by round.
    plane : (normal (3,) in the camera frame, distance, sigma) or None
        What else is known: normal . tip = distance [mm], as when the outlet stands on a gauge block.
    blur_of : callable, optional
        Outline -> blur of its edges (n,) [px].

    Returns
    -------
    PoseFit or None
        None when too few edges are seen to fix the pose.
    """
    prior = prior or loose_prior(body, bias, start)
    grid, pose = CutGrid(reach_px), start
    # a bench stored from photographs and a codec's colours are never as exact as a quiet picture
    looser = max(1.0, (_LEAST_MISFIT_NOISE / picture.noise) ** 2)
    options = {"noise": picture.noise, "pick_limit": 5.0 * looser, "misfit_limit": 6.0 * looser} | ({} if veil is None else {"veil": veil})
    seen_px = np.zeros(n_groups(body) // 2)
    for spread in spreads_px:
        last = spread == spreads_px[-1]
        out = inside_picture(outline(camera, body, pose, step_mm=step_mm if last else 2 * step_mm), picture.image.shape)
        if len(out.px) < 8:
            return None
        middle_px = seen_px[side_of(out.part, out.side)]
        cuts, back = picture_cuts(picture, replace(out, px=out.px + middle_px[:, None] * out.normal_px), grid)
        blur = np.full(len(out.px), BLUR_PX) if blur_of is None else blur_of(out)
        edges = find_edges(cuts, back, grid, blur, spread, **options)
        if last and (faint := _faint(out, edges)).any():
            softer = find_edges(cuts[faint], back[faint], grid, np.hypot(blur[faint], _SMEAR_PX), spread, **options)
            edges = _clearer(out, edges, softer, faint)
        edges = replace(edges, offset_px=edges.offset_px + middle_px)
        label = group_of(out.part, out.side, edges.lighter)
        solved = _solve(out, edges, label, prior, pose, spread, plane)
        if solved is None:
            return None
        pose = moved_pose(pose, solved.step)
        if prior.is_free:
            seen_px = _offset_of_sides(label, solved, len(seen_px))
    cov, alone_step, alone_cov, offsets_cov = _spread(
        out.jacobian, label, solved.groups, solved.offset_px, solved.left, solved.weight, solved.loose, solved.held,
        *edge_offsets(body, bias))
    return PoseFit(pose, np.concatenate([np.arange(6), 6 + solved.groups]), solved.offset_px, cov, alone_step, alone_cov,
                   offsets_cov, solved.chi2_dof, _quality(body, label, solved), int(solved.good.sum()), len(out.px), label,
                   edges.offset_px - out.jacobian @ solved.step, solved.good)


def _offset_of_sides(label, solved: _Solved, n: int) -> FloatArray:
    """The offset at which most of the edges of each of n sides were seen [px]; 0 where none was."""
    count, offset_px = np.bincount(label, solved.good, 2 * n), np.zeros(2 * n)
    offset_px[solved.groups] = solved.offset_px
    darker, lighter = count[::2], count[1::2]
    return np.where(darker + lighter > 0, np.where(lighter >= darker, offset_px[1::2], offset_px[::2]), 0.0)


def _faint(out: Outline, edges: EdgeSet) -> np.ndarray:
    """Which cuts are of a side that hardly stands out; a codec may have smeared it."""
    side = side_of(out.part, out.side)
    seen = edges.gain > _LEAST_GAIN
    gain, count = np.bincount(side, edges.gain * seen), np.bincount(side, seen)
    return ((gain < _FAINT_GAIN * count) & (count > 0))[side]


def _clearer(out: Outline, sharp: EdgeSet, softer: EdgeSet, faint: np.ndarray) -> EdgeSet:
    """Of each faint side the edges, sharp or softer, that explain more of the picture."""
    sides = side_of(out.part, out.side)
    side, n = sides[faint], 1 + int(sides.max())
    worth = [np.bincount(side, np.where(gain > _LEAST_GAIN, gain, 0.0), n) for gain in (sharp.gain[faint], softer.gain)]
    better = (worth[1] > worth[0])[side]
    at = np.flatnonzero(faint)[better]
    chosen = [getattr(sharp, name).copy() for name in EdgeSet.__dataclass_fields__]
    for values, name in zip(chosen, EdgeSet.__dataclass_fields__, strict=True):
        values[at] = getattr(softer, name)[better]
    return EdgeSet(*chosen)


def inside_picture(out: Outline, shape) -> Outline:
    """The part of an outline whose cuts lie in a picture of that shape."""
    ok = is_inside(out.px, shape)
    return out if ok.all() else Outline(*(getattr(out, f)[ok] for f in Outline.__dataclass_fields__))


def is_inside(px: FloatArray, shape) -> np.ndarray:
    """Which points (n, 2) lie so far in a picture of that shape that edges can be seen there, shape (n,)."""
    h, w = shape[:2]
    return (px[:, 0] > 4) & (px[:, 0] < w - 5) & (px[:, 1] > 4) & (px[:, 1] < h - 5)


def picture_cuts(picture: Picture, out: Outline, grid: CutGrid):
    """Cuts across the outline through the picture and through the bench behind it, each (n, 3, m), linear light."""
    off = grid.offsets_px
    cuts = sample_cuts(picture.image, out.px, out.normal_px, off)
    back = sample_cuts(picture.background, out.px, out.normal_px, off)
    _flatten(cuts, back, picture.known, out.px, out.normal_px, out.side == STEP, grid.reach_px)
    return cuts, back


@njit(cache=True, nogil=True)
def _flatten(cuts, back, known, centre, normal, is_flat, reach):
    """Where the scene behind is not known, the outer end of the cut stands for it."""
    h, w = known.shape
    n, channels, m = cuts.shape
    for i in range(n):
        flat = is_flat[i]
        for k in range(3):
            x = int(round(centre[i, 0] + 0.5 * k * reach * normal[i, 0]))
            y = int(round(centre[i, 1] + 0.5 * k * reach * normal[i, 1]))
            flat = flat or known[min(max(y, 0), h - 1), min(max(x, 0), w - 1)] == 0
        if flat:
            for c in range(channels):
                back[i, c] = cuts[i, c, m - (m + 3) // 4:].mean()


def steps_between(pose: ToolPose, goal: ToolPose) -> FloatArray:
    """The steps (6,) of `moved_pose` that lead from one pose to a near one, to first order."""
    a, b = axis_frame(pose.axis)
    side, goal_side = sideways_of(pose.axis, pose.roll_rad), sideways_of(goal.axis, goal.roll_rad)
    turns = [goal.axis @ cross(a, pose.axis), goal.axis @ cross(b, pose.axis)]
    roll = np.arctan2(goal_side @ cross(pose.axis, side), goal_side @ side)
    return np.concatenate([goal.tip_mm - pose.tip_mm, turns, [roll]])


class _Solved(NamedTuple):
    """As in PoseFit; left: what each edge is away from where the solution puts it, weight: what it counted for, loose: variance
    of what the edges of a group share in this picture alone."""

    step: FloatArray
    groups: np.ndarray
    offset_px: FloatArray
    good: np.ndarray
    chi2_dof: float
    left: FloatArray
    weight: FloatArray
    loose: FloatArray
    held: FloatArray


def _solve(out: Outline, edges: EdgeSet, label, prior: PosePrior, pose: ToolPose, spread: float, plane) -> _Solved | None:
    """Re-weighted least squares for the six steps of the pose and one offset a group; None with too few edges."""
    row, rest = np.zeros(3), 0.0
    if plane is not None:
        normal_cam, distance, plane_sigma = plane
        row, rest = normal_cam / plane_sigma, (distance - normal_cam @ pose.tip_mm) / plane_sigma
    solved = _least_squares(out.jacobian, out.mm_per_sample, edges.offset_px, edges.sigma_px, edges.gain, label, prior.cov,
                            steps_between(pose, prior.pose), prior.offset_px, row, rest, spread)
    return _Solved(*solved) if len(solved[0]) else None


@njit(cache=True, nogil=True)
def _least_squares(jacobian, mm_per_sample, offset, sigma, gain, label, prior_cov, expected, prior_offset, row, rest, spread):
    n, n_groups = len(label), len(prior_offset)
    usable = np.isfinite(offset) & (gain > _LEAST_GAIN)
    place, groups = np.full(n_groups, -1), np.empty(n_groups, np.int64)
    m = 0
    for g in range(n_groups):
        if (label == g).any():
            place[g], groups[m] = m, g
            m += 1
    groups = groups[:m]
    sites = np.concatenate((np.arange(6), 6 + groups))
    inner, x, known = np.empty((6 + m, 6 + m)), np.zeros(6 + m), np.zeros(6 + m)
    for i in range(6 + m):
        for j in range(6 + m):
            inner[i, j] = prior_cov[sites[i], sites[j]]
    known[:6], known[6:] = expected, prior_offset[groups]
    x[6:] = known[6:]
    held = np.linalg.inv(inner)
    pull = held @ known
    for i in range(3):
        pull[i] += row[i] * rest
        for j in range(3):
            held[i, j] += row[i] * row[j]
    group, seen, own, far, weight = place[label], np.zeros(n), np.empty(n), np.empty(n), np.zeros(n)
    for i in range(n):
        # a part's cuts stand for its length: how densely it is cut must not change what it is worth
        share = math.sqrt(max(CORRELATION_MM / max(mm_per_sample[i], 1e-3), 1.0))
        own[i] = math.hypot(min(sigma[i], 5.0), CUT_SIGMA_PX)
        far[i], weight[i] = max(2.0 * own[i], 0.5 * spread), own[i] * share
        seen[i] = offset[i] if usable[i] else 0.0
    # what the eye cannot tell from the bench blurs alike along a whole edge: a faint edge may be anywhere within its blur
    loose, count = np.zeros(m), np.zeros(m)
    for i in range(n):
        if usable[i]:
            loose[group[i]] += (_SHARED * min(sigma[i], 5.0)) ** 2
            count[group[i]] += 1.0
    for k in range(m):
        loose[k] = max(loose[k] / max(count[k], 1.0) - inner[6 + k, 6 + k], 0.0)
    if usable.sum() < 6:
        return np.empty(0), groups, x[6:], usable, 0.0, seen, weight, loose, held
    left, shared = _reweighted(jacobian, group, seen, usable, weight, far, loose, held, pull, x)
    good = usable & (np.abs(left - shared) < 3 * own)
    chi2_dof = (((left - shared) / own) ** 2 * good).sum() / max(1.0, good.sum() - 6.0)
    weight = np.where(good, weight ** -2.0, 0.0) / max(1.0, chi2_dof)
    return x[:6].copy(), groups, x[6:].copy(), good, chi2_dof, left, weight, loose, held


@njit(cache=True, nogil=True)
def _reweighted(jacobian, group, seen, usable, sigma, reach, loose, held, pull, x):
    """Solve for x in place, from where it is; what each edge is away from it then, and what of that its group shares. An edge
    counts the less the further it is beyond its reach."""
    n = len(seen)
    left, weight, shared, total = np.zeros(n), np.zeros(n), np.zeros(len(loose)), np.zeros(len(loose))
    for _ in range(6):
        for i in range(n):
            if usable[i]:
                r = _left(jacobian, group, seen, x, i) - shared[group[i]]
                weight[i] = (sigma[i] * (1.0 + (r / reach[i]) ** 2)) ** -2.0
        data, right = _normal(jacobian, group, weight, seen, loose, len(x))
        new = np.linalg.solve(data + held, right + pull)
        moved = np.abs(new - x)
        x[:] = new
        shared[:], total[:] = 0.0, 0.0
        for i in range(n):
            shared[group[i]] += weight[i] * _left(jacobian, group, seen, x, i)
            total[group[i]] += weight[i]
        shared *= loose / (1.0 + loose * total)
        if moved[:3].max() < 1e-2 and moved[3:6].max() < 1e-4:
            break
    for i in range(n):
        left[i] = _left(jacobian, group, seen, x, i) if usable[i] else 0.0
    return left, shared[group]


@njit(cache=True, nogil=True)
def _left(jacobian, group, seen, x, i):
    """What an edge is away from where x puts it."""
    r = seen[i] - x[6 + group[i]]
    for k in range(6):
        r -= jacobian[i, k] * x[k]
    return r


@njit(cache=True, nogil=True)
def _normal(jacobian, group, weight, values, loose, size):
    """Normal equations, matrix and right side, of values = jacobian . steps + offset of the group + what its edges share in
    this picture alone, of variance `loose`, which is not solved for."""
    data, right = np.zeros((size, size)), np.zeros(size)
    for i in range(len(weight)):
        w, g = weight[i], 6 + group[i]
        if w > 0.0:
            data[g, g] += w
            right[g] += w * values[i]
            for k in range(6):
                wj = w * jacobian[i, k]
                right[k] += wj * values[i]
                data[g, k] += wj
                for l in range(k + 1):
                    data[k, l] += wj * jacobian[i, l]
    for k in range(size):
        for l in range(k + 1, size):
            data[k, l] = data[l, k]
    for g in range(size - 6):
        less, row, value = loose[g] / (1.0 + loose[g] * data[6 + g, 6 + g]), data[6 + g].copy(), right[6 + g]
        for k in range(size):
            right[k] -= less * row[k] * value
            for l in range(size):
                data[k, l] -= less * row[k] * row[l]
    return data, right


@njit(cache=True, nogil=True)
def _spread(jacobian, label, groups, offset_px, left, weight, loose, held, base_offset, base_cov):
    """Covariance of what was solved for; and what the picture says alone, with only the offsets' base values known."""
    m = len(groups)
    place, base, known = np.zeros(len(base_offset), np.int64), np.empty((m, m)), np.empty(m)
    for i in range(m):
        place[groups[i]], known[i] = i, base_offset[groups[i]]
        for j in range(m):
            base[i, j] = base_cov[groups[i], groups[j]]
    data, right = _normal(jacobian, place[label], weight, left, loose, 6 + m)
    weak = np.zeros_like(data)
    for k in range(6):
        weak[k, k] = 40.0 ** -2 if k < 3 else 0.4 ** -2
    weak[6:, 6:] = np.linalg.inv(base)
    alone_cov = np.linalg.inv(data + weak)
    away = np.concatenate((np.zeros(6), known - offset_px))
    alone_step = alone_cov @ (right + weak @ away)
    through = np.ascontiguousarray(alone_cov[:6, 6:])
    return (np.linalg.inv(data + held), alone_step[:6].copy(), alone_cov[:6, :6].copy(),
            through @ np.ascontiguousarray(weak[6:, 6:]) @ through.T)


@lru_cache
def _worth(body: NozzleBody) -> FloatArray:
    """What a cut of each group counts: a hand hides the handle without making the pose doubtful."""
    kinds = [group_key(body, g)[0] for g in range(n_groups(body))]
    return np.array([{"tube": 3.0, "rim": 3.0, "handle": 0.45}.get(k, 1.0) for k in kinds])


def _quality(body: NozzleBody, label, solved: _Solved) -> float:
    worth = _worth(body)[label]
    return float((worth * solved.good).sum() / worth.sum()) / max(1.0, np.sqrt(solved.chi2_dof / 1.5))
