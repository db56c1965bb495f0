"""How much of a coarse outline of the tool lies on new edges of a picture that run alike: what a search is led by,
compiled.
"""

from __future__ import annotations

import numpy as np

from vision.camera.lens import lens_of, pixel
from vision.camera.model import CameraModel
from vision.compiled import njit
from vision.nozzle.body import NozzleBody, ToolPose, axis_frame
from vision.nozzle.silhouette import body_arrays, trace, trace_inputs
from vision.track.novelty import ANGLES, HALF, NewEdges
from vision.types import FloatArray

__all__ = ["ALIKE_PX", "CLOSE_PX", "SIGHT_STEP_MM", "direction_of", "reward", "shares", "sweep_poses", "sweep_tube",
           "visible_reward"]

ALIKE_PX, CLOSE_PX = 6.0, 3.0  # an edge this near speaks for an outline, at first and of settled poses
SIGHT_STEP_MM = 3.0  # distance of the places on the visible outline of a pose
_STEP_MM = 4.0  # distance of the places on an outline where edges are looked for
_TAN_15 = np.tan(np.pi / 12)


def visible_reward(camera: CameraModel, body: NozzleBody, edges: NewEdges, pose: ToolPose) -> float:
    """As `reward`, but of what of the outline no other part of the tool hides."""
    return _on_visible(trace(*trace_inputs(camera, body, pose, SIGHT_STEP_MM)), np.append(shares(body), 2.0),
                       edges.distance_px)


@njit(cache=True, nogil=True)
def _on_visible(traced, share, fields):
    """The share of the rim, which is part -1, comes last."""
    _, px, normal_px, _, labels, values, _ = traced
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


def reward(camera: CameraModel, body: NozzleBody, edges: NewEdges, tips, axes, sideways,
           alike_px: float = ALIKE_PX) -> FloatArray:
    """How much of each pose's outline lies on new edges that run alike [mm, weighted]."""
    slices, kinds = body_arrays(body)
    after = np.cos(body.bend_rad) * -axes + np.sin(body.bend_rad) * sideways
    return sweep_poses(slices, kinds, shares(body), tips, axes, after, body.bend_at_mm, lens_of(camera),
                       edges.distance_px, alike_px)


@njit(cache=True, nogil=True)
def _on_edges(x0, y0, x1, y1, count, fields, alike_px):
    """Length of a line in the picture that lies on edges that run alike, judged at count places [px]."""
    _, h, w = fields.shape
    dx, dy = x1 - x0, y1 - y0
    turn = direction_of(-dy, dx)
    length = np.sqrt(dx * dx + dy * dy)
    share = 0.0
    for k in range(count):
        x = int((x0 + dx * (k + 0.5) / count) / HALF)
        y = int((y0 + dy * (k + 0.5) / count) / HALF)
        if 1 <= x < w - 1 and 1 <= y < h - 1:
            near = fields[turn, y, x] / alike_px
            if near < 1.0:
                share += (1.0 - near * near) / count
    return share * length


@njit(cache=True, nogil=True)
def direction_of(x, y):
    """Number of the direction of `NewEdges` next to that of a normal; the same for its opposite."""
    if y < 0.0:
        x, y = -x, -y
    wide = abs(x)
    # of 30 degrees from the first
    steps = 0 if y < _TAN_15 * wide else 1 if y < wide else 2 if _TAN_15 * y < wide else 3
    return steps if x >= 0.0 or steps == 0 else ANGLES - steps


@njit(cache=True, nogil=True)
def sweep_tube(tube, tips, axes, lens, fields):
    """Length of the tube's two long edges that lies on edges that run alike [mm], shape (places, directions)."""
    out = np.zeros((len(tips), len(axes)))
    for j in range(len(axes)):
        a, b = axis_frame(-axes[j])
        for i in range(len(tips)):
            out[i, j] = _long_edges(tube, tips[i], -axes[j], a, b, lens, fields, ALIKE_PX) * tips[i, 2] / lens[0]
    return out


