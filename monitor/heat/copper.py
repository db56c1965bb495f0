"""What a board and a part have beyond plain layers: slots, plated holes, a pad of solid copper, leads."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from monitor.heat import material
from monitor.heat.board import BoardModel
from monitor.heat.types import BoardSetup, PartSetup

__all__ = ["cut_out", "lay_leads", "lay_pad"]

FloatArray = NDArray[np.float64]

LEAD_SHARE = 0.07  # of the ring's area that is lead metal going up: half the pitch, 0.15 mm of 1 mm; arithmetic
LEAD_W_MK = 200.0  # copper alloys for lead frames, 150 to 350; handbooks, from memory
CLOSED_M2K_W = 1e6  # resistance laid over a column that is no board


def cut_out(model: BoardModel, holes: list[shapely.Polygon]) -> NDArray[np.bool_]:
    """Break the board's links across slots and cut-outs, in the grid's frame; returns the columns that are no board.

    A slot narrower than a column blocks the share of the face between two columns that it crosses.
    """
    shape, gone = model.shape, np.zeros((model.y_m.size, model.x_m.size), dtype=bool)
    x, y = model.x_edges_m, model.y_edges_m
    columns = shapely.box(x[None, :-1], y[:-1, None], x[None, 1:], y[1:, None])
    faces_x = shapely.box(model.x_m[None, :-1], y[:-1, None], model.x_m[None, 1:], y[1:, None])
    faces_y = shapely.box(x[None, :-1], model.y_m[:-1, None], x[None, 1:], model.y_m[1:, None])
    for hole in holes:
        gone |= shapely.area(shapely.intersection(columns, hole)) > 0.5 * model.area_m2
        shape.link_x[:, :-1] *= 1 - _blocked(faces_x, hole, 1) / shape.dy_m[:, None]
        shape.link_y[:-1] *= 1 - _blocked(faces_y, hole, 0) / shape.dx_m[None, :]
    shape.link_x[:, :-1][gone[:, 1:] | gone[:, :-1]] = 0.0
    shape.link_y[:-1][gone[1:] | gone[:-1]] = 0.0
    exchange = model.exchange
    exchange.cover_m2k_w[gone] = CLOSED_M2K_W
    for field in (exchange.bottom_share, exchange.bottom_fixed_w_m2k, exchange.touch_w_m2k):
        field[gone] = 0.0
    return gone


def lay_pad(model: BoardModel, share: FloatArray, part: PartSetup, board: BoardSetup) -> None:
    """Plated holes and solid copper under the part.

    share: of each column that the pad covers. The holes join every layer; the pad fills what the top layer leaves open.
    """
    layers = material.board_layers(board)
    if part.vias:
        one = material.via_conductance_w_k(part.via_drill_m, part.via_barrel_m, board.thickness_m)
        area = float((share * model.area_m2).sum())
        model.shape.via_w_mk[:] += share * part.vias * one * board.thickness_m / area
    thickness, cover = layers[0]
    plain = material.stack_in_plane_w_mk(board.thickness_m, layers) * board.thickness_m
    gain = 1 + share * (material.COPPER_W_MK - material.foil_w_mk(cover)) * thickness / plain
    model.shape.link_x[:, :-1] *= 2 / (1 / gain[:, 1:] + 1 / gain[:, :-1])
    model.shape.link_y[:-1] *= 2 / (1 / gain[1:] + 1 / gain[:-1])


def lay_leads(model: BoardModel, share: FloatArray) -> None:
    """Leads around a part's body, which carry heat between the air over them and the joints.

    share: of each column that lies in the ring of leads. The ring keeps the mould's heat capacity, which is too much.
    """
    model.shape.lead_w_mk[:] += share * LEAD_SHARE * LEAD_W_MK


def _blocked(faces: FloatArray, hole: shapely.Polygon, axis: int) -> FloatArray:
    """Length of each face, along one axis, that a hole crosses [m]."""
    bounds = shapely.bounds(shapely.intersection(faces, hole))
    return np.nan_to_num(bounds[..., 2 + axis] - bounds[..., axis])
