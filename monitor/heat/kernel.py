"""The compiled time step of the layered conduction model, for many members at once.

A member is one set of parameters and inputs on a shared grid; members lie along the last axis of every array,
so that the inner loops run over contiguous memory. The step is Douglas' factored backward Euler in delta form:
steady states carry no splitting error, and what enters through top and bottom equals what is stored, exactly.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.compiled import Apart, njit

__all__ = ["Exchange", "Jet", "Layers", "Shape", "Work", "advance"]

FloatArray = NDArray[np.float64]
STEFAN_BOLTZMANN = 5.670374419e-8  # W/m2/K4, CODATA 2018
_ZERO_C_K = 273.15

# Without Python's check for a zero divisor the inner loops run several members per instruction. No fastmath: it lets
# the last bits depend on where the arrays happen to lie in memory, and the same recording must give the same bits
# (cost: 4 %). No array of a step overlaps another.
_compiled = njit(cache=True, nogil=True, error_model="numpy", pipeline_class=Apart)
_compiled_inline = njit(cache=True, nogil=True, error_model="numpy", inline="always")


class Shape(NamedTuple):
    """Grid spacing and the part's place in it: columns ja:jb, ia:ib carry the levels from n_board on.

    link_x[j, i] multiplies the board's conductance between columns i and i + 1, link_y[j, i] that between j and j + 1:
    0 across a slot, above 1 along a pad of solid copper. via_w_mk is what plated holes add to each column's
    through-plane conductivity in the board, lead_w_mk what leads add from the joint up.
    """

    dx_m: FloatArray
    dy_m: FloatArray
    n_board: int
    ja: int
    jb: int
    ia: int
    ib: int
    link_x: FloatArray  # (ny, nx)
    link_y: FloatArray
    via_w_mk: FloatArray
    lead_w_mk: FloatArray


class Layers(NamedTuple):
    """Per level and member, shape (levels, members)."""

    capacity_j_m2k: FloatArray
    spread_w_k: FloatArray  # in-plane conductivity times thickness
    up_w_m2k: FloatArray  # conductance to the level above
    half_w_m2k: FloatArray  # conductance from the level's middle to its own face
    thickness_m: FloatArray  # shape (levels,)
    latent_j_m2: FloatArray  # shape (members,), of the level n_board
    melt_c: FloatArray  # (solidus, liquidus)


class Exchange(NamedTuple):
    """Losses and protections. *_loss: (constant W/m2/K, natural-convection W/m2/K^1.25, emissivity)."""

    ambient_c: float
    top_loss: FloatArray
    bottom_loss: FloatArray
    side_w_m2k: float
    loss_scale: FloatArray  # (members,)
    cover_m2k_w: FloatArray  # (ny, nx) resistance laid on the top
    bottom_share: FloatArray  # (ny, nx) share of the bottom loss that remains
    bottom_fixed_w_m2k: FloatArray  # (ny, nx) added constant loss to ambient
    touch_w_m2k: FloatArray  # (ny, nx) exchange of the bottom with a touching or facing body
    touch_c: FloatArray  # (ny, nx, members) that body's temperature


class Jet(NamedTuple):
    """What the jet does to each column's top, shape (ny, nx, members)."""

    film_w_m2k: FloatArray
    arrival_c: FloatArray


class Work(NamedTuple):
    """State and work space."""

    temp_c: FloatArray  # (levels, ny, nx, members)
    delta_k: FloatArray
    top_c: FloatArray  # (ny, nx, members) face under any cover
    bottom_c: FloatArray
    liquid: FloatArray  # (jb-ja, ib-ia, members) molten share of the joints
    jet_w_m2: FloatArray  # (ny, nx, members) flux from the jet in the last step
    touch_w_m2: FloatArray  # flux from the touching body
    coupling: FloatArray  # (2, ny, nx, members) top and bottom conductance of the step
    source_w_m2: FloatArray  # (2, ny, nx, members) coupling times the temperature behind it
    lost_j: FloatArray  # (members,) to ambient since the start
    gained_j: FloatArray  # (members,) from the jet since the start
    touched_j: FloatArray  # (members,) from touching bodies since the start


