"""Finds the tool when nothing is known of where it is: from what differs from the bench to poses worth fitting."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple

import cv2
import numpy as np

from vision.bench.background import MASK_SCALE
from vision.camera.model import CameraModel
from vision.compiled import njit, put
from vision.edges.cuts import is_inside
from vision.fit.bias import DEFAULT_BIAS, Biases
from vision.fit.pose import Picture, Plane, PoseFit, PosePrior, Rounds, fit_pose, free_limbs, weak_prior
from vision.fit.rounds import MARGIN_PX
from vision.nozzle.body import Hold, NozzleBody, ToolPose, axis_frame, roll_of
from vision.nozzle.silhouette import Poses, body_arrays, moved_poses, tool_hull, trace, trace_inputs, turned
from vision.track.coarse import (
    SIGHT_STEP_MM,
    CoarseTool,
    EdgeView,
    coarse_tool,
    reward,
    shares,
    sweep_poses,
    sweep_tube,
    visible_reward,
)
from vision.track.novelty import ALIKE_PX, CLOSE_PX, HALF, NewEdges, new_edges, tool_mask
from vision.types import FloatArray

__all__ = ["DRAFT_STEP_MM", "IN_PART", "Sought", "find_poses", "find_tool", "habit", "poses_near", "share_in_view",
           "sweep"]

# over the board: what no tool is below, but for an error; where one often is [convention]
_LOWEST_MM, _AT_WORK_MM = -15.0, 25.0
_HIGHEST_MM = 70.0  # a tool held higher is not at work; it is found when it comes down [convention]
IN_PART = 0.6  # share of the outline in the picture below which the tool is seen in part [convention]
DRAFT_STEP_MM = 1.6  # distance of the cuts while it is not clear which pose is worth a full fit [trial]
# of a draft, of a full fit, and of the last one of the pose that is chosen [trial]
_DRAFT, _FULL, _LAST = Rounds((6.0, 3.0), DRAFT_STEP_MM, 12.0, False), Rounds(is_exact=False), Rounds((1.5, 1.0))
_LEAST_EDGES = 16  # of a pose that convinces [convention]
_LOW_HOLD_RAD = 0.09  # what is assumed when little of the tool is in view [trial]
_HOLD_RAD = 0.3  # a hand comes back to a hold within about this [common practice, no source]
_MARGIN_PX = 60  # around the tool in which it is looked for near its track [convention]
# poses tried with the metal, and with the whole tool; and around each that is settled, for the time that takes [trial]
_FIRST_ROUND, _SECOND_ROUND, _DRAWS = 4000, 500, 40
_CLEARLY = 1.15  # so much more than quite another pose it must explain [trial]
# of a tool seen in part, poses that look alike, at the outlet and so far behind, are the same, near or far [convention]
_BEHIND_MM, _SAME_PLACE_PX = 10.0, 15.0
_FITS, _FULL_FITS = 16, 4  # poses worth a draft, and worth a full fit [trial]
_WIDE = 25  # quarter-size pixels round the mask: bright metal may look like the bench for a whole tube [convention]
_PLACE_PX = 10  # distance of the places where the outlet is tried [convention]
# poses near a track that are drawn, settled and kept; what is further apart, or turned, is another pose [convention]
_NEAR_DRAWS, _NEAR, _NEAR_KEPT, _APART_MM = 600, 8, 3, 3.0
# between directions that are tried near a hold; heights, and tilts where none is known [convention]
_NEIGHBOUR_RAD = np.deg2rad(10.0)
_HEIGHTS_MM = (4.0, 22.0, 45.0)
_TILTS_RAD = np.deg2rad([4.0, 16.0, 28.0, 40.0, 52.0])


@dataclass(frozen=True)
class Sought:
    """What is looked for, where the camera stands, and what is known beforehand.

    Attributes
    ----------
    camera : CameraModel
    body : NozzleBody
    cam_from_bench : array, shape (4, 4)
    board_top_mm : float
        Height of the surface below the outlet over the mat.
    bias : dict
        As in `fit_pose`.
    holds : tuple of Hold
        Ways in which this tool is known to be held; without any, all directions are tried.
    """

    camera: CameraModel
    body: NozzleBody
    cam_from_bench: FloatArray
    board_top_mm: float
    bias: Biases = field(default_factory=lambda: DEFAULT_BIAS)
    holds: tuple[Hold, ...] = ()


def find_tool(sought: Sought, picture: Picture, least_quality: float = 0.5, *,
              heights_mm: tuple[float, ...] = _HEIGHTS_MM, plane: Plane | None = None,
              most: int = _FITS) -> PoseFit | None:
    """The best pose over all places, heights and ways to hold the tool, or None when none is convincing.

    Parameters
    ----------
    least_quality : float
        Share of the outline that must agree, 0 to 1, the limbs of shiny metal free; it is less of the pose that is
        returned.
    heights_mm : tuple
        Heights over the board to start from.
    plane : Plane, optional
        What else is known of the outlet.
    most : int
        How many poses are drafted; the best few of them are fitted in full.
    """
    found = _full_fits(sought, picture, heights_mm, plane, most)
    good = [f for f in found if f[1].quality > least_quality and f[1].n_edges >= _LEAST_EDGES]
    if not good:
        return None
    camera, body = sought.camera, sought.body
    score, best, prior = max(good, key=lambda f: f[0])
    # known to stand on a plane, it is told from others by that
    is_part = share_in_view(camera, body, best.pose) < IN_PART
    if plane is None and any(score < _CLEARLY * m for m, f, _ in found
                             if not (_alike(f.pose, best.pose)
                                     or (is_part and _alike_in_picture(camera, f.pose, best.pose)))):
        return None
    return fit_pose(camera, body, picture, best.pose, sought.bias, prior=prior, rounds=_LAST)


def find_poses(sought: Sought, picture: Picture, most: int = 3) -> list[PoseFit]:
    """The few poses, unlike each other, that explain most of the picture, best first; which of them is the tool, if
    any, is left open.
    """
    found: list[PoseFit] = []
    tried: list[PoseFit] = []
    for _, fit, prior in sorted(_full_fits(sought, picture, _HEIGHTS_MM, None, _FITS), key=lambda f: -f[0]):
        if len(tried) < most and not any(_same(fit.pose, other.pose) for other in tried):
            tried.append(fit)
            last = fit_pose(sought.camera, sought.body, picture, fit.pose, sought.bias, prior=prior, rounds=_LAST)
            if last is not None and not any(_same(last.pose, other.pose) for other in found):
                found.append(last)
    return found


def _full_fits(sought: Sought, picture: Picture, heights_mm: tuple[float, ...], plane,
               most: int) -> list[tuple[float, PoseFit, PosePrior]]:
    """Full fits of the best drafts with what each explains of the picture, and the prior that knows how the tool is
    held.
    """
    mask, solid = tool_mask(picture)
    unknown = cv2.resize(picture.known, mask.shape[::-1], interpolation=cv2.INTER_NEAREST) == 0
    mask[unknown] = 255
    if not mask.any():
        return []
    edges = new_edges(picture, _region_of(mask, picture.known.shape))
    camera, body, cam_from_bench = sought.camera, sought.body, sought.cam_from_bench
    fits = []
    for draft in _drafts(sought, picture, sweep(sought, edges, mask, heights_mm, most), plane):
        start = _lifted(draft.pose, cam_from_bench, sought.board_top_mm)
        fit = fit_pose(camera, body, picture, start, sought.bias, prior=draft.free,
                       rounds=_FULL if start is draft.pose else replace(_LAST, is_exact=False))
        if fit is not None and _plausible(fit.pose, cam_from_bench, sought.board_top_mm) and _blows_free(
                camera, body, fit.pose, solid):
            fits.append((fit.score * habit(fit.pose, sought.holds, cam_from_bench), fit, draft.prior))
    return fits


class _Draft(NamedTuple):
    """A quick fit: what it explains of the picture, the prior that knows how the tool is held, the same with limbs left
    free, and the pose."""

    score: float
    prior: PosePrior
    free: PosePrior
    pose: ToolPose


def _drafts(sought: Sought, picture: Picture, starts: list[ToolPose], plane: Plane | None) -> list[_Draft]:
    """The best of quick fits from some starts that end unlike each other."""
    drafts = []
    for pose in starts:
        turn_rad = max(_LOW_HOLD_RAD, _HOLD_RAD * share_in_view(sought.camera, sought.body, pose))
        prior = replace(_hold_prior(sought, pose, turn_rad), plane=plane)
        free = free_limbs(sought.body, prior)
        fit = fit_pose(sought.camera, sought.body, picture, pose, sought.bias, prior=free, rounds=_DRAFT)
        if fit is not None:
            score = fit.score * habit(fit.pose, sought.holds, sought.cam_from_bench)
            drafts.append(_Draft(score, prior, free, fit.pose))
    kept: list[_Draft] = []
    for one in sorted(drafts, key=lambda d: -d.score):
        if len(kept) < _FULL_FITS and not any(_same(one.pose, other.pose) for other in kept):
            kept.append(one)
    return kept


def _same(a: ToolPose, b: ToolPose) -> bool:
    """Whether two fits ended in the same pose."""
    return bool(np.linalg.norm(a.tip_mm - b.tip_mm) < _APART_MM and a.axis @ b.axis > 0.99)


def _lifted(pose: ToolPose, cam_from_bench: FloatArray, board_top_mm: float) -> ToolPose:
    """A pose that lies below the board, where no tool is, brought up along its outlet's line of sight; others as they
    are.

    A bright line within a shiny tube passes for its limb when edges may be far from where they are expected, and a tube
    that looks too thin seems too far away.
    """
    if _height_mm(pose, cam_from_bench, board_top_mm) > _LOWEST_MM:
        return pose
    up = cam_from_bench[:3, 2]
    share = (float(up @ cam_from_bench[:3, 3]) + board_top_mm + _AT_WORK_MM) / float(up @ pose.tip_mm)
    return ToolPose(share * pose.tip_mm, pose.axis, pose.roll_rad)


def _alike(a: ToolPose, b: ToolPose) -> bool:
    """Whether two poses may be the same one, not quite well fitted."""
    return bool(np.linalg.norm(a.tip_mm - b.tip_mm) < 20.0 and a.axis @ b.axis > np.cos(2 * _NEIGHBOUR_RAD))


def _alike_in_picture(camera: CameraModel, a: ToolPose, b: ToolPose) -> bool:
    """Whether two poses put the outlet and the tube behind it at the same place in the picture, near or far."""
    ends_px = [camera.project(np.stack([p.tip_mm, p.tip_mm - _BEHIND_MM * p.axis])) for p in (a, b)]
    return bool(np.linalg.norm(ends_px[0] - ends_px[1], axis=1).max() < _SAME_PLACE_PX)


def habit(pose: ToolPose, holds: tuple[Hold, ...], cam_from_bench: FloatArray) -> float:
    """How likely a hand holds the tool like this, 0 to 1; 1 when nothing is known."""
    if not holds:
        return 1.0
    axis = cam_from_bench[:3, :3].T @ pose.axis
    away_rad = math.acos(min(max(max(float(axis @ h.axis) for h in holds), -1.0), 1.0))
    return math.exp(-0.5 * (away_rad / _HOLD_RAD) ** 2)


def _blows_free(camera: CameraModel, body: NozzleBody, pose: ToolPose, solid: np.ndarray) -> bool:
    """Whether what lies before the outlet in the picture is mostly bench: gaps between fingers look like tubes."""
    ahead = np.linspace(0.8, 3.0, 8) * 2 * body.frusta[0].start_radius_mm
    px = camera.project(pose.tip_mm + ahead[:, None] * pose.axis)
    at = np.round((px + 0.5) / MASK_SCALE - 0.5)
    inside = np.all((at >= 0) & (at < solid.shape[::-1]), axis=1)
    at = at[inside].astype(int)
    return len(at) == 0 or float(np.mean(solid[at[:, 1], at[:, 0]] > 0)) < 0.7


def poses_near(camera: CameraModel, body: NozzleBody, picture: Picture, start: ToolPose,
               spread: FloatArray) -> list[ToolPose]:
    """The few most promising poses around start, best first: those whose coarse outline meets most new edges.

    The best of many poses drawn around it are settled, as those of a sweep are.

    Parameters
    ----------
    spread : array, shape (6,)
        Sigma of each of the six steps of `moved_pose`.
    """
    edges = new_edges(picture, _region_around(camera, body, start, picture.known.shape))
    drawn = moved_poses(start.tip_mm, start.axis, float(start.roll_rad), spread * _random_steps(_NEAR_DRAWS))
    score = reward(camera, body, edges, drawn)
    best = _unlike(drawn.tips, drawn.axes, np.argsort(-score, kind="stable"), _NEAR, _APART_MM)
    settled = _settled(camera, body, edges, drawn.tips[best], drawn.axes[best], drawn.sideways[best])
    score = reward(camera, body, edges, settled, CLOSE_PX)
    apart = _unlike(settled.tips, settled.axes, np.argsort(-score, kind="stable"), _NEAR_KEPT, _APART_MM)
    return [_pose_of(*settled, i) for i in apart]


def _region_around(camera: CameraModel, body: NozzleBody, pose: ToolPose, shape) -> tuple[slice, slice]:
    """Rows and columns in which a tool near that pose lies, bounds even."""
    corners = np.concatenate(tool_hull(camera, body, pose))
    first = np.clip(corners.min(0) - _MARGIN_PX, 0, np.array(shape[::-1]) - 4 * _MARGIN_PX).astype(int) // 2 * 2
    last = np.clip(corners.max(0) + _MARGIN_PX, first + 2 * _MARGIN_PX, shape[::-1]).astype(int) // 2 * 2
    return slice(first[1], last[1]), slice(first[0], last[0])


def _region_of(mask: np.ndarray, shape) -> tuple[slice, slice]:
    """Rows and columns in which the tool may show when something is where the mask says, bounds even."""
    x, y, w, h = cv2.boundingRect(mask)
    first = np.maximum(np.array([x, y]) - _WIDE, 0) * MASK_SCALE
    last = np.minimum((np.array([x + w, y + h]) + _WIDE) * MASK_SCALE, np.array(shape[::-1]) // 2 * 2)
    return slice(first[1], last[1]), slice(first[0], last[0])


@lru_cache
def _random_steps(n: int) -> FloatArray:
    """No step, then n random ones of sigma 1, shape (n + 1, 6); always the same, as a picture must give the same
    answer.
    """
    return np.concatenate([np.zeros((1, 6)), np.random.default_rng(1).normal(0.0, 1.0, (n, 6))])


def _pose_of(tips, axes, sideways, i: int) -> ToolPose:
    return ToolPose(tips[i], axes[i], roll_of(axes[i], sideways[i]))


def share_in_view(camera: CameraModel, body: NozzleBody, pose: ToolPose) -> float:
    """Share of the outline that lies in the picture, 0 to 1."""
    return _share_inside(*trace_inputs(camera, body, pose, SIGHT_STEP_MM), camera.image_size_px[::-1])


@njit(cache=True, nogil=True)
def _share_inside(placed, lens, steps_mm, shape):
    px = trace(placed, lens, steps_mm)[1]
    return is_inside(px, shape, MARGIN_PX).sum() / max(len(px), 1)


def _hold_prior(sought: Sought, pose: ToolPose, turn_rad: float) -> PosePrior:
    """A prior of the pose that knows how the tool was held before, if that is known."""
    if not sought.holds:
        return weak_prior(sought.body, sought.bias, pose)
    poses = [hold.pose_at(pose.tip_mm, sought.cam_from_bench) for hold in sought.holds]
    return weak_prior(sought.body, sought.bias, max(poses, key=lambda p: p.axis @ pose.axis), turn_rad=turn_rad)


def sweep(sought: Sought, edges: NewEdges, mask: np.ndarray, heights_mm: tuple[float, ...] = _HEIGHTS_MM,
          most: int = _FITS) -> list[ToolPose]:
    """Poses whose coarse outline lies best on new edges, over all places where the outlet may be; unlike each other,
    best first.

    The tube is tried everywhere, all of the metal then in the best places, and the whole tool in the best of those.
    """
    tips_px = _edge_places(edges, mask)
    if not len(tips_px):
        return []
    camera, body, holds = sought.camera, sought.body, sought.holds
    r, t = sought.cam_from_bench[:3, :3], sought.cam_from_bench[:3, 3]
    rays, origin = camera.rays(tips_px) @ r, -r.T @ t
    at = np.concatenate([(origin + (sought.board_top_mm + h - origin[2]) / rays[:, 2:] * rays) @ r.T + t
                         for h in heights_mm])
    axes = np.array([r @ axis for axis in _axes(holds)])
    slices, kinds = body_arrays(body)
    lens = camera.lens
    tip, direction = _best_pairs(sweep_tube(slices[0], at, axes, lens, edges.distance_px), _FIRST_ROUND)
    metal = [f.kind != "handle" for f in body.frusta]
    score = sweep_poses(CoarseTool(slices[metal], kinds[metal], shares(body)[metal], 0.0, 0.0), at[tip],
                        axes[direction], -axes[direction], EdgeView(lens, edges.distance_px, ALIKE_PX))
    best = np.argsort(-score, kind="stable")[:_SECOND_ROUND]
    sides = [_sideways(body, axis, holds, r) for axis in axes]
    trials = [(i, j, side) for i, j in zip(tip[best], direction[best], strict=False) for side in sides[j]]
    tips, axes = at[[i for i, _, _ in trials]], axes[[j for _, j, _ in trials]]
    sideways = np.array([side for _, _, side in trials])
    score = reward(camera, body, edges, Poses(tips, axes, sideways))
    order = np.argsort(-score, kind="stable")
    apart = _unlike(tips, axes, order[score[order] > 0], 2 * most, 4.0)
    if not len(apart):
        return []
    tips, axes, sideways = _settled(camera, body, edges, tips[apart], axes[apart], sideways[apart])
    poses = [_pose_of(tips, axes, sideways, i) for i in range(len(apart))]
    score = np.array([visible_reward(camera, body, edges, pose) for pose in poses])
    return [poses[i] for i in _unlike(tips, axes, np.argsort(-score, kind="stable"), most, _APART_MM)]


@njit(cache=True, nogil=True)
def _unlike(tips, axes, order, most, apart_mm):
    """The first of some poses, in that order, that are unlike all those before them."""
    kept = np.empty(most, np.int64)
    n = 0
    for i in order:
        is_new = True
        for j in kept[:n]:
            far2, cos = 0.0, 0.0
            for k in range(3):
                far2 += (tips[i, k] - tips[j, k]) ** 2
                cos += axes[i, k] * axes[j, k]
            is_new = is_new and (far2 > apart_mm ** 2 or cos < 0.99)
        if is_new:
            kept[n] = i
            n += 1
        if n == most:
            break
    return kept[:n]


def _best_pairs(score: FloatArray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of a table's largest entries."""
    flat = score.ravel()
    best = np.argpartition(-flat, most)[:most] if flat.size > most else np.arange(flat.size)
    rows, columns = np.unravel_index(np.sort(best), score.shape)
    return rows, columns


