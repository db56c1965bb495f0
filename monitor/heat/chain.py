"""From station to joint in one step: the jet's laws put onto the board model, for many members at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from monitor.errors import InputError
from monitor.heat import air, jet, material
from monitor.heat.alloy import find_alloy, joint_alloy, mixing_warning
from monitor.heat.board import BoardModel, Footprint, Losses, Part, Slab
from monitor.heat.copper import cut_out, lay_leads, lay_pad
from monitor.heat.grid import graded_edges, overlap_share
from monitor.heat.part import (
    body_half_m,
    joint_heat_j_m3k,
    joint_latent_j_m2,
    package_heat_j_m3k,
    package_kind,
    part_shape,
)
from monitor.heat.protect import Body, apply_protection
from monitor.heat.readout import highest, readout, weighted, weighted_product
from monitor.heat.settle import settle
from monitor.heat.types import HeatSetup, Point, Protection, StationSetup
from monitor.heat.uncertainty import Parameters

__all__ = ["Blow", "Chain", "Fineness", "Sites", "outlet", "part_edges", "strength"]

FloatArray = NDArray[np.float64]

UNKNOWN_MARGIN_M = 0.045  # board assumed to reach this far beyond every region: about two decay lengths
NEIGHBOUR_J_M3K, NEIGHBOUR_W_MK = 1.9e6, 1.0  # a neighbour's own body, moulded part; practice, no source
MAX_ALIGNED_RAD = np.radians(10.0)


@dataclass(frozen=True)
class Fineness:
    """Cells of the live grid; smaller cell sizes for a reference."""

    part_cells: float = 16.0  # the part's size over the cell at its edge
    smallest_m: float = 0.1e-3
    coarsest_m: float = 4e-3
    neighbour_m: float = 1.5e-3
    growth: float = 0.45
    board_levels: int = 6
    package_levels: int = 4
    shrink: float = 1.4  # of the levels towards the top


class Blow(NamedTuple):
    """The jet at one moment; every field a scalar or one value per member. aim in the bench frame.

    duty, rise and width multiply the film coefficient, the arrival's rise over ambient and its radius.
    """

    setpoint_c: ArrayLike
    airflow_m3_s: ArrayLike
    height_m: ArrayLike
    aim_x_m: ArrayLike
    aim_y_m: ArrayLike
    tilt_rad: float = 0.0
    azimuth_rad: float = 0.0
    duty: ArrayLike = 1.0
    rise: ArrayLike = 1.0
    width: ArrayLike = 1.0


class Sites(NamedTuple):
    """Temperatures per site, each shape (members,) [C]; neighbours (n, members)."""

    package_top: FloatArray
    joint_centre: FloatArray
    joint_corner: FloatArray
    board_top: FloatArray
    underside: FloatArray
    neighbours: FloatArray


class Chain:
    """A job's board, part, protections and jet, with one set of parameters per member."""

    def __init__(self, setup: HeatSetup, values: Parameters, fineness: Fineness | None = None,
                 start_of: Chain | None = None) -> None:
        """start_of: a chain of the same setup and grid whose members these repeat; its start is taken over."""
        self._is_balanced = start_of is None
        self.setup, self.values = setup, values
        self.n_members = values.decay.size
        self.shape = part_shape(setup.part)
        self.alloy = joint_alloy(setup.part.alloy, setup.part.alloy_before)
        self.notes: tuple[str, ...] = _mixing(setup)
        self._place_board()
        self.model, self._bodies = self._build(fineness or Fineness())
        grid = (self.model.y_m.size, self.model.x_m.size, self.n_members)
        self._film, self._arrival = np.zeros(grid), np.full(grid, setup.station.ambient_c)
        self._cool = self._film.copy()
        regions = [setup.part.region, *setup.neighbours]
        shares = [self.model.covered.astype(float), *(self._share(r.polygon_m) for r in regions[1:])]
        self._regions = [_weights(share * self.model.area_m2) for share in shares]
        self._drawn_w = np.zeros((len(setup.neighbours), self.n_members))
        self._neighbour_c = self._face_c()
        self.energy_j = np.zeros((len(regions), self.n_members))
        self._exit: tuple[tuple[float, ...], jet.JetExit] | None = None
        if start_of is not None:
            for array, begun in zip(self._moving(), start_of.state(), strict=True):
                array[:] = np.tile(begun, array.shape[-1] // begun.shape[-1])
            self.model.begin()
        self.start_c = float(self.sites().joint_centre[0])

    def blow(self, blow: Blow, dt_s: float) -> jet.JetExit:
        """Advance by dt_s under a jet; returns the outlet's state."""
        exit_ = self._jet(blow)
        self._advance(self._film, self._arrival, dt_s)
        return exit_

    def aim(self, blow: Blow, places_m: Sequence[tuple[ArrayLike, ArrayLike]]) -> None:
        """Set the mean of a jet over several places for `keep`: a sweep that is fast beside the board's answer."""
        film, driven = np.zeros_like(self._film), np.zeros_like(self._film)
        exit_ = self._outlet(blow)
        felt, carried = strength(self.setup.station, self.values, exit_, blow), self._carried_w(exit_)
        for x, y in places_m:
            self._lay(blow._replace(aim_x_m=x, aim_y_m=y), felt, carried)
            jet.add_share(1 / len(places_m), self._film, self._arrival, film, driven)
        self._film[:] = film
        np.divide(driven, film, out=self._arrival, where=film > 0)

    def keep(self, dt_s: float) -> None:
        """Advance by dt_s under the jet that was set by `aim`."""
        self._advance(self._film, self._arrival, dt_s)

    def rest(self, dt_s: float) -> None:
        """Advance by dt_s without a jet."""
        self._advance(self._cool, self._arrival, dt_s)

    def power_w(self) -> FloatArray:
        """Heat into the target's package and each neighbour, (regions, members) [W].

        From the jet into what stands on the top; from the board into a part on the underside.
        """
        flux = self._flat(self.model.work.jet_w_m2)
        power = np.array([weighted(flux, cells, areas) for cells, areas in self._regions])
        below = [n for n, region in enumerate(self.setup.neighbours) if region.is_below]
        power[[n + 1 for n in below]] = self._drawn_w[below]
        return power

    def sites(self) -> Sites:
        """Temperatures now: hottest point of each face, coldest and central joint; of leads, coldest and mean."""
        work, joints = self.model.work, self.model.joint_c()
        nj, ni = joints.shape[:2]
        if self._leads.any():
            centre, coldest = joints[self._leads].mean(axis=0), joints[self._leads].min(axis=0)
        else:
            centre = joints[(nj - 1) // 2:nj // 2 + 1, (ni - 1) // 2:ni // 2 + 1].mean(axis=(0, 1))
            coldest = joints.min(axis=(0, 1))
        top, bottom = self._flat(work.top_c), self._flat(work.bottom_c)
        hottest = [np.maximum(read.hottest(bottom if region.is_below else top), lump) for region, read, lump
                   in zip(self.setup.neighbours, self._readouts, self._neighbour_c, strict=True)]
        return Sites(highest(top, self._body), centre, coldest, highest(top, self._bare), highest(bottom, self._board),
                     np.array(hottest).reshape(len(hottest), self.n_members))

    def state(self) -> tuple[FloatArray, ...]:
        """A copy of everything that changes in time."""
        return tuple(a.copy() for a in self._moving())

    def swap(self, state: tuple[FloatArray, ...]) -> tuple[FloatArray, ...]:
        """Go on from another state, without a copy; gives back the one that was."""
        before = tuple(self._moving())
        temp, top, bottom, liquid, jet_flux, touch_flux, lost, gained, touched, touch, *rest = state
        self.model.work = self.model.work._replace(
            temp_c=temp, top_c=top, bottom_c=bottom, liquid=liquid, jet_w_m2=jet_flux, touch_w_m2=touch_flux,
            lost_j=lost, gained_j=gained, touched_j=touched)
        self.model.exchange = self.model.exchange._replace(touch_c=touch)
        self._neighbour_c, self._drawn_w, self.energy_j, *bodies_c = rest
        for body, temp_c in zip(self._bodies, bodies_c, strict=True):
            body.temp_c = temp_c
        return before

    def to_grid(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Bench coordinates in the grid's frame [m]."""
        dx, dy = np.asarray(x_m) - self._origin[0], np.asarray(y_m) - self._origin[1]
        c, s = np.cos(self._angle), np.sin(self._angle)
        return c * dx + s * dy, -s * dx + c * dy

    @property
    def angle_rad(self) -> float:
        """Angle of the grid's x axis in the bench frame."""
        return self._angle

    @property
    def origin_m(self) -> Point:
        """The grid's origin in the bench frame."""
        return self._origin

    def _moving(self) -> list[FloatArray]:
        work = self.model.work
        return [work.temp_c, work.top_c, work.bottom_c, work.liquid, work.jet_w_m2, work.touch_w_m2, work.lost_j,
                work.gained_j, work.touched_j, self.model.exchange.touch_c, self._neighbour_c, self._drawn_w,
                self.energy_j, *(body.temp_c for body in self._bodies)]

    def _advance(self, film: FloatArray, arrival: FloatArray, dt_s: float) -> None:
        self.model.step(film, arrival, dt_s)
        for body in self._bodies:
            body.follow(self.model, dt_s, self.setup.station.ambient_c)
        self._follow_neighbours(film, arrival, dt_s)
        self.energy_j += dt_s * self.power_w()

    def _jet(self, blow: Blow) -> jet.JetExit:
        """Fill the film coefficient and arrival temperature of the grid; returns the outlet's state."""
        exit_ = self._outlet(blow)
        self._lay(blow, strength(self.setup.station, self.values, exit_, blow), self._carried_w(exit_))
        return exit_

    def _lay(self, blow: Blow, felt: jet.Strength, carried_w: FloatArray) -> None:
        """Put a jet of known strength where it is aimed at."""
        station, n = self.setup.station, self.n_members
        lean = blow.azimuth_rad - self._angle
        shift = min(0.02 * np.degrees(blow.tilt_rad), 0.5) * station.bore_m  # uphill, practice
        x, y = self.to_grid(np.broadcast_to(blow.aim_x_m, (n,)), np.broadcast_to(blow.aim_y_m, (n,)))
        at = jet.Impingement(x - shift * np.cos(lean), y - shift * np.sin(lean), np.full(n, np.cos(lean)),
                             np.full(n, np.sin(lean)), np.full(n, 1 / np.cos(blow.tilt_rad)))
        jet.spread_over(self.model.x_m, self.model.y_m, at, felt, station.bore_m, station.ambient_c, self._film,
                        self._arrival)
        jet.limit_film(self.model.shape.dx_m, self.model.shape.dy_m, self.model.work.top_c, carried_w, self._film,
                       self._arrival)

    def _carried_w(self, exit_: jet.JetExit) -> FloatArray:
        """What the air brings along above ambient [W]."""
        ambient_c = self.setup.station.ambient_c
        capacity = air.heat_capacity_j_kgk(0.5 * (exit_.temp_c + ambient_c))
        return exit_.mass_flow_kg_s * capacity * (exit_.temp_c - ambient_c)

    def _outlet(self, blow: Blow) -> jet.JetExit:
        """Outlet state, kept while setpoint and airflow stay."""
        station = self.setup.station
        key = (*np.ravel(blow.setpoint_c), *np.ravel(blow.airflow_m3_s))
        if self._exit is None or self._exit[0] != key:
            self._exit = key, outlet(station, self.values, blow.setpoint_c, blow.airflow_m3_s)
        return self._exit[1]

    def _follow_neighbours(self, film: FloatArray, arrival: FloatArray, dt_s: float) -> None:
        """Each neighbour's own body: tied to the face it stands on, and heated by the jet when that is the top."""
        work, film, arrival = self.model.work, self._flat(film), self._flat(arrival)
        for n, ((cells, areas), region) in enumerate(zip(self._regions[1:], self.setup.neighbours, strict=True)):
            if not cells.size:
                continue  # off the board: it stays as it was
            h, driven = np.zeros((2, self.n_members))
            if not region.is_below:
                h, driven = weighted_product(film, arrival, cells, areas / areas.sum())
            under = weighted(self._flat(work.bottom_c if region.is_below else work.top_c), cells, areas / areas.sum())
            tie = NEIGHBOUR_W_MK / max(region.height_m, 1e-4)
            rate = dt_s / (NEIGHBOUR_J_M3K * max(region.height_m, 1e-4))
            self._neighbour_c[n] = (self._neighbour_c[n] + rate * (driven + tie * under)) / (1 + rate * (h + tie))
            self._drawn_w[n] = tie * areas.sum() * (under - self._neighbour_c[n])

    def _face_c(self) -> FloatArray:
        """Mean temperature of the face that each neighbour stands on, (neighbours, members) [C]."""
        work = self.model.work
        rows = np.full((len(self.setup.neighbours), self.n_members), self.setup.station.ambient_c)
        for n, ((cells, areas), region) in enumerate(zip(self._regions[1:], self.setup.neighbours, strict=True)):
            if cells.size:
                face = work.bottom_c if region.is_below else work.top_c
                rows[n] = weighted(self._flat(face), cells, areas / areas.sum())
        return rows

    def _flat(self, face: FloatArray) -> FloatArray:
        """A face as (columns, members)."""
        return face.reshape(-1, self.n_members)

    def _place_board(self) -> None:
        """Choose the grid's frame and the board's outline in it."""
        board, shape = self.setup.board, self.shape
        if board.size_m is not None:
            self._angle = 0.0
            self._origin = board.outline_centre_m or shape.centre_m
            half = np.array(board.size_m) / 2
            self._outline = (-half, half)
            if abs(shape.angle_rad) > MAX_ALIGNED_RAD:
                turned = np.degrees(shape.angle_rad)
                self.notes += (f"the part is turned {turned:.0f} degrees against the board: "
                               "modelled as if it were not",)
        else:
            self._angle, self._origin = shape.angle_rad, shape.centre_m
            points = np.concatenate([np.array(r.polygon_m) for r in (self.setup.part.region, *self.setup.neighbours)])
            grid = np.array(self.to_grid(points[:, 0], points[:, 1]))
            self._outline = grid.min(axis=1) - UNKNOWN_MARGIN_M, grid.max(axis=1) + UNKNOWN_MARGIN_M
            size = 1e3 * (self._outline[1] - self._outline[0])
            self.notes += (f"board size not given: taken as {size[0]:.0f} x {size[1]:.0f} mm",)
        if not self.setup.board.layers:
            self.notes += ("copper layers not given: taken as 2 x 35 um at 20 and 80 %",)

    def _build(self, fine: Fineness) -> tuple[BoardModel, list[Body]]:
        setup, shape = self.setup, self.shape
        centre = np.array(self.to_grid(*shape.centre_m))
        half = np.array([shape.length_m, shape.width_m]) / 2
        low, high = centre - half, centre + half
        if (low < self._outline[0] - 1e-6).any() or (high > self._outline[1] + 1e-6).any():
            raise InputError(f"region {setup.part.region.name!r} reaches beyond the board's outline; "
                             "check the board's size and place")
        x_edges, y_edges = (self._axis(axis, low[axis], high[axis], fine) for axis in (0, 1))
        size = self._outline[1] - self._outline[0]
        length = max(float(size.prod() / (2 * size.sum())), 8e-3)
        losses = Losses((0.0, material.natural_convection(length, True), material.BOARD_EMISSIVITY),
                        (0.0, material.natural_convection(length, False), material.BOARD_EMISSIVITY), 10.0,
                        self.values.loss)
        model = BoardModel(
            x_edges, y_edges, self._board_slab(fine), self._part(Footprint(low[0], high[0], low[1], high[1]), fine),
            losses=losses, ambient_c=setup.station.ambient_c, start_c=setup.station.ambient_c,
            n_members=self.n_members)
        self.model = model
        return model, self._furnish(model, low, high)

    def _furnish(self, model: BoardModel, low: FloatArray, high: FloatArray) -> list[Body]:
        """Put neighbours, protections, slots and copper on the bare model, and bring it to its start."""
        setup = self.setup
        self._readouts = [readout(self._in_grid(r.polygon_m), model.x_m, model.y_m) for r in setup.neighbours]
        bodies = [body for p in setup.protections if (body := self._protect(p)) is not None]
        gone = cut_out(model, [self._in_grid(polygon) for polygon in setup.board.cutouts_m])
        self._bare, self._board = np.flatnonzero(~(model.covered | gone)), np.arange(gone.size)
        if (gone & model.covered).any():
            raise InputError(f"region {setup.part.region.name!r} lies over a cut-out of the board; check both outlines")
        if setup.part.pad_m is not None or setup.part.vias:
            pad = np.minimum(setup.part.pad_m or np.inf, high - low) / 2
            lay_pad(model, self._middle_share(low, high, pad), setup.part, setup.board)
        moulded = self._middle_share(low, high, np.array(body_half_m(setup.part.kind, self.shape)))
        s = model.shape
        self._leads = (moulded < 0.5)[s.ja:s.jb, s.ia:s.ib]
        self._body = np.flatnonzero(model.covered & (moulded >= 0.5))
        if self._leads.any():
            lay_leads(model, model.covered * (1 - moulded))
        for body in bodies:
            body.follow(model, 0.0, setup.station.ambient_c)
        faces = setup.board.start_faces_c()
        if faces is not None:
            model.set_faces(*faces)
        elif bodies and self._is_balanced:
            settle(model, bodies, setup.station.ambient_c)
        return bodies

    def _middle_share(self, low: FloatArray, high: FloatArray, half: FloatArray) -> FloatArray:
        """Share of each column that a rectangle of such half sides in the part's middle covers."""
        low, high = 0.5 * (low + high) - half, 0.5 * (low + high) + half
        x, y = self.model.x_edges_m, self.model.y_edges_m
        return np.outer(overlap_share(y, low[1], high[1]), overlap_share(x, low[0], high[0]))

    def _in_grid(self, polygon_m: tuple[Point, ...]) -> shapely.Polygon:
        points = np.array(polygon_m)
        return shapely.Polygon(np.stack(self.to_grid(points[:, 0], points[:, 1]), axis=1))

    def _protect(self, protection: Protection) -> Body | None:
        whole = np.ones((self.model.y_m.size, self.model.x_m.size))
        share = whole if protection.polygon_m is None else self._share(protection.polygon_m)
        return apply_protection(self.model, protection, share, self.setup.station.ambient_c)

    def _axis(self, axis: int, low: float, high: float, fine: Fineness) -> FloatArray:
        """Cell edges along one axis of the grid."""
        spans = []
        for region in self.setup.neighbours:
            points = np.array(region.polygon_m)
            along = self.to_grid(points[:, 0], points[:, 1])[axis]
            spans.append((float(along.min()), float(along.max())))
        halves = [body_half_m(self.setup.part.kind, self.shape)[axis]]
        if self.setup.part.pad_m is not None:
            halves.append(self.setup.part.pad_m[axis] / 2)
        inner = [0.5 * (low + high) + sign * half for half in halves for sign in (-1, 1) if half < 0.499 * (high - low)]
        return part_edges(low, high, (self._outline[0][axis], self._outline[1][axis]), spans, fine, inner)

    def _board_slab(self, fine: Fineness) -> Slab:
        board = self.setup.board
        layers = material.board_layers(board)
        return Slab(board.thickness_m, fine.board_levels,
                    material.stack_in_plane_w_mk(board.thickness_m, layers) * self.values.board_k,
                    material.stack_through_w_mk(board.thickness_m, layers) * np.sqrt(self.values.board_k),
                    material.stack_heat_capacity_j_m3k(board.thickness_m, layers) * self.values.capacity,
                    shrink=fine.shrink)

    def _part(self, footprint: Footprint, fine: Fineness) -> Part:
        kind, shape = package_kind(self.setup.part.kind), self.shape
        heat = package_heat_j_m3k(kind, self.setup.part, shape)
        joint = Slab(kind.joint_m, 1, kind.joint_k_xy_w_mk, kind.joint_k_z_w_mk, joint_heat_j_m3k(kind))
        package = Slab(shape.height_m, fine.package_levels, kind.package_k_xy_w_mk, kind.package_k_z_w_mk,
                       heat * self.values.capacity, shrink=fine.shrink)
        return Part(joint, package, footprint, joint_latent_j_m2(kind, self.alloy),
                    (self.alloy.solidus_c, self.alloy.liquidus_c))

    def _share(self, polygon_m: tuple[Point, ...]) -> FloatArray:
        """Share of each column that a bench-frame polygon covers, shape (ny, nx)."""
        polygon = self._in_grid(polygon_m)
        x, y = self.model.x_edges_m, self.model.y_edges_m
        x1, y1, x2, y2 = polygon.bounds
        share = np.zeros(self.model.area_m2.shape)
        near = np.ix_((y[1:] > y1) & (y[:-1] < y2), (x[1:] > x1) & (x[:-1] < x2))
        j, i = near
        boxes = shapely.box(x[i], y[j], x[i + 1], y[j + 1])
        share[near] = shapely.area(shapely.intersection(boxes, polygon)) / self.model.area_m2[near]
        return share


def _weights(of: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """The columns where a weight is above zero, flat, and their weights."""
    cells = np.flatnonzero(of)
    return cells, of.ravel()[cells]


def outlet(station: StationSetup, values: Parameters, setpoint_c: ArrayLike, airflow_m3_s: ArrayLike) -> jet.JetExit:
    """The outlet's state of every member."""
    setpoint = np.broadcast_to(np.asarray(setpoint_c, float), values.decay.shape)
    airflow = np.asarray(airflow_m3_s, float) * values.airflow
    return jet.exit_state(setpoint, airflow, station.bore_m, ambient_c=station.ambient_c,
                          reference_c=station.airflow_reference_c,
                          exit_factor=values.outlet_factor(setpoint, airflow_m3_s, station))


def strength(station: StationSetup, values: Parameters, exit_: jet.JetExit, blow: Blow) -> jet.Strength:
    """What the board feels of a jet that leaves the outlet so."""
    path = np.broadcast_to(np.asarray(blow.height_m, float), values.decay.shape) / np.cos(blow.tilt_rad)
    d_eff = jet.effective_diameter_m(station.bore_m, exit_.temp_c, station.ambient_c)
    share = jet.decay_share(path, d_eff, values.decay_constant(exit_.reynolds))
    film, bend = jet.film_profile(exit_, station.bore_m, path)
    return jet.Strength(film * values.film_gain(exit_.reynolds) * np.asarray(blow.duty, float), bend,
                        share * (exit_.temp_c - station.ambient_c) * np.asarray(blow.rise, float),
                        jet.arrival_radius_m(station.bore_m, path, values.spread) * np.asarray(blow.width, float))


def part_edges(low_m: float, high_m: float, board_m: tuple[float, float], neighbours_m: list[tuple[float, float]],
               fine: Fineness, inner_m: Sequence[float] = ()) -> FloatArray:
    """Cell edges along one axis: finest at the part's ends, fine along the neighbours, growing between [m].

    inner_m: further places within the part where an edge must lie.
    """
    rim = max((high_m - low_m) / fine.part_cells, fine.smallest_m)
    wanted = [(low_m, low_m, rim), (high_m, high_m, rim), *((a, b, fine.neighbour_m) for a, b in neighbours_m)]
    fixed = [board_m[0], low_m, *inner_m, high_m, board_m[1]]
    return graded_edges(fixed, wanted, coarsest_m=fine.coarsest_m, growth=fine.growth)


def _mixing(setup: HeatSetup) -> tuple[str, ...]:
    """What to say about the solder that was on the pads before."""
    if setup.part.alloy_before is None:
        return ()
    told = mixing_warning(find_alloy(setup.part.alloy), find_alloy(setup.part.alloy_before))
    return () if told is None else (told,)