@_compiled
def advance(shape: Shape, layers: Layers, exchange: Exchange, work: Work, jet: Jet, dt_s: float) -> None:
    """Advance every member by one step, in place."""
    _faces(shape, layers, exchange, work, jet)
    rate, beside = dt_s / layers.capacity_j_m2k, _beside(shape, layers, work)
    _residual(shape, layers, exchange, work, dt_s, rate, beside)
    _sweep_x(shape, layers, work, dt_s)
    _sweep_y(shape, layers, work, dt_s)
    _sweep_z(shape, layers, work, rate, beside)
    _settle(shape, layers, exchange, work, jet, dt_s)


@_compiled_inline
def _top_level(shape, n_levels, j, i):
    inside = shape.ja <= j < shape.jb and shape.ia <= i < shape.ib
    return n_levels - 1 if inside else shape.n_board - 1


@_compiled_inline
def _span(shape, k):
    """Columns that have level k: j from, j to, i from, i to."""
    if k < shape.n_board:
        return 0, shape.dy_m.size, 0, shape.dx_m.size
    return shape.ja, shape.jb, shape.ia, shape.ib


@_compiled_inline
def _loss(law, face_c, ambient_c, forced_w_m2k):
    """Loss coefficient of a face [W/m2/K] at its last temperature.

    Natural convection gives way to the forced kind: what is left of it is n / (1 + (f/n)^2).
    """
    natural = law[1] * np.sqrt(np.sqrt(abs(face_c - ambient_c)))
    natural *= natural * natural / (natural * natural + forced_w_m2k * forced_w_m2k + 1e-12)
    hot, cold = face_c + _ZERO_C_K, ambient_c + _ZERO_C_K
    return law[0] + natural + law[2] * STEFAN_BOLTZMANN * (hot * hot + cold * cold) * (hot + cold)


@_compiled_inline
def _link(shape, link, k, j, i):
    """Share of the plain conductance between a column and the next one."""
    return link[j, i] if k < shape.n_board else 1.0


@_compiled_inline
def _via(shape, layers, k, j, i):
    """What plated holes and leads add to the conductance between levels k and k + 1 [W/m2/K].

    Holes end at the joints: half of the board's top level gives way there, in series with half of the joint's; the
    first member's own conductances serve for all.
    """
    if k < 0 or k + 1 >= layers.thickness_m.size:
        return 0.0
    if k == shape.n_board - 1:
        below = layers.half_w_m2k[k, 0] + 2.0 * shape.via_w_mk[j, i] / layers.thickness_m[k]
        return below * layers.half_w_m2k[k + 1, 0] / (below + layers.half_w_m2k[k + 1, 0]) - layers.up_w_m2k[k, 0]
    through = shape.via_w_mk[j, i] if k < shape.n_board else shape.lead_w_mk[j, i]
    return 2.0 * through / (layers.thickness_m[k] + layers.thickness_m[k + 1])


@_compiled
def _beside(shape, layers, work):
    """What plated holes and leads add below each level and above the last, (levels + 1, ny, nx) [W/m2/K]."""
    n_levels, ny, nx, _ = work.temp_c.shape
    out = np.empty((n_levels + 1, ny, nx))
    for k in range(n_levels + 1):
        for j in range(ny):
            for i in range(nx):
                out[k, j, i] = _via(shape, layers, k - 1, j, i)
    return out


@_compiled
def _faces(shape, layers, exchange, work, jet):
    """Coupling and driving temperature of both faces of each column."""
    jet_h, jet_c = jet
    n_levels, ny, nx, n = work.temp_c.shape
    for j in range(ny):
        for i in range(nx):
            top = _top_level(shape, n_levels, j, i)
            cover, open_below = exchange.cover_m2k_w[j, i], exchange.bottom_share[j, i]
            fixed, touch = exchange.bottom_fixed_w_m2k[j, i], exchange.touch_w_m2k[j, i]
            for m in range(n):
                loss = exchange.loss_scale[m] * _loss(
                    exchange.top_loss, work.top_c[j, i, m], exchange.ambient_c, jet_h[j, i, m])
                h = jet_h[j, i, m] + loss
                share = 1.0 / (1.0 + h * (cover + 1.0 / layers.half_w_m2k[top, m]))
                work.coupling[0, j, i, m] = h * share
                work.source_w_m2[0, j, i, m] = share * (jet_h[j, i, m] * jet_c[j, i, m] + loss * exchange.ambient_c)
                loss = exchange.loss_scale[m] * (
                    open_below * _loss(exchange.bottom_loss, work.bottom_c[j, i, m], exchange.ambient_c, 0.0) + fixed)
                h = touch + loss
                share = 1.0 / (1.0 + h / layers.half_w_m2k[0, m])
                work.coupling[1, j, i, m] = h * share
                work.source_w_m2[1, j, i, m] = share * (touch * exchange.touch_c[j, i, m] + loss * exchange.ambient_c)


