"""One step of the conduction model against dense matrices that are put together cell by cell from the definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from monitor.heat.board import BoardModel, Footprint, Losses, Part, Slab

SIGMA = 5.670374419e-8  # W/m2/K4, CODATA 2018
AMBIENT_C = 23.0
SIDE_W_M2K = 14.0
X_EDGES = np.array([0.0, 2.1, 3.4, 5.5, 6.3, 8.0]) * 1e-3
Y_EDGES = np.array([0.0, 1.3, 2.2, 4.1, 5.0]) * 1e-3
COVERED = (slice(1, 3), slice(1, 4))  # rows, columns that carry the part


def model_of(seed=5, latent=(0.0, 0.0), low_c=40.0, high_c=190.0):
    """A board of 3 levels under a joint and a package of 2, two members, nothing of it even or alike."""
    rng = np.random.default_rng(seed)
    model = BoardModel(
        X_EDGES, Y_EDGES, Slab(1.1e-3, 3, (9.0, 13.0), (0.35, 0.5), (2.1e6, 1.8e6), shrink=1.4),
        Part(Slab(0.25e-3, 1, (2.0, 3.0), (8.0, 5.0), (1.2e6, 1.5e6)), Slab(0.9e-3, 2, 6.0, (1.2, 0.8), 1.7e6),
             Footprint(X_EDGES[1], X_EDGES[4], Y_EDGES[1], Y_EDGES[3]), latent_j_m2=latent, melt_c=(183.0, 191.0)),
        losses=Losses((3.0, 1.7, 0.85), (2.0, 0.9, 0.75), SIDE_W_M2K, (0.8, 1.3)), ambient_c=AMBIENT_C, n_members=2)
    s, e, w = model.shape, model.exchange, model.work
    for field, low, high in ((s.link_x, 0.2, 2.5), (s.link_y, 0.2, 2.5), (s.via_w_mk, 0.5, 6.0),
                             (s.lead_w_mk, 2.0, 9.0), (e.cover_m2k_w, 1e-3, 6e-3), (e.bottom_share, 0.2, 0.9),
                             (e.bottom_fixed_w_m2k, 5.0, 30.0), (e.touch_w_m2k, 20.0, 300.0),
                             (e.touch_c, 60.0, 150.0), (w.temp_c, low_c, high_c),
                             (w.top_c, 50.0, 200.0), (w.bottom_c, 40.0, 120.0)):
        field[:] = rng.uniform(low, high, field.shape)
    s.link_x[2] = s.link_x[1]  # two lines that share their factors
    s.link_y[:, 3] = s.link_y[:, 2]
    s.link_x[-1], s.link_y[:, -1] = s.link_x[0], s.link_y[:, 0]
    film = rng.uniform(30.0, 700.0, w.top_c.shape)
    return model, film, rng.uniform(200.0, 380.0, film.shape)


class Reference:
    """The same step for one member, by matrices over the list of cells."""

    def __init__(self, model, m):
        self.model, self.m, self.n_board = model, m, model.shape.n_board
        self.levels = model.layers.thickness_m.size
        self.dx, self.dy = np.diff(X_EDGES), np.diff(Y_EDGES)
        self.cells = [(k, j, i) for j in range(self.dy.size) for i in range(self.dx.size)
                      for k in range(self.top(j, i) + 1)]
        self.index = {cell: n for n, cell in enumerate(self.cells)}
        self.area = np.array([self.dx[i] * self.dy[j] for _, j, i in self.cells])
        self.capacity = model.layers.capacity_j_m2k[[k for k, _, _ in self.cells], m] * self.area  # J/K

    def top(self, j, i):
        return self.levels - 1 if 1 <= j < 3 and 1 <= i < 4 else self.n_board - 1

    def matrix(self, axis):
        """Conductances between the cells along x (0), y (1) or up (2), as a Laplacian [W/K]."""
        out = np.zeros((len(self.cells),) * 2)
        for n, (k, j, i) in enumerate(self.cells):
            other = self.index.get((k + (axis == 2), j + (axis == 1), i + (axis == 0)))
            if other is not None:
                g = (self.along_x, self.along_y, self.upward)[axis](k, j, i)
                for a, b in ((n, other), (other, n)):
                    out[a, a] += g
                    out[a, b] -= g
        return out

    def along_x(self, k, j, i):
        link = self.model.shape.link_x[j, i] if k < self.n_board else 1.0
        return link * self.model.layers.spread_w_k[k, self.m] * self.dy[j] / (0.5 * (self.dx[i] + self.dx[i + 1]))

    def along_y(self, k, j, i):
        link = self.model.shape.link_y[j, i] if k < self.n_board else 1.0
        return link * self.model.layers.spread_w_k[k, self.m] * self.dx[i] / (0.5 * (self.dy[j] + self.dy[j + 1]))

    def upward(self, k, j, i):
        """Half cells in series; plated holes lie beside the board's, leads beside those of the part."""
        layers, shape = self.model.layers, self.model.shape
        thick, half = layers.thickness_m, layers.half_w_m2k
        plain = 1 / (1 / half[k, self.m] + 1 / half[k + 1, self.m])
        if k == self.n_board - 1:  # holes end here: the first member's gain is that of all
            holes = half[k, 0] + shape.via_w_mk[j, i] / (thick[k] / 2)
            gain = 1 / (1 / holes + 1 / half[k + 1, 0]) - 1 / (1 / half[k, 0] + 1 / half[k + 1, 0])
        else:
            through = (shape.via_w_mk if k < self.n_board else shape.lead_w_mk)[j, i]
            gain = through / (0.5 * (thick[k] + thick[k + 1]))
        return (plain + gain) * self.dx[i] * self.dy[j]

    def loss(self, law, face_c, forced=0.0):
        fixed, natural, emissivity = law
        n = natural * abs(face_c - AMBIENT_C) ** 0.25
        radiated = SIGMA * ((face_c + 273.15) ** 4 - (AMBIENT_C + 273.15) ** 4) / (face_c - AMBIENT_C)
        return fixed + n / (1 + (forced / n) ** 2) + emissivity * radiated

    def faces(self, film, gas_c):
        """Per cell the conductance to outside [W/K] and the outside's temperature times it [W], both faces."""
        e, layers, w, m = self.model.exchange, self.model.layers, self.model.work, self.m
        out = {}
        for j in range(self.dy.size):
            for i in range(self.dx.size):
                area, top = self.dx[i] * self.dy[j], self.top(j, i)
                h, lost = film[j, i, m], e.loss_scale[m] * self.loss(e.top_loss, w.top_c[j, i, m], film[j, i, m])
                outside = (h * gas_c[j, i, m] + lost * AMBIENT_C) / (h + lost)
                g = area / (1 / (h + lost) + e.cover_m2k_w[j, i] + 1 / layers.half_w_m2k[top, m])
                out[top, j, i, "top"] = g, outside, area
                touch = e.touch_w_m2k[j, i]
                lost = e.loss_scale[m] * (e.bottom_share[j, i] * self.loss(e.bottom_loss, w.bottom_c[j, i, m])
                                          + e.bottom_fixed_w_m2k[j, i])
                outside = (touch * e.touch_c[j, i, m] + lost * AMBIENT_C) / (touch + lost)
                out[0, j, i, "bottom"] = area / (1 / (touch + lost) + 1 / layers.half_w_m2k[0, m]), outside, area
        return out

    def step(self, film, gas_c, dt_s):
        """Douglas' factored backward Euler in delta form; the sides' losses are taken from the old temperatures."""
        e, w, m = self.model.exchange, self.model.work, self.m
        t = np.array([w.temp_c[(*cell, m)] for cell in self.cells])
        faces = self.faces(film, gas_c)
        x, y, z = (self.matrix(axis) for axis in range(3))
        power = -(x + y + z) @ t
        for (k, j, i, _), (g, outside, _) in faces.items():
            n = self.index[k, j, i]
            z[n, n] += g
            power[n] += g * (outside - t[n])
        side = np.array([self.open_side_m2(*cell) for cell in self.cells])
        self.side_w = SIDE_W_M2K * e.loss_scale[m] * side * (t - AMBIENT_C)
        power -= self.side_w
        one, rate = np.eye(t.size), (dt_s / self.capacity)[:, None]
        self.upright = one + rate * z
        step = rate[:, 0] * power
        for factor in (one + rate * x, one + rate * y, self.upright):
            step = np.linalg.solve(factor, step)
        self.temp, self.outer = self.melted(t + step), faces
        return self

    def open_side_m2(self, k, j, i):
        """Area of a cell's sides that border on no other cell of its level."""
        length = sum(self.dy[j] * ((k, j, i + d) not in self.index) + self.dx[i] * ((k, j + d, i) not in self.index)
                     for d in (-1, 1))
        return length * self.model.layers.thickness_m[k]

    def melted(self, plain):
        """The columns' temperatures after their joints drew or gave what melting takes, by root finding."""
        layers, m = self.model.layers, self.m
        self.liquid, temp = self.model.work.liquid[..., m].copy(), plain.copy()
        solidus, liquidus = layers.melt_c
        if not layers.latent_j_m2[m]:
            return temp
        for j in range(1, 3):
            for i in range(1, 4):
                n, old = self.index[self.n_board, j, i], self.liquid[j - 1, i - 1]
                heat = np.zeros(plain.size)
                heat[n] = layers.latent_j_m2[m] * self.area[n] / self.capacity[n]
                fall = np.linalg.solve(self.upright, heat)
                share_at = lambda c: min(max((c - solidus) / (liquidus - solidus), 0.0), 1.0)
                share = brentq(lambda s: s - share_at(plain[n] - fall[n] * (s - old)), -1.0, 2.0, xtol=1e-14)
                temp -= fall * (share - old)
                self.liquid[j - 1, i - 1] = share
        return temp

    def of(self, k, j, i):
        return self.temp[self.index[k, j, i]]


