"""The conduction model against closed forms, against a finite-element library, and against its own balances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementHex1, FacetBasis, MeshHex
from skfem.helpers import dot, grad

from monitor.heat.board import BoardModel, Footprint, Losses, Part, Slab
from monitor.heat.grid import graded_edges, overlap_share
from tests.heat.checks import agrees, inputs

RHO_CP = 1900 * 1150.0


def plate(check_id, *, half_m=0.14, fine_m=0.8e-3, **more):
    """The thin plate of a check: one level, losses on both faces, its source at the origin."""
    i = inputs(check_id)
    mid = fine_m / 2  # a cell's centre lies on the source
    edges = graded_edges([-half_m, -mid, mid, half_m], [(0.0, 0.0, fine_m)], coarsest_m=4e-3, growth=0.05)
    k_z = 1e4  # thin-plate theory: no gradient through the thickness
    board = Slab(i["delta_mm"] * 1e-3, 1, i["k_W_mK"], k_z, i["rho_kg_m3"] * i["cp_J_kgK"])
    half_loss = i["h_sum_W_m2K"] / 2
    return i, BoardModel(edges, edges, board, losses=Losses((half_loss, 0, 0), (half_loss, 0, 0)), ambient_c=0.0,
                         start_c=0.0, **more)


def no_jet(model):
    shape = (model.y_m.size, model.x_m.size, model.n_members)
    return np.zeros(shape), np.zeros(shape)


def settle(model, flux_w_m2):
    """Run to the steady state under a prescribed flux, given as a weak coupling to a very hot gas."""
    hot_c = 1e9
    for _ in range(400):
        model.step(flux_w_m2[:, :, None] / hot_c, np.full((*flux_w_m2.shape, 1), hot_c), 2.0)


def column(n_cells, thickness_m, heat=RHO_CP, k=0.35):
    """One column without losses: a slab in one dimension."""
    edge = np.array([0.0, 10e-3])
    return BoardModel(edge, edge, Slab(thickness_m, n_cells, k, k, heat), ambient_c=0.0, start_c=0.0)


def small_board(n_members=1, **losses):
    edges = graded_edges([0, 10e-3, 20e-3, 30e-3], [(10e-3, 20e-3, 2e-3)], coarsest_m=3e-3)
    return BoardModel(
        edges, edges, Slab(1e-3, 3, 9.0, 0.35, RHO_CP),
        Part(Slab(0.25e-3, 1, 2.0, 8.0, 1.25e6), Slab(0.9e-3, 2, 6.0, 1.2, 1.755e6),
             Footprint(10e-3, 20e-3, 10e-3, 20e-3)), losses=Losses(**losses), ambient_c=25.0, start_c=25.0,
        n_members=n_members)


@pytest.mark.parametrize("check_id", ["plate-point-5s-0", "plate-point-5s-8", "plate-point-20s-8"])
def test_heat_pulse_spreads_in_a_plate(check_id):
    i, model = plate(check_id)
    model.add_heat(0.0, 0.0, i["Q_J"])

    for _ in range(400):
        model.step(*no_jet(model), i["t_s"] / 400)

    agrees(check_id, model.probe(i["r_mm"] * 1e-3, 0.0, 0.5e-3), tolerance=0.01)  # 0.8 mm cells, 400 steps


def test_heat_pulse_peaks_eight_millimetres_away():
    i, model = plate("plate-point-tpeak-8")
    model.add_heat(0.0, 0.0, i["Q_J"])
    history = []
    for _ in range(500):
        model.step(*no_jet(model), 0.01)
        history.append(float(model.probe(8e-3, 0.0, 0.5e-3)[0]))

    agrees("plate-point-tpeak-8", 0.01 * (1 + int(np.argmax(history))), tolerance=0.02)  # a flat maximum


@pytest.mark.parametrize("check_id", ["plate-gauss-centre", "plate-gauss-13"])
def test_steady_gaussian_flux_on_a_plate(check_id):
    i, model = plate(check_id)
    r2 = model.x_m[None, :] ** 2 + model.y_m[:, None] ** 2

    settle(model, i["q0_W_m2"] * np.exp(-r2 / (i["b_mm"] * 1e-3) ** 2))

    agrees(check_id, model.probe(i["r_mm"] * 1e-3, 0.0, 0.5e-3), tolerance=0.005)


@pytest.mark.parametrize("check_id", ["plate-disc-centre", "plate-disc-13"])
def test_steady_disc_of_flux_on_a_plate(check_id):
    i, model = plate(check_id, fine_m=0.4e-3)
    sub = (np.arange(8) + 0.5) / 8  # share of each cell within the disc, by sampling
    x = (model.x_edges_m[:-1, None] + np.diff(model.x_edges_m)[:, None] * sub).ravel()
    inside = (x[None, :] ** 2 + x[:, None] ** 2 <= (i["a_mm"] * 1e-3) ** 2).astype(float)
    n = model.x_m.size
    share = inside.reshape(n, 8, n, 8).mean(axis=(1, 3))

    settle(model, i["q_W_m2"] * share)

    agrees(check_id, model.probe(i.get("r_mm", 0.0) * 1e-3, 0.0, 0.5e-3), tolerance=0.005)


@pytest.mark.parametrize("check_id, depth_mm", [("semi-conv-surf-1", 0.0), ("semi-conv-0.5mm-2", 0.5)])
def test_deep_slab_warms_under_a_hot_gas(check_id, depth_mm):
    i = inputs(check_id)
    model = column(100, 5e-3)
    h, gas = np.full((1, 1, 1), float(i["h_W_m2K"])), np.ones((1, 1, 1))

    for _ in range(500):
        model.step(h, gas, i["t_s"] / 500)

    agrees(check_id, model.probe(5e-3, 5e-3, 5e-3 - depth_mm * 1e-3), tolerance=0.003)


def test_deep_slab_warms_under_a_constant_flux():
    i = inputs("semi-flux-surf")
    model = column(100, 5e-3)

    for _ in range(1000):
        model.step(np.full((1, 1, 1), i["q_W_m2"] * 1e-9), np.full((1, 1, 1), 1e9), 1e-3)

    agrees("semi-flux-surf", model.probe(5e-3, 5e-3, 5e-3), tolerance=0.003)


def test_small_body_follows_the_lumped_law():
    i = inputs("lumped-tau")
    heat = i["m_g"] * 1e-3 * i["cp_J_kgK"] / (i["A_mm2"] * 1e-6 * 0.9e-3)
    model = BoardModel(np.array([0, 10e-3]), np.array([0, 10e-3]), Slab(0.9e-3, 1, 100.0, 1e4, heat), start_c=25.0)

    for _ in range(1000):
        model.step(np.full((1, 1, 1), float(i["h_W_m2K"])), np.full((1, 1, 1), 300.0), 0.01)

    agrees("lumped-T10", model.probe(5e-3, 5e-3, 0.0))


def test_small_body_reaches_liquidus_when_the_lumped_law_says():
    i = inputs("lumped-t217")
    heat = i["tau_s"] * 120.0 / 0.9e-3  # any film and thickness of that time constant
    model = BoardModel(np.array([0, 10e-3]), np.array([0, 10e-3]), Slab(0.9e-3, 1, 100.0, 1e4, heat), start_c=i["T0_C"])
    film, gas, t = np.full((1, 1, 1), 120.0), np.full((1, 1, 1), float(i["T_gas_C"])), 0.0

    while model.probe(5e-3, 5e-3, 0.0)[0] < 217.0:
        model.step(film, gas, 0.01)
        t += 0.01

    agrees("lumped-t217", t, tolerance=0.002)  # steps of 0.01 s


def test_biot_number_of_a_package():
    i = inputs("biot-comp")
    model = column(1, i["t_mm"] * 1e-3, k=i["k_W_mK"])

    agrees("biot-comp", i["h_W_m2K"] / (model.layers.half_w_m2k[0, 0] / 2))


def test_diffusivity_of_laminate():
    i = inputs("alpha-fr4")
    model = column(1, 1e-3, heat=i["rho_kg_m3"] * i["cp_J_kgK"], k=i["k_W_mK"])
    square_mm2_s = 1e6 * model.layers.half_w_m2k[0, 0] / 2 * 1e-3 / (model.layers.capacity_j_m2k[0, 0] / 1e-3)

    agrees("alpha-fr4", square_mm2_s)


def test_rise_falls_to_an_e_th_over_the_decay_length():
    i = inputs("plate-decay-length")
    edges = np.concatenate([[-0.1e-3], np.linspace(0, 150e-3, 601)])
    half = i["h_sum_W_m2K"] / 2
    model = BoardModel(edges, np.array([0, 1e-3]), Slab(i["delta_mm"] * 1e-3, 1, i["k_W_mK"], 1e4, RHO_CP),
                       ambient_c=0.0, start_c=0.0, losses=Losses((half, 0, 0), (half, 0, 0)))
    clamp = np.where(model.x_m < 0, 1e7, 0.0)[None, :, None]  # holds the first cell at one degree

    for _ in range(600):
        model.step(clamp, np.ones_like(clamp), 2.0)

    rise = model.work.top_c[0, :, 0]
    agrees("plate-decay-length", 1e3 * np.interp(-1.0, np.log(rise[::-1]), model.x_m[::-1]), tolerance=0.005)


def test_power_of_a_gaussian_flux():
    i, model = inputs("plate-gauss-power"), plate("plate-gauss-13")[1]
    r2 = model.x_m[None, :] ** 2 + model.y_m[:, None] ** 2
    flux = i["q0_W_m2"] * np.exp(-r2 / (i["b_mm"] * 1e-3) ** 2)

    model.step(flux[:, :, None] / 1e9, np.full((*flux.shape, 1), 1e9), 1.0)

    agrees("plate-gauss-power", model.work.gained_j[0], tolerance=0.003)  # sampled at the cells' centres


def test_strip_held_hot_at_one_end_loses_heat_like_a_fin():
    k, thick, length, loss = 9.0, 1e-3, 30e-3, 11.0
    edges = np.concatenate([[-0.1e-3], np.linspace(0, length, 121)])
    model = BoardModel(edges, np.array([0, 1e-3]), Slab(thick, 1, k, 1e4, RHO_CP), ambient_c=0.0, start_c=0.0,
                       losses=Losses((loss, 0, 0), (loss, 0, 0)))
    clamp = np.where(model.x_m < 0, 1e7, 0.0)[None, :, None]  # holds the first cell at one degree

    for _ in range(400):
        model.step(clamp, np.ones_like(clamp), 2.0)

    m = np.sqrt(2 * loss / (k * thick))
    expected = np.tanh(m * length) / (m * length)  # adiabatic tip, Incropera table 3.4
    got = (model.work.top_c[0, 1:, 0] * np.diff(edges)[1:]).sum() / length
    np.testing.assert_allclose(got, expected, rtol=0.005)  # the clamped cell's centre lies 0.05 mm before the strip


def test_energy_in_is_stored_or_lost():
    model = small_board(top=(3.0, 1.2, 0.9), bottom=(2.0, 0.6, 0.9), side_w_m2k=12.0)
    rng = np.random.default_rng(3)

    for _ in range(200):
        model.step(rng.uniform(0, 400, model.work.jet_w_m2.shape), np.full(model.work.jet_w_m2.shape, 330.0), 0.07)

    balance = model.work.gained_j - model.work.lost_j - model.stored_j()
    assert abs(balance[0]) < 1e-6 * model.work.gained_j[0]


def test_melting_takes_its_heat_of_fusion():
    model = small_board()
    model.layers.latent_j_m2[:] = 5000.0
    model.layers.melt_c[:] = (217.0, 220.0)

    for _ in range(600):
        model.step(np.full(model.work.jet_w_m2.shape, 300.0), np.full(model.work.jet_w_m2.shape, 330.0), 0.05)

    assert model.work.liquid.min() == 1.0
    np.testing.assert_allclose(model.work.gained_j, model.stored_j(), rtol=1e-6)


def test_joints_that_melt_need_their_heat_of_fusion_to_get_on():
    needed = []
    for latent in (0.0, 20000.0):
        model = small_board()
        model.layers.latent_j_m2[:] = latent
        film = 900.0 * model.covered[:, :, None]
        while model.joint_c().min() < 225.0:
            model.step(film, np.full(model.work.jet_w_m2.shape, 330.0), 0.02)
        needed.append(float(model.work.gained_j[0]))

    fusion = 20000.0 * 10e-3 * 10e-3
    assert fusion < needed[1] - needed[0] < 2.5 * fusion  # more than fusion: the board goes on warming meanwhile


@given(st.floats(0, 1000), st.floats(0.01, 0.5))
@settings(max_examples=15)
def test_jet_at_ambient_heats_nothing(film_w_m2k, dt_s):
    model = small_board(top=(8.0, 1.0, 0.9), bottom=(8.0, 0.5, 0.9), side_w_m2k=10.0)

    for _ in range(5):
        model.step(np.full(model.work.jet_w_m2.shape, film_w_m2k), np.full(model.work.jet_w_m2.shape, 25.0), dt_s)

    np.testing.assert_allclose(model.work.temp_c, 25.0, atol=1e-9)


@given(st.floats(50, 400), st.floats(20, 500))
@settings(max_examples=15)
def test_twice_the_difference_gives_twice_the_rise(rise_k, film_w_m2k):
    model = small_board(n_members=2, top=(12.0, 0, 0), bottom=(10.0, 0, 0), side_w_m2k=12.0)
    arrival = np.full(model.work.jet_w_m2.shape, 25.0 + rise_k)
    arrival[..., 1] += rise_k

    for _ in range(20):
        model.step(np.full(model.work.jet_w_m2.shape, film_w_m2k), arrival, 0.1)

    rise = model.work.temp_c - 25.0
    np.testing.assert_allclose(rise[..., 1], 2 * rise[..., 0], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("other", [(25.3e-3, 6.1e-3), (3e-3, 27e-3), (12e-3, 22e-3)])
def test_pulse_at_a_read_at_b_equals_pulse_at_b_read_at_a(other):
    readings = []
    for source, reader in (((6e-3, 8e-3), other), (other, (6e-3, 8e-3))):
        model = small_board(top=(12.0, 0, 0), bottom=(10.0, 0, 0))
        model.add_heat(*source, 5.0)
        for _ in range(100):
            model.step(*no_jet(model), 0.05)
        j, i = model._column(*reader)
        depth = model.layers.capacity_j_m2k[:3, 0]
        readings.append(float(depth @ model.work.temp_c[:3, j, i, 0] / depth.sum() - 25.0))

    np.testing.assert_allclose(readings[0], readings[1], rtol=1e-3)


def test_mirror_image_of_a_jet_gives_the_mirror_image_of_the_board():
    model = small_board(top=(12.0, 1, 0.9))
    film = np.zeros(model.work.jet_w_m2.shape)
    film[:4] = 300.0
    film[-4:] = 300.0

    for _ in range(30):
        model.step(film, np.full(film.shape, 300.0), 0.1)

    np.testing.assert_allclose(model.work.temp_c, model.work.temp_c[:, ::-1], atol=1e-7)


def test_members_do_not_touch_each_other():
    many, one = small_board(n_members=3, top=(9.0, 0, 0)), small_board(top=(9.0, 0, 0))
    for model in (many, one):
        film = np.full(model.work.jet_w_m2.shape, 200.0)
        film[..., 1:] = 0.0
        for _ in range(10):
            model.step(film, np.full(film.shape, 300.0), 0.1)

    np.testing.assert_allclose(many.work.temp_c[..., 0], one.work.temp_c[..., 0], atol=1e-9)


def test_graded_edges_keep_every_fixed_coordinate():
    edges = graded_edges([0.0, 7.3e-3, 9.1e-3, 40e-3], [(7.3e-3, 9.1e-3, 0.3e-3)], coarsest_m=3e-3)

    assert all(np.isclose(edges, x, atol=1e-12).any() for x in (0.0, 7.3e-3, 9.1e-3, 40e-3))
    assert np.all(np.diff(edges) > 0)


def test_overlap_share_adds_up_to_the_interval():
    edges = np.linspace(0, 1, 7)

    assert overlap_share(edges, 0.21, 0.77) @ np.diff(edges) == pytest.approx(0.56)


def finite_elements(size_m, thickness_m, k_xy, k_z, loss_w_m2k, film, width_m, dt_s, n_steps, points_m):
    """A bare orthotropic board under a fixed Gaussian film, by trilinear elements and backward Euler."""
    mesh = MeshHex.init_tensor(np.linspace(0, size_m[0], 25), np.linspace(0, size_m[1], 17),
                               np.linspace(0, thickness_m, 5))
    element = ElementHex1()
    inside = Basis(mesh, element)
    top = FacetBasis(mesh, element, facets=mesh.facets_satisfying(lambda x: np.isclose(x[2], thickness_m)))
    faces = FacetBasis(mesh, element, facets=mesh.boundary_facets())
    conduction = BilinearForm(lambda u, v, w: k_xy * dot(grad(u)[:2], grad(v)[:2]) + k_z * grad(u)[2] * grad(v)[2])
    jet = BilinearForm(lambda u, v, w: film * np.exp(
        -((w.x[0] - size_m[0] / 3) ** 2 + (w.x[1] - size_m[1] / 2) ** 2) / width_m**2) * u * v)
    mass = BilinearForm(lambda u, v, w: RHO_CP * u * v).assemble(inside)
    heating = jet.assemble(top)
    lost = BilinearForm(lambda u, v, w: loss_w_m2k * u * v).assemble(faces)
    solve = splu((mass / dt_s + conduction.assemble(inside) + heating + lost).tocsc()).solve
    rise, ones = np.zeros(mesh.p.shape[1]), np.ones(mesh.p.shape[1])
    for _ in range(n_steps):
        rise = solve(mass @ rise / dt_s + heating @ ones)
    return inside.probes(np.array(points_m).T) @ rise


def test_conduction_agrees_with_finite_elements():
    size, thick, width = (48e-3, 32e-3), 1.2e-3, 6e-3
    points = [(16e-3, 16e-3, 1.2e-3), (16e-3, 16e-3, 0.0), (30e-3, 10e-3, 0.6e-3), (46e-3, 30e-3, 0.6e-3)]
    edges = [graded_edges([0, s], [(0.0, s, 1e-3)], coarsest_m=1e-3) for s in size]
    model = BoardModel(*edges, Slab(thick, 6, 12.0, 0.4, RHO_CP), ambient_c=0.0, start_c=0.0,
                       losses=Losses((11.0, 0, 0), (11.0, 0, 0), 11.0))
    r2 = (model.x_m[None, :] - size[0] / 3) ** 2 + (model.y_m[:, None] - size[1] / 2) ** 2
    film = (280.0 * np.exp(-r2 / width**2))[:, :, None]

    for _ in range(200):
        model.step(film, np.ones_like(film), 0.05)

    expected = finite_elements(size, thick, 12.0, 0.4, 11.0, 280.0, width, 0.05, 200, points)  # scikit-fem
    got = [float(model.probe(*p)[0]) for p in points]
    np.testing.assert_allclose(got, expected, atol=0.01 * expected.max())


def test_pause_of_melting_joints_does_not_depend_on_the_step():
    reached = []
    for dt_s in (0.25, 0.02):
        model, t = small_board(), 0.0
        model.layers.latent_j_m2[:] = 13000.0
        while model.joint_c().min() < 222.0:
            model.step(700.0 * model.covered[:, :, None], np.full(model.work.jet_w_m2.shape, 330.0), dt_s)
            t += dt_s
        reached.append(t)

    assert reached[0] == pytest.approx(reached[1], rel=0.04)


def test_joints_give_their_heat_of_fusion_back_when_they_freeze():
    model = small_board(top=(40.0, 0, 0), bottom=(40.0, 0, 0))
    model.layers.latent_j_m2[:] = 13000.0
    hot, cold = np.full(model.work.jet_w_m2.shape, 700.0), np.zeros(model.work.jet_w_m2.shape)
    for _ in range(200):
        model.step(hot, np.full(hot.shape, 330.0), 0.05)
    for _ in range(800):
        model.step(cold, cold, 0.1)

    assert model.work.liquid.max() == 0.0
    np.testing.assert_allclose(model.work.gained_j - model.work.lost_j, model.stored_j(), atol=1e-4)


@pytest.mark.parametrize("at_mm", [3.3, 14.9, 29.7])
def test_probe_between_cells_follows_a_curved_field(at_mm):
    edges = graded_edges([0, 30e-3], [(14e-3, 16e-3, 1e-3)], coarsest_m=2e-3)
    model = BoardModel(edges, edges, Slab(1e-3, 1, 9.0, 1e4, RHO_CP), start_c=0.0)
    curve = lambda x_m: 20 + 3e5 * (x_m - 12e-3) ** 2
    for faces in (model.work.temp_c[0], model.work.top_c, model.work.bottom_c):
        faces[:] = curve(model.x_m)[None, :, None]

    assert model.probe(at_mm * 1e-3, 10e-3, 0.5e-3)[0] == pytest.approx(curve(at_mm * 1e-3), abs=1e-6)
