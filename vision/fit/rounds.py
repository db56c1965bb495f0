"""The rounds of a fit, compiled in one piece: outline, cuts, edges, least squares, and again from the pose that this
gave.

One call, so that another thread need not wait for Python's lock between the steps of this one.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from vision.compiled import njit, put
from vision.edges.cuts import LINEAR, NO_TONE, is_inside, sample_along, to_opponent
from vision.edges.profiles import BLUR_PX, SAMPLING_PX, EdgeTables
from vision.edges.search import Cuts, Softness, Tolerance, edges_along
from vision.fit.bias import side_of
from vision.fit.least_squares import LEAST_GAIN, N_SHARED, Edges, Rows, Solved, solve_steps
from vision.nozzle.body import NozzleBody, PoseArrays, axis_frame, cross, roll_of, sideways_of
from vision.nozzle.silhouette import STEP, Placed, bent, body_arrays, coarseness, trace, turned_pose

__all__ = ["Tool", "Scene", "Sight", "Travel", "RoundArrays", "Found", "tool_of", "fit_rounds", "cut_through",
           "MARGIN_PX"]

# where there would be fewer cuts, of a tool that has hardly come in, they lie no further apart [trial]
_FINE_MM, _FEW_CUTS = 0.8, 40
MARGIN_PX = 4  # of the picture in which no cut has its middle [convention]
_MOST_BLUR_PX = 4.0  # as far as it is tabled [derived]
# edges nearer than that disturb each other; by how much at 3/8 of that [measured: on drawn edges]
_APART_PX, _CROWDED_PX = 6.0, 0.2
# sigma of an edge for where it lies between the pixels: so drawn ones scatter without any noise [measured: on drawn
# edges]
_READ_PX = 0.012
# sigma of an edge before metal, which is not as even as a known bench: drawn ones before a cone are off by so much
# [measured: on drawn edges]
_STEP_PX = 0.1
_MOST_LINES = 4  # of which a cut is the mean, for the time they take [convention]
# mean gain of a side below which a codec may have smeared it, and by how much [trial]
_FAINT_GAIN, _SMEAR_PX = 50.0, 1.6


class Tool(NamedTuple):
    """A body as `trace` takes it, how much more coarsely than the metal each slice is cut, and its bend."""

    slices: np.ndarray
    kinds: np.ndarray
    coarseness: np.ndarray
    bend_rad: float
    bend_at_mm: float


class Scene(NamedTuple):
    """A picture, what lies behind the tool, both as in `Picture`, and how far the two may differ."""

    image: np.ndarray
    background: np.ndarray
    known: np.ndarray
    gain: np.ndarray
    tolerance: Tolerance


class Sight(NamedTuple):
    """What a pose is fitted to: the tool, the camera's numbers as `CameraModel.lens` has them, and what it sees."""

    tool: Tool
    lens: np.ndarray
    scene: Scene


class Travel(NamedTuple):
    """How the tool moves while the camera takes the picture.

    Attributes
    ----------
    rates : array, shape (6,)
        Steps of `moved_pose` a second, as expected at the pose that is.
    faster : array, shape (6, 6)
        By how much the rates are other for each step from that pose [1 / s].
    open_s : float
        For which the shutter is open. The pose is that at the middle row's exposure.
    readout_s, readout_var : float
        From the first row's exposure to the last row's, and its variance [s^2].
    """

    rates: np.ndarray
    faster: np.ndarray
    open_s: float
    readout_s: float
    readout_var: float


class RoundArrays(NamedTuple):
    """The rounds of a fit, for compiled code.

    Attributes
    ----------
    spreads_px : array, shape (k,)
        How far edges may be from where they are expected, round by round.
    step_mm : float
        Distance of the cuts along the outline.
    is_exact : bool
        As in `Rounds`.
    tables : EdgeTables
        Of cuts that reach far enough.
    """

    spreads_px: np.ndarray
    step_mm: float
    is_exact: bool
    tables: EdgeTables


class Found(NamedTuple):
    """Where the rounds ended, with the edges of the last one: `rows` are those before its step."""

    pose: PoseArrays
    readout_s: float
    row_share: float
    rows: Rows
    edge_px: np.ndarray
    solved: Solved


