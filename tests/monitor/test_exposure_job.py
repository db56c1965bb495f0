"""Everything of a job in SI, and exposures at the limits of what is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from monitor.heat.types import Layer, Protection
from monitor.job import parse_job
from monitor.judging.exposure import Exposure, angle_onto_start, expose, heat_input, heat_setup, onto_now, onto_start
from tests.monitor.make import JOB_TEXT, track
from vision.types import TrackStatus

FULL = """
work = "remove"
[board]
top_height_mm = 6.0
thickness_mm = 1.2
size_mm = [90, 70]
centre_mm = [4, -3]
copper_um = [35, 18]
copper_cover = [0.25, 0.75]
start_top_c = 61
start_below_c = 83
cutout_mm = [[[20, 10], [24, 10], [24, 16]]]
[target]
name = "U7"
outline_mm = [[-5, -4], [5, -4], [5, 4], [-5, 4]]
height_mm = 1.5
mass_g = 0.4
kind = "leaded"
pad_mm = [3, 2]
vias = 5
via_drill_mm = 0.35
via_barrel_um = 22
[[neighbour]]
name = "connector"
outline_mm = [[10, -3], [16, -3], [16, 3], [10, 3]]
height_mm = 4
keep_solid = true
[nozzle]
outer_diameter_mm = 8.0
bore_diameter_mm = 6.8
tube_length_mm = 28.0
profile_mm = [[4, 0], [4, 28], [9, 36]]
handle_mm = [[13, 50], [14.5, 58]]
[station]
setpoint_c = 360
airflow_l_min = 30
airflow_reference_c = 0
ambient_c = 19
outlet_c = [[300, 24, 251]]
[limits]
height_mm = [5, 25]
dwell_s = 4
part_c = 245
underside_c = 140
ramp_k_s = 2.5
[[protection]]
kind = "shield_above"
gap_mm = 1.5
outline_mm = [[10, -3], [16, -3], [16, 3]]
[[protection]]
kind = "preheater"
temp_c = 130
"""


@pytest.fixture(scope="module")
def setup():
    return heat_setup(parse_job(FULL))


def test_board_of_a_job_is_that_of_the_heat_model(setup):
    board = setup.board

    assert_allclose([board.thickness_m, *board.size_m, *board.outline_centre_m], [1.2e-3, 90e-3, 70e-3, 4e-3, -3e-3])
    assert_allclose([(x.thickness_m, x.coverage) for x in board.layers], [(35e-6, 0.25), (18e-6, 0.75)])
    assert (board.start_top_c, board.start_below_c) == (61, 83)
    assert_allclose(board.cutouts_m, [[(20e-3, 10e-3), (24e-3, 10e-3), (24e-3, 16e-3)]])


def test_part_of_a_job_is_that_of_the_heat_model(setup):
    part = setup.part

    assert (part.region.name, part.kind, part.work, part.vias) == ("U7", "leaded", "remove", 5)
    assert_allclose(part.region.polygon_m, [(-5e-3, -4e-3), (5e-3, -4e-3), (5e-3, 4e-3), (-5e-3, 4e-3)])
    assert_allclose([part.region.height_m, part.mass_kg, *part.pad_m], [1.5e-3, 0.4e-3, 3e-3, 2e-3])
    assert_allclose([part.via_drill_m, part.via_barrel_m], [0.35e-3, 22e-6])
    assert (part.region.limit_c, part.region.limit_source) == (245, "the job file")


def test_station_and_limits_of_a_job_are_those_of_the_heat_model(setup):
    station = setup.station

    assert_allclose([station.setpoint_c, station.airflow_m3_s, station.airflow_reference_c, station.bore_m,
                     station.ambient_c], [360, 0.5e-3, 0, 6.8e-3, 19])
    assert_allclose(station.outlet_c, [(300, 0.4e-3, 251)])
    assert (setup.underside_limit_c, setup.ramp_k_s) == (140, 2.5)


def test_neighbours_and_protections_of_a_job_are_those_of_the_heat_model(setup):
    (beside,) = setup.neighbours

    assert (beside.name, beside.keep_solid, beside.is_below, beside.limit_c, beside.limit_source) == (
        "connector", True, False, None, "")
    assert_allclose([beside.height_m, *beside.polygon_m[1]], [4e-3, 16e-3, -3e-3])
    shield, heater = setup.protections
    assert shield.kind == "shield_above" and shield.values == pytest.approx({"gap_m": 1.5e-3})
    assert_allclose(shield.polygon_m, [(10e-3, -3e-3), (16e-3, -3e-3), (16e-3, 3e-3)])
    assert heater == Protection("preheater", None, {"temp_c": 130.0})


def test_what_a_job_does_not_say_is_left_open():
    plain = heat_setup(parse_job(JOB_TEXT))

    assert (plain.board.size_m, plain.board.outline_centre_m, plain.part.mass_kg, plain.part.pad_m) == (None,) * 4
    assert (plain.part.region.limit_c, plain.part.region.limit_source) == (None, "")


def test_copper_without_a_cover_is_solid_and_the_targets_own_limit_comes_first():
    text = FULL.replace("copper_cover = [0.25, 0.75]\n", "").replace('name = "U7"', 'name = "U7"\nlimit_c = 230')
    setup = heat_setup(parse_job(text))

    assert setup.board.layers == (Layer(pytest.approx(35e-6), 1.0), Layer(pytest.approx(18e-6), 1.0))
    assert setup.part.region.limit_c == 230


SHIFT = np.array([7.0, -3.0, 0.6])


def test_board_that_turned_takes_its_points_along():
    c, s = math.cos(0.6), math.sin(0.6)
    now = np.array([[c * 11 - s * 4 + 7, s * 11 + c * 4 - 3], [c * -2 - s * 5 + 7, s * -2 + c * 5 - 3]])

    assert_allclose(onto_now(np.array([[11.0, 4.0], [-2.0, 5.0]]), SHIFT), now)
    assert_allclose(onto_start(now[0], SHIFT), [11, 4])
    assert angle_onto_start(1.0, SHIFT) == pytest.approx(0.4)


def seen_at(axis=(0.48, 0.36, -0.8), status=TrackStatus.TRACKING, t_seen_s=2.0, **more):
    base = track(2.0, (12, -9, 26), axis=axis)
    return replace(base, status=status, t_seen_s=t_seen_s, **more)


def test_heat_is_told_of_the_jet_as_the_board_lay_at_the_start():
    given = heat_input(expose(seen_at(), 6.0, 0.125, SHIFT), None, SHIFT)

    # 20 mm over the board: 25 mm along the axis, so the aim lies 12 and 9 mm further on
    aim = onto_start(np.array([24.0, 0.0]), SHIFT) * 1e-3
    assert_allclose(given.aim_m, aim)
    assert_allclose([given.t_s, given.dt_s, given.height_m, given.height_sigma_m], [2.0, 0.125, 20e-3, 0.5e-3])
    assert given.azimuth_rad == pytest.approx(math.atan2(0.36, 0.48) - 0.6)
    assert given.tilt_rad == pytest.approx(math.acos(0.8)) and given.observed


def test_spread_of_the_aim_reaches_the_heat_model():
    seen = expose(seen_at(), 6.0, 0.125, SHIFT)

    worst = math.sqrt(np.linalg.eigvalsh(seen.aim_cov_mm2).max())
    assert seen.aim_sigma_mm == pytest.approx(worst)
    assert heat_input(seen, None, SHIFT).aim_sigma_m == pytest.approx(1e-3 * worst)


def test_without_any_sight_the_heat_input_is_unknown():
    lost = expose(track(1.0, None), 6.0, 0.125, SHIFT)
    given = heat_input(lost, None, SHIFT)

    assert lost.age_s == math.inf and math.isnan(lost.aim_sigma_mm)
    assert not given.observed and (given.t_s, given.dt_s) == (1.0, 0.125)
    assert np.isnan([given.height_m, *given.aim_m, given.tilt_rad, given.azimuth_rad]).all()


def test_level_jet_keeps_the_last_aim_for_the_heat_model():
    last = expose(seen_at(), 6.0, 0.125, SHIFT)
    level = expose(seen_at(axis=(1.0, 0.0, 0.0)), 6.0, 0.25, SHIFT)
    given = heat_input(level, last, SHIFT)

    assert level.observed and not given.observed and given.dt_s == 0.25
    assert given.aim_m == heat_input(last, None, SHIFT).aim_m


@pytest.mark.parametrize("az, has_aim", [(-0.17, True), (-0.16, False)])
def test_axis_within_ten_degrees_of_level_has_no_aim(az, has_aim):
    seen = expose(seen_at(axis=(math.sqrt(1 - az * az), 0.0, az)), 6.0, 0.1, SHIFT)

    assert np.isfinite(seen.aim_mm).all() == has_aim == math.isfinite(seen.standoff_mm)
    assert seen.height_mm == pytest.approx(20.0)


def test_coasting_track_is_known_but_not_observed_and_has_an_age():
    coasting = expose(seen_at(status=TrackStatus.COASTING, t_seen_s=1.75), 6.0, 0.1, SHIFT)

    assert not coasting.observed and coasting.age_s == 0.25 and coasting.height_mm == pytest.approx(20.0)


def test_gone_track_is_gone_and_unknown():
    gone = expose(seen_at(status=TrackStatus.GONE, t_seen_s=3.0), 6.0, 0.1, SHIFT)

    assert gone.is_gone and not gone.observed and gone.age_s == 0.0 and np.isnan(gone.tip_mm).all()
    assert gone.reason == "the nozzle was not measured"
    lost = expose(track(1, None), 6.0, 0.1, SHIFT)
    assert not lost.is_gone and lost.reason == "hidden"


def test_vertical_axis_has_the_spread_of_its_steeper_component():
    cov = np.diag([0.25, 0.25, 0.25, 4e-4, 9e-4, 1e-6])
    seen = expose(seen_at(axis=(0.0, 0.0, -1.0), cov=cov), 6.0, 0.1, SHIFT)

    assert (seen.tilt_rad, seen.tilt_sigma_rad) == pytest.approx((0.0, 0.03))


def test_axis_that_points_up_is_tilted_by_more_than_a_right_angle():
    assert expose(seen_at(axis=(0.6, 0.0, 0.8)), 6.0, 0.1, SHIFT).tilt_rad == pytest.approx(math.pi - math.atan(0.75))


def test_spread_of_an_aim_that_is_not_known_is_not_known():
    seen = expose(seen_at(), 6.0, 0.1, SHIFT)

    assert isinstance(seen, Exposure)
    assert math.isnan(replace(seen, aim_cov_mm2=np.array([[1.0, math.nan], [math.nan, 1.0]])).aim_sigma_mm)


@pytest.mark.parametrize("axis", [(0.48, 0.36, -0.8), (-0.2, 0.5, -0.7), (0.7, -0.6, -0.3)])
def test_spreads_are_those_of_small_errors(axis):
    rng = np.random.default_rng(4)
    root = rng.normal(size=(6, 6)) * np.array([0.3, 0.4, 0.5, 0.01, 0.012, 0.008])[:, None]
    base = seen_at(axis=axis, cov=root @ root.T)
    seen = expose(base, 6.0, 0.1, SHIFT)

    def moved(state):
        one = expose(replace(base, tip_mm=state[:3], axis=state[3:]), 6.0, 0.1, SHIFT)
        return np.array([one.height_mm, one.standoff_mm, one.tilt_rad, *one.aim_mm])

    state, step = np.r_[base.tip_mm, base.axis], 1e-6
    slopes = np.stack([(moved(state + step * e) - moved(state - step * e)) / (2 * step) for e in np.eye(6)], axis=1)
    cov = slopes @ base.cov @ slopes.T
    assert_allclose([seen.height_sigma_mm, seen.standoff_sigma_mm, seen.tilt_sigma_rad], np.sqrt(np.diag(cov))[:3],
                    rtol=1e-5)
    assert_allclose(seen.aim_cov_mm2, cov[3:, 3:], rtol=1e-5)