def _settled(camera: CameraModel, body: NozzleBody, edges: NewEdges, tips, axes, sideways) -> Poses:
    """Poses moved to where, near by, their outlines meet most new edges."""
    return _settle(coarse_tool(body), Poses(tips, axes, sideways), *_settling_steps(body.is_bent), camera.lens,
                   edges.distance_px)


@lru_cache
def _settling_steps(is_bent: bool) -> tuple[FloatArray, FloatArray]:
    """Steps (2, n, 6) of `moved_poses` by which a pose is settled, round by round, and how near an edge must be in
    each.
    """
    sizes, alike_px = np.array([1.0, 0.4]), np.array([4.0, 2.5])
    return sizes[:, None, None] * np.array([3.0, 3.0, 8.0, 0.08, 0.08,
                                            0.15 * is_bent]) * _random_steps(_DRAWS), alike_px


@njit(cache=True, nogil=True)
def _settle(tool, poses, rounds, alike_px, lens, fields):
    """The best of random poses around each of some, round by round with edges taken the more strictly; in place."""
    tips, axes, sideways = poses
    for i in range(len(tips)):
        for steps, near_px in zip(rounds, alike_px):  # noqa: B905 - compiled
            near = moved_poses(tips[i], axes[i], roll_of(axes[i], sideways[i]), steps)
            after = np.cos(tool.bend_rad) * -near.axes + np.sin(tool.bend_rad) * near.sideways
            best = sweep_poses(tool, near.tips, near.axes, after, EdgeView(lens, fields, near_px)).argmax()
            put(near.tips[best], tips[i])
            put(near.axes[best], axes[i])
            put(near.sideways[best], sideways[i])
    return poses


