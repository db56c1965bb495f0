"""What the board model is built from and how it is read, on small grids with temperatures given by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import lagrange

from monitor.heat.board import BoardModel, Footprint, Losses, Part, Slab
from monitor.heat.grid import graded_edges, overlap_share

X_EDGES = np.array([0.0, 2.0, 3.0, 5.5, 6.5, 8.0, 11.0]) * 1e-3
Y_EDGES = np.array([0.0, 1.5, 2.5, 4.0, 6.0, 7.0]) * 1e-3
BOARD = Slab(1.2e-3, 3, (9.0, 13.0), (0.35, 0.5), (2.1e6, 1.8e6), shrink=1.5)
PACKAGE = Slab(0.9e-3, 2, 6.0, (1.2, 0.8), 1.7e6)
PART_AT = Footprint(2e-3, 6.5e-3, 1.5e-3, 6e-3)  # columns 1 to 3, rows 1 to 3


def model_of(joint_cells=1, seed=3, **more):
    joint = Slab(0.25e-3, joint_cells, (2.0, 3.0), (8.0, 5.0), (1.2e6, 1.5e6))
    part = Part(joint, PACKAGE, PART_AT, latent_j_m2=(700.0, 900.0), melt_c=(183.0, 191.0))
    model = BoardModel(X_EDGES, Y_EDGES, BOARD, part, ambient_c=23.0, start_c=40.0, n_members=2, **more)
    rng = np.random.default_rng(seed)
    for field in (model.work.temp_c, model.work.top_c, model.work.bottom_c):
        field[:] = rng.uniform(30, 200, field.shape)
    return model


def test_cells_of_a_layer_shrink_upwards_by_their_ratio():
    thick = model_of().layers.thickness_m

    assert thick[:3].sum() == pytest.approx(1.2e-3) and thick[4:].sum() == pytest.approx(0.9e-3)
    np.testing.assert_allclose(thick[:2] / thick[1:3], 1.5)


def test_graded_cells_are_half_as_thick_at_the_faces():
    thick = BoardModel(X_EDGES, Y_EDGES, Slab(2e-3, 9, 9.0, 0.4, 2e6, graded=True)).layers.thickness_m

    assert thick.sum() == pytest.approx(2e-3)
    np.testing.assert_allclose(thick, thick[::-1])
    assert 0.3 < thick[0] / thick[4] < 0.6 and (np.diff(thick[:5]) > 0).all()


def test_conductance_between_levels_is_that_of_both_halves_in_series():
    model = model_of()
    thick, k_z = model.layers.thickness_m, np.array([[0.35, 0.5]] * 3 + [[8.0, 5.0]] + [[1.2, 0.8]] * 2)

    half_resistance = thick[:, None] / 2 / k_z
    np.testing.assert_allclose(model.layers.half_w_m2k, 1 / half_resistance)
    np.testing.assert_allclose(model.layers.up_w_m2k[:-1], 1 / (half_resistance[:-1] + half_resistance[1:]))
    assert (model.layers.up_w_m2k[-1] == 0).all()


def test_what_a_level_holds_and_spreads_grows_with_its_thickness():
    layers = model_of().layers
    thick = layers.thickness_m[:, None]

    heat = np.array([[2.1e6, 1.8e6]] * 3 + [[1.2e6, 1.5e6]] + [[1.7e6, 1.7e6]] * 2)
    k_xy = np.array([[9.0, 13.0]] * 3 + [[2.0, 3.0]] + [[6.0, 6.0]] * 2)
    np.testing.assert_allclose(layers.capacity_j_m2k, heat * thick)
    np.testing.assert_allclose(layers.spread_w_k, k_xy * thick)


def test_grid_has_its_middles_and_one_link_a_column():
    model = model_of()

    np.testing.assert_allclose(1e3 * model.x_m, [1.0, 2.5, 4.25, 6.0, 7.25, 9.5])
    np.testing.assert_allclose(1e3 * model.y_m, [0.75, 2.0, 3.25, 5.0, 6.5])
    for field, plain in zip(model.shape[-4:], (1.0, 1.0, 0.0, 0.0), strict=True):
        assert field.shape == (5, 6) and (field == plain).all()


def test_part_stands_on_the_columns_of_its_footprint():
    model = model_of()

    expected = np.zeros((5, 6), bool)
    expected[1:4, 1:4] = True
    np.testing.assert_array_equal(model.covered, expected)
    np.testing.assert_allclose(model.area_m2, np.outer(np.diff(Y_EDGES), np.diff(X_EDGES)))
    assert not BoardModel(X_EDGES, Y_EDGES, BOARD, n_members=2).covered.any()


def test_losses_are_kept_in_the_order_of_their_laws():
    model = model_of(losses=Losses((1.0, 2.0, 0.8), (3.0, 4.0, 0.7), 5.0, (1.1, 0.9)))
    e = model.exchange

    assert (e.top_loss.tolist(), e.bottom_loss.tolist(), e.side_w_m2k) == ([1.0, 2.0, 0.8], [3.0, 4.0, 0.7], 5.0)
    assert e.loss_scale.tolist() == [1.1, 0.9] and (e.touch_c == 23.0).all() and (e.bottom_share == 1).all()
    assert not (e.cover_m2k_w.any() or e.bottom_fixed_w_m2k.any() or e.touch_w_m2k.any())


def test_board_begins_at_its_start_temperature():
    model = BoardModel(X_EDGES, Y_EDGES, BOARD, start_c=40.0, n_members=2)

    for field in (model.work.temp_c, model.work.top_c, model.work.bottom_c):
        assert (field == 40.0).all()
    assert (model.stored_j() == 0).all()


def test_faces_of_a_start_are_joined_by_a_line_and_the_part_is_as_its_top():
    model = model_of()
    model.set_faces(80.0, 120.0)

    thick = model.layers.thickness_m[:3]
    middle = np.array([thick[0] / 2, thick[0] + thick[1] / 2, thick[0] + thick[1] + thick[2] / 2])
    np.testing.assert_allclose(model.work.temp_c[:3, 2, 1, 1], 120 - 40 * middle / 1.2e-3)
    assert (model.work.temp_c[3:] == 80).all() and (model.work.top_c == 80).all() and (model.work.bottom_c == 120).all()
    assert (model.stored_j() == 0).all()


@pytest.mark.parametrize("top_c, molten", [(190.0, 0.0), (191.0, 0.0), (192.0, 1.0)])
def test_joints_begin_molten_above_their_liquidus(top_c, molten):
    model = model_of()
    model.set_start(top_c)

    assert (model.work.liquid == molten).all()


def test_begin_clears_the_accounts():
    model = model_of()
    for account in (model.work.lost_j, model.work.gained_j, model.work.touched_j):
        account[:] = 7.0
    model.begin()

    assert not (model.work.lost_j.any() or model.work.gained_j.any() or model.work.touched_j.any())


def test_stored_heat_counts_what_is_there_with_its_fusion():
    model = model_of()
    model.work.liquid[:] = 0.25
    model.begin()
    rng = np.random.default_rng(8)
    risen, molten = rng.uniform(-5, 9, model.work.temp_c.shape), rng.uniform(0, 1, model.work.liquid.shape)
    model.work.temp_c[:] += risen
    model.work.liquid[:] = molten

    expected = np.zeros(2)
    for m in range(2):
        for j, i in np.ndindex(5, 6):
            part = 1 <= j < 4 and 1 <= i < 4
            levels = range(6 if part else 3)
            heat = sum(model.layers.capacity_j_m2k[k, m] * risen[k, j, i, m] for k in levels)
            if part:
                heat += (700.0, 900.0)[m] * (molten[j - 1, i - 1, m] - 0.25)
            expected[m] += heat * model.area_m2[j, i]
    np.testing.assert_allclose(model.stored_j(), expected, rtol=1e-10)


@pytest.mark.parametrize("x_mm, y_mm, j, i", [(4.0, 3.0, 2, 2), (-1.0, 99.0, 4, 0), (10.0, 0.5, 0, 5),
                                              (99.0, -1.0, 0, 5), (2.5, 6.5, 4, 1)])
def test_heat_put_in_at_a_place_warms_the_boards_column_there_evenly(x_mm, y_mm, j, i):
    model = model_of()
    before = model.work.temp_c.copy()
    model.add_heat(1e-3 * x_mm, 1e-3 * y_mm, 0.25)

    rise = model.work.temp_c - before
    held = model.layers.capacity_j_m2k[:3].sum(axis=0) * model.area_m2[j, i]
    np.testing.assert_allclose(rise[:3, j, i], np.tile(0.25 / held, (3, 1)), rtol=1e-9)
    rise[:3, j, i] = 0.0
    assert (rise == 0).all()


def at_boundary(model, k, j, i):
    """Temperature between two levels: the flux through both halves is the same."""
    low, high = model.layers.half_w_m2k[k - 1], model.layers.half_w_m2k[k]
    t = model.work.temp_c
    return (low * t[k - 1, j, i] + high * t[k, j, i]) / (low + high)


def test_top_of_the_board_under_the_part_lies_between_board_and_joint():
    model = model_of()
    top = model.board_top_c()

    for j, i in np.ndindex(5, 6):
        expected = at_boundary(model, 3, j, i) if 1 <= j < 4 and 1 <= i < 4 else model.work.top_c[j, i]
        np.testing.assert_allclose(top[j, i], expected)
    bare = BoardModel(X_EDGES, Y_EDGES, BOARD, n_members=2)
    bare.work.top_c[:] = 77.0
    assert (bare.board_top_c() == 77.0).all()


@pytest.mark.parametrize("cells, levels", [(1, (3,)), (2, (3, 4)), (3, (4,)), (4, (4, 5))])
def test_joints_are_read_in_the_middle_of_their_layer(cells, levels):
    model = model_of(cells)

    np.testing.assert_allclose(model.joint_c(), np.mean([model.work.temp_c[k, 1:4, 1:4] for k in levels], axis=0))


def column_at(model, j, i, z_m, on_board):
    """Lines between the middles of the levels, the boundaries of the layers and both faces."""
    thick, t = model.layers.thickness_m, model.work.temp_c
    heights, temps = [0.0], [model.work.bottom_c[j, i]]
    bottom = np.concatenate([[0.0], np.cumsum(thick)])
    last = 3 if on_board else 6
    for k in range(last):
        if k in (3, 4):
            heights.append(bottom[k])
            temps.append(at_boundary(model, k, j, i))
        heights.append(bottom[k] + thick[k] / 2)
        temps.append(t[k, j, i])
    heights.append(bottom[last])
    temps.append(model.board_top_c()[j, i] if on_board else model.work.top_c[j, i])
    return [np.interp(z_m, heights, np.array(temps)[:, m]) for m in range(2)]


def nearest_four(centres_m, at_m):
    """The four cells about a place, two on either side where there are so many."""
    first = np.clip(np.searchsorted(centres_m, at_m) - 2, 0, max(len(centres_m) - 4, 0))
    return list(range(first, min(first + 4, len(centres_m))))


def probed(model, x_m, y_m, z_m):
    """A cubic along x of cubics along y of the columns' lines, each by scipy."""
    on_board = z_m <= 1.2e-3
    rows, columns = (slice(0, 5), slice(0, 6)) if on_board else (slice(1, 4), slice(1, 4))
    xs, ys = model.x_m[columns], model.y_m[rows]
    js, is_ = nearest_four(ys, y_m), nearest_four(xs, x_m)
    out = []
    for m in range(2):
        along = []
        for i in is_:
            values = [column_at(model, rows.start + j, columns.start + i, z_m, on_board)[m] for j in js]
            along.append(lagrange(1e3 * ys[js], values)(1e3 * y_m))
        out.append(lagrange(1e3 * xs[is_], along)(1e3 * x_m))
    return out