def stepped(dt_s=0.3, steps=1, **more):
    """The model after some steps, and the references of the last one."""
    model, film, gas_c = model_of(**more)
    for _ in range(steps):
        model.begin()
        references = [Reference(model, m).step(film, gas_c, dt_s) for m in range(2)]
        model.step(film, gas_c, dt_s)
    return model, references, film, gas_c


@pytest.mark.parametrize("dt_s", [0.03, 0.3, 4.0])
def test_every_cell_takes_the_step_that_the_matrices_say(dt_s):
    model, references, *_ = stepped(dt_s)

    for m, reference in enumerate(references):
        got = [model.work.temp_c[(*cell, m)] for cell in reference.cells]
        np.testing.assert_allclose(got, reference.temp, rtol=0, atol=1e-8)


def test_a_second_step_starts_from_the_faces_that_the_first_left():
    model, references, *_ = stepped(steps=2)

    for m, reference in enumerate(references):
        got = [model.work.temp_c[(*cell, m)] for cell in reference.cells]
        np.testing.assert_allclose(got, reference.temp, rtol=0, atol=1e-8)


def test_levels_above_the_bare_board_stay_as_they_were():
    model, *_ = model_of()
    before = model.work.temp_c.copy()

    model.step(*model_of()[1:], 0.3)

    bare = ~model.covered
    np.testing.assert_array_equal(model.work.temp_c[model.shape.n_board:, bare], before[model.shape.n_board:, bare])


