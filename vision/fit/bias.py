"""Where edges appear beside where the body's radii put them: groups of edges that share an offset, and what is known of
it.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numba.extending import register_jitable

from vision.nozzle.body import NozzleBody
from vision.nozzle.silhouette import STEP
from vision.types import FloatArray

__all__ = ["CHANGE_PX", "DEFAULT_BIAS", "LEAST_CUTS", "Biases", "EdgeBias", "edge_offsets", "group_key", "group_of",
           "n_groups", "side_of", "slope_variances", "travel_variances"]

LEAST_CUTS = 5  # of a group, from which on a picture tells where its edges appear [convention]
_SIDES = 4  # of a part, `Outline.side` from -1 to 2 [derived]


class EdgeBias(NamedTuple):
    """Where an edge appears, outward of where the body's radius would put it, and how far that can be trusted."""

    offset_px: float
    sigma_px: float


# by how much an offset changes with light and place, from picture to picture and along an edge from end to end, by
# whether it is lighter outside [px; scatter between touch photographs; along edges tests.benchmarks.slopes tells 0.10
# and 0.23]
CHANGE_PX = {True: 0.12, False: 0.35}

# by how much an edge lies elsewhere for each pixel that it travels while the shutter is open: metal is not as even as a
# step, and blur mixes more of it in [-; touch photographs blurred by 2 to 6 px across the tube, tests.benchmarks.smear]
TRAVEL_SHARE = {True: 0.07, False: 0.10}

# A limb in front of something lighter is seen where it is; in front of something darker a shiny one mirrors its
# surroundings and looks too narrow (measured on rendered clips; replaced by what the touch photographs say).
Biases = dict[tuple[str, bool], EdgeBias]  # by part and whether it is lighter outside
DEFAULT_BIAS: Biases = {
    ("tube", True): EdgeBias(-0.1, 0.25), ("tube", False): EdgeBias(-1.2, 0.8),
    ("cone", True): EdgeBias(-0.2, 0.3), ("cone", False): EdgeBias(-1.0, 0.8),
    ("collar", True): EdgeBias(-0.2, 0.3), ("collar", False): EdgeBias(-0.6, 0.8),
    ("handle", True): EdgeBias(-0.2, 0.15), ("handle", False): EdgeBias(-0.3, 0.5),
    ("rim", True): EdgeBias(-0.2, 0.4), ("rim", False): EdgeBias(-1.0, 1.0),
    ("step", True): EdgeBias(0.0, 0.6), ("step", False): EdgeBias(0.0, 0.6),
}


def edge_offsets(body: NozzleBody, bias: dict[tuple[str, bool], EdgeBias]) -> tuple[FloatArray, FloatArray]:
    """Offset (g,) [px] and its covariance (g, g) of every group, in the order of `group_of`; not to be written to."""
    return _edge_offsets(body, tuple(bias.items()))


@lru_cache(16)
def _edge_offsets(body: NozzleBody, bias: tuple[tuple[tuple[str, bool], EdgeBias], ...]) -> tuple[FloatArray,
                                                                                                  FloatArray]:
    keys, of = [group_key(body, g) for g in range(n_groups(body))], dict(bias)
    offset, sigma = (np.array([getattr(of[k], name) for k in keys]) for name in ("offset_px", "sigma_px"))
    return offset, np.diag(sigma**2)


@lru_cache
def slope_variances(body: NozzleBody) -> FloatArray:
    """Of each group, the variance with which its edges may seem turned or bowed, at the ends of their side [px^2],
    shape (g,)."""
    return np.array([CHANGE_PX[group_key(body, g)[1]] ** 2 for g in range(n_groups(body))])


@lru_cache
def travel_variances(body: NozzleBody) -> FloatArray:
    """Of each group, the variance with which its edges lie elsewhere for each pixel squared that they travel [-], shape
    (g,)."""
    return np.array([TRAVEL_SHARE[group_key(body, g)[1]] ** 2 for g in range(n_groups(body))])


@register_jitable
def side_of(part, side):
    """A number for each side of each part, -1 the outlet's rim; `side` as in `Outline`."""
    return _SIDES * (part + 1) + side + 1


def group_of(part, side, lighter):
    """Number of the edges of one side of a part, lighter outside or not; they share an offset."""
    return 2 * side_of(part, side) + lighter


def n_groups(body: NozzleBody) -> int:
    """How many groups a body has."""
    return 2 * _SIDES * (1 + len(body.frusta))


def group_key(body: NozzleBody, group: int) -> tuple[str, bool]:
    """Where a group's offset stands in a table like DEFAULT_BIAS."""
    part, side = divmod(group // 2, _SIDES)
    kind = "step" if side - 1 == STEP else "rim" if part == 0 else body.frusta[part - 1].kind
    return kind, bool(group % 2)