def _edge_places(edges: NewEdges, mask: np.ndarray) -> FloatArray:
    """A grid of pixels (n, 2) on or beside new edges, where the mask says that something is."""
    half = _PLACE_PX // HALF
    h, w = edges.distance_px.shape[1] // half, edges.distance_px.shape[2] // half
    cells = 2 * _WIDE * MASK_SCALE // _PLACE_PX + 1
    wide = cv2.dilate(cv2.resize(mask, (w, h), interpolation=cv2.INTER_AREA), np.ones((cells, cells), np.uint8))
    y, x = np.nonzero(_with_edges(edges.distance_px, wide, half))
    return np.stack([(x + 0.5) * _PLACE_PX, (y + 0.5) * _PLACE_PX], 1)


@njit(cache=True, nogil=True)
def _with_edges(fields, wanted, side):
    """Which of the wanted cells (h, w), of so many pixels a side, have an edge of any direction in them."""
    out = np.zeros(wanted.shape, np.bool_)
    for i in range(wanted.shape[0]):
        for j in range(wanted.shape[1]):
            if wanted[i, j] > 0:
                out[i, j] = (fields[:, i * side:(i + 1) * side, j * side:(j + 1) * side] < 1.0).any()
    return out


def _axes(holds: tuple[Hold, ...]) -> list[FloatArray]:
    """Jet directions to try, bench frame: near the known holds, else all round."""
    if holds:
        kept: list[FloatArray] = []
        for near in [one.axis for hold in holds for one in _around(hold)]:
            if all(near @ other < np.cos(0.5 * _NEIGHBOUR_RAD) for other in kept):
                kept.append(near)
        return kept
    azimuth = np.arange(0, 2 * np.pi, np.deg2rad(15))
    return [-np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)]) for t in _TILTS_RAD for a in azimuth]