def test_face_temperatures_lie_half_a_cell_beyond_the_outer_levels():
    model, references, *_ = stepped()

    for m, reference in enumerate(references):
        for (k, j, i, face), (g, outside, area) in reference.outer.items():
            into = g * (outside - reference.of(k, j, i)) / area  # W/m2
            expected = reference.of(k, j, i) + into / model.layers.half_w_m2k[k, m]
            got = (model.work.top_c if face == "top" else model.work.bottom_c)[j, i, m]
            assert got == pytest.approx(expected, abs=1e-8)


def test_jet_heats_what_faces_it_and_the_cover_lies_between():
    model, references, film, gas_c = stepped()

    for m, reference in enumerate(references):
        for (k, j, i, face), (g, outside, area) in reference.outer.items():
            into = g * (outside - reference.of(k, j, i)) / area
            if face == "top":
                outer = reference.of(k, j, i) + into * (1 / model.layers.half_w_m2k[k, m]
                                                        + model.exchange.cover_m2k_w[j, i])
                expected = film[j, i, m] * (gas_c[j, i, m] - outer)
                assert model.work.jet_w_m2[j, i, m] == pytest.approx(expected, rel=1e-9)
            else:
                face_c = reference.of(k, j, i) + into / model.layers.half_w_m2k[k, m]
                expected = model.exchange.touch_w_m2k[j, i] * (model.exchange.touch_c[j, i, m] - face_c)
                assert model.work.touch_w_m2[j, i, m] == pytest.approx(expected, rel=1e-9)


