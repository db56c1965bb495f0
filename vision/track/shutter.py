"""How long a camera's shutter is open, told by how soft the edges of a tool are that moves before it."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from vision.camera.model import CameraModel
from vision.edges.cuts import CutGrid
from vision.edges.profiles import BLUR_PX, tables_of
from vision.edges.search import Softness, Tolerance, edges_along, lone_cuts, misfits_by_softness
from vision.fit.pose import Picture, Rounds, inside_picture, picture_cuts
from vision.nozzle.body import NozzleBody, ToolPose
from vision.nozzle.silhouette import STEP, outline
from vision.types import FloatArray

__all__ = ["Shutter", "is_telling"]

_TRIED_S = np.arange(13) / 240  # up to a whole frame at 20 a second [derived]
# what edges at rest may be blurred by [px]: a lens out of focus, demosaicing, a codec [convention]
_TRIED_REST_PX = np.array([0.5, 0.65, 0.8, 1.0, 1.25, 1.6])
_USUAL_S = 0.01  # of a camera that has not shown anything yet, and its sigma [convention]
_EVERY_S = 0.2  # between two pictures that are asked, for the time that takes [convention]
# of what earlier pictures said, from one to the next: a camera opens its shutter longer in less light [convention]
_KEEPS = 0.98
_MOST_ABOVE = 200.0  # chi-square: a picture at whose time the velocity was not known says no more [convention]


class _Telling(NamedTuple):
    """Edges that tell something [convention]: that some travel faster than the first, since slower ones are hardly
    softer than resting ones, and none as fast as the second [px/s]; that stand out by that chi-square, so near to where
    they are expected [px]; no fewer of them, and for the time that they take no more."""

    slow_px_s: float = 60.0
    fast_px_s: float = 450.0
    gain: float = 40.0
    near_px: float = 2.0
    least: int = 8
    most: int = 32


_TELLING = _Telling()


class Shutter:
    """For how long the shutter is open; learned from pictures in which the tool moves fast.

    A moving edge is as soft as the way that it went meanwhile. Each time that is tried explains the edges so badly, as
    a chi-square; what several pictures say adds up, and the parabola through the least and its neighbours has its least
    there. How soft edges at rest are is unknown beside it, and told by the slow ones.

    Attributes
    ----------
    open_s : float
        The likeliest time [s].
    """

    def __init__(self, camera: CameraModel, body: NozzleBody) -> None:
        self._camera, self._body = camera, body
        self._usual = ((_TRIED_S - _USUAL_S) / _USUAL_S) ** 2
        self._misfits = np.zeros((len(_TRIED_S), len(_TRIED_REST_PX)))
        self.open_s = _least_s(self._usual)
        self._t_s = -np.inf

    def see(self, t_s: float, picture: Picture, pose: ToolPose, velocity_mm_s: FloatArray, readout_s: float) -> None:
        """Learn from a picture in which the outlet moves with that velocity (3,), camera frame; `pose` has been fitted
        to it, with rows read within that time.
        """
        if t_s - self._t_s < _EVERY_S:
            return
        out = inside_picture(outline(self._camera, self._body, pose, step_mm=Rounds.step_mm), picture.image.shape)
        speed_px_s = out.jacobian[:, :3] @ velocity_mm_s
        late_s = readout_s * self._camera.row_share(out.px[:, 1])
        out = replace(out, px=out.px + (late_s * speed_px_s)[:, None] * out.normal_px)
        at = np.flatnonzero((out.side != STEP) & (np.abs(speed_px_s) < _TELLING.fast_px_s))
        if not is_telling(speed_px_s[at]):
            return
        at = at[::-(-len(at) // _TELLING.most)]
        out = out.at(at)
        grid = CutGrid(Rounds.reach_px)
        cuts, back = picture_cuts(picture, out, grid)
        speed_px_s = np.abs(speed_px_s[at])
        tables, travel_px = tables_of(grid), speed_px_s * self.open_s
        soft = Softness(np.hypot(BLUR_PX, travel_px / np.sqrt(12)), travel_px)
        tolerance = Tolerance(noise=picture.noise)
        offset_px, _, gain, _ = edges_along(lone_cuts(cuts, back), soft, _TELLING.near_px, tolerance, tables)
        clear = np.flatnonzero((gain > _TELLING.gain) & (np.abs(offset_px) < _TELLING.near_px))
        if len(clear) < _TELLING.least:
            return
        travels2_px2 = ((speed_px_s[clear, None, None] * _TRIED_S[:, None]) ** 2
                        + 12 * (_TRIED_REST_PX**2 - BLUR_PX**2))
        misfits = misfits_by_softness(lone_cuts(cuts[clear], back[clear]), offset_px[clear],
                                      travels2_px2.reshape(len(clear), -1), tolerance, tables).sum(0)
        above = (misfits - misfits.min()).reshape(self._misfits.shape)
        self._t_s, self._misfits = t_s, _KEEPS * self._misfits + np.minimum(above, _MOST_ABOVE)
        self.open_s = _least_s(self._usual + self._misfits.min(1))


def is_telling(speed_px_s: FloatArray) -> bool:
    """Whether enough edges, that move along their normals with these speeds (n,), tell for how long the shutter is
    open."""
    return bool(np.count_nonzero(_tells(speed_px_s)) >= _TELLING.least)


def _tells(speed_px_s: FloatArray) -> np.ndarray:
    """Which edges that move like that tell something."""
    size_px_s = np.abs(speed_px_s)
    return (size_px_s > _TELLING.slow_px_s) & (size_px_s < _TELLING.fast_px_s)


def _least_s(misfits: FloatArray) -> float:
    """The time that misfits the pictures least [s], from how badly each that is tried does."""
    k = int(np.clip(misfits.argmin(), 1, len(misfits) - 2))
    before, least, after = misfits[k - 1:k + 2]
    curve = before - 2 * least + after
    beyond = 0.5 * (before - after) / curve if curve > 0 else np.sign(before - after)
    return float(np.clip(_TRIED_S[k] + beyond * _TRIED_S[1], 0.0, _TRIED_S[-1]))
