"""How much of a coarse outline of the tool lies on new edges of a picture that run alike: what a search is led by,
compiled.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from vision.camera.lens import pixel
from vision.camera.model import CameraModel
from vision.compiled import njit
from vision.nozzle.body import NozzleBody, ToolPose, axis_frame
from vision.nozzle.silhouette import Poses, body_arrays, trace, trace_inputs
from vision.track.novelty import ALIKE_PX, ANGLES, CLOSE_PX, HALF, NewEdges
from vision.types import FloatArray

__all__ = ["SIGHT_STEP_MM", "CoarseTool", "EdgeView", "coarse_tool", "direction_of", "reward",
           "shares", "sweep_poses", "sweep_tube", "visible_reward"]

SIGHT_STEP_MM = 3.0  # distance of the places on the visible outline of a pose [convention]
_STEP_MM = 4.0  # distance of the places on an outline where edges are looked for [convention]


class CoarseTool(NamedTuple):
    """A body whose coarse outline is looked for.

    Attributes
    ----------
    slices, kinds : array, shape (k, 4), (k, 2)
        As `body_arrays` gives them.
    share : array, shape (k,)
        What a length of each slice's outline counts.
    bend_at_mm, bend_rad : float
    """

    slices: np.ndarray
    kinds: np.ndarray
    share: np.ndarray
    bend_at_mm: float
    bend_rad: float


class EdgeView(NamedTuple):
    """New edges as a camera sees them.

    Attributes
    ----------
    lens : array
        As `CameraModel.lens` has it.
    distance_px : array, shape (ANGLES, h, w)
        As in `NewEdges`.
    alike_px : float
        An edge this near speaks for an outline.
    """

    lens: np.ndarray
    distance_px: np.ndarray
    alike_px: float


class _Axis(NamedTuple):
    """A slice's axis: its point at distance 0 from the outlet, its direction, and two vectors that complete that to a
    right-handed frame, each (3,)."""

    origin: np.ndarray
    u: np.ndarray
    a: np.ndarray
    b: np.ndarray


def coarse_tool(body: NozzleBody) -> CoarseTool:
    """The body's numbers."""
    return CoarseTool(*body_arrays(body), shares(body), float(body.bend_at_mm), float(body.bend_rad))


def visible_reward(camera: CameraModel, body: NozzleBody, edges: NewEdges, pose: ToolPose) -> float:
    """As `reward`, but of what of the outline no other part of the tool hides."""
    return _on_visible(*trace_inputs(camera, body, pose, SIGHT_STEP_MM), np.append(shares(body), 2.0),
                       edges.distance_px)


@njit(cache=True, nogil=True)
def _on_visible(placed, lens, steps_mm, share, fields):
    """The share of the rim, which is part -1, comes last."""
    _, px, normal_px, _, labels, values, _ = trace(placed, lens, steps_mm)
    _, h, w = fields.shape
    on_edges = seen = 0.0
    for i in range(len(px)):
        x, y = int(px[i, 0] / HALF), int(px[i, 1] / HALF)
        if 1 <= x < w - 1 and 1 <= y < h - 1:
            length = share[labels[i, 0]] * values[i, 1]
            near = fields[direction_of(normal_px[i, 0], normal_px[i, 1]), y, x] / CLOSE_PX
            seen += length
            on_edges += length * max(1.0 - near * near, 0.0)
    return on_edges / max(np.sqrt(seen), 1.0)


def shares(body: NozzleBody) -> FloatArray:
    """What a length of each slice's outline counts."""
    return np.array([{"tube": 2.0, "handle": 0.5}.get(f.kind, 1.0) for f in body.frusta])


def reward(camera: CameraModel, body: NozzleBody, edges: NewEdges, poses: Poses,
           alike_px: float = ALIKE_PX) -> FloatArray:
    """How much of each pose's outline lies on new edges that run alike [mm, weighted], shape (n,)."""
    after = np.cos(body.bend_rad) * -poses.axes + np.sin(body.bend_rad) * poses.sideways
    return sweep_poses(coarse_tool(body), poses.tips, poses.axes, after,
                       EdgeView(camera.lens, edges.distance_px, alike_px))


@njit(cache=True, nogil=True)
def _on_edges(start, end, count, view):
    """Length of a line in the picture that lies on edges that run alike, judged at count places [px]."""
    fields, (x0, y0), (x1, y1) = view.distance_px, start, end
    _, h, w = fields.shape
    dx, dy = x1 - x0, y1 - y0
    turn = direction_of(-dy, dx)
    length = np.sqrt(dx * dx + dy * dy)
    share = 0.0
    for k in range(count):
        x = int((x0 + dx * (k + 0.5) / count) / HALF)
        y = int((y0 + dy * (k + 0.5) / count) / HALF)
        if 1 <= x < w - 1 and 1 <= y < h - 1:
            near = fields[turn, y, x] / view.alike_px
            if near < 1.0:
                share += (1.0 - near * near) / count
    return share * length


