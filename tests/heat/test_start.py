"""How a job begins: in balance with its preheater, from measured faces; and what boards have beyond plain layers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from skfem import Basis, BilinearForm, ElementHex1, FacetBasis, LinearForm, MeshHex, solve
from skfem.helpers import grad

from monitor.errors import InputError
from monitor.heat.board import BoardModel, Losses, Slab
from monitor.heat.chain import Blow, Chain
from monitor.heat.protect import Body
from monitor.heat.settle import settle
from monitor.heat.types import BoardSetup, Layer, Protection, StationSetup
from monitor.heat.uncertainty import draw_scores, outlet_table_c, parameters
from tests.heat.cases import QUICK, job, rectangle

SIZE_M, K_XY, K_Z, THICK_M = (60e-3, 40e-3), 9.0, 0.35, 1.6e-3
TOP, BELOW, TOUCH, HEATER_C, AMBIENT_C = 14.0, 11.0, 25.0, 150.0, 23.0
HEATED = (15e-3, 45e-3, 10e-3, 30e-3)  # x from, to, y from, to


def middle(setup, fineness=QUICK):
    """The middle estimate alone."""
    return Chain(setup, parameters(np.zeros((8, 1))), fineness)


def balanced():
    """A board over a heater that is smaller than it, in balance."""
    edges = [np.linspace(0, s, n + 1) for s, n in zip(SIZE_M, (20, 20), strict=True)]
    model = BoardModel(
        *edges,
        Slab(THICK_M, 4, K_XY, K_Z, 2.2e6),
        losses=Losses((TOP, 0, 0), (BELOW, 0, 0), 0.0),
        ambient_c=AMBIENT_C,
        start_c=AMBIENT_C,
    )
    x1, x2, y1, y2 = HEATED
    share = np.outer((model.y_m > y1) & (model.y_m < y2), (model.x_m > x1) & (model.x_m < x2)).astype(float)
    model.exchange.touch_w_m2k[:], model.exchange.bottom_share[:] = TOUCH * share, 1 - share
    body = Body(share, 0.0, 0.0, np.array([HEATER_C]))
    body.follow(model, 0.0, AMBIENT_C)
    settle(model, [body], AMBIENT_C)
    return model


def by_elements(points_m):
    """The same by trilinear finite elements, steady."""
    mesh = MeshHex.init_tensor(
        *(np.linspace(0, s, n + 1) for s, n in zip((*SIZE_M, THICK_M), (40, 32, 4), strict=True))
    )
    inside = Basis(mesh, ElementHex1())
    faces = [
        FacetBasis(mesh, ElementHex1(), facets=mesh.facets_satisfying(lambda x, z=z: np.isclose(x[2], z)))
        for z in (THICK_M, 0.0)
    ]
    heated = lambda x: (x[0] > HEATED[0]) & (x[0] < HEATED[1]) & (x[1] > HEATED[2]) & (x[1] < HEATED[3])
    films = [lambda x: TOP + 0 * x[0], lambda x: np.where(heated(x), TOUCH, BELOW)]
    behind = [lambda x: AMBIENT_C + 0 * x[0], lambda x: np.where(heated(x), HEATER_C, AMBIENT_C)]
    a = BilinearForm(
        lambda u, v, w: K_XY * (grad(u)[0] * grad(v)[0] + grad(u)[1] * grad(v)[1]) + K_Z * grad(u)[2] * grad(v)[2]
    ).assemble(inside)
    b = np.zeros(mesh.p.shape[1])
    for face, film, temp in zip(faces, films, behind, strict=True):
        a = a + BilinearForm(lambda u, v, w, film=film: film(w.x) * u * v).assemble(face)
        b = b + LinearForm(lambda v, w, film=film, temp=temp: film(w.x) * temp(w.x) * v).assemble(face)
    return inside.probes(np.array(points_m).T) @ solve(a, b)


def test_balance_with_a_small_preheater_is_that_of_finite_elements():
    points = [(30e-3, 20e-3, THICK_M), (30e-3, 20e-3, 0.0), (5e-3, 5e-3, THICK_M), (50e-3, 20e-3, 0.8e-3)]
    model = balanced()

    got = [float(model.probe(*p)[0]) for p in points]

    np.testing.assert_allclose(got, by_elements(points), atol=0.8)
    assert got[0] - got[2] > 8  # a uniform start would be wrong by this


def test_board_in_balance_stays_as_it_is():
    chain = middle(job(protections=(Protection("preheater", rectangle(0, 0, 40, 30), {"temp_c": 150.0}),)))
    before = chain.sites()
    for _ in range(40):
        chain.rest(0.5)

    after = chain.sites()

    assert before.joint_centre[0] > 50  # it is warm
    np.testing.assert_allclose(after.joint_centre, before.joint_centre, atol=0.3)
    np.testing.assert_allclose(after.neighbours, before.neighbours, atol=0.3)


def test_block_that_warms_freely_ends_where_it_takes_nothing_more():
    block = Protection("metal_block", rectangle(20, 0, 10, 20), {"mass_kg": 0.05})
    chain = middle(job(protections=(Protection("preheater", rectangle(-10, 0, 40, 40), {"temp_c": 150.0}), block)))
    before = chain._bodies[1].temp_c.copy()
    for _ in range(60):
        chain.rest(1.0)

    assert before[0] > 30 and chain._bodies[1].temp_c[0] == pytest.approx(before[0], abs=0.5)


def test_measured_faces_are_the_start():
    chain = middle(job(board=replace(job().board, start_top_c=80.0, start_below_c=120.0)))

    assert chain.model.work.top_c.max() == pytest.approx(80.0) and chain.sites().underside[0] == pytest.approx(120.0)
    assert 80 < chain.model.work.temp_c[1, 0, 0, 0] < 120


def test_one_measured_face_stands_for_both():
    assert BoardSetup(1e-3, start_below_c=90.0).start_faces_c() == (90.0, 90.0)


def hot(setup, seconds=20.0, height_mm=10.0, fineness=QUICK):
    """Sites after a hold over the part."""
    chain = middle(setup, fineness)
    for _ in range(round(seconds / 0.25)):
        chain.blow(Blow(setup.station.setpoint_c, setup.station.airflow_m3_s, 1e-3 * height_mm, 0.0, 0.0), 0.25)
    return chain


def test_slot_keeps_heat_from_what_lies_behind_it():
    slot = (rectangle(10, 0, 1, 40),)
    plain, cut = (hot(job(board=replace(job().board, cutouts_m=c)), 40.0).sites() for c in ((), slot))

    assert cut.neighbours[0, 0] - 23 < 0.95 * (plain.neighbours[0, 0] - 23)
    assert cut.joint_centre[0] > plain.joint_centre[0]


def test_slot_loses_no_energy():
    chain = hot(job(board=replace(job().board, cutouts_m=(rectangle(12, 0, 6, 30),))), 5.0)
    work = chain.model.work

    balance = work.gained_j + work.touched_j - work.lost_j - chain.model.stored_j()
    assert abs(balance[0]) < 1e-6 * work.gained_j[0]


def test_slot_under_the_part_is_refused():
    with pytest.raises(InputError, match="cut-out"):
        middle(job(board=replace(job().board, cutouts_m=(rectangle(0, 0, 4, 4),))))


def test_plated_holes_warm_the_underside_and_cost_the_joint():
    plain, pierced = (hot(job(part=replace(job().part, vias=n, pad_m=(6e-3, 6e-3)))).sites() for n in (0, 25))

    assert pierced.underside[0] > plain.underside[0] + 3
    assert pierced.joint_centre[0] < plain.joint_centre[0]


def test_plated_holes_conduct_as_copper_in_parallel():
    bare, full = (hot(job(part=replace(job().part, vias=n, pad_m=(9e-3, 9e-3))), 0.5) for n in (0, 30))
    inside = full.model.covered

    # 30 barrels of 0.3 mm with 25 um: pi * 0.275 mm * 25 um * 30 / 81 mm2 of copper at 390 W/m/K
    expected = 390 * np.pi * 0.275e-3 * 25e-6 * 30 / 81e-6
    np.testing.assert_allclose(full.model.shape.via_w_mk[inside], expected, rtol=0.02)
    assert bare.model.shape.via_w_mk.max() == 0


def test_station_table_takes_the_place_of_the_usual_factor():
    table = ((300.0, 30 / 6e4, 250.0), (400.0, 30 / 6e4, 330.0))
    setup = job(station=StationSetup(350.0, 30 / 6e4, bore_m=6.8e-3, outlet_c=table))
    chain = Chain(setup, parameters(draw_scores(8, 33)), QUICK)
    exit_ = chain.blow(Blow(350.0, 30 / 6e4, 10e-3, 0.0, 0.0), 0.1)

    assert exit_.temp_c[0] == pytest.approx(290.0, abs=1.0)
    assert exit_.temp_c[1:].std() < 0.03 * 267  # a bead in the jet, not a sixteenth


def test_station_table_is_read_between_its_rows():
    rows = ((300.0, 1.0, 240.0), (400.0, 1.0, 320.0), (300.0, 2.0, 270.0), (400.0, 2.0, 360.0))

    assert outlet_table_c(rows, 350.0, 1.5) == pytest.approx(297.5, abs=1.0)
    assert outlet_table_c(rows, 400.0, 9.0) == pytest.approx(360.0)


@pytest.mark.parametrize("bore_mm, l_min, ambient_c", [(4, 3, 23.0), (5, 5, -10.0), (12, 20, 23.0)])
def test_board_never_takes_more_than_the_jet_carries(bore_mm, l_min, ambient_c):
    setup = job(
        station=StationSetup(350.0, l_min / 6e4, bore_m=1e-3 * bore_mm, ambient_c=ambient_c),
        board=replace(job().board, size_m=(150e-3, 150e-3)),
        neighbours=(),
    )
    chain = middle(setup)
    exit_ = chain.blow(Blow(350.0, l_min / 6e4, 5e-3, 0.0, 0.0), 0.05)

    # mass flow times 1.04 kJ/kg/K, the largest specific heat of air between -10 and 350 C (handbooks) and the excess
    carried = exit_.mass_flow_kg_s[0] * 1045.0 * (exit_.temp_c[0] - ambient_c)
    assert chain.model.work.gained_j[0] / 0.05 < carried


def test_joint_stays_at_its_melting_point_for_as_long_as_its_latent_heat_asks():
    setup = job(
        part=replace(job().part, kind="ball_grid", alloy="Sn63Pb37"),
        neighbours=(),
        board=BoardSetup(1.6e-3, (Layer(35e-6, 0.2),), (9.2e-3, 9.2e-3), (0.0, 0.0)),
    )
    chain = middle(setup)
    held_s, t = 0.0, 0.0
    while chain.sites().joint_corner[0] < 195 and t < 60:
        before = chain.model.work.liquid.mean()
        chain.blow(Blow(330.0, 30 / 6e4, 15e-3, 0.0, 0.0), 0.05)
        t += 0.05
        held_s += 0.05 * (0.0 < before < 1.0)
    model = chain.model
    latent_j = float(model.layers.latent_j_m2[0] * 81e-6)

    # 0.35 mm at 6 % solder of 8.4 g/cm3 and 37 to 45 kJ/kg over 81 mm2: 0.53 to 0.64 J
    assert 0.5 < latent_j < 0.7
    assert held_s > 0.05 and model.work.liquid.min() == 1.0
    work = model.work
    balance = work.gained_j - work.lost_j - model.stored_j()
    assert abs(balance[0]) < 1e-6 * work.gained_j[0]


def test_copper_names_no_layers_twice():
    with_pad, without = (
        hot(
            job(
                board=BoardSetup(1.6e-3, (Layer(35e-6, c), Layer(35e-6, 0.8)), (80e-3, 60e-3), (0.0, 0.0)),
                part=replace(job().part, pad_m=(8e-3, 8e-3)),
            ),
            0.5,
        )
        for c in (0.2, 1.0)
    )

    assert with_pad.model.shape.link_x.max() > 1.2 and without.model.shape.link_x.max() == pytest.approx(1.0)