class _Iterate(NamedTuple):
    """Where a round begins: the pose, how long rows are read, and where the round before saw the edges of each side,
    which is brought up to date."""

    pose: PoseArrays
    readout_s: float
    seen_px: np.ndarray


@lru_cache
def tool_of(body: NozzleBody) -> Tool:
    """The body's numbers."""
    return Tool(*body_arrays(body), coarseness(body), float(body.bend_rad), float(body.bend_at_mm))


@njit(cache=True, nogil=True)
def fit_rounds(sight, start, known, travel, rounds):
    """The pose that explains the edges near a start, and whether there were edges enough.

    Parameters
    ----------
    sight : Sight
    start : PoseArrays
    known : Known
    travel : Travel
        It blurs the edges that the tool crosses, and shifts rows that are read later.
    rounds : RoundArrays
    """
    here = _Iterate(start, travel.readout_s, np.zeros(len(known.offset_px) // 2))
    for i in range(len(rounds.spreads_px)):  # `_round` is called in one place, since it is compiled as a part of this
        found = _round(sight, here, known, travel, rounds, i)
        if len(found.solved.step) == 0:
            break
        here = _Iterate(found.pose, found.readout_s, here.seen_px)
    return found, len(found.solved.step) > 0


@njit(cache=True, nogil=True, inline="always")
def _round(sight, here, known, travel, rounds, i_round):
    """One round, from an iterate."""
    tool, scene, tables, (tip, axis, roll_rad) = sight.tool, sight.scene, rounds.tables, here.pose
    readout_s, seen_px, spread_px = here.readout_s, here.seen_px, rounds.spreads_px[i_round]
    is_last = i_round == len(rounds.spreads_px) - 1
    is_exact = rounds.is_exact and is_last
    after = bent(-axis, sideways_of(axis, roll_rad), tool.bend_rad)
    placed = Placed(tool.slices, tool.kinds, tip, -axis, after, tool.bend_at_mm)
    for far_mm in (rounds.step_mm * (1.0 if is_last else 2.0), _FINE_MM):
        _, px, normal_px, _, labels, values, jacobian = trace(placed, sight.lens, far_mm * tool.coarseness)
        inside = is_inside(px, scene.known.shape, MARGIN_PX)
        if inside.sum() >= _FEW_CUTS or far_mm <= _FINE_MM:
            break
    lines, bend = np.ones(len(px), np.int64), np.zeros(len(px))
    if is_exact:
        _along(px, normal_px, labels, lines, bend)
    px, normal_px, labels = px[inside], normal_px[inside], labels[inside]
    lines, bend = lines[inside], bend[inside]
    n = len(px)
    own = np.ascontiguousarray(jacobian[inside])
    jacobian, expected = np.empty((n, N_SHARED)), np.empty(N_SHARED)
    put(_steps_to(here.pose, known.pose), expected[:6])
    expected[6] = travel.readout_s - readout_s
    rates = travel.rates - travel.faster @ expected[:6]
    sides, middle_px, blur, travel_px = np.empty(n, np.int64), np.empty(n), np.empty(n), np.empty(n)
    share = (px[:, 1] + 0.5) / scene.known.shape[0] - 0.5
    own_share = share.mean() if n else 0.0
    length_mm, along = values[:, 1][inside], values[:, 2][inside]
    for i in range(n):
        sides[i] = side_of(labels[i, 0], labels[i, 1])
        middle_px[i] = seen_px[sides[i]]
        speed_px_s = own[i, 0] * rates[0] + own[i, 1] * rates[1] + own[i, 2] * rates[2]
        travel_px[i] = abs(speed_px_s) * travel.open_s
        speed_px_s += own[i, 3] * rates[3] + own[i, 4] * rates[4] + own[i, 5] * rates[5]
        put(own[i], jacobian[i, :6])
        jacobian[i, 6] = (share[i] - own_share) * speed_px_s
        for k in range(2):
            px[i, k] += (middle_px[i] + readout_s * share[i] * speed_px_s) * normal_px[i, k]
        blur[i] = min(math.hypot(BLUR_PX, travel_px[i] / math.sqrt(12.0)), _MOST_BLUR_PX)
    design, with_pose = jacobian.copy(), own @ travel.faster
    for i in range(n):
        for k in range(6):
            design[i, k] += readout_s * share[i] * with_pose[i, k]
    light, back = cut_through(scene, px, normal_px, labels[:, 1] == STEP, lines, tables.offsets_px)
    cuts = Cuts(light, back, lines, sides, len(seen_px), is_exact)
    seen = edges_along(cuts, Softness(blur, travel_px), spread_px, scene.tolerance, tables)
    if is_last:
        _find_soft_edges(cuts, blur, spread_px, scene.tolerance, tables, seen)
    for i in range(n):
        # a curved edge, blurred or read along its tangent, seems to lie further to the inside of its bend
        spread2 = blur[i] ** 2 + SAMPLING_PX ** 2 + (lines[i] ** 2 - 1) / 12.0
        seen.offset_px[i] += middle_px[i] + 0.5 * bend[i] * spread2
    offset, label = seen.offset_px, 2 * sides + seen.lighter
    crowding_px = _crowding_px(px, normal_px, labels) if is_exact else np.zeros(n)
    edges = Edges(design, along, label, length_mm, offset, seen.sigma_px, seen.gain, crowding_px, travel_px)
    rows = Rows(design, jacobian, along, label)
    solved = solve_steps(edges, known, expected, tip, spread_px, is_exact)
    if len(solved.step) == 0:
        return Found(here.pose, readout_s, own_share, rows, offset, solved)
    if known.is_free:
        _keep_offsets(label, solved, seen_px)
    new_axis, sideways = turned_pose(axis, roll_rad, solved.step)
    for i in range(n):
        for k in range(6):
            offset[i] -= design[i, k] * solved.step[k]
        offset[i] -= design[i, 6] * solved.later_s
    pose = PoseArrays(tip + solved.step[:3], new_axis, roll_of(new_axis, sideways))
    return Found(pose, readout_s + solved.later_s, own_share, rows, offset, solved)


@njit(cache=True, nogil=True)
def _along(px, normal_px, labels, lines, bend):
    """How many lines a pixel apart fill the way from each point of an edge to the next, and how the edge bends [1 /
    px], outwards above 0; in place."""
    for i in range(len(px)):
        before, after = max(i - 1, 0), min(i + 1, len(px) - 1)
        before = before if (labels[before, :2] == labels[i, :2]).all() else i
        after = after if (labels[after, :2] == labels[i, :2]).all() else i
        if before == after:
            continue
        dx, dy = px[after, 0] - px[before, 0], px[after, 1] - px[before, 1]
        far = math.hypot(dx, dy)
        lines[i] = min(max(int(far / (after - before) + 0.5), 1), _MOST_LINES)
        bend[i] = ((normal_px[after, 0] - normal_px[before, 0]) * dx + (normal_px[after, 1] - normal_px[before, 1])
                   * dy) / far ** 2


@njit(cache=True, nogil=True)
def _crowding_px(px, normal_px, labels):
    """Sigma by which each point's edge may be off because blur mixes it with that of another part or side near by, and
    a cut runs into it; where the two go on in one direction there is nothing to mix."""
    n = len(px)
    out = np.empty(n)
    for i in range(n):
        out[i] = _STEP_PX if labels[i, 1] == STEP else _READ_PX
    for i in range(n):
        for j in range(i + 1, n):
            if labels[i, 0] != labels[j, 0] or labels[i, 1] != labels[j, 1]:
                far = abs(px[i, 0] - px[j, 0]) + abs(px[i, 1] - px[j, 1])
                if far < 1.5 * _APART_PX:
                    far = math.hypot(px[i, 0] - px[j, 0], px[i, 1] - px[j, 1])
                    kink = abs(normal_px[i, 0] * normal_px[j, 1] - normal_px[i, 1] * normal_px[j, 0])
                    if normal_px[i, 0] * normal_px[j, 0] + normal_px[i, 1] * normal_px[j, 1] < 0:
                        kink = 1.0
                    near = min(_APART_PX / max(far, 0.1), 10.0)
                    crowded = _CROWDED_PX * kink * max(1.0 - 1.0 / near, 0.0) ** 2 * near
                    out[i], out[j] = max(out[i], crowded), max(out[j], crowded)
    return out


@njit(cache=True, nogil=True)
def cut_through(scene, px, normal_px, is_flat, lines, offsets_px):
    """Cuts through the picture and through the bench behind it, each (n, 3, m), linear light as `to_opponent` gives it.

    Where the scene behind is not known, or is metal, the outer end of the cut stands for it.
    """
    cuts = to_opponent(sample_along(scene.image, LINEAR, px, normal_px, offsets_px, lines), scene.tolerance.noise)
    back = sample_along(scene.background, NO_TONE, px, normal_px, offsets_px, lines)
    h, w = scene.known.shape
    n, channels, m = cuts.shape
    for i in range(n):
        for j in range(m):
            lit = scene.gain[min(max(round(px[i, 1] + offsets_px[j] * normal_px[i, 1]), 0), h - 1)]
            for c in range(channels):
                back[i, c, j] *= lit
    back = to_opponent(back, scene.tolerance.noise)
    reach = offsets_px[-1]
    for i in range(n):
        flat = is_flat[i]
        for k in range(3):
            x = round(px[i, 0] + 0.5 * k * reach * normal_px[i, 0])
            y = round(px[i, 1] + 0.5 * k * reach * normal_px[i, 1])
            flat = flat or scene.known[min(max(y, 0), h - 1), min(max(x, 0), w - 1)] == 0
        if flat:
            for c in range(channels):
                back[i, c] = cuts[i, c, m - (m + 3) // 4:].mean()
    return cuts, back


@njit(cache=True, nogil=True, inline="always")
def _find_soft_edges(cuts, blur_px, spread_px, tolerance, tables, seen):
    """Sides that hardly stand out may have been smeared by a codec: of each, the edges, sharp or softer, that explain
    more of the picture, in place."""
    sides = cuts.sides
    gained, count = np.zeros(cuts.n_sides), np.zeros(cuts.n_sides)
    for i in range(len(sides)):
        if seen.gain[i] > LEAST_GAIN:
            gained[sides[i]] += seen.gain[i]
            count[sides[i]] += 1
    faint = ((gained < _FAINT_GAIN * count) & (count > 0))[sides]
    if not faint.any():
        return
    at = np.flatnonzero(faint)
    smeared = np.empty(len(at))
    for j in range(len(at)):
        smeared[j] = math.hypot(blur_px[at[j]], _SMEAR_PX)
    some = Cuts(cuts.light[at], cuts.background[at], cuts.lines[at], sides[at], cuts.n_sides, cuts.shares_ramps)
    soft = edges_along(some, Softness(smeared, np.zeros(len(at))), spread_px, tolerance, tables)
    soft_gained = np.zeros(cuts.n_sides)
    for j in range(len(at)):
        soft_gained[sides[at[j]]] += soft.gain[j] if soft.gain[j] > LEAST_GAIN else 0.0
    for j in range(len(at)):
        i = at[j]
        if soft_gained[sides[i]] > gained[sides[i]]:
            seen.offset_px[i], seen.sigma_px[i] = soft.offset_px[j], soft.sigma_px[j]
            seen.gain[i], seen.lighter[i] = soft.gain[j], soft.lighter[j]


@njit(cache=True, nogil=True)
def _keep_offsets(label, solved, seen_px):
    """The offset at which most of the edges of each side were seen [px], in place; 0 where none was."""
    count, offset_px = np.zeros(2 * len(seen_px)), np.zeros(2 * len(seen_px))
    for i in range(len(label)):
        count[label[i]] += solved.good[i]
    for k in range(len(solved.groups)):
        offset_px[solved.groups[k]] = solved.offset_px[k]
    for s in range(len(seen_px)):
        darker, lighter = count[2 * s], count[2 * s + 1]
        seen_px[s] = 0.0 if darker + lighter == 0 else offset_px[2 * s + 1] if lighter >= darker else offset_px[2 * s]


@njit(cache=True, nogil=True)
def _steps_to(pose, goal):
    """The steps (6,) of `moved_pose` that lead from one pose to a near one, to first order."""
    axis = pose.axis
    a, b = axis_frame(axis)
    side, goal_side = sideways_of(axis, pose.roll_rad), sideways_of(goal.axis, goal.roll_rad)
    out = np.empty(6)
    for k in range(3):
        out[k] = goal.tip_mm[k] - pose.tip_mm[k]
    out[3], out[4] = (goal.axis * cross(a, axis)).sum(), (goal.axis * cross(b, axis)).sum()
    out[5] = math.atan2((goal_side * cross(axis, side)).sum(), (goal_side * side).sum())
    return out