@_compiled
def _residual(shape, layers, exchange, work, dt_s, rate, beside):
    """dt * net flux into each cell over its capacity, from the present temperatures; rate is dt over the capacity."""
    t, d = work.temp_c, work.delta_k
    n_levels, ny, nx, n = t.shape
    dx, dy = shape.dx_m, shape.dy_m
    for k in range(n_levels):
        j0, j1, i0, i1 = _span(shape, k)
        for j in range(j0, j1):
            for i in range(i0, i1):
                top = _top_level(shape, n_levels, j, i)
                west = 0.0 if i == i0 else 2.0 / ((dx[i - 1] + dx[i]) * dx[i]) * _link(shape, shape.link_x, k, j, i - 1)
                east = 0.0 if i == i1 - 1 else 2.0 / ((dx[i + 1] + dx[i]) * dx[i]) * _link(shape, shape.link_x, k, j, i)
                south = 0.0 if j == j0 else 2.0 / ((dy[j - 1] + dy[j]) * dy[j]) * _link(shape, shape.link_y, k, j - 1,
                                                                                        i)
                north = 0.0 if j == j1 - 1 else 2.0 / ((dy[j + 1] + dy[j]) * dy[j]) * _link(shape, shape.link_y, k, j,
                                                                                            i)
                via_down, via_up = beside[k, j, i], beside[k + 1, j, i]
                open_sides = (1.0 if i == i0 else 0.0) / dx[i] + (1.0 if i == i1 - 1 else 0.0) / dx[i] + (
                    1.0 if j == j0 else 0.0) / dy[j] + (1.0 if j == j1 - 1 else 0.0) / dy[j]
                side = open_sides * exchange.side_w_m2k * layers.thickness_m[k]
                iw, ie, js, jn = max(i - 1, 0), min(i + 1, nx - 1), max(j - 1, 0), min(j + 1, ny - 1)
                for m in range(n):
                    here = t[k, j, i, m]
                    flux = layers.spread_w_k[k, m] * (
                        west * (t[k, j, iw, m] - here) + east * (t[k, j, ie, m] - here)
                        + south * (t[k, js, i, m] - here) + north * (t[k, jn, i, m] - here))
                    if k > 0:
                        flux += (layers.up_w_m2k[k - 1, m] + via_down) * (t[k - 1, j, i, m] - here)
                    else:
                        flux += work.source_w_m2[1, j, i, m] - work.coupling[1, j, i, m] * here
                    if k < top:
                        flux += (layers.up_w_m2k[k, m] + via_up) * (t[k + 1, j, i, m] - here)
                    else:
                        flux += work.source_w_m2[0, j, i, m] - work.coupling[0, j, i, m] * here
                    d[k, j, i, m] = rate[k, m] * flux
                if side > 0.0:  # of the few columns at the rim
                    for m in range(n):
                        lost = exchange.loss_scale[m] * side * (t[k, j, i, m] - exchange.ambient_c)
                        d[k, j, i, m] -= rate[k, m] * lost
                        work.lost_j[m] += dt_s * dx[i] * dy[j] * lost


@_compiled
def _factor(width, link, rate, lower, pivot, upper):
    """Thomas factors of (1 + dt*A) along one line: lower, inverse pivot, upper, each (cells, members), in place."""
    cells, n = width.size, rate.size
    for i in range(cells):
        before = 0.0 if i == 0 else 2.0 / ((width[i - 1] + width[i]) * width[i]) * link[i - 1]
        after = 0.0 if i == cells - 1 else 2.0 / ((width[i + 1] + width[i]) * width[i]) * link[i]
        for m in range(n):
            lower[i, m] = rate[m] * before
            value = 1.0 + rate[m] * (before + after)
            if i > 0:
                value -= lower[i, m] * upper[i - 1, m]
            pivot[i, m] = 1.0 / value
            upper[i, m] = rate[m] * after * pivot[i, m]