@pytest.mark.parametrize("z_mm", [0.0, 0.07, 0.5, 1.0, 1.15, 1.2, 1.21, 1.4, 1.45, 1.7, 2.2, 2.35])
@pytest.mark.parametrize("x_mm, y_mm", [(4.0, 3.0), (2.4, 5.1), (6.1, 1.9)])
def test_probe_reads_cubics_in_the_plane_and_lines_through_the_thickness(x_mm, y_mm, z_mm):
    model = model_of()

    got = model.probe(1e-3 * x_mm, 1e-3 * y_mm, 1e-3 * z_mm)

    np.testing.assert_allclose(got, probed(model, 1e-3 * x_mm, 1e-3 * y_mm, 1e-3 * z_mm), rtol=1e-7)


@pytest.mark.parametrize("x_mm, y_mm", [(0.3, 6.8), (10.5, 0.2), (4.25, 3.25), (7.25, 5.0)])
def test_probe_reads_the_board_up_to_its_rim(x_mm, y_mm):
    model = model_of()

    got = model.probe(1e-3 * x_mm, 1e-3 * y_mm, 0.6e-3)

    np.testing.assert_allclose(got, probed(model, 1e-3 * x_mm, 1e-3 * y_mm, 0.6e-3), rtol=1e-7)


def test_probe_is_held_beyond_the_top():
    model = model_of()

    np.testing.assert_allclose(model.probe(4e-3, 3e-3, 9e-3), model.probe(4e-3, 3e-3, 2.35e-3))


