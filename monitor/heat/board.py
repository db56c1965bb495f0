"""Transient conduction in a layered board with one part on it: builds the grid, steps it, reads it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.heat.kernel import Exchange, Jet, Layers, Shape, Work, advance

__all__ = ["BoardModel", "Footprint", "Losses", "Part", "Slab"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Slab:
    """One homogeneous layer, cut into n_cells through its thickness; scalars or one value per member.

    graded makes the cells at both faces about half as thick as those in the middle; shrink is the thickness of a cell
    over that of the one above it, for a layer that is heated from above.
    """

    thickness_m: float
    n_cells: int
    k_xy_w_mk: ArrayLike
    k_z_w_mk: ArrayLike
    heat_capacity_j_m3k: ArrayLike
    graded: bool = False
    shrink: float = 1.0


@dataclass(frozen=True)
class Footprint:
    """The rectangle that the part covers, in the grid's frame [m]; its sides must be cell edges."""

    x_from_m: float
    x_to_m: float
    y_from_m: float
    y_to_m: float


@dataclass(frozen=True)
class Part:
    """What stands on the board: its joints and its package as layers, where, and how the joints melt.

    latent_j_m2: heat of fusion of the joints per area of footprint, a scalar or one value per member [J/m2]; melt_c:
    solidus and liquidus [C].
    """

    joint: Slab
    package: Slab
    footprint: Footprint
    latent_j_m2: ArrayLike = 0.0
    melt_c: tuple[float, float] = (217.0, 220.0)


@dataclass(frozen=True)
class Losses:
    """Loss of each face: constant [W/m2/K], natural convection [W/m2/K^1.25], emissivity [-]."""

    top: tuple[float, float, float] = (0.0, 0.0, 0.0)
    bottom: tuple[float, float, float] = (0.0, 0.0, 0.0)
    side_w_m2k: float = 0.0
    scale: ArrayLike = 1.0


