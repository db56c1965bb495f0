"""Edges of drawn cuts: where they are found, and what the cuts of one side tell each other."""

import os
import sys
import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d
from scipy.special import erfc

from tests.vision.drawn_tool import independent
from vision.edges.cuts import NO_TONE, CutGrid, linear_light, sample_along, to_opponent
from vision.edges.profiles import tables_of
from vision.edges.search import (
    Cuts,
    Softness,
    Tolerance,
    _share_ramps,
    edges_along,
    find_edges,
    lone_cuts,
    misfits_by_softness,
)
from vision.fit.least_squares import CUT_SIGMA_PX, _scatter_of_groups, _scatter_px
from vision.fit.rounds import _crowding_px
from vision.nozzle.silhouette import STEP
from vision.threads import lower_priority

GRID = CutGrid(9.0)
OFF = GRID.offsets_px
BLUR_PX = float(np.hypot(0.8, 6**-0.5))  # of an edge as it is read between pixels
N, NOISE = 30, independent(0.5)


def _cuts(at_px, inside, outside, noise=0.0, ramp=0.0, rng=None):
    """Cuts (30, 3, m) through a blurred edge, the inside growing by ramp per pixel of depth, with their background."""
    fine = np.arange(-15.0, 15.0, 0.01)
    sharp = np.where(fine < at_px, inside + ramp * (at_px - fine), outside)
    cut = np.interp(OFF, fine, gaussian_filter1d(sharp, BLUR_PX / 0.01))
    cuts = np.tile(cut, (N, 3, 1))
    if rng is not None:
        cuts = cuts + rng.normal(0, noise, cuts.shape)
    return cuts.astype(np.float32), np.full(cuts.shape, outside, np.float32)


def _found_px(cuts, back, shared):
    one, blur = np.ones(N, np.int64), np.full(N, 0.8)
    cuts, back = to_opponent(cuts, NOISE), to_opponent(back, NOISE)
    return edges_along(Cuts(cuts, back, one, 0 * one, 1, shared), Softness(blur, 0.0 * blur), 1.0,
                       Tolerance(noise=NOISE), tables_of(GRID))[0]


@settings(max_examples=60)
@given(st.floats(-0.8, 0.8), st.floats(0.03, 0.3), st.floats(0.35, 0.8))
def test_an_edge_without_noise_is_found_to_a_hundredth_of_a_pixel(at_px, inside, outside):
    found = find_edges(*_cuts(at_px, inside, outside), GRID, Softness(0.8), 3.0)

    assert abs(found.offset_px[0] - at_px) < 0.01


@pytest.mark.parametrize("shade, veil", [(1.0, 0.0), (0.6, 0.0), (1.0, 0.08), (0.6, 0.08)])
def test_an_edge_before_a_bench_in_shadow_and_behind_smoke_is_found(shade, veil):
    bench = 0.4 + 0.1 * np.sin(OFF / 2)  # unlike along the cut, so that shadow and smoke are two things
    outside = shade * bench + veil
    cover = 0.5 * erfc((OFF - 0.3) / (BLUR_PX * 2**0.5))  # of the tool, blurred
    cuts = np.tile(cover * 0.14 + (1 - cover) * outside, (N, 3, 1))
    cuts = cuts + np.random.default_rng(2).normal(0, 0.006, cuts.shape)

    found = find_edges(cuts.astype(np.float32), np.full(cuts.shape, bench, np.float32), GRID, Softness(0.8), 3.0,
                       Tolerance(noise=NOISE))

    assert np.isfinite(found.offset_px).mean() > 0.95
    assert np.median(found.offset_px) == pytest.approx(0.3, abs=0.04)


@pytest.mark.parametrize("travel_px", [2.0, 5.0, 8.0])
def test_an_edge_that_travels_while_the_shutter_is_open_is_found_in_the_middle_of_its_way(travel_px):
    cuts, back = np.mean([_cuts(0.3 + way, 0.14, 0.45) for way in np.linspace(-travel_px / 2, travel_px / 2, 101)], 0)

    found = find_edges(cuts.astype(np.float32), back.astype(np.float32), GRID,
                       Softness(float(np.hypot(0.8, travel_px / 12**0.5)), travel_px), 3.0)

    # as a resting edge of that blur: up to 1.1 off
    assert found.offset_px[0] == pytest.approx(0.3, abs=0.01 * travel_px)


@pytest.mark.parametrize("travel_px", [0.0, 6.0, 8.0])
def test_edges_that_travel_far_are_seen_as_surely_as_those_at_rest(travel_px):
    rng = np.random.default_rng(3)
    cuts, back = np.mean([_cuts(0.3 + way, 0.14, 0.45) for way in np.linspace(-travel_px / 2, travel_px / 2, 101)], 0)
    noisy = cuts + rng.normal(0, 0.012, cuts.shape)

    found = find_edges(noisy.astype(np.float32), back.astype(np.float32), GRID,
                       Softness(float(np.hypot(0.8, travel_px / 12**0.5)), travel_px), 1.0, Tolerance(noise=NOISE))

    assert np.isfinite(found.offset_px).mean() > 0.95