@_compiled
def _same(a, b):
    """Whether two lines have equal links, so that the factors of one serve the other."""
    for i in range(a.size):
        if a[i] != b[i]:
            return False
    return True


@_compiled
def _sweep_x(shape, layers, work, dt_s):
    d = work.delta_k
    n_levels, _, _, n = d.shape
    for k in range(n_levels):
        j0, j1, i0, i1 = _span(shape, k)
        rate, plain = dt_s * layers.spread_w_k[k] / layers.capacity_j_m2k[k], np.ones(i1 - i0)
        lower, pivot, upper = np.zeros((i1 - i0, n)), np.zeros((i1 - i0, n)), np.zeros((i1 - i0, n))
        for j in range(j0, j1):
            if k < shape.n_board:
                if j == j0 or not _same(shape.link_x[j], shape.link_x[j - 1]):
                    _factor(shape.dx_m[i0:i1], shape.link_x[j], rate, lower, pivot, upper)
            elif j == j0:
                _factor(shape.dx_m[i0:i1], plain, rate, lower, pivot, upper)
            for m in range(n):
                d[k, j, i0, m] *= pivot[0, m]
            for i in range(i0 + 1, i1):
                for m in range(n):
                    d[k, j, i, m] = (d[k, j, i, m] + lower[i - i0, m] * d[k, j, i - 1, m]) * pivot[i - i0, m]
            for i in range(i1 - 2, i0 - 1, -1):
                for m in range(n):
                    d[k, j, i, m] += upper[i - i0, m] * d[k, j, i + 1, m]


@_compiled
def _sweep_y(shape, layers, work, dt_s):
    d = work.delta_k
    n_levels, _, _, n = d.shape
    for k in range(n_levels):
        j0, j1, i0, i1 = _span(shape, k)
        rate, plain = dt_s * layers.spread_w_k[k] / layers.capacity_j_m2k[k], np.ones(j1 - j0)
        lower, pivot, upper = np.zeros((j1 - j0, n)), np.zeros((j1 - j0, n)), np.zeros((j1 - j0, n))
        for i in range(i0, i1):
            if k < shape.n_board:
                if i == i0 or not _same(shape.link_y[:, i], shape.link_y[:, i - 1]):
                    _factor(shape.dy_m[j0:j1], shape.link_y[:, i], rate, lower, pivot, upper)
            elif i == i0:
                _factor(shape.dy_m[j0:j1], plain, rate, lower, pivot, upper)
            for m in range(n):
                d[k, j0, i, m] *= pivot[0, m]
            for j in range(j0 + 1, j1):
                for m in range(n):
                    d[k, j, i, m] = (d[k, j, i, m] + lower[j - j0, m] * d[k, j - 1, i, m]) * pivot[j - j0, m]
            for j in range(j1 - 2, j0 - 1, -1):
                for m in range(n):
                    d[k, j, i, m] += upper[j - j0, m] * d[k, j + 1, i, m]


@_compiled
def _sweep_z(shape, layers, work, rate, beside):
    """Last of the three, so that the faces' implicit flux is exactly the energy stored; then the step is taken."""
    t, d = work.temp_c, work.delta_k
    n_levels, ny, nx, n = d.shape
    upper, pivot, lower = np.zeros((n_levels, n)), np.zeros((n_levels, n)), np.zeros((n_levels, n))
    factors = _Factors(lower, pivot, upper)
    rise = np.zeros((n_levels, n))
    for j in range(ny):
        for i in range(nx):
            top = _top_level(shape, n_levels, j, i)
            for k in range(top + 1):
                via_down, via_up = beside[k, j, i], beside[k + 1, j, i]
                for m in range(n):
                    below = layers.up_w_m2k[k - 1, m] + via_down if k > 0 else work.coupling[1, j, i, m]
                    above = layers.up_w_m2k[k, m] + via_up if k < top else work.coupling[0, j, i, m]
                    value = 1.0 + rate[k, m] * (below + above)
                    if k > 0:
                        lower[k, m] = rate[k, m] * below
                        pivot[k, m] = 1.0 / (value - lower[k, m] * upper[k - 1, m])
                        rise[k, m] = (d[k, j, i, m] + lower[k, m] * rise[k - 1, m]) * pivot[k, m]
                    else:
                        pivot[k, m] = 1.0 / value
                        rise[k, m] = d[k, j, i, m] * pivot[k, m]
                    upper[k, m] = rate[k, m] * above * pivot[k, m]
            for m in range(n):
                t[top, j, i, m] += rise[top, m]
            for k in range(top - 1, -1, -1):
                for m in range(n):
                    rise[k, m] += upper[k, m] * rise[k + 1, m]
                    t[k, j, i, m] += rise[k, m]
            if top >= shape.n_board:
                _melt(shape, layers, work, j, i, factors)


