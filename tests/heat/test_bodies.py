"""Protections, slots, copper, leads, parts and readings on a plain board, against sums over its columns."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from monitor.errors import InputError
from monitor.heat import material
from monitor.heat.alloy import find_alloy
from monitor.heat.board import BoardModel, Footprint, Losses, Part, Slab
from monitor.heat.copper import cut_out, lay_leads, lay_pad
from monitor.heat.part import (
    KINDS,
    PartShape,
    body_half_m,
    joint_latent_j_m2,
    package_heat_j_m3k,
    package_kind,
    part_shape,
)
from monitor.heat.protect import Body, apply_protection
from monitor.heat.readout import highest, readout, weighted, weighted_product
from monitor.heat.settle import settle
from monitor.heat.types import BoardSetup, Layer, PartSetup, Protection, RegionSetup
from tests.heat.cases import rectangle

X_EDGES = np.array([0.0, 2.0, 3.0, 5.5, 6.5, 8.0, 11.0]) * 1e-3
Y_EDGES = np.array([0.0, 1.5, 2.5, 4.0, 6.0, 7.0]) * 1e-3
DX, DY = np.diff(X_EDGES), np.diff(Y_EDGES)


def model_of(**more):
    part = Part(Slab(0.25e-3, 1, 2.0, 8.0, 1.2e6), Slab(0.9e-3, 2, 6.0, 1.2, 1.7e6),
                Footprint(2e-3, 6.5e-3, 1.5e-3, 4e-3))
    more = {"losses": Losses((0.0, 1.5, 0.9), (0.3, 0.8, 0.9), 10.0), "ambient_c": 23.0, "start_c": 23.0, **more}
    return BoardModel(X_EDGES, Y_EDGES, Slab(1.2e-3, 3, 9.0, 0.35, 2.1e6), part, n_members=2, **more)


SHARE = np.random.default_rng(3).uniform(0.1, 0.9, (5, 6)) * (np.arange(6) < 4)


def protected(kind, model=None, share=SHARE, **values):
    model = model or model_of()
    return model, apply_protection(model, Protection(kind, None, values), share, 23.0)


def test_tape_lays_its_resistance_and_that_of_the_air_under_it():
    k_air = material.air_gap_w_m2k(1.0)
    plain, puffed = (protected("tape", **v)[0].exchange.cover_m2k_w for v in ({}, {"gap_m": 2e-4}))

    np.testing.assert_allclose(plain, SHARE / 4050)  # 10 % at 450 W/m2/K
    np.testing.assert_allclose(puffed, SHARE * (1 / 4050 + 2e-4 / k_air))
    twice = apply_and_read("tape", "tape")
    np.testing.assert_allclose(twice, 2 * SHARE / 4050)


def apply_and_read(*kinds):
    model = model_of()
    for kind in kinds:
        protected(kind, model)
    return model.exchange.cover_m2k_w


def test_shield_lets_conduction_and_radiation_through_side_by_side():
    model, _ = protected("shield_above", gap_m=1.5e-3)

    through = material.air_gap_w_m2k(1.5e-3, 150.0) + 0.82 * 5.670374419e-8 * 4 * (150 + 273.15) ** 3
    np.testing.assert_allclose(model.exchange.cover_m2k_w, SHARE / through, rtol=1e-6)


def test_still_air_below_takes_the_place_of_the_open_loss():
    model, _ = protected("gap_below", gap_m=20e-3)
    hot, cold = 373.15, 296.15
    radiated = 5.670374419e-8 * (hot**4 - cold**4) / 77.0

    closed, open_ = material.air_gap_w_m2k(20e-3) + 0.82 * radiated, 0.3 + 0.8 * 77.0**0.25 + 0.9 * radiated
    assert closed < open_
    np.testing.assert_allclose(model.exchange.bottom_share, 1 - SHARE * (1 - closed / open_), rtol=1e-6)


def test_narrow_gap_below_is_no_gain():
    assert (protected("gap_below", gap_m=1e-4)[0].exchange.bottom_share == 1.0).all()


def test_block_touches_by_its_contact_and_takes_the_place_of_the_loss():
    model, body = protected("metal_block", mass_kg=0.03, contact_w_m2k=800.0, cp_j_kgk=400.0, temp_c=35.0)

    np.testing.assert_allclose(model.exchange.touch_w_m2k, 800 * SHARE)
    np.testing.assert_allclose(model.exchange.bottom_share, 1 - SHARE)
    area = sum(DX[i] * DY[j] * SHARE[j, i] for j, i in np.ndindex(5, 6))
    assert (body.heat_j_k, body.loss_w_k, body.is_held) == pytest.approx((12.0, 45 * area, True))
    assert body.temp_c.tolist() == [35.0, 35.0]


def test_block_of_which_little_is_said_is_of_aluminium_and_as_warm_as_the_room():
    model, body = protected("metal_block", mass_kg=0.03)

    assert body.heat_j_k == 27.0 and not body.is_held and body.temp_c.tolist() == [23.0, 23.0]
    np.testing.assert_allclose(model.exchange.touch_w_m2k, 1000 * SHARE)


def test_preheater_warms_what_nothing_touches():
    model, _ = protected("metal_block", mass_kg=0.03, share=SHARE * (np.arange(6) < 2))
    _, heater = protected("preheater", model, np.full((5, 6), 0.5), temp_c=150.0, exchange_w_m2k=30.0)

    np.testing.assert_allclose(model.exchange.touch_w_m2k[:, 2:], 15.0)
    np.testing.assert_allclose(model.exchange.touch_w_m2k[:, :2], 1000 * SHARE[:, :2])
    np.testing.assert_allclose(model.exchange.bottom_share[:, 2:], 0.5)
    np.testing.assert_allclose(model.exchange.bottom_share[:, :2], 1 - SHARE[:, :2])
    assert heater.temp_c.tolist() == [150.0, 150.0] and heater.heat_j_k == 0
    assert protected("preheater", temp_c=150.0)[0].exchange.touch_w_m2k[1, 1] == pytest.approx(25 * SHARE[1, 1])


def test_block_follows_what_it_takes_and_loses():
    model = model_of()
    body = Body(SHARE, 3.0, 0.2, np.array([30.0, 50.0]))
    model.work.touch_w_m2[:] = np.random.default_rng(2).uniform(-900, -100, model.work.touch_w_m2.shape)
    body.follow(model, 0.5, 23.0)

    for m, start in enumerate((30.0, 50.0)):
        taken = -sum(DX[i] * DY[j] * model.work.touch_w_m2[j, i, m] for j, i in np.ndindex(5, 6) if i < 4)
        assert body.temp_c[m] == pytest.approx(start + 0.5 * (taken - 0.2 * (start - 23)) / 3.0)
    np.testing.assert_allclose(model.exchange.touch_c[:, :4], np.broadcast_to(body.temp_c, (5, 4, 2)))
    assert (model.exchange.touch_c[:, 4:] == 23.0).all()


def test_heater_keeps_its_temperature_which_the_model_is_told_once():
    model, body = model_of(), Body(SHARE, 0.0, 0.0, np.array([150.0, 160.0]))
    body.follow(model, 0.5, 23.0)
    assert (model.exchange.touch_c == 23.0).all()
    body.follow(model, 0.0, 23.0)

    assert (model.exchange.touch_c[0, 0] == [150.0, 160.0]).all() and body.temp_c.tolist() == [150.0, 160.0]


def settled(*bodies_of):
    """A board brought into balance over a heater and a block."""
    model = model_of(losses=Losses((8.0, 0, 0), (8.0, 0, 0), 0.0))
    left, right = np.zeros((2, 5, 6))
    left[:, :2], right[:, 4:] = 1.0, 1.0
    bodies = [protected(kind, model, share, **values)[1] for kind, share, values in (
        ("preheater", left, {"temp_c": 150.0}), ("metal_block", right, {"mass_kg": 0.02, **dict(bodies_of)}))]
    for body in bodies:
        body.follow(model, 0.0, 23.0)
    settle(model, bodies, 23.0)
    return model, bodies


def test_balanced_board_neither_gains_nor_loses():
    model, (_, block) = settled()
    before, still = model.work.temp_c.copy(), np.zeros_like(model.work.top_c)
    for _ in range(5):
        model.step(still, still + 23.0, 1.0)

    assert np.ptp(before[0]) > 5
    np.testing.assert_allclose(model.work.temp_c, before, atol=1.0)
    into = (model.area_m2[:, 4:, None] * -model.work.touch_w_m2[:, 4:]).sum((0, 1))  # W, into the block
    np.testing.assert_allclose(into, block.loss_w_k * (block.temp_c - 23.0), rtol=0.1)
    assert (block.temp_c > 30).all()


def test_board_that_settles_slowly_is_brought_to_its_balance():
    edge = np.array([0.0, 10e-3])
    model = BoardModel(edge, edge, Slab(1.2e-3, 2, 9.0, 1e4, 2.1e6), losses=Losses((1.0, 0, 0), (9.0, 0, 0), 0.0,
                       (0.8, 1.5)), ambient_c=23.0, start_c=23.0, n_members=2)
    _, heater = protected("preheater", model, np.ones((1, 1)), temp_c=150.0, exchange_w_m2k=2.0)
    heater.follow(model, 0.0, 23.0)
    settle(model, [heater], 23.0)

    for m, loss in enumerate((0.8, 1.5)):  # a time constant of a quarter of an hour; what it gains it loses on top
        assert model.work.temp_c[0, 0, 0, m] == pytest.approx((2 * 150 + loss * 23) / (2 + loss), abs=0.02)


def test_block_with_a_temperature_of_its_own_keeps_it_in_the_balance():
    _, (_, block) = settled(("temp_c", 40.0))

    assert block.temp_c.tolist() == [40.0, 40.0]


def test_blocks_alone_need_no_balance():
    model = model_of()
    _, body = protected("metal_block", model, mass_kg=0.02)
    model.work.temp_c[:] = 77.0
    settle(model, [body], 23.0)

    assert (model.work.temp_c == 77.0).all() and body.temp_c.tolist() == [23.0, 23.0]


def test_slot_blocks_the_links_that_it_crosses_by_their_share():
    model = model_of()
    gone = cut_out(model, [shapely.box(6.9e-3, 4.5e-3, 7.5e-3, 6.4e-3)])  # narrower than its column

    link_x, link_y = np.ones((5, 6)), np.ones((5, 6))
    link_x[3, 4] = 1 - 1.5 / 2.0  # between the middles of columns 4 and 5, 7.25 and 9.5 mm: rows 3 and 4
    link_x[4, 4] = 1 - 0.4 / 1.0
    link_x[3, 3] = 1 - 1.5 / 2.0  # and of 3 and 4, 6.0 and 7.25 mm
    link_x[4, 3] = 1 - 0.4 / 1.0
    link_y[3, 4] = 1 - 0.6 / 1.5  # between rows 3 and 4
    link_y[2, 4] = 1 - 0.6 / 1.5  # and of 2 and 3, 3.25 and 5.0 mm
    assert not gone.any()
    np.testing.assert_allclose(model.shape.link_x, link_x)
    np.testing.assert_allclose(model.shape.link_y, link_y)


def test_slot_at_the_near_corner_blocks_only_what_it_crosses():
    model = model_of()
    cut_out(model, [shapely.box(2.1e-3, 0.3e-3, 2.6e-3, 1.1e-3)])

    link_x, link_y = np.ones((5, 6)), np.ones((5, 6))
    link_x[0, :2] = 1 - 0.8 / 1.5  # on both sides of the column's middle, 2.5 mm
    link_y[0, 1] = 1 - 0.5 / 1.0  # beyond the row's middle, 0.75 mm
    np.testing.assert_allclose(model.shape.link_x, link_x)
    np.testing.assert_allclose(model.shape.link_y, link_y)


def test_columns_that_lie_in_a_cut_out_are_no_board():
    model = model_of()
    protected("metal_block", model, np.ones((5, 6)), mass_kg=0.01)
    model.exchange.bottom_fixed_w_m2k[:] = 4.0
    gone = cut_out(model, [shapely.box(6.4e-3, 3.9e-3, 11e-3, 6.6e-3)])

    expected = np.zeros((5, 6), bool)
    expected[3:, 4:] = True  # 0.6 of the last row lie in it
    np.testing.assert_array_equal(gone, expected)
    assert (model.shape.link_x[3:, 3:5] == 0).all() and (model.shape.link_y[2:4, 4:] == 0).all()
    assert (model.shape.link_x[:2] == 1).all() and (model.shape.link_y[:, :3] == 1).all()
    e = model.exchange
    assert (e.cover_m2k_w[gone] == 1e6).all() and (e.cover_m2k_w[~gone] == 0).all()
    for field in (e.bottom_share, e.bottom_fixed_w_m2k, e.touch_w_m2k):
        assert (field[gone] == 0).all()
    assert (e.bottom_fixed_w_m2k[~gone] == 4).all() and (e.touch_w_m2k[~gone] == 1000).all()


def test_column_that_is_half_gone_is_still_board():
    assert not cut_out(model_of(), [shapely.box(8e-3, 0.0, 9.5e-3, 1.5e-3)]).any()


def test_pad_joins_the_layers_by_its_holes_and_fills_the_copper():
    model, board = model_of(), BoardSetup(1.2e-3, (Layer(35e-6, 0.3), Layer(70e-6, 0.8)))
    part = PartSetup(RegionSetup("U7", rectangle(0, 0, 4, 3)), vias=7, via_drill_m=0.4e-3, via_barrel_m=20e-6)
    lay_pad(model, SHARE, part, board)

    area = sum(DX[i] * DY[j] * SHARE[j, i] for j, i in np.ndindex(5, 6))
    copper = np.pi * ((0.2e-3) ** 2 - (0.18e-3) ** 2)
    np.testing.assert_allclose(model.shape.via_w_mk, SHARE * 7 * 390 * copper / area)
    layers = ((35e-6, 0.3), (70e-6, 0.8))
    plain = material.stack_in_plane_w_mk(1.2e-3, layers) * 1.2e-3
    gain = 1 + SHARE * (390 - material.foil_w_mk(0.3)) * 35e-6 / plain  # of the layer on top
    series = lambda a, b: 1 / (0.5 / a + 0.5 / b)
    np.testing.assert_allclose(model.shape.link_x[:, :-1], series(gain[:, :-1], gain[:, 1:]))
    np.testing.assert_allclose(model.shape.link_y[:-1], series(gain[:-1], gain[1:]))
    assert (model.shape.link_x[:, -1] == 1).all() and (model.shape.link_y[-1] == 1).all()


def test_leads_add_their_metal_by_the_share_of_the_ring():
    model = model_of()
    lay_leads(model, SHARE)

    np.testing.assert_allclose(model.shape.lead_w_mk, 14.0 * SHARE)  # 7 % of 200 W/m/K


@pytest.mark.parametrize("turn_deg, angle_deg, sides", [(0, 0, (9, 4)), (30, 30, (9, 4)), (80, -10, (4, 9)),
                                                       (-60, 30, (4, 9)), (-20, -20, (9, 4))])
def test_part_is_the_rectangle_about_its_outline(turn_deg, angle_deg, sides):
    z = (np.array(rectangle(0, 0, 9, 4)) @ [1, 1j]) * np.exp(1j * math.radians(turn_deg)) + complex(5e-3, -3e-3)
    shape = part_shape(PartSetup(RegionSetup("U7", tuple((p.real, p.imag) for p in z), 1.5e-3)))

    assert math.degrees(shape.angle_rad) == pytest.approx(angle_deg, abs=1e-6)
    assert (shape.length_m, shape.width_m) == pytest.approx((1e-3 * sides[0], 1e-3 * sides[1]))
    assert shape.centre_m == pytest.approx((5e-3, -3e-3))
    assert (shape.area_m2, shape.volume_m3) == pytest.approx((36e-6, 54e-9))


def test_outline_without_an_area_is_refused():
    with pytest.raises(InputError, match="no area"):
        part_shape(PartSetup(RegionSetup("U7", ((0.0, 0.0), (1e-3, 1e-3), (2e-3, 2e-3)))))
    with pytest.raises(InputError, match="crosses itself"):
        part_shape(PartSetup(RegionSetup("U7", ((0, 0), (1e-3, 1e-3), (1e-3, 0), (0, 1e-3)))))


@pytest.mark.parametrize("sides_mm, body_mm", [((10, 6), (10, 4)), ((6, 10), (4, 10)), ((10, 9), (8, 7)),
                                               ((13, 10), (13, 8)), ((12.9, 10), (10.9, 8)), ((2, 1.8), (1.2, 1.08)),
                                               ((10, 4), (10, 2.4))])  # and by two fifths of a half side at most
def test_leads_stand_out_at_all_sides_of_a_square_part_else_at_the_long_ones(sides_mm, body_mm):
    shape = PartShape((0.0, 0.0), 0.0, 1e-3 * sides_mm[0], 1e-3 * sides_mm[1], 1e-3)

    assert body_half_m("leaded", shape) == pytest.approx((0.5e-3 * body_mm[0], 0.5e-3 * body_mm[1]))
    assert body_half_m("ball_grid", shape) == pytest.approx((0.5e-3 * sides_mm[0], 0.5e-3 * sides_mm[1]))


def test_heat_of_a_part_comes_from_its_mass_or_its_kind():
    kind, shape = package_kind("leaded"), PartShape((0.0, 0.0), 0.0, 10e-3, 4e-3, 1.5e-3)
    part = PartSetup(RegionSetup("U7", rectangle(0, 0, 10, 4)), "leaded")
    alloy = find_alloy("SAC305")

    assert package_heat_j_m3k(kind, part, shape) == 1.75e6
    assert package_heat_j_m3k(kind, replace(part, mass_kg=1.5e-4), shape) == pytest.approx(1.5e-4 * 800 / 60e-9)
    joint = KINDS["leaded"].joint_m * 0.05 * alloy.density_kg_m3  # kg/m2 of solder
    assert joint_latent_j_m2(kind, alloy) == pytest.approx(joint * alloy.fusion_kj_kg * 1000)


def test_unknown_kind_of_part_names_the_known_ones():
    with pytest.raises(InputError, match="ball_grid"):
        package_kind("tube")


def test_region_is_hottest_between_the_cells_where_the_face_is():
    x, y = (X_EDGES[1:] + X_EDGES[:-1]) / 2, (Y_EDGES[1:] + Y_EDGES[:-1]) / 2
    read = readout(shapely.box(3.3e-3, 2.2e-3, 7.6e-3, 5.2e-3), x, y)
    plane = 20 + 9e3 * x[None, :] - 5e3 * y[:, None]
    face = np.stack([plane, -plane], axis=-1).reshape(-1, 2)

    np.testing.assert_allclose(read.weights.sum(axis=0), 1.0)
    # a plane is read exactly: hottest at the corner towards which it rises
    np.testing.assert_allclose(read.hottest(face), [20 + 9 * 7.6 - 5 * 2.2, -(20 + 9 * 3.3 - 5 * 5.2)], atol=0.6)
    peak = np.zeros((5, 6, 1))
    peak[2, 3] = 100.0  # a cell's middle within the region: 6.0 and 3.25 mm
    assert 60 < read.hottest(peak.reshape(-1, 1))[0] <= 100.0


def test_points_of_a_region_are_its_rim_and_a_grid_within():
    x, y = np.linspace(0, 10, 11), np.linspace(0, 8, 9)
    read = readout(shapely.box(1.0, 2.0, 7.0, 5.0), x, y)
    at_x, at_y = ((read.weights * v).sum(axis=0) for v in (x[read.cells % 11], y[read.cells // 11]))

    assert at_x.size == 32 + 25
    on_rim = np.isclose(np.minimum(np.minimum(at_x - 1, 7 - at_x), np.minimum(at_y - 2, 5 - at_y)), 0)
    assert on_rim.sum() == 32
    assert sorted(set(at_x[~on_rim].round(9))) == [2, 3, 4, 5, 6] and sorted(set(at_y[~on_rim].round(9))) == [
        2.5, 3, 3.5, 4, 4.5]


def test_points_beyond_the_outermost_cells_read_those():
    read = readout(shapely.box(-5.0, -5.0, 20.0, 20.0), np.array([1.0, 2.0, 4.0]), np.array([3.0, 5.0]))
    face = np.arange(6.0)[:, None]

    assert read.hottest(face)[0] == 5.0 and read.hottest(-face)[0] == 0.0
    assert (read.weights >= 0).all() and read.cells.max() <= 5
    single = readout(shapely.box(0.0, 0.0, 9.0, 9.0), np.array([1.0]), np.array([3.0, 5.0]))
    assert single.weights.shape[0] == 4


def test_means_over_cells_are_weighted_sums():
    rng = np.random.default_rng(1)
    first, second, cells, weights = rng.normal(size=(9, 3)), rng.normal(size=(9, 3)), np.array([1, 4, 8]), rng.uniform(
        0.1, 1, 3)

    np.testing.assert_array_equal(highest(first, cells), first[cells].max(axis=0))
    np.testing.assert_allclose(weighted(first, cells, weights), weights @ first[cells])
    np.testing.assert_allclose(weighted_product(first, second, cells, weights),
                               [weights @ first[cells], weights @ (first * second)[cells]])