def test_accounts_add_up_the_fluxes_over_area_and_time():
    dt_s = 0.3
    model, references, *_ = stepped(dt_s)
    area = model.area_m2[..., None]

    gained, touched = (dt_s * (area * flux).sum(axis=(0, 1)) for flux in (model.work.jet_w_m2, model.work.touch_w_m2))
    into = [sum(g * (outside - r.of(k, j, i)) for (k, j, i, _), (g, outside, _) in r.outer.items()) for r in references]
    side = np.array([r.side_w.sum() for r in references])

    np.testing.assert_allclose(model.work.gained_j, gained, rtol=1e-12)
    np.testing.assert_allclose(model.work.touched_j, touched, rtol=1e-12)
    np.testing.assert_allclose(model.work.lost_j, gained + touched - dt_s * np.array(into) + dt_s * side, rtol=1e-9)


@pytest.mark.parametrize("low_c, high_c, molten", [(150.0, 215.0, 0.0), (160.0, 230.0, 1.0), (186.0, 189.0, 0.4)])
def test_joints_melt_and_freeze_as_root_finding_says(low_c, high_c, molten):
    model, film, gas_c = model_of(latent=(900.0, 2600.0), low_c=low_c, high_c=high_c)
    model.work.liquid[:] = molten
    references = [Reference(model, m).step(film, gas_c, 0.3) for m in range(2)]

    model.step(film, gas_c, 0.3)

    for m, reference in enumerate(references):
        got = [model.work.temp_c[(*cell, m)] for cell in reference.cells]
        np.testing.assert_allclose(model.work.liquid[..., m], reference.liquid, rtol=0, atol=1e-9)
        np.testing.assert_allclose(got, reference.temp, rtol=0, atol=1e-7)


def test_some_joints_of_the_melting_check_are_between_solid_and_liquid():
    model, film, gas_c = model_of(latent=(900.0, 2600.0), low_c=150.0, high_c=215.0)

    model.step(film, gas_c, 0.3)

    liquid = model.work.liquid
    assert ((liquid > 0) & (liquid < 1)).any() and (liquid == 0).any()


def test_joints_without_a_heat_of_fusion_are_not_followed():
    model, film, gas_c = model_of(low_c=150.0, high_c=230.0)
    model.work.liquid[:] = 0.3

    model.step(film, gas_c, 0.3)

    assert (model.work.liquid == 0.3).all()


def test_latent_heat_counts_in_what_is_stored():
    model, film, gas_c = model_of(latent=(900.0, 2600.0), low_c=150.0, high_c=215.0)
    model.begin()

    for _ in range(3):
        model.step(film, gas_c, 0.3)

    w = model.work
    np.testing.assert_allclose(model.stored_j(), w.gained_j + w.touched_j - w.lost_j, rtol=1e-9)