def test_cuts_tell_how_far_their_edge_travelled():
    ways_px = np.array([0.0, 2.0, 4.0, 6.0])
    cuts, back = np.mean([_cuts(0.3 + way, 0.14, 0.45) for way in np.linspace(-2, 2, 101)], 0)
    cuts, back = (to_opponent(light.astype(np.float32), NOISE) for light in (cuts, back))

    misfits = misfits_by_softness(lone_cuts(cuts, back), np.full(N, 0.3), np.tile(ways_px, (N, 1)) ** 2,
                                Tolerance(noise=NOISE), tables_of(GRID))

    assert np.all(ways_px[misfits.argmin(1)] == 4.0)


@pytest.mark.parametrize("shared", [False, True])
def test_an_edge_moved_a_little_is_found_moved_by_as_much(shared):
    before, after = (np.mean(_found_px(*_cuts(at, 0.14, 0.45), shared)) for at in (-0.04, 0.04))

    assert after - before == pytest.approx(0.08, rel=0.05)


def test_cuts_that_know_their_side_to_be_even_inside_scatter_less_together():
    rng = np.random.default_rng(4)
    means = np.array([[np.mean(_found_px(*_cuts(0.1, 0.14, 0.45, 0.012, 0.0, rng), shared)) for shared in (False, True)]
                      for _ in range(120)])

    alone_px, together_px = means.std(0)
    assert together_px < 0.92 * alone_px


def test_a_side_that_shines_the_deeper_the_more_is_found_where_it_is():
    rng = np.random.default_rng(5)
    means = [np.mean(_found_px(*_cuts(0.1, 0.14, 0.45, 0.006, 0.03, rng), True)) for _ in range(20)]

    assert np.mean(means) == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize("scatter, is_told", [(0.002, True), (0.05, False)])
def test_a_ramp_is_told_by_cuts_that_agree_on_it_not_by_a_quiet_picture_alone(scatter, is_told):
    cuts = np.random.default_rng(7).normal(0, 1, (N, 1))
    cuts = (cuts - np.median(cuts)) / (1.4826 * np.median(np.abs(cuts)))  # of median 0 and scatter 1
    ramps = np.hstack([np.repeat(0.02 + scatter * cuts, 3, axis=1), np.full((N, 1), 0.002**-2)])

    _share_ramps(ramps, np.zeros(N, np.int64), 1, np.zeros(N), np.full(N, 0.1), np.ones(N, bool))

    assert bool(ramps[0, 0] > 0.015) is is_told
    assert is_told or ramps[0, 0] == 0.0


# what is usual, within its sigma
@pytest.mark.parametrize("half_travel_px, low, high", [(0.0, 0.0, 0.0), (3.0, -0.007, -0.001)])
def test_what_is_usual_of_a_ramp_counts_where_cuts_that_travel_do_not_agree_on_it(half_travel_px, low, high):
    cuts = np.random.default_rng(7).normal(0.0, 0.05, (N, 1))
    ramps = np.hstack([np.repeat(cuts, 3, axis=1), np.full((N, 1), 0.002**-2)])

    _share_ramps(ramps, np.zeros(N, np.int64), 1, np.full(N, half_travel_px), np.full(N, 0.1),
                 np.ones(N, bool))

    assert low <= ramps[0, 0] <= high


@pytest.mark.parametrize("at_px", [-0.6, 0.0, 0.9])
@pytest.mark.parametrize("tint", [(-0.05, 0.0, 0.05), (-0.06, 0.03, 0.03), (0.0, -0.05, 0.05)],
                         ids=["brown", "yellow", "red"])
def test_grey_metal_before_a_bench_as_bright_as_itself_is_found_by_its_colour(at_px, tint):
    cuts, back = _cuts(at_px, 0.1, 0.1)
    share = gaussian_filter1d((np.arange(-15.0, 15.0, 0.01) < at_px).astype(float),
                              float(np.hypot(BLUR_PX, 0.9)) / 0.01)
    tint = np.array(tint)[:, None]  # blue, green, red: as bright
    cuts += ((1 - np.interp(OFF, np.arange(-15.0, 15.0, 0.01), share)) * tint).astype(np.float32)
    back += tint.astype(np.float32)

    found = find_edges(cuts, back, GRID, Softness(0.8), 3.0)

    assert found.gain.min() > 12.0
    assert found.offset_px.mean() == pytest.approx(at_px, abs=0.03)