@njit(cache=True, nogil=True)
def _long_edges(piece, origin, u, a, b, lens, fields, alike_px):
    """Length of a slice's two long edges that lies on edges that run alike [px]."""
    start, end, r0, r1 = piece
    (cm, sm), (ch, sh) = _limbs(piece, origin, u, a, b)
    count = max(2, int((end - start) / _STEP_MM))
    on_edges = 0.0
    for side in (-1, 1):
        c, s = cm * ch - side * sm * sh, sm * ch + side * cm * sh
        x0, y0 = _on_circle(origin, u, a, b, start, r0, c, s, lens)
        x1, y1 = _on_circle(origin, u, a, b, end, r1, c, s, lens)
        on_edges += _on_edges(x0, y0, x1, y1, count, fields, alike_px)
    return on_edges


@njit(cache=True, nogil=True)
def _limbs(piece, origin, u, a, b):
    """Cosine and sine of the angle towards the camera's axis, and of half the angle between a slice's two long
    edges.
    """
    start, end, r0, r1 = piece
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
def _on_circle(origin, u, a, b, s, r, cosine, sine, lens):
    """Picture point on a slice's circle at distance s along its axis."""
    ra, rb = r * cosine, r * sine
    return pixel(origin[0] + s * u[0] + ra * a[0] + rb * b[0], origin[1] + s * u[1] + ra * a[1] + rb * b[1],
                 origin[2] + s * u[2] + ra * a[2] + rb * b[2], lens)


@njit(cache=True, nogil=True)
def sweep_poses(slices, kinds, share, tips, axes, after, bend_at, lens, fields, alike_px):
    """Reward of each pose: long edges, and the front rim of each slice as far as it bounds the slice's picture.

    Lengths are those in the picture, as millimetres at the outlet: what is foreshortened proves little.
    """
    out = np.zeros(len(tips))
    for i in range(len(tips)):
        bent_origin = tips[i] - bend_at * (axes[i] + after[i])
        frame, bent_frame = axis_frame(-axes[i]), axis_frame(after[i])
        for s in range(len(slices)):
            is_after = kinds[s, 0] == 1
            u, origin, (a, b) = (after[i], bent_origin, bent_frame) if is_after else (-axes[i], tips[i], frame)
            met = _long_edges(slices[s], origin, u, a, b, lens, fields, alike_px)
            start, _, r0, _ = slices[s]
            if s == 0 or r0 > slices[s - 1, 3]:
                met += _front_rim(slices[s], origin, u, a, b, lens, fields, alike_px)
            out[i] += share[s] * met * tips[i, 2] / lens[0]
    return out


@njit(cache=True, nogil=True)
def _front_rim(piece, origin, u, a, b, lens, fields, alike_px):
    """Length of a slice's front rim, where it bounds the slice's picture, that lies on edges that run alike [px]."""
    start, _, r0, _ = piece
    (cm, sm), (ch, sh) = _limbs(piece, origin, u, a, b)
    middle, half, depth = np.arctan2(sm, cm), np.arctan2(sh, ch), 0.0
    for k in range(3):
        depth += u[k] * (origin[k] + start * u[k])
    first, last = (middle - half, middle + half) if depth > 0 else (middle + half, middle - half + 2 * np.pi)
    chords = min(max(int((last - first) * r0 / _STEP_MM), 3), 8)
    on_edges = 0.0
    c, s, ct, st = np.cos(first), np.sin(first), np.cos((last - first) / chords), np.sin((last - first) / chords)
    x0, y0 = _on_circle(origin, u, a, b, start, r0, c, s, lens)
    for k in range(chords):
        c, s = c * ct - s * st, s * ct + c * st
        x1, y1 = _on_circle(origin, u, a, b, start, r0, c, s, lens)
        on_edges += _on_edges(x0, y0, x1, y1, 1, fields, alike_px)
        x0, y0 = x1, y1
    return on_edges
