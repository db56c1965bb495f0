"""What lies between station and board, piece by piece: frame, materials, jet, neighbours' bodies, sites."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from monitor.heat import air, jet, material
from monitor.heat.chain import Blow, Chain, Fineness, outlet, part_edges, strength
from monitor.heat.part import package_kind
from monitor.heat.types import BoardSetup, Layer, PartSetup, RegionSetup, StationSetup
from monitor.heat.uncertainty import draw_scores, parameters
from tests.heat.cases import job, rectangle

TINY = Fineness(part_cells=4, smallest_m=1e-3, coarsest_m=9e-3, neighbour_m=3e-3, growth=1.0, board_levels=2,
                package_levels=2, shrink=1.2)
SCORES = draw_scores(8, 17)[:, [0, 3, 11]]  # the middle and two others
STATION = StationSetup(390.0, 4.2e-4, 15.0, 5.6e-3, 21.0)
LAYERS = (Layer(35e-6, 0.3), Layer(70e-6, 0.7))
UNDER = RegionSetup("C3", rectangle(-14, 9, 5, 3), 1.3e-3, is_below=True)
OVER = RegionSetup("J1", rectangle(15, -6, 5, 8), 2e-3)


def chain(neighbours=(OVER, UNDER), part=None, board=None, **more):
    board = board or BoardSetup(1.4e-3, LAYERS, (70e-3, 52e-3), (3e-3, -2e-3))
    part = part or PartSetup(RegionSetup("U7", rectangle(1, 2, 10, 7), 1.1e-3), "leadless")
    return Chain(job(board=board, part=part, neighbours=neighbours, station=STATION), parameters(SCORES), TINY, **more)


JET = Blow(390.0, 4.2e-4, 11e-3, np.array([2e-3, 3e-3, 0.0]), np.array([1e-3, -2e-3, 4e-3]), 0.35, 2.1,
           duty=np.array([1.0, 0.8, 0.9]), rise=np.array([1.0, 0.9, 1.1]), width=np.array([1.0, 1.2, 0.9]))


def test_strength_of_a_leaning_jet_counts_its_path_along_the_axis():
    values = parameters(SCORES)
    exit_ = outlet(STATION, values, 390.0, 4.2e-4)
    felt = strength(STATION, values, exit_, JET)

    path = 11e-3 / math.cos(0.35)
    wide = 5.6e-3 * np.sqrt(air.density_kg_m3(exit_.temp_c) / air.density_kg_m3(21.0))
    share = jet.decay_share(path, wide, values.decay_constant(exit_.reynolds))
    np.testing.assert_allclose(felt.rise_k, share * (exit_.temp_c - 21.0) * JET.rise)
    np.testing.assert_allclose(felt.film_w_m2k, exit_.film_w_mk / 5.6e-3 * values.film_gain(exit_.reynolds) * JET.duty)
    np.testing.assert_allclose(felt.bend, 0.1 * (path / 5.6e-3 - 6))
    np.testing.assert_allclose(felt.radius_m, values.spread * (1.5 * 5.6e-3 + 0.11 * path) * JET.width)


def test_outlet_takes_each_members_airflow_and_share_of_the_rise():
    values = parameters(SCORES)
    exit_ = outlet(STATION, values, 390.0, 4.2e-4)

    np.testing.assert_allclose(exit_.temp_c, 21.0 + values.exit_factor * 369.0)
    np.testing.assert_allclose(exit_.mass_flow_kg_s, 4.2e-4 * values.airflow * air.density_kg_m3(15.0))


def laid(blow, x_m, y_m):
    """Film and arrival of a jet on a grid: it meets the board uphill of its axis and gives no more than it carries."""
    values = parameters(SCORES)
    exit_ = outlet(STATION, values, 390.0, 4.2e-4)
    felt = strength(STATION, values, exit_, blow)
    film, arrival = np.zeros((2, y_m.size, x_m.size, 3))
    uphill = min(0.02 * math.degrees(blow.tilt_rad), 0.5) * 5.6e-3
    lean = np.exp(1j * blow.azimuth_rad) * np.ones(3)
    at = blow.aim_x_m - 3e-3 + 1j * (blow.aim_y_m + 2e-3) - uphill * lean
    landing = jet.Impingement(at.real.copy(), at.imag.copy(), lean.real.copy(), lean.imag.copy(),
                              np.ones(3) / math.cos(blow.tilt_rad))
    jet.spread_over(x_m, y_m, landing, felt, 5.6e-3, 21.0, film, arrival)
    return film, arrival, exit_


def limited(c, blow):
    """The same with no more than the air carries given to a board at ambient."""
    film, arrival, exit_ = laid(blow, c.model.x_m, c.model.y_m)
    mean_c = 0.5 * (exit_.temp_c + 21.0)
    carried = exit_.mass_flow_kg_s * air.heat_capacity_j_kgk(mean_c) * (exit_.temp_c - 21.0)
    used = (c.model.area_m2[..., None] * film * (arrival - 21.0)).sum(axis=(0, 1)) / carried
    return film * (1 + used**4) ** -0.25, arrival, used


@pytest.mark.parametrize("tilt_rad", [0.35, 0.6])
def test_jet_is_laid_uphill_of_its_aim_and_limited_to_what_it_carries(tilt_rad):
    c, blow = chain(), JET._replace(tilt_rad=tilt_rad)
    c.blow(blow, 0.05)

    film, arrival, used = limited(c, blow)
    assert (used > 0.2).all()
    np.testing.assert_allclose(c.model.work.jet_w_m2, film * (arrival - c.model.work.top_c), rtol=1e-9)


def test_mean_of_a_sweep_is_that_of_its_jets():
    places = [(np.array([2e-3, 3e-3, 0.0]), np.array([1e-3, 0.0, 0.0])), (np.full(3, -4e-3), np.full(3, 5e-3))]
    c = chain()
    c.aim(JET, places)
    c.keep(0.05)

    film, driven = np.zeros((2, *c.model.work.top_c.shape))
    for x, y in places:
        one, arrival, _ = limited(c, JET._replace(aim_x_m=x, aim_y_m=y))
        film += one / 2
        driven += one * arrival / 2
    np.testing.assert_allclose(c.model.work.jet_w_m2, driven - film * c.model.work.top_c, rtol=1e-9)


def test_jet_moves_with_the_setpoint_of_now():
    c = chain()
    first = c.blow(JET, 0.05).temp_c[0]
    second = c.blow(JET._replace(setpoint_c=200.0), 0.05).temp_c[0]
    third = c.blow(JET._replace(airflow_m3_s=2e-4), 0.05)

    assert (first, second) == pytest.approx((21 + 0.93 * 369, 21 + 0.93 * 179))
    assert third.mass_flow_kg_s[0] == pytest.approx(2e-4 * air.density_kg_m3(15.0))


def test_energy_is_power_over_time_and_a_rest_adds_none_to_the_part():
    c = chain()
    c.blow(JET, 0.2)
    first = c.power_w()
    c.blow(JET, 0.3)
    second = c.power_w()
    c.rest(0.4)

    np.testing.assert_allclose(c.energy_j, 0.2 * first + 0.3 * second + 0.4 * c.power_w(), rtol=1e-12)
    assert (c.power_w()[:2] == 0).all()


def shares_of(c, region):
    """Area of every column within a region [m2], column by column; the board's frame lies along the bench's."""
    polygon = shapely.Polygon(np.array(region.polygon_m) - np.array([3e-3, -2e-3]))
    x, y = c.model.x_edges_m, c.model.y_edges_m
    return np.array([[polygon.intersection(shapely.box(x[i], y[j], x[i + 1], y[j + 1])).area
                      for i in range(x.size - 1)] for j in range(y.size - 1)])


def test_power_from_the_jet_is_its_flux_over_the_part_and_over_each_neighbour():
    c = chain()
    c.blow(JET, 0.1)
    flux, got = c.model.work.jet_w_m2, c.power_w()

    np.testing.assert_allclose(got[0], ((c.model.area_m2 * c.model.covered)[..., None] * flux).sum((0, 1)))
    np.testing.assert_allclose(got[1], (shares_of(c, OVER)[..., None] * flux).sum((0, 1)))


def test_part_below_is_warmed_through_its_own_resistance():
    c = chain()
    area, body_c = shares_of(c, UNDER), np.full(3, 21.0)
    tie, capacity = 1.0 / 1.3e-3, 1.9e6 * 1.3e-3  # W/m2/K, J/m2/K of a moulded part; practice, no source
    for dt_s in (0.3, 0.5, 0.4):
        c.blow(JET, dt_s)
        under = (area[..., None] * c.model.work.bottom_c).sum((0, 1)) / area.sum()
        body_c = (capacity / dt_s * body_c + tie * under) / (capacity / dt_s + tie)  # backward Euler

    np.testing.assert_allclose(c.power_w()[2], tie * area.sum() * (under - body_c), rtol=1e-6)


def test_part_on_top_is_warmed_by_the_jet_too():
    tall = replace(OVER, height_m=0.4e-3)
    c = chain((tall,))
    area, body_c = shares_of(c, tall), np.full(3, 21.0)
    tie, capacity = 1.0 / 0.4e-3, 1.9e6 * 0.4e-3
    for dt_s in (0.3, 0.5):
        c.blow(JET, dt_s)
        work = c.model.work
        mean = lambda face: (area[..., None] * face).sum((0, 1)) / area.sum()
        film, arrival, _ = laid(JET, c.model.x_m, c.model.y_m)
        lowered = work.jet_w_m2 / (arrival - work.top_c)  # the film as it was limited
        h, driven, under = mean(lowered), mean(lowered * arrival), mean(work.top_c)
        body_c = (capacity / dt_s * body_c + driven + tie * under) / (capacity / dt_s + h + tie)

    np.testing.assert_allclose(c.state()[10][0], body_c, rtol=1e-6)


def test_neighbour_off_the_board_stays_as_it_was():
    c = chain((replace(OVER, polygon_m=rectangle(80, 0, 4, 4)), UNDER))
    c.blow(JET, 0.5)

    assert (c.state()[10][0] == 21.0).all() and (c.state()[10][1] > 21.0).all()


def scattered(c, seed=2):
    """Random temperatures all over."""
    rng, work = np.random.default_rng(seed), c.model.work
    for field in (work.temp_c, work.top_c, work.bottom_c):
        field[:] = rng.uniform(50, 250, field.shape)
    return c.sites(), work


def test_sites_are_the_hottest_of_their_faces():
    c = chain()
    sites, work = scattered(c)
    on, top = c.model.covered, work.top_c

    np.testing.assert_array_equal(sites.package_top, top[on].max(axis=0))
    np.testing.assert_array_equal(sites.board_top, top[~on].max(axis=0))
    np.testing.assert_array_equal(sites.underside, work.bottom_c.reshape(-1, 3).max(axis=0))


@pytest.mark.parametrize("length_mm, width_mm", [(10, 7), (8, 8), (12, 5), (5, 12)])
def test_joints_are_read_in_the_middle_and_at_the_coldest(length_mm, width_mm):
    c = chain(part=PartSetup(RegionSetup("U7", rectangle(1, 2, length_mm, width_mm), 1.1e-3), "leadless"))
    sites, _ = scattered(c)
    joints = c.model.joint_c()

    rows, columns = ([n // 2] if n % 2 else [n // 2 - 1, n // 2] for n in joints.shape[:2])
    np.testing.assert_allclose(sites.joint_centre, joints[np.ix_(rows, columns)].mean(axis=(0, 1)))
    np.testing.assert_array_equal(sites.joint_corner, joints.min(axis=(0, 1)))


def test_joints_of_leads_lie_in_the_ring_around_the_body():
    c = chain(part=PartSetup(RegionSetup("U7", rectangle(1, 2, 12, 6), 1.1e-3), "leaded"))
    sites, work = scattered(c)

    # leads stand out 1 mm at both long sides (JEDEC MS-012): the body is 12 by 4 mm
    y = c.model.y_m[c.model.covered.any(axis=1)] - 4e-3  # from the part's middle, 2 mm and the board's -2 mm
    ring = abs(y) > 2e-3
    assert 0 < ring.sum() < ring.size
    joints = c.model.joint_c()
    np.testing.assert_allclose(sites.joint_centre, joints[ring].mean(axis=(0, 1)))
    np.testing.assert_allclose(sites.joint_corner, joints[ring].min(axis=(0, 1)))
    np.testing.assert_allclose(sites.package_top, work.top_c[c.model.covered].reshape(
        ring.size, -1, 3)[~ring].max(axis=(0, 1)))


def test_neighbours_read_the_face_that_they_stand_on():
    c = chain()
    c.model.work.top_c[:], c.model.work.bottom_c[:] = 90.0, 60.0

    np.testing.assert_allclose(c.sites().neighbours, [[90.0] * 3, [60.0] * 3])


def test_materials_of_the_board_are_scaled_by_what_is_not_known():
    c, values = chain(), parameters(SCORES)
    layers, rows = c.model.layers, ((35e-6, 0.3), (70e-6, 0.7))
    thick = layers.thickness_m[:2, None]

    k_xy, k_z = (f(1.4e-3, rows) for f in (material.stack_in_plane_w_mk, material.stack_through_w_mk))
    np.testing.assert_allclose(layers.spread_w_k[:2], thick * k_xy * values.board_k)
    np.testing.assert_allclose(layers.half_w_m2k[:2], 2 * k_z * np.sqrt(values.board_k) / thick)
    np.testing.assert_allclose(layers.capacity_j_m2k[:2],
                               thick * material.stack_heat_capacity_j_m3k(1.4e-3, rows) * values.capacity)
    assert layers.thickness_m[:2].sum() == pytest.approx(1.4e-3)
    assert layers.thickness_m[0] == pytest.approx(1.2 * layers.thickness_m[1])


def test_materials_of_the_part_are_those_of_its_kind():
    c, values, kind = chain(), parameters(SCORES), package_kind("leadless")
    layers = c.model.layers
    thick = layers.thickness_m[2:, None]

    assert thick[0, 0] == kind.joint_m and thick[1:].sum() == pytest.approx(1.1e-3)
    np.testing.assert_allclose(layers.capacity_j_m2k[3:], thick[1:] * kind.heat_j_m3k * values.capacity)
    # joints are solder and air by their share of the volume: SAC305 holds 7400 * 230 J/m3/K, handbook, from memory
    np.testing.assert_allclose(layers.capacity_j_m2k[2], kind.joint_m * (0.5 * 7400 * 230 + 0.5 * 1e3))


def test_board_loses_heat_by_the_size_of_its_faces():
    c, values = chain(), parameters(SCORES)
    length = 70e-3 * 52e-3 / (2 * (70e-3 + 52e-3))  # area over perimeter

    top, bottom = c.model.exchange.top_loss, c.model.exchange.bottom_loss
    np.testing.assert_allclose(top, [0.0, material.natural_convection(length, True), 0.9])
    np.testing.assert_allclose(bottom, [0.0, material.natural_convection(length, False), 0.9])
    np.testing.assert_array_equal(c.model.exchange.loss_scale, values.loss)


def test_small_board_counts_as_one_of_eight_millimetres():
    c = chain((), board=BoardSetup(1.4e-3, LAYERS, (20e-3, 16e-3), (3e-3, -2e-3)))

    assert c.model.exchange.top_loss[1] == pytest.approx(material.natural_convection(8e-3, True))


def test_grid_has_edges_where_part_and_board_end():
    c = chain()
    x, y = c.model.x_edges_m, c.model.y_edges_m

    assert (x[0], x[-1], y[0], y[-1]) == pytest.approx((-35e-3, 35e-3, -26e-3, 26e-3))
    for edges, places in ((x, (-7e-3, 3e-3)), (y, (0.5e-3, 7.5e-3))):  # the part, in the board's frame
        assert all(abs(edges - place).min() < 1e-9 for place in places)
    covered = c.model.area_m2[c.model.covered].sum()
    assert covered == pytest.approx(70e-6)


def test_pad_and_body_have_edges_of_their_own():
    part = PartSetup(RegionSetup("U7", rectangle(1, 2, 12, 6), 1.1e-3), "leaded", pad_m=(5e-3, 3e-3))
    c = chain(part=part)

    for edges, places in ((c.model.x_edges_m, (-4.5e-3, 0.5e-3)), (c.model.y_edges_m, (2.5e-3, 5.5e-3, 2e-3, 6e-3))):
        assert all(abs(edges - place).min() < 1e-9 for place in places)


def test_cells_are_fine_along_the_whole_of_a_neighbour():
    far = RegionSetup("J9", rectangle(-22, 14, 12, 5), 1e-3)
    x, y = chain((far,)).model.x_edges_m, chain((far,)).model.y_edges_m

    for edges, low, high in ((x, -31e-3, -19e-3), (y, 13.5e-3, 18.5e-3)):  # in the board's frame
        middle, widths = (edges[1:] + edges[:-1]) / 2, np.diff(edges)
        assert widths[(middle > low) & (middle < high)].max() < 3.5e-3 and widths.max() > 5e-3


def test_holes_without_a_pad_lie_under_the_whole_part():
    part = PartSetup(RegionSetup("U7", rectangle(1, 2, 10, 7), 1.1e-3), "leadless", vias=12)
    c = chain(part=part)

    one = 390 * np.pi * (0.15e-3**2 - 0.125e-3**2)  # W m/K of a barrel of 25 um in a hole of 0.3 mm
    np.testing.assert_allclose(c.model.shape.via_w_mk, np.where(c.model.covered, 12 * one / 70e-6, 0.0), atol=1e-9)


def test_pad_is_no_larger_than_the_part():
    part = PartSetup(RegionSetup("U7", rectangle(1, 2, 10, 7), 1.1e-3), "leadless", vias=12, pad_m=(14e-3, 4e-3))
    via = chain(part=part).model.shape.via_w_mk * chain(part=part).model.area_m2

    assert via[~chain(part=part).model.covered].max() == pytest.approx(0.0, abs=1e-12)
    assert via.sum() == pytest.approx(12 * 390 * np.pi * (0.15e-3**2 - 0.125e-3**2))


def test_cells_are_fine_at_the_ends_of_the_part_and_along_neighbours():
    fine = Fineness(part_cells=10, smallest_m=0.1e-3, coarsest_m=5e-3, neighbour_m=1e-3, growth=0.4)
    edges = part_edges(-5e-3, 5e-3, (-60e-3, 60e-3), [(30e-3, 36e-3)], fine, (1.5e-3,))

    width = lambda x_m: np.diff(edges)[np.searchsorted(edges, x_m) - 1]
    assert abs(edges - 1.5e-3).min() < 1e-12
    assert 0.6e-3 < width(4.9e-3) < 1.4e-3 and 0.6e-3 < width(33e-3) < 1.1e-3
    assert 2.5e-3 < width(-55e-3) <= 5.1e-3
    tiny = part_edges(-0.2e-3, 0.2e-3, (-9e-3, 9e-3), [], fine)
    assert np.diff(tiny).min() > 0.04e-3  # never below the smallest


def test_chain_that_takes_its_start_over_repeats_the_members():
    first = chain()
    first.blow(JET, 0.5)
    many = Chain(first.setup, parameters(np.tile(SCORES, 2)), TINY, start_of=first)

    np.testing.assert_array_equal(many.model.work.temp_c, np.tile(first.model.work.temp_c, 2))
    np.testing.assert_array_equal(many.sites().neighbours, np.tile(first.sites().neighbours, 2))
    assert many.start_c == first.sites().joint_centre[0]
    assert (many.model.stored_j() == 0).all()


def test_going_on_from_another_state_leaves_the_first_as_it_was():
    c, alone = chain(), chain()
    for one in (c, alone):
        one.blow(JET, 0.3)
    kept = c.swap(c.state())
    c.rest(2.0)
    c.swap(kept)
    for one in (c, alone):
        one.blow(JET, 0.2)

    for got, expected in zip(c.state(), alone.state(), strict=True):
        np.testing.assert_array_equal(got, expected)