class BoardModel:
    """Temperatures of the board, the joints and the package, for n_members sets of parameters at once.

    Parameters
    ----------
    x_edges_m, y_edges_m : array, shape (nx + 1,), (ny + 1,)
        Cell edges in the board's plane [m].
    board : Slab
    part : Part or None
    losses : Losses
    ambient_c, start_c : float
    n_members : int
    """

    def __init__(self, x_edges_m: FloatArray, y_edges_m: FloatArray, board: Slab, part: Part | None = None, *,
                 losses: Losses | None = None, ambient_c: float = 25.0, start_c: float = 25.0,
                 n_members: int = 1) -> None:
        self.x_edges_m, self.y_edges_m = np.asarray(x_edges_m, float), np.asarray(y_edges_m, float)
        self.x_m = 0.5 * (self.x_edges_m[1:] + self.x_edges_m[:-1])
        self.y_m = 0.5 * (self.y_edges_m[1:] + self.y_edges_m[:-1])
        self.n_members = n_members
        self._slabs: tuple[Slab, ...] = (board,) if part is None else (board, part.joint, part.package)
        self._thickness_m = np.concatenate([_cells(s) for s in self._slabs])
        self.shape = _shape(self.x_edges_m, self.y_edges_m, board.n_cells, None if part is None else part.footprint)
        self.layers = _layers(self._slabs, self._thickness_m, n_members, part)
        self.exchange = _exchange(losses or Losses(), self.y_m.size, self.x_m.size, ambient_c, n_members)
        self.work = _work(self.shape, self._thickness_m.size, n_members, start_c)
        self.begin()

    @property
    def area_m2(self) -> FloatArray:
        """Area of each column, shape (ny, nx) [m2]."""
        return np.outer(self.shape.dy_m, self.shape.dx_m)

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Which columns carry the part, shape (ny, nx)."""
        mask = np.zeros((self.y_m.size, self.x_m.size), dtype=bool)
        mask[self.shape.ja:self.shape.jb, self.shape.ia:self.shape.ib] = True
        return mask

    def step(self, jet_h_w_m2k: FloatArray, jet_c: FloatArray, dt_s: float) -> None:
        """Advance by dt_s under a film coefficient and an arrival temperature, each (ny, nx, n_members)."""
        advance(self.shape, self.layers, self.exchange, self.work, Jet(jet_h_w_m2k, jet_c), float(dt_s))

    def set_start(self, start_c: float) -> None:
        """Begin again with everything at one temperature [C]."""
        self.set_faces(start_c, start_c)

    def set_faces(self, top_c: float, bottom_c: float) -> None:
        """Begin again with the board's faces at two temperatures, linear between them; the part is as its top [C]."""
        n_board = self.shape.n_board
        middle = np.cumsum(self._thickness_m[:n_board]) - 0.5 * self._thickness_m[:n_board]
        share = middle / self._thickness_m[:n_board].sum()
        self.work.temp_c[:n_board] = (bottom_c + (top_c - bottom_c) * share)[:, None, None, None]
        self.work.temp_c[n_board:], self.work.top_c[:], self.work.bottom_c[:] = top_c, top_c, bottom_c
        self.work.liquid[:] = float(top_c > self.layers.melt_c[1])
        self.begin()

    def begin(self) -> None:
        """Take the present state as the start of the energy account."""
        self._start = self.work.temp_c.copy(), self.work.liquid.copy()
        for account in (self.work.lost_j, self.work.gained_j, self.work.touched_j):
            account[:] = 0.0

    def add_heat(self, x_m: float, y_m: float, energy_j: float) -> None:
        """Put heat into the board's column at a place, evenly through its thickness [J]."""
        j, i = self._column(x_m, y_m)
        n_board = self.shape.n_board
        held = self.layers.capacity_j_m2k[:n_board].sum(axis=0) * self.area_m2[j, i]
        self.work.temp_c[:n_board, j, i] += energy_j / held

    def stored_j(self) -> FloatArray:
        """Heat above the start, melting included, shape (n_members,) [J]."""
        cells = np.einsum("ji,kjim->km", self.area_m2, self._present() * (self.work.temp_c - self._start[0]))
        heat = (self.layers.capacity_j_m2k * cells).sum(axis=0)
        inner = self.area_m2[self.shape.ja:self.shape.jb, self.shape.ia:self.shape.ib]
        return heat + self.layers.latent_j_m2 * np.einsum("ji,jim->m", inner, self.work.liquid - self._start[1])

    def board_top_c(self) -> FloatArray:
        """Temperature of the board's own top face, under the part too, shape (ny, nx, n_members) [C]."""
        top = self.work.top_c.copy()
        if len(self._slabs) > 1:
            s = self.shape
            below, above = self._interface(s.n_board)
            top[s.ja:s.jb, s.ia:s.ib] = (
                below * self.work.temp_c[s.n_board - 1, s.ja:s.jb, s.ia:s.ib]
                + above * self.work.temp_c[s.n_board, s.ja:s.jb, s.ia:s.ib])
        return top

    def joint_c(self) -> FloatArray:
        """Temperature at the middle of the joint layer, shape (part's rows, columns, n_members) [C]."""
        s = self.shape
        first = s.n_board
        last = first + self._slabs[1].n_cells - 1
        levels = self.work.temp_c[:, s.ja:s.jb, s.ia:s.ib]
        return 0.5 * (levels[(first + last) // 2] + levels[(first + last + 1) // 2])

    def probe(self, x_m: float, y_m: float, z_m: float) -> FloatArray:
        """Temperature at a point, z up from the underside, shape (n_members,) [C].

        In the plane a cubic through the four nearest cell centres of the layer (linear would cut the top off a
        hot spot); through the thickness linear between centres and faces.
        """
        s, board_m = self.shape, self._slabs[0].thickness_m
        on_board = z_m <= board_m * (1 + 1e-9)
        j0, j1, i0, i1 = (0, self.y_m.size, 0, self.x_m.size) if on_board else (s.ja, s.jb, s.ia, s.ib)
        ys, xs = _weights(self.y_m[j0:j1], y_m), _weights(self.x_m[i0:i1], x_m)
        return np.sum([wy * wx * self._column_at(j0 + j, i0 + i, z_m, on_board) for j, wy in ys for i, wx in xs],
                      axis=0)

    def _column_at(self, j: int, i: int, z_m: float, on_board: bool) -> FloatArray:
        """Temperature of one column at one height."""
        heights, temps = self._profile(j, i, on_board)
        k = int(np.clip(np.searchsorted(heights, z_m) - 1, 0, len(heights) - 2))
        w = np.clip((z_m - heights[k]) / (heights[k + 1] - heights[k]), 0.0, 1.0)
        return (1 - w) * temps[k] + w * temps[k + 1]

    def _profile(self, j: int, i: int, on_board: bool) -> tuple[list[float], list[FloatArray]]:
        """Heights and temperatures of a column's faces, cell centres and layer boundaries."""
        t, n_board = self.work.temp_c, self.shape.n_board
        covered = bool(self.covered[j, i])
        n_levels = t.shape[0] if covered and not on_board else n_board
        boundaries = np.cumsum([s.n_cells for s in self._slabs])[:-1]
        heights, temps, z = [0.0], [self.work.bottom_c[j, i]], 0.0
        for k in range(n_levels):
            if k in boundaries:
                below, above = self._interface(k)
                heights.append(z)
                temps.append(below * t[k - 1, j, i] + above * t[k, j, i])
            heights.append(z + self._thickness_m[k] / 2)
            temps.append(t[k, j, i])
            z += self._thickness_m[k]
        heights.append(z)
        temps.append(self.board_top_c()[j, i] if on_board else self.work.top_c[j, i])
        return heights, temps

    def _interface(self, k: int) -> tuple[FloatArray, FloatArray]:
        """Weights of the levels below and above the boundary under level k."""
        below, above = self.layers.half_w_m2k[k - 1], self.layers.half_w_m2k[k]
        return below / (below + above), above / (below + above)

    def _present(self) -> FloatArray:
        mask = np.ones(self.work.temp_c.shape[:3])
        mask[self.shape.n_board:] = self.covered
        return mask[..., None]

    def _column(self, x_m: float, y_m: float) -> tuple[int, int]:
        j = int(np.clip(np.searchsorted(self.y_edges_m, y_m) - 1, 0, self.y_m.size - 1))
        i = int(np.clip(np.searchsorted(self.x_edges_m, x_m) - 1, 0, self.x_m.size - 1))
        return j, i


def _cells(slab: Slab) -> FloatArray:
    """Thickness of each cell of a layer [m]."""
    if slab.shrink != 1.0:
        sizes = slab.shrink ** -np.arange(slab.n_cells, dtype=float)
        return slab.thickness_m * sizes / sizes.sum()
    even = np.linspace(0.0, 1.0, slab.n_cells + 1)
    edges = 0.5 * (even + 0.5 * (1 - np.cos(np.pi * even))) if slab.graded else even
    return slab.thickness_m * np.diff(edges)


def _shape(x_edges_m: FloatArray, y_edges_m: FloatArray, n_board: int, footprint: Footprint | None) -> Shape:
    plain = (y_edges_m.size - 1, x_edges_m.size - 1)
    fields = np.ones(plain), np.ones(plain), np.zeros(plain), np.zeros(plain)
    if footprint is None:
        return Shape(np.diff(x_edges_m), np.diff(y_edges_m), n_board, 0, 0, 0, 0, *fields)
    ia, ib = (int(np.argmin(abs(x_edges_m - x))) for x in (footprint.x_from_m, footprint.x_to_m))
    ja, jb = (int(np.argmin(abs(y_edges_m - y))) for y in (footprint.y_from_m, footprint.y_to_m))
    return Shape(np.diff(x_edges_m), np.diff(y_edges_m), n_board, ja, jb, ia, ib, *fields)


def _layers(slabs: tuple[Slab, ...], thickness_m: FloatArray, n_members: int, part: Part | None) -> Layers:
    def spread(name: str) -> FloatArray:
        return np.concatenate([np.tile(np.broadcast_to(np.asarray(getattr(s, name), float), (n_members,)),
                                       (s.n_cells, 1)) for s in slabs])

    latent_j_m2, melt_c = (0.0, (np.inf, np.inf)) if part is None else (part.latent_j_m2, part.melt_c)
    half = 2.0 * spread("k_z_w_mk") / thickness_m[:, None]
    up = np.zeros_like(half)
    up[:-1] = 1.0 / (1.0 / half[:-1] + 1.0 / half[1:])
    return Layers(spread("heat_capacity_j_m3k") * thickness_m[:, None], spread("k_xy_w_mk") * thickness_m[:, None],
                  up, half, thickness_m, np.array(np.broadcast_to(np.asarray(latent_j_m2, float), (n_members,))),
                  np.array(melt_c, dtype=float))


def _exchange(losses: Losses, ny: int, nx: int, ambient_c: float, n_members: int) -> Exchange:
    return Exchange(float(ambient_c), np.array(losses.top, float), np.array(losses.bottom, float),
                    float(losses.side_w_m2k),
                    np.array(np.broadcast_to(np.asarray(losses.scale, float), (n_members,))),
                    np.zeros((ny, nx)), np.ones((ny, nx)), np.zeros((ny, nx)), np.zeros((ny, nx)),
                    np.full((ny, nx, n_members), float(ambient_c)))


def _work(shape: Shape, n_levels: int, n_members: int, start_c: float) -> Work:
    ny, nx = shape.dy_m.size, shape.dx_m.size
    face = (ny, nx, n_members)
    temp = np.full((n_levels, *face), float(start_c))
    return Work(temp, np.zeros_like(temp), np.full(face, float(start_c)), np.full(face, float(start_c)),
                np.zeros((shape.jb - shape.ja, shape.ib - shape.ia, n_members)), np.zeros(face), np.zeros(face),
                np.zeros((2, *face)), np.zeros((2, *face)), np.zeros(n_members), np.zeros(n_members),
                np.zeros(n_members))


def _weights(centres_m: FloatArray, at_m: float) -> list[tuple[int, float]]:
    """The up to four cells around a coordinate with their Lagrange weights; half a cell past the last one is fair."""
    n = min(4, centres_m.size)
    first = int(np.clip(np.searchsorted(centres_m, at_m) - n // 2, 0, centres_m.size - n))
    nodes = centres_m[first:first + n]
    others = [np.delete(nodes, k) for k in range(n)]
    return [(first + k, float(np.prod((at_m - o) / (nodes[k] - o)))) for k, o in enumerate(others)]