def test_cells_grow_from_what_is_wanted_by_the_distance():
    edges = graded_edges([0.0, 100.0], [(30.0, 34.0, 1.0)], coarsest_m=8.0, growth=0.2)

    for middle, size in zip((edges[1:] + edges[:-1]) / 2, np.diff(edges), strict=True):
        away = max(30.0 - middle, middle - 34.0, 0.0)
        assert size == pytest.approx(min(8.0, 1.0 + 0.2 * away), rel=0.12)
    assert (edges[0], edges[-1]) == (0.0, 100.0)


def test_piece_between_fixed_places_has_the_nearest_number_of_cells():
    np.testing.assert_allclose(graded_edges([0.0, 10.0], [], coarsest_m=3.0), np.linspace(0, 10, 4))
    np.testing.assert_allclose(graded_edges([0.0, 10.0, 10.4], [], coarsest_m=4.1), [0.0, 5.0, 10.0, 10.4])


def test_share_of_every_cell_between_two_places():
    edges = np.array([0.0, 2.0, 3.0, 7.0, 8.0])

    np.testing.assert_allclose(overlap_share(edges, 1.5, 4.0), [0.25, 1.0, 0.25, 0.0])
    np.testing.assert_allclose(overlap_share(edges, -3.0, -1.0), 0.0)