@njit(cache=True, nogil=True)
def direction_of(x, y):
    """Number of the direction of `NewEdges` next to that of a normal; the same for its opposite."""
    return round(np.arctan2(y, x) * ANGLES / np.pi) % ANGLES


@njit(cache=True, nogil=True)
def sweep_tube(tube, tips, axes, lens, fields):
    """Length of the tube's two long edges that lies on edges that run alike [mm], shape (places, directions)."""
    out, view = np.zeros((len(tips), len(axes))), EdgeView(lens, fields, ALIKE_PX)
    for j in range(len(axes)):
        a, b = axis_frame(-axes[j])
        for i in range(len(tips)):
            out[i, j] = _long_edges(tube, _Axis(tips[i], -axes[j], a, b), view) * tips[i, 2] / lens[0]
    return out


@njit(cache=True, nogil=True)
def _long_edges(piece, axis, view):
    """Length of a slice's two long edges that lies on edges that run alike [px]."""
    start, end, r0, r1 = piece
    (cm, sm), (ch, sh) = _limbs(piece, axis)
    count = max(2, int((end - start) / _STEP_MM))
    on_edges = 0.0
    for side in (-1, 1):
        c, s = cm * ch - side * sm * sh, sm * ch + side * cm * sh
        first, last = _on_circle(axis, start, r0, c, s, view.lens), _on_circle(axis, end, r1, c, s, view.lens)
        on_edges += _on_edges(first, last, count, view)
    return on_edges


@njit(cache=True, nogil=True)
def _limbs(piece, axis):
    """Cosine and sine of the angle towards the camera's axis, and of half the angle between a slice's two long
    edges.
    """
    (start, end, r0, r1), (origin, u, a, b) = piece, axis
    slope = (r1 - r0) / (end - start)
    ca, cb, along = 0.0, 0.0, 0.0
    for k in range(3):
        ca += origin[k] * a[k]
        cb += origin[k] * b[k]
        along += origin[k] * u[k]
    rho = max(np.sqrt(ca * ca + cb * cb), 1e-9)
    # at the ends the slice is seen end on: its edges meet
    c = min(max((slope * (along + start) - r0) / rho, -1.0), 1.0)
    return (ca / rho, cb / rho), (c, np.sqrt(1.0 - c * c))


@njit(cache=True, nogil=True)
def _on_circle(axis, s, r, cosine, sine, lens):
    """Picture point on a slice's circle at distance s along its axis."""
    origin, u, a, b = axis
    ra, rb = r * cosine, r * sine
    return pixel(origin[0] + s * u[0] + ra * a[0] + rb * b[0], origin[1] + s * u[1] + ra * a[1] + rb * b[1],
                 origin[2] + s * u[2] + ra * a[2] + rb * b[2], lens)


@njit(cache=True, nogil=True)
def sweep_poses(tool, tips, axes, after, view):
    """Reward of each pose: long edges, and the front rim of each slice as far as it bounds the slice's picture.

    Lengths are those in the picture, as millimetres at the outlet: what is foreshortened proves little.

    Parameters
    ----------
    tool : CoarseTool
    tips, axes, after : array, shape (n, 3)
        Outlets, jet directions, and directions up the handle.
    view : EdgeView
    """
    out, slices = np.zeros(len(tips)), tool.slices
    for i in range(len(tips)):
        bent_origin = tips[i] - tool.bend_at_mm * (axes[i] + after[i])
        frame, bent_frame = axis_frame(-axes[i]), axis_frame(after[i])
        for s in range(len(slices)):
            is_after = tool.kinds[s, 0] == 1
            u, origin, (a, b) = (after[i], bent_origin, bent_frame) if is_after else (-axes[i], tips[i], frame)
            axis = _Axis(origin, u, a, b)
            met = _long_edges(slices[s], axis, view)
            start, _, r0, _ = slices[s]
            if s == 0 or r0 > slices[s - 1, 3]:
                met += _front_rim(slices[s], axis, view)
            out[i] += tool.share[s] * met * tips[i, 2] / view.lens[0]
    return out


@njit(cache=True, nogil=True)
def _front_rim(piece, axis, view):
    """Length of a slice's front rim, where it bounds the slice's picture, that lies on edges that run alike [px]."""
    start, _, r0, _ = piece
    (cm, sm), (ch, sh) = _limbs(piece, axis)
    middle, half, depth = np.arctan2(sm, cm), np.arctan2(sh, ch), 0.0
    for k in range(3):
        depth += axis.u[k] * (axis.origin[k] + start * axis.u[k])
    first, last = (middle - half, middle + half) if depth > 0 else (middle + half, middle - half + 2 * np.pi)
    chords = min(max(int((last - first) * r0 / _STEP_MM), 3), 8)
    on_edges = 0.0
    c, s, ct, st = np.cos(first), np.sin(first), np.cos((last - first) / chords), np.sin((last - first) / chords)
    before = _on_circle(axis, start, r0, c, s, view.lens)
    for k in range(chords):
        c, s = c * ct - s * st, s * ct + c * st
        after = _on_circle(axis, start, r0, c, s, view.lens)
        on_edges += _on_edges(before, after, 1, view)
        before = after
    return on_edges
