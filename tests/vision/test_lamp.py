"""How bright the bench is now beside its stored picture, row by row."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn_tool import as_camera
from vision.bench.lamp import Lamp, _middles

RNG = np.random.default_rng(2)
BENCH = RNG.uniform(0.1, 0.4, (240, 320, 3)).astype(np.float32)
KNOWN = np.full((240, 320), 255, np.uint8)
ROWS = np.arange(240)


def _after(gains, known=KNOWN, tool=None, cover=None):
    lamp = Lamp(240)
    for gain in gains:
        light = BENCH * np.asarray(gain, np.float32).reshape(-1, 1, 1)
        if cover is not None:
            light[cover] = 0.9
        lamp.step(as_camera(light), BENCH, known, tool)
    return lamp


def _stripes(phase):
    return 1.0 + 0.3 * np.cos(2 * np.pi * ROWS / 150 + phase)


@pytest.mark.parametrize("exposure", [0.4, 1.0, 1.8])
def test_an_exposure_is_told_at_once_and_alike_for_all_rows(exposure):
    lamp = _after([1.0, exposure])

    assert_allclose(lamp.gain, exposure, rtol=0.01)
    assert not lamp.flickers


def test_stripes_that_run_through_the_pictures_are_told_row_by_row():
    lamp = _after([_stripes(p) for p in (0.0, 2.1, 4.2)])

    assert lamp.flickers
    assert_allclose(lamp.gain[4:-4], _stripes(4.2)[4:-4], rtol=0.03)


def test_a_shadow_s_edge_that_moves_is_no_flicker():
    lamp = _after([np.where(60 + 6 * k > ROWS, 0.5, 1.0) for k in range(5)])

    assert not lamp.flickers
    assert_allclose(lamp.gain, 1.0, rtol=0.02)  # most of the rows are in the light


def test_a_flicker_that_ends_is_forgotten_after_a_second():
    still = [1.0] * 30

    assert _after([_stripes(2.1), _stripes(0.0), *still]).flickers
    assert not _after([_stripes(2.1), _stripes(0.0), *still, still[0]]).flickers


@pytest.mark.parametrize("length_px", [52, 64, 93, 150])
def test_stripes_that_stand_still_are_told_row_by_row_from_the_first_picture_on(length_px):
    stripes = 1.0 + 0.2 * np.cos(2 * np.pi * ROWS / length_px + 1.0)

    lamp = _after([stripes])

    assert lamp.flickers
    assert_allclose(lamp.gain[4:-4], stripes[4:-4], rtol=0.04)


@pytest.mark.parametrize("rows", [(80, 160), (60, 100), (0, 120), (150, 240)])
def test_an_arm_across_the_picture_is_no_lamp(rows):
    assert not _after([np.where((rows[0] <= ROWS) & (rows[1] > ROWS), 0.6, 1.0)] * 2).flickers


def test_light_from_one_side_is_no_lamp():
    assert not _after([0.7 + 0.6 * ROWS / 240 + 0.2 * (ROWS / 240) ** 2] * 2).flickers


def test_what_the_tool_may_cover_or_is_not_known_tells_nothing():
    half = np.s_[:, 160:]
    tool, known = np.zeros((60, 80), np.uint8), KNOWN.copy()
    tool[:, 40:] = 255
    known[half] = 0

    covered = _after([1.2], cover=half)

    assert abs(covered.gain[0] - 1.2) > 0.02
    for lamp in (_after([1.2], tool=tool, cover=half), _after([1.2], known=known, cover=half)):
        assert_allclose(lamp.gain, 1.2, rtol=0.01)


def test_a_bench_out_of_sight_leaves_the_light_as_it_was():
    lamp = _after([1.3])
    lamp.step(as_camera(BENCH), BENCH, 0 * KNOWN, None)

    assert_allclose(lamp.gain, 1.3, rtol=0.01)


def test_a_bench_too_dark_to_tell_ratios_tells_nothing():
    lamp = Lamp(240)
    lamp.step(as_camera(0.3 * BENCH), 0.04 * BENCH, KNOWN, None)

    assert_allclose(lamp.gain, 1.0)


@pytest.mark.parametrize("gains", [[0.0], [1.0, 0.0], [1.0, 1.0 * (ROWS > 60), 1.0 * (ROWS < 180), 1.0 * (ROWS > 100)]])
def test_a_black_picture_or_rows_without_light_leave_a_gain_above_zero(gains):
    assert (_after(gains).gain >= 0.05).all()


def test_a_flickering_bench_of_which_few_pixels_a_row_are_left_has_one_light():
    lamp, known = _after([_stripes(0.0), _stripes(2.1)]), np.zeros_like(KNOWN)
    known[:, :80] = 255  # ten pixels a row are looked at

    lamp.step(as_camera(1.4 * BENCH), BENCH, known, None)

    assert lamp.flickers
    assert_allclose(lamp.gain, 1.4, rtol=0.01)


@pytest.mark.parametrize("told", [0, 9, 12, 13, 14, 159, 160])
def test_a_row_s_middle_is_that_of_all_ratios_that_are_told(told):
    ratios = np.sort(RNG.lognormal(0.0, 0.5, (30, 160)).astype(np.float32), axis=1)
    counts = np.full(30, told)
    counts[0] = 160

    usual = [np.median(row[:n].astype(float)) if n > 12 else np.nan for row, n in zip(ratios, counts, strict=True)]
    assert_allclose(_middles(ratios, counts), usual, rtol=1e-6)


def test_a_bench_of_which_too_little_is_known_keeps_its_light():
    known = np.zeros_like(KNOWN)
    known[:24, :32] = 255  # three rows of four pixels are looked at

    assert_allclose(_after([0.5], known=known).gain, 1.0)