def test_colours_of_a_picture_whose_channels_share_their_noise_hardly_scatter():
    rng = np.random.default_rng(3)
    grey = np.tile(rng.normal(0.4, 0.05, (50, 1, 37)), (1, 3, 1)).astype(np.float32)

    brightness, blue, red = to_opponent(grey, (1.0, 1.0, 1.0)).std((0, 2))

    assert brightness == pytest.approx(0.05, rel=0.05) and max(blue, red) < 1e-6


@pytest.mark.parametrize("scatter_px", [0.02, 0.1])
def test_what_cuts_scatter_beyond_their_own_noise_is_told_though_some_are_far_noisier_than_others(scatter_px):
    rng = np.random.default_rng(8)
    sigma_px = np.repeat([0.01, 0.4], [360, 240])
    away_px = rng.normal(0, np.hypot(sigma_px, scatter_px))

    assert _scatter_px(away_px, sigma_px, CUT_SIGMA_PX) == pytest.approx(scatter_px, rel=0.3)


def test_cuts_that_are_means_of_lines_side_by_side_are_less_noisy():
    noisy = np.random.default_rng(6).normal(0.5, 0.1, (60, 60, 3)).astype(np.float32)
    centre, normal = np.tile([[30.0, 30.0]], (9, 1)) + np.arange(9)[:, None] * [0.0, 0.5], np.tile([[1.0, 0.0]], (9, 1))

    single, fourfold = (sample_along(noisy, NO_TONE, centre, normal, OFF, np.full(9, lines)) for lines in (1, 4))

    assert np.std(fourfold) < 0.7 * np.std(single)
    assert np.mean(fourfold) == pytest.approx(np.mean(single), abs=0.02)


OUTWARD = np.array([1.0, 0.0])


def _turned(degrees):
    return np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])


def test_edges_within_a_blur_of_each_other_count_less_and_those_further_apart_do_not():
    px = np.array([[10.0, 10.0], [11.0, 10.0], [20.0, 10.0], [21.0, 10.0]])
    part_and_side = np.array([[0, 1, 0], [1, 0, 0], [2, 1, 0], [2, 1, 0]])

    crowding_px = _crowding_px(px, np.array([OUTWARD, _turned(90), OUTWARD, OUTWARD]), part_and_side)

    assert crowding_px[0] == crowding_px[1] > 0.1
    assert crowding_px[2] == crowding_px[3] < 0.02  # of one side


def test_edges_that_go_on_in_one_direction_disturb_each_other_less_than_those_that_meet_at_a_corner():
    px, parts = np.array([[10.0, 10.0], [10.0, 12.0]]), np.array([[0, 1, 0], [-1, 0, 0]])

    rounded, corner = (_crowding_px(px, np.array([OUTWARD, _turned(degrees)]), parts)[0] for degrees in (3, 90))

    assert corner > 5 * rounded


@pytest.mark.skipif(sys.platform != "linux", reason="only there threads have ranks of their own")
def test_a_thread_gives_way_alone_and_the_main_one_never():
    def rank():
        return os.getpriority(os.PRIO_PROCESS, threading.get_native_id())

    def work():
        lower_priority()
        ranks.append(rank())

    before, ranks = rank(), []
    lower_priority()
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()

    assert ranks[0] > before == rank()


def test_an_edge_before_metal_counts_less_than_one_before_the_bench():
    px = np.array([[10.0, 10.0], [40.0, 10.0]])

    before_bench, before_metal = _crowding_px(px, np.array([OUTWARD, OUTWARD]), np.array([[0, 1, 0], [1, STEP, 0]]))

    assert before_bench < 0.02
    assert before_metal > 0.05  # as drawn ones scatter along an arc


@pytest.mark.parametrize("scatter_px, is_told", [((0.15, 0.5), True), ((0.01, 0.03), False)])
def test_a_group_that_scatters_more_counts_less_where_scatter_is_more_than_that_of_reading(scatter_px, is_told):
    group = np.repeat([0, 1], 40)
    left = np.random.default_rng(2).normal(0, 1, 80) * np.array(scatter_px)[group]

    calm, wild = _scatter_of_groups(left, np.full(80, 0.005), np.ones(80, bool), group, 2)

    assert bool(wild > 1.5 * calm) is is_told


@pytest.mark.parametrize("level, light", [(0, 0.0), (5, 0.0015176), (10, 0.0030353), (11, 0.0033465), (128, 0.2158605),
                                          (188, 0.5028865), (255, 1.0)])
def test_grey_levels_stand_for_light_as_the_standard_says(level, light):
    # IEC 61966-2-1: level / 255 / 12.92 up to 0.04045, else ((level / 255 + 0.055) / 1.055) ** 2.4
    assert linear_light(np.full((1, 1, 3), level, np.uint8))[0, 0, 0] == pytest.approx(light, abs=1e-6)
