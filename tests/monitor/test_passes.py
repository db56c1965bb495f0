"""Passes and dwell of exposures that are given one by one, at times that are exact in binary."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.heat.types import Band
from monitor.judging.exposure import Exposure
from monitor.judging.technique import PassRules, Technique, footprint, work_grid
from tests.monitor.make import job

NAN = math.nan
DT = 1 / 16
UNSEEN = Exposure(0.0, DT, False, 9.0, np.full(3, NAN), np.full(3, NAN), NAN, NAN, NAN, NAN, NAN, NAN, NAN,
                  np.full(2, NAN), np.full((2, 2), NAN), np.full(2, NAN), NAN)
GONE = replace(UNSEEN, is_gone=True)
RULES = PassRules(confirm_s=0.125, away_s=1.5, hidden_s=4.0, lifted_s=0.5, edge_mm=0.75, shortest_s=0.25)
AWAY = (60.0, 0.0, 12.0)


def at(x, y, height, **more):
    aim = np.array([x, y], float)
    more = {"height_sigma_mm": 0.5, "tilt_rad": 0.0, "azimuth_rad": 0.0, **more}
    return replace(UNSEEN, observed=True, age_s=0.0, height_mm=height, aim_mm=aim, aim_board_mm=aim, **more)


class Bench:
    """Feeds frames of a sixteenth of a second."""

    def __init__(self, rules=RULES):
        self.technique, self.t_s, self.passes = Technique(job(), rules), 0.0, []

    def feed(self, seconds, exposure, energy=None):
        exposure = at(*exposure) if isinstance(exposure, tuple) else exposure
        for _ in range(round(seconds / DT)):
            done = self.technique.step(replace(exposure, t_s=self.t_s), energy)
            if done:
                self.passes.append((self.t_s, done))
            self.t_s += DT
        return self


ON = (0.0, 0.0, 12.0)


def test_pass_is_confirmed_once_it_lasted_so_long():
    bench = Bench().feed(1.0, AWAY).feed(2 * DT, ON)
    assert not bench.technique.pass_open and bench.technique.pass_time_s(bench.t_s) == 0
    bench.feed(DT, ON)  # an eighth of a second after the first

    assert bench.technique.pass_open and bench.technique.pass_time_s(5.0) == 4.0


def test_pass_ends_when_the_aim_has_been_out_for_longer_than_allowed():
    bench = Bench().feed(1.0, AWAY).feed(1.0, ON).feed(3.0, AWAY)
    (t_s, done), last_s = bench.passes[0], 2.0 - DT

    assert (done.t_start_s, done.t_end_s, done.dwell_s, done.number) == (1.0, last_s, 1.0, 1)
    assert t_s == last_s + 1.5 + DT  # at one and a half seconds exactly it goes on
    assert not bench.technique.pass_open and bench.technique.finish() is None


def test_hidden_nozzle_ends_a_pass_after_its_own_patience():
    bench = Bench().feed(1.0, ON).feed(6.0, UNSEEN)
    (t_s, done), = bench.passes

    assert t_s == 1.0 - DT + 4.0 + DT and done.unseen_s == 0.0  # what came after its end is not of the pass


def test_hidden_time_within_a_pass_is_told():
    bench = Bench().feed(1.0, ON).feed(2.0, UNSEEN).feed(0.5, ON).feed(1.0, UNSEEN).feed(0.5, ON).feed(2.0, AWAY)
    (_, done), = bench.passes

    assert (done.unseen_s, done.dwell_s, done.t_end_s) == (3.0, 2.0, 5.0 - DT)


def test_nozzle_that_is_gone_from_the_bench_is_out_and_not_hidden():
    bench = Bench().feed(1.0, ON).feed(2.0, GONE)

    assert len(bench.passes) == 1 and bench.passes[0][1].unseen_s == 0.0


def test_lift_ends_a_pass_after_its_time_above_the_limit():
    bench = Bench().feed(1.0, ON).feed(2.0, (0.0, 0.0, 26.0))
    (t_s, done), = bench.passes

    assert t_s == 1.0 + 0.5 and done.t_end_s == 1.0 - DT  # half a second above is still allowed


@pytest.mark.parametrize("between", [ON, UNSEEN, (0.0, 0.0, 25.0)])
def test_lifts_do_not_add_up(between):
    bench = Bench().feed(1.0, ON)
    for _ in range(3):
        bench.feed(0.4375, (0.0, 0.0, 26.0)).feed(DT, between)

    assert not bench.passes


def test_height_at_the_upper_limit_is_neither_inside_nor_lifted():
    bench = Bench().feed(1.0, ON).feed(1.5, (0.0, 0.0, 25.0))

    assert not bench.passes and bench.technique.dwell_s["U7"] == 1.0


@pytest.mark.parametrize("frames, count", [(4, 0), (5, 1)])
def test_pass_of_less_than_its_shortest_time_is_none(frames, count):
    bench = Bench().feed(frames * DT, ON).feed(3.0, AWAY)

    assert len(bench.passes) == count  # from first to last moment inside: 3/16 and 1/4 s


def test_numbers_of_passes_skip_those_that_were_none():
    bench = Bench()
    for seconds in (1.0, 0.25, 1.0):
        bench.feed(seconds, ON).feed(2.0, AWAY)

    assert [done.number for _, done in bench.passes] == [1, 2]


def test_glimpse_that_is_followed_by_a_gap_is_forgotten():
    kept = Bench().feed(DT, ON).feed(4 * DT, UNSEEN).feed(1.0, ON).feed(2.0, AWAY)
    lost = Bench().feed(DT, ON).feed(5 * DT, UNSEEN).feed(1.0, ON).feed(2.0, AWAY)

    assert kept.passes[0][1].t_start_s == 0.0 and kept.passes[0][1].unseen_s == 0.25
    assert lost.passes[0][1].t_start_s == 6 * DT  # longer than 0.3 s


def test_glimpse_that_is_seen_outside_is_forgotten():
    bench = Bench().feed(2 * DT, ON).feed(DT, AWAY).feed(1.0, ON).feed(2.0, AWAY)

    assert bench.passes[0][1].t_start_s == 3 * DT


def test_margin_keeps_a_pass_but_begins_none():
    bench = Bench().feed(1.0, (5.5, 0.0, 12.0)).feed(1.0, ON).feed(1.0, (5.5, 0.0, 12.0)).feed(2.0, (5.8, 0.0, 12.0))
    (_, done), = bench.passes

    assert (done.t_start_s, done.t_end_s, done.dwell_s) == (1.0, 3.0 - DT, 1.0)


def test_recording_that_ends_within_a_pass_ends_it():
    bench = Bench().feed(1.0, ON)

    assert bench.technique.finish().dwell_s == 1.0 and bench.technique.finish() is None
    assert Bench().feed(DT, ON).technique.finish() is None


def test_held_heights_are_weighed_by_time():
    bench = Bench().feed(0.5, at(0, 0, 4.0, height_sigma_mm=0.2, tilt_rad=0.1))
    bench.feed(1.0, at(0, 0, 10.0, height_sigma_mm=0.5, tilt_rad=0.4)).feed(2.0, at(0, 0, 16.0, height_sigma_mm=0.8))
    done = bench.technique.finish()

    heights = np.repeat([4.0, 10.0, 16.0], [8, 16, 32])
    assert done.height_mean_mm == pytest.approx(heights.mean()) and done.height_sd_mm == pytest.approx(heights.std())
    assert (done.height_low_mm, done.height_high_mm) == (4.0, 16.0)
    assert done.height_sigma_mm == pytest.approx((0.1 + 0.5 + 1.6) / 3.5)
    assert done.tilt_mean_rad == pytest.approx((0.05 + 0.4) / 3.5)
    assert done.in_limits == pytest.approx(3 / 3.5)  # 5 to 25 mm


@pytest.mark.parametrize("height_mm, share", [(5.0, 1.0), (4.99, 0.0), (24.9, 1.0)])
def test_limits_of_the_height_are_within_them(height_mm, share):
    assert Bench().feed(1.0, (0.0, 0.0, height_mm)).technique.finish().in_limits == share


def test_frames_of_unlike_length_count_by_their_length_and_gaps_for_no_more_than_a_third_of_a_second():
    technique, t_s = Technique(job(), RULES), 0.0
    for dt_s, height in ((0.25, 8.0), (0.125, 12.0), (2.0, 20.0)):
        t_s += dt_s
        technique.step(replace(at(0, 0, height), t_s=t_s, dt_s=dt_s))

    assert technique.dwell_s == pytest.approx({"U7": 0.675, "connector": 0.0})  # 0.3 s of the gap
    done = technique.finish()
    assert done.dwell_s == pytest.approx(0.675)
    assert done.height_mean_mm == pytest.approx((2.0 + 1.5 + 6.0) / 0.675)


def test_energy_of_a_pass_is_taken_apart_end_by_end():
    bench = Bench().feed(0.5, AWAY, Band(1.0, 2.0, 3.0)).feed(DT, ON, Band(4.0, 5.0, 8.0))
    bench.feed(0.5, ON, Band(10.0, 14.0, 20.0)).feed(2.0, AWAY, Band(30.0, 40.0, 50.0))

    assert bench.passes[0][1].energy_j == Band(6.0, 9.0, 12.0)


def test_energy_that_is_not_told_is_not_known():
    assert Bench().feed(0.5, ON, Band(1, 2, 3)).feed(1.0, ON).technique.finish().energy_j is None
    assert Bench().feed(DT, ON).feed(1.0, ON, Band(1, 2, 3)).technique.finish().energy_j is None


def test_dwell_counts_for_the_region_that_is_aimed_at():
    bench = Bench().feed(1.0, (12.0, 1.0, 12.0)).feed(0.5, ON).feed(0.25, (12.0, 1.0, 30.0)).feed(1.0, UNSEEN)

    assert bench.technique.dwell_s == {"U7": 0.5, "connector": 1.0}


def test_sweep_is_even_where_at_least_half_of_the_mean_was_given():
    bench = Bench().feed(2.0, (-1.5, 0.0, 12.0)).feed(0.25, (3.0, 1.0, 12.0))
    done = bench.technique.finish()

    x, y = bench.technique.grid.mesh()
    time_s = 2.0 * ((x + 1.5) ** 2 + y**2 <= 3.4**2) + 0.25 * ((x - 3.0) ** 2 + (y - 1.0) ** 2 <= 3.4**2)
    np.testing.assert_allclose(bench.technique.dwell_map_s, time_s)
    own = time_s[(abs(x) < 5) & (abs(y) < 5)]
    assert own.size == 400 and done.coverage == pytest.approx((own > 0).mean())
    assert done.evenness == pytest.approx((own >= own.mean() / 2).mean())


def test_grid_covers_all_regions_with_a_margin_in_steps_of_half_a_millimetre():
    grid = work_grid(job())  # from -5 to 16 mm along x, from -5 to 5 mm along y

    assert grid.extent_mm == pytest.approx((-30.0, 41.0, -30.0, 30.0))
    np.testing.assert_allclose(np.diff(grid.x_mm), 0.5)
    assert (grid.x_mm[0], grid.y_mm[-1], grid.mesh()[0].shape) == (-29.75, 29.75, (120, 142))


def test_footprint_is_the_bore_seen_along_the_axis():
    rng = np.random.default_rng(5)
    x, y = rng.uniform(-12, 12, (2, 4000))
    aim, azimuth, tilt = np.array([1.5, -2.0]), 0.7, 1.0

    axis = np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), -math.cos(tilt)])
    off = np.stack([x - aim[0], y - aim[1], np.zeros_like(x)], axis=1)
    distance = np.linalg.norm(off - (off @ axis)[:, None] * axis, axis=1)  # from the axis
    np.testing.assert_array_equal(footprint(x, y, aim, azimuth, tilt, 3.4), distance <= 3.4)
    assert footprint(np.array([3.5]), np.zeros(1), np.zeros(2), 0.3, 0.0, 3.5).all()  # its rim belongs to it