def _sideways(body: NozzleBody, axis: FloatArray, holds: tuple[Hold, ...], cam_from_bench_rotation) -> list[FloatArray]:
    """Directions towards which the handle may be bent, camera frame (3,)."""
    a, b = axis_frame(axis)
    if not body.is_bent:
        return [a]
    if holds:
        leaning = [cam_from_bench_rotation @ hold.sideways for hold in holds]
        rolls = [roll_of(axis, w) + d for w in leaning for d in (-0.35, 0.0, 0.35)]
    else:
        rolls = list(np.arange(0, 2 * np.pi, np.deg2rad(30)))
    return [np.cos(v) * a + np.sin(v) * b for v in rolls]


def _around(hold: Hold) -> list[Hold]:
    """A hold and its neighbours."""
    third = np.cross(hold.axis, hold.sideways)
    ring = [np.cos(v) * hold.sideways + np.sin(v) * third for v in np.arange(0, 2 * np.pi, np.pi / 4)]
    turns = [np.zeros(3)] + [_NEIGHBOUR_RAD * v for v in ring[::2]] + [2 * _NEIGHBOUR_RAD * v for v in ring]
    return [Hold(turned(hold.axis, w), turned(hold.sideways, w)) for w in turns]


def _plausible(pose: ToolPose, cam_from_bench: FloatArray, board_top_mm: float) -> bool:
    """Above the board or barely into it, below the camera's half way, and pointing down."""
    up = cam_from_bench[:3, 2]
    camera_mm = float(-up @ cam_from_bench[:3, 3]) - board_top_mm
    is_at_work = _LOWEST_MM < _height_mm(pose, cam_from_bench, board_top_mm) < min(_HIGHEST_MM, 0.5 * camera_mm)
    return is_at_work and float(up @ pose.axis) < -0.25


def _height_mm(pose: ToolPose, cam_from_bench: FloatArray, board_top_mm: float) -> float:
    """Of a pose's outlet over the board."""
    return float(cam_from_bench[:3, 2] @ (pose.tip_mm - cam_from_bench[:3, 3])) - board_top_mm
