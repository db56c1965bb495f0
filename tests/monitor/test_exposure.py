"""The seam from the nozzle's track to height, tilt, aim and SI."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from monitor.job import parse_job
from monitor.judging.exposure import expose, heat_input, heat_setup, onto_now, onto_start
from tests.monitor.make import JOB_TEXT, job, track

NO_SHIFT = np.zeros(3)
angles = st.floats(-1.0, 1.0)


def leaning(tilt, azimuth):
    return np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), -math.cos(tilt)])


def test_height_is_vertical_from_the_boards_top():
    assert expose(track(0, (1, 2, 20)), 6.0, 0.1, NO_SHIFT).height_mm == pytest.approx(14)


def test_a_3_4_5_lean_gives_standoff_and_aim_by_hand():
    seen = expose(track(0, (0, 0, 18), axis=(0.6, 0, -0.8)), 6.0, 0.1, NO_SHIFT)

    assert_allclose([seen.standoff_mm, *seen.aim_mm], [15, 9, 0], atol=1e-9)  # 12 mm up: 15 along, 9 across
    assert_allclose(math.degrees(seen.tilt_rad), 36.8699, atol=1e-4)


@given(st.floats(0.01, 1.2), st.floats(-3, 3), st.floats(1, 60))
def test_the_aim_lies_where_the_standoff_says(tilt, azimuth, height):
    seen = expose(track(0, (3, -4, height + 6), axis=leaning(tilt, azimuth)), 6.0, 0.1, NO_SHIFT)

    across = np.linalg.norm(seen.aim_mm - [3, -4])
    assert across**2 + height**2 == pytest.approx(seen.standoff_mm**2, rel=1e-9)
    assert math.remainder(seen.azimuth_rad - azimuth, math.tau) == pytest.approx(0, abs=1e-6)


def test_spreads_agree_with_drawn_samples():
    rng, cov = np.random.default_rng(3), np.diag([0.3, 0.4, 0.5, 0.01, 0.02, 0.0]) ** 2
    base = track(0, (2, 1, 26), axis=leaning(0.5, 0.7))
    seen = expose(type(base)(**{**base.__dict__, "cov": cov}), 6.0, 0.1, NO_SHIFT)

    draws = rng.multivariate_normal(np.r_[base.tip_mm, base.axis], cov, size=20000)
    standoff = -(draws[:, 2] - 6) / draws[:, 5]
    aim = draws[:, :2] + standoff[:, None] * draws[:, 3:5]
    tilt = np.arctan2(np.hypot(draws[:, 3], draws[:, 4]), -draws[:, 5])

    assert_allclose([seen.height_sigma_mm, seen.standoff_sigma_mm, seen.tilt_sigma_rad],
                    [0.5, standoff.std(), tilt.std()], rtol=0.05)
    assert_allclose(seen.aim_cov_mm2, np.cov(aim.T), rtol=0.08, atol=0.01)


@pytest.mark.parametrize(("tilt", "azimuth", "top_mm"), [(0.5, 0.7, 6.0), (0.9, -2.4, 1.6), (0.25, 3.0, 38.0)])
def test_spreads_agree_with_samples_when_place_and_lean_err_together(tilt, azimuth, top_mm):
    rng = np.random.default_rng(11)
    root = rng.normal(size=(6, 6)) * np.array([0.3, 0.4, 0.5, 0.01, 0.012, 0.008])[:, None]
    cov = root @ root.T / 6  # every pair of errors is correlated, none is 0
    base = track(0, (12, -9, top_mm + 20), axis=leaning(tilt, azimuth))
    seen = expose(type(base)(**{**base.__dict__, "cov": cov}), top_mm, 0.1, NO_SHIFT)

    draws = rng.multivariate_normal(np.r_[base.tip_mm, base.axis], cov, size=40000)
    standoff = -(draws[:, 2] - top_mm) / draws[:, 5]
    aim = draws[:, :2] + standoff[:, None] * draws[:, 3:5]
    lean = np.arctan2(np.hypot(draws[:, 3], draws[:, 4]), -draws[:, 5])

    assert_allclose([seen.height_sigma_mm, seen.tilt_sigma_rad], [draws[:, 2].std(), lean.std()], rtol=0.03)
    assert_allclose(seen.standoff_sigma_mm, standoff.std(), rtol=0.04)
    assert_allclose(seen.aim_cov_mm2, np.cov(aim.T), rtol=0.08, atol=0.02)
    assert_allclose(seen.aim_sigma_mm, math.sqrt(np.linalg.eigvalsh(np.cov(aim.T))[-1]), rtol=0.04)


def test_a_quarter_turn_of_the_board_turns_what_lies_on_it():
    # the board turned by 90 degrees about the mat's centre: what lay at (10, 0) now lies at (0, 10)
    quarter = np.array([0.0, 0.0, math.pi / 2])

    assert_allclose(onto_now(np.array([[10.0, 0.0]]), quarter), [[0, 10]], atol=1e-9)
    assert_allclose(onto_start(np.array([0.0, 10.0]), quarter), [10, 0], atol=1e-9)


def test_the_speed_is_that_of_the_outlet_in_space():
    assert expose(track(0, (0, 0, 20), speed_mm_s=(2, 3, 6)), 6.0, 0.1, NO_SHIFT).speed_mm_s == pytest.approx(7)


def test_a_level_jet_has_no_aim_but_a_height():
    seen = expose(track(0, (0, 0, 20), axis=(1, 0, -0.05)), 6.0, 0.1, NO_SHIFT)

    assert np.isnan(seen.aim_mm).all() and seen.height_mm == pytest.approx(14)


def test_a_lost_nozzle_is_unknown_not_zero():
    seen = expose(track(1, None, t_seen_s=0.4), 6.0, 0.1, NO_SHIFT)

    assert not seen.observed and math.isnan(seen.height_mm) and seen.age_s == pytest.approx(0.6)


@given(st.floats(-50, 50), st.floats(-50, 50), angles, st.floats(-9, 9), st.floats(-9, 9))
def test_shifting_with_the_board_and_back_changes_nothing(x, y, turn, dx, dy):
    shift = np.array([dx, dy, turn])

    assert_allclose(onto_start(onto_now(np.array([[x, y]]), shift)[0], shift), [x, y], atol=1e-9)


def test_a_nudged_board_takes_its_regions_along():
    seen = expose(track(0, (12, 0, 20)), 6.0, 0.1, np.array([12.0, 0.0, 0.0]))

    assert_allclose(seen.aim_board_mm, [0, 0], atol=1e-9)


def test_the_heat_model_gets_metres():
    given_ = heat_input(expose(track(0, (10, 5, 20)), 6.0, 0.1, NO_SHIFT), None, NO_SHIFT)

    assert_allclose([given_.height_m, *given_.aim_m], [0.014, 0.010, 0.005], atol=1e-12)


def test_unseen_heat_input_keeps_the_last_numbers_but_is_not_observed():
    last = expose(track(0, (10, 5, 20)), 6.0, 0.1, NO_SHIFT)
    given_ = heat_input(expose(track(1, None, t_seen_s=0), 6.0, 0.1, NO_SHIFT), last, NO_SHIFT)

    assert not given_.observed and given_.height_m == pytest.approx(0.014)


def test_thirty_litres_a_minute_are_half_a_litre_a_second():
    assert heat_setup(job()).station.airflow_m3_s == pytest.approx(0.5e-3)


def neighbour_of(line):
    text = JOB_TEXT.replace('name = "connector"', f'name = "connector"\n{line}')
    return heat_setup(parse_job(text)).neighbours[0]


def test_material_of_a_neighbour_sets_its_limit_and_says_so():
    found = neighbour_of('material = "PBT"')

    assert found.limit_c == 223 and "PBT" in found.limit_source  # melts at 223 C, handbooks, from memory


def test_own_limit_comes_before_that_of_the_material():
    assert neighbour_of('material = "PBT"\nlimit_c = 120').limit_c == 120


def test_part_below_is_known_to_the_heat_model():
    assert neighbour_of('side = "below"').is_below and not neighbour_of("height_mm = 2").is_below


def test_contact_of_a_block_reaches_the_heat_model():
    text = JOB_TEXT + '\n[[protection]]\nkind = "metal_block"\nmass_g = 20\ncontact_w_m2k = 2500\n'

    assert heat_setup(parse_job(text)).protections[0].values == {"mass_kg": 0.02, "contact_w_m2k": 2500.0}
