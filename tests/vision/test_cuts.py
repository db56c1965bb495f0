"""Cuts of a picture against SciPy's interpolation, and how edges are tabled for them."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import map_coordinates

from vision.edges.cuts import LINEAR, NO_TONE, CutGrid, brightest, sample_along, sample_cuts, to_opponent
from vision.edges.profiles import profile_of, tables_of
from vision.edges.search import Softness, Tolerance, edges_along, find_edges, lone_cuts

RNG = np.random.default_rng(4)
OFFSETS_PX = CutGrid(3.0, 0.75).offsets_px
TURNS = RNG.uniform(0, 2 * np.pi, 20)
NORMALS = np.stack([np.cos(TURNS), np.sin(TURNS)], 1)
CENTRES_PX = RNG.uniform([7, 7], [32, 22], (20, 2))
LINES = np.arange(20) % 4 + 1


def _interpolated(light, centres_px, lines):
    """Means of so many lines, a pixel apart and even on both sides of each cut; beyond the picture its border."""
    out = []
    for centre, normal, n in zip(centres_px, NORMALS, lines, strict=True):
        across = np.array([-normal[1], normal[0]])
        px = [centre + OFFSETS_PX[:, None] * normal + (k - (n - 1) / 2) * across for k in range(n)]
        out.append([np.mean([map_coordinates(light[..., c], p.T[::-1], order=1, mode="nearest") for p in px], 0)
                    for c in range(light.shape[2])])
    return np.array(out)


def test_samples_lie_at_even_steps_from_one_end_of_a_cut_to_the_other():
    assert_allclose(CutGrid(2.0, 0.4).offsets_px, np.linspace(-2, 2, 11), atol=1e-12)


def test_cuts_of_linear_light_are_means_of_interpolated_lines():
    light = RNG.random((30, 40, 3)).astype(np.float32)

    cuts = sample_along(light, NO_TONE, CENTRES_PX, NORMALS, OFFSETS_PX, LINES)

    assert_allclose(cuts, _interpolated(np.float64(light), CENTRES_PX, LINES), atol=2e-6)


def test_cuts_of_a_camera_s_picture_mix_light_and_not_grey_levels():
    levels = RNG.integers(0, 256, (30, 40, 3)).astype(np.uint8)

    cuts = sample_along(levels, LINEAR, CENTRES_PX, NORMALS, OFFSETS_PX, LINES)

    assert_allclose(cuts, _interpolated(np.float64(LINEAR[levels]), CENTRES_PX, LINES), atol=2e-6)


@pytest.mark.parametrize("shift_px", [(-25.0, 0.0), (25.0, 0.0), (0.0, -20.0), (0.0, 20.0)])
def test_beyond_a_picture_its_border_goes_on(shift_px):
    light = RNG.random((30, 40, 3)).astype(np.float32)
    centres = CENTRES_PX + shift_px

    cuts = sample_cuts(light, centres, NORMALS, OFFSETS_PX)

    assert_allclose(cuts, _interpolated(np.float64(light), centres, np.ones(20, int)), atol=2e-3)


def test_a_picture_s_own_light_is_read_by_its_type():
    levels = RNG.integers(0, 256, (30, 40, 3)).astype(np.uint8)

    assert_allclose(sample_cuts(levels, CENTRES_PX, NORMALS, OFFSETS_PX),
                    sample_cuts(LINEAR[levels], CENTRES_PX, NORMALS, OFFSETS_PX), atol=1e-6)


def test_brightness_and_colours_come_in_units_of_one_noise():
    blue, green, red = light = np.array([0.31, 0.17, 0.44], np.float32)

    mixed = to_opponent(np.tile(light[None, :, None], (2, 1, 5)), (0.6, 0.8, 0.3))

    expected = [(blue + green + red) / 3, (blue - (green + red) / 2) * 0.6 / 0.8, (red - green) * 0.6 / 0.3]
    assert_allclose(mixed, np.tile(np.array(expected)[None, :, None], (2, 1, 5)), rtol=1e-6)


def test_the_brightest_of_three_channels():
    light = RNG.random((6, 7, 3))

    assert_allclose(brightest(light), np.sort(light, axis=2)[..., -1], atol=0.0)


def _smeared(travel_px):
    """Blur of an edge of 0.8 px that travels so far, reading included: variances add, that of an even spread is way
    squared over 12."""
    return np.sqrt(0.8**2 + 1 / 6 + travel_px**2 / 12)


@pytest.mark.parametrize("blur_px, travel_px, sigma_px, half_travel_px", [
    (0.9, 0.0, np.hypot(0.9, 6**-0.5), 0.0), (3.0, 0.1, np.hypot(3.0, 6**-0.5), 0.0),
    (0.1, 0.0, 25 / 40, 0.0), (9.0, 0.0, 4.0, 0.0),  # the sharpest and the softest that are tabled
    (0.8, 0.25, _smeared(0.25), 0.125), (2.0, 13.75, _smeared(13.75), 6.875),
    (0.8, 14.0, _smeared(14.0), 7.0), (0.8, 20.0, _smeared(14.0), 7.0)])
def test_the_look_of_an_edge_is_that_of_the_nearest_blur_or_way(blur_px, travel_px, sigma_px, half_travel_px):
    tables, profile = tables_of(CutGrid(9.0)), profile_of(blur_px, travel_px)

    assert tables.blurs[profile] == pytest.approx(sigma_px, abs=0.0125 + 1e-9)
    assert tables.half_travels_px[profile] == half_travel_px


@pytest.mark.parametrize("reach_px, travel_px, flank, clear", [
    (9.0, 0.0, 5, 8), (9.0, 2.0, 7, 10), (9.0, 14.0, 12, 23), (4.0, 3.0, 5, 9), (6.0, 8.0, 6, 11), (9.0, 6.0, 11, 17)])
def test_a_rough_window_holds_the_way_of_an_edge_but_leaves_places_to_try(reach_px, travel_px, flank, clear):
    # 2.5 px and half the way, no more than the cut less 3 px; clear of 1.5 blurs, with one sample left
    tables, profile = tables_of(CutGrid(reach_px, 0.5)), profile_of(0.8, travel_px)

    assert (tables.flank[profile], tables.clear[profile]) == (flank, clear)


def test_edges_are_sought_in_units_of_the_picture_s_own_noise():
    noise = 0.4, 0.7, 1.3
    x = CutGrid(9.0).offsets_px
    light = np.where(x < 0.3, 0.1, 0.4) + RNG.normal(0, 0.01, (4, 3, len(x)))
    cuts, back = light.astype(np.float32), np.full(light.shape, 0.4, np.float32)

    found = find_edges(cuts, back, CutGrid(9.0), Softness(0.8), 3.0, Tolerance(noise=noise))

    expected = edges_along(lone_cuts(to_opponent(cuts, noise), to_opponent(back, noise)),
                           Softness(np.full(4, 0.8), np.zeros(4)), 3.0, Tolerance(5.0, 6.0, 0.01, (0.4, 1.0, 1.0)),
                           tables_of(CutGrid(9.0)))
    assert_allclose([found.offset_px, found.sigma_px, found.gain], expected[:3], atol=0.0)
