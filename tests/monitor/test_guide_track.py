"""The track of a guide from frames, and the gap to it, worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.judging.guide_pass import GuidePass, GuidePoint, fit_to_job, gap_to, guide_from, hand_at
from tests.monitor.make import job
from tests.monitor.test_passes import UNSEEN, at

TRACK = np.random.default_rng(3).uniform(1, 9, (5, 7))
SQUARE = np.array([[-5.0, -5.0], [5.0, -5.0], [5.0, 5.0], [-5.0, 5.0]])
GUIDE = GuidePass(0.1 * np.arange(5), TRACK, SQUARE, 6.8, {"pass": "3", "recording": "good"})


def row_of(point):
    return [point.height_mm, point.height_sigma_mm, *point.aim_mm, point.aim_sigma_mm, *point.lean]


@pytest.mark.parametrize("t_s, row", [(0.0, TRACK[0]), (0.2, TRACK[2]), (0.4, TRACK[4]), (-1.0, TRACK[0]),
                                      (9.0, TRACK[4]), (0.125, 0.75 * TRACK[1] + 0.25 * TRACK[2]),
                                      (0.39, 0.1 * TRACK[3] + 0.9 * TRACK[4])])
def test_guide_is_read_between_its_moments(t_s, row):
    np.testing.assert_allclose(row_of(GUIDE.at(t_s)), row, rtol=1e-9)


def test_moment_that_is_known_is_read_beside_one_that_is_not():
    track = TRACK.copy()
    track[3] = np.nan
    guide = replace(GUIDE, track=track)

    assert guide.at(0.2).is_known and not guide.at(0.25).is_known and not guide.at(0.3).is_known
    assert guide.duration_s == pytest.approx(0.4) and guide.name == "pass 3 of good"


@pytest.mark.parametrize("change", [{"height_mm": math.nan}, {"aim_mm": np.array([1.0, math.nan])}])
def test_point_is_known_when_all_of_it_is(change):
    point = GuidePoint(12.0, 0.5, np.array([1.0, 2.0]), 0.3, np.array([0.5, -0.25]))

    assert point.is_known and not replace(point, **change).is_known
    np.testing.assert_allclose(point.tip_mm, [1 - 6, 2 + 3, 12])


def frames(t_s):
    t = np.asarray(t_s, float)
    return t, np.stack([10 + k * t + 0.1 * np.sin(9 * t + k) for k in range(7)], axis=1)


def test_track_is_the_blurred_mean_of_the_frames_about_each_moment():
    t, rows = frames(np.arange(0, 1.0, 0.033))
    at_s, track = guide_from(t, rows, 0.96)

    np.testing.assert_allclose(at_s, 0.1 * np.arange(10))
    for moment, row in zip(at_s, track, strict=True):
        near = [(math.exp(-((u - moment) ** 2) / (2 * 0.1**2)), r) for u, r in zip(t, rows, strict=True)
                if abs(u - moment) <= 0.3]
        np.testing.assert_allclose(row, sum(w * r for w, r in near) / sum(w for w, _ in near))


@pytest.mark.parametrize("duration_s, n", [(0.5, 6), (0.49, 5), (0.3, 4), (0.0, 1)])
def test_track_has_every_tenth_of_a_second_up_to_its_end(duration_s, n):
    assert guide_from(*frames(np.arange(0, 1.0, 0.05)), duration_s)[0].size == n


def test_moment_without_frames_on_both_sides_is_not_known():
    # frames from 0 to 0.375 s and from 1.0 s on: up to 0.05 s past the last and before the first a moment is known
    t, rows = frames([*np.arange(0, 0.376, 0.03125), *np.arange(1.0, 2.01, 0.03125)])
    at_s, track = guide_from(t, rows, 2.0)

    known = np.isfinite(track).all(axis=1)
    np.testing.assert_array_equal(at_s[~known].round(3), [0.5, 0.6, 0.7, 0.8, 0.9])


@pytest.mark.parametrize("gap_s, is_known", [(0.25, True), (0.35, False)])
def test_moment_counts_frames_up_to_three_tenths_of_a_second_away(gap_s, is_known):
    t_s = np.arange(0, 1.001, 0.05)
    _, track = guide_from(*frames(t_s[abs(t_s - 0.5) > gap_s - 0.01]), 1.0)

    assert np.isfinite(track[5, 0]) == is_known and np.isfinite(track[[0, 1, 9, 10], 0]).all()


def test_frames_that_measured_only_in_part_are_left_out():
    t, rows = frames(np.arange(0, 1.0, 0.05))
    rows[7, 5] = math.nan
    without = np.delete(np.arange(t.size), 7)

    np.testing.assert_allclose(guide_from(t, rows, 0.9)[1], guide_from(t[without], rows[without], 0.9)[1])


@pytest.mark.parametrize("n_known, is_guide", [(5, True), (4, False)])
def test_half_of_a_pass_must_be_known(n_known, is_guide):
    t, rows = frames(0.1 * np.arange(n_known))  # of ten moments
    if is_guide:
        assert np.isfinite(guide_from(t, rows, 0.9)[1][:, 0]).sum() == 5
    else:
        with pytest.raises(InputError, match="only 40 %"):
            guide_from(t, rows, 0.9)


def on(outline):
    target = replace_target(outline)
    return fit_to_job(GUIDE, target)


def replace_target(outline):
    plain = job()
    return plain.model_copy(update={"target": plain.target.model_copy(update={"outline_mm": outline})})


def turned(points, angle=0.7, shift=(21.0, -13.0)):
    z = (np.asarray(points) @ [1, 1j]) * np.exp(1j * angle)
    return np.stack([z.real, z.imag], axis=-1) + shift


def test_guide_turns_and_moves_with_its_target():
    there = on(tuple(map(tuple, turned(SQUARE))))

    np.testing.assert_allclose(there.track[:, 2:4], turned(TRACK[:, 2:4]), atol=1e-9)
    np.testing.assert_allclose(there.track[:, 5:7], turned(TRACK[:, 5:7], shift=(0, 0)), atol=1e-9)
    np.testing.assert_array_equal(there.track[:, [0, 1, 4]], TRACK[:, [0, 1, 4]])
    np.testing.assert_allclose(there.target_mm, turned(SQUARE))


@pytest.mark.parametrize("wider_mm, fits", [(0.9, True), (1.1, False)])
def test_corners_may_miss_by_half_a_millimetre(wider_mm, fits):
    # both sides of a pair move out by half of it
    outline = tuple(map(tuple, SQUARE + np.sign(SQUARE) * [wider_mm / 2, 0]))
    if fits:
        assert np.allclose(on(outline).track, TRACK)
    else:
        with pytest.raises(InputError, match=r"10.0 x 10.0 mm, U7 is 11.1 x 10.0 mm"):
            on(outline)


def test_target_of_other_corners_is_another():
    with pytest.raises(InputError, match="another target"):
        on(((-5.0, -5.0), (5.0, -5.0), (0.0, 5.0)))


def test_hand_is_known_where_its_frame_measured_it():
    seen = at(2.0, -1.0, 14.0, aim_cov_mm2=np.diag([0.04, 0.25]))
    hand = hand_at(seen)

    assert (hand.height_mm, hand.height_sigma_mm, hand.aim_sigma_mm) == pytest.approx((14.0, 0.5, 0.5))
    assert hand.aim_mm.tolist() == [2.0, -1.0] and np.isnan(hand.lean).all()
    assert not hand_at(UNSEEN).is_known and not hand_at(replace(seen, observed=False)).is_known


def point(x, y, height, aim_sigma, height_sigma):
    return GuidePoint(height, height_sigma, np.array([x, y]), aim_sigma, np.zeros(2))


def test_gap_counts_both_errors_along_and_across_it():
    gap = gap_to(point(1.0, 2.0, 10.0, 0.3, 0.6), point(4.0, 6.0, -2.0, 0.4, 0.8))

    # 3, 4 and 12 mm apart make 13; aim 0.5 and height 1.0 mm, at the worst together
    worst = math.hypot(0.5, 1.0)
    assert gap.distance_mm == pytest.approx(13.0)
    assert gap.sigma_mm == pytest.approx(0.5 * 5 / 13 + 1.0 * 12 / 13)
    assert gap.low_mm == pytest.approx(13.0 - math.sqrt(2 * math.log(10)) * worst)  # Rayleigh's 90 %
    assert gap.high_mm == pytest.approx(13.0 + 1.645 * worst)


def test_gap_that_is_shorter_than_its_error_has_all_of_it():
    gap = gap_to(point(0.0, 0.0, 10.0, 0.3, 0.6), point(0.3, 0.0, 10.4, 0.4, 0.8))

    assert gap.distance_mm == pytest.approx(0.5) and gap.sigma_mm == pytest.approx(math.hypot(0.5, 1.0))
    assert gap.low_mm == 0.0


def test_gap_of_an_unknown_error_is_not_known():
    assert gap_to(point(0, 0, 10, math.nan, 0.6), point(3, 0, 10, 0.4, 0.8)) is None
    assert gap_to(point(0, 0, 10, 0.3, 0.6), point(3, 0, 10, 0.4, math.inf)) is None
    assert gap_to(point(0, 0, math.nan, 0.3, 0.6), point(3, 0, 10, 0.4, 0.8)) is None
    assert gap_to(point(0, 0, 10, 0.3, 0.6), point(3, math.nan, 10, 0.4, 0.8)) is None