class _Factors(NamedTuple):
    """The factored matrix of one column, (levels, members)."""

    lower: FloatArray
    pivot: FloatArray
    upper: FloatArray


@_compiled
def _melt(shape, layers, work, j, i, factors):
    """Let the joint of one column melt or freeze within the implicit step, which was taken without.

    The column answers linearly to heat drawn at its joint, and the molten share is piecewise linear in the joint's
    temperature, so the balance has a closed form: no iteration, no dependence on the length of the step.
    """
    if layers.latent_j_m2[0] <= 0.0:
        return
    t, joint, top = work.temp_c, shape.n_board, work.temp_c.shape[0] - 1
    lower, pivot, upper = factors
    solidus, width = layers.melt_c[0], max(layers.melt_c[1] - layers.melt_c[0], 0.1)
    answer = np.empty(top + 1)  # fall of each level per unit of heat drawn at the joint [K m2/J]
    for m in range(t.shape[3]):
        old = work.liquid[j - shape.ja, i - shape.ia, m]
        plain = t[joint, j, i, m]
        if (old == 0.0 and plain <= solidus) or (old == 1.0 and plain >= solidus + width):
            continue
        for k in range(joint):
            answer[k] = 0.0
        answer[joint] = pivot[joint, m] / layers.capacity_j_m2k[joint, m]
        for k in range(joint + 1, top + 1):
            answer[k] = lower[k, m] * answer[k - 1] * pivot[k, m]
        for k in range(top - 1, -1, -1):
            answer[k] += upper[k, m] * answer[k + 1]
        reach = answer[joint] * layers.latent_j_m2[m]  # fall if all of it melted at once
        melted = (plain + reach * old - solidus) / (width + reach)
        melted = min(max(melted, 0.0), 1.0)
        drawn = layers.latent_j_m2[m] * (melted - old)
        for k in range(top + 1):
            t[k, j, i, m] -= drawn * answer[k]
        work.liquid[j - shape.ja, i - shape.ia, m] = melted


@_compiled
def _settle(shape, layers, exchange, work, jet, dt_s):
    """Face temperatures, fluxes and the energy account after the step."""
    jet_h, jet_c = jet
    t = work.temp_c
    n_levels, ny, nx, n = t.shape
    for j in range(ny):
        for i in range(nx):
            top = _top_level(shape, n_levels, j, i)
            area = shape.dx_m[i] * shape.dy_m[j]
            cover, touch = exchange.cover_m2k_w[j, i], exchange.touch_w_m2k[j, i]
            for m in range(n):
                into = work.source_w_m2[0, j, i, m] - work.coupling[0, j, i, m] * t[top, j, i, m]
                face = t[top, j, i, m] + into / layers.half_w_m2k[top, m]
                outer = face + into * cover
                work.top_c[j, i, m] = face
                work.jet_w_m2[j, i, m] = jet_h[j, i, m] * (jet_c[j, i, m] - outer)
                work.gained_j[m] += dt_s * area * work.jet_w_m2[j, i, m]
                work.lost_j[m] += dt_s * area * (work.jet_w_m2[j, i, m] - into)
                into = work.source_w_m2[1, j, i, m] - work.coupling[1, j, i, m] * t[0, j, i, m]
                face = t[0, j, i, m] + into / layers.half_w_m2k[0, m]
                work.bottom_c[j, i, m] = face
                work.touch_w_m2[j, i, m] = touch * (exchange.touch_c[j, i, m] - face)
                work.touched_j[m] += dt_s * area * work.touch_w_m2[j, i, m]
                work.lost_j[m] += dt_s * area * (work.touch_w_m2[j, i, m] - into)
