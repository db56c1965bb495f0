"""Dwell, sweep and passes of hand-made movements."""

import math

import numpy as np
import pytest

from monitor.judging.pipeline import Judge
from monitor.judging.technique import footprint
from tests.monitor.make import hover, job

AWAY = (60.0, 0.0, 40.0)


def summaries(results, judge):
    last = judge.finish()
    return [r.pass_ended for r in results if r.pass_ended] + ([last] if last else [])


def test_dwell_counts_only_time_over_the_region():
    judge = Judge(job())
    hover(judge, (4.0, lambda t: (0, 0, 12) if t < 1.5 else (13, 0, 12) if t < 2.5 else AWAY))

    assert judge.technique.dwell_s["U7"] == pytest.approx(1.5, abs=0.07)
    assert judge.technique.dwell_s["connector"] == pytest.approx(1.0, abs=0.07)


def test_a_tool_above_the_limit_does_not_dwell():
    judge = Judge(job())
    hover(judge, (1.0, lambda t: (0, 0, 30)))

    assert judge.technique.dwell_s["U7"] == 0


def test_a_pass_starts_and_ends_with_the_aim():
    judge = Judge(job())
    found = summaries(hover(judge, (6.0, lambda t: (0, 0, 12) if 1.0 <= t < 3.0 else AWAY)), judge)

    assert len(found) == 1
    assert (found[0].t_start_s, found[0].t_end_s) == pytest.approx((1.0, 3.0), abs=0.05)


def test_three_visits_are_three_passes():
    judge = Judge(job())
    found = summaries(hover(judge, (12.0, lambda t: (0, 0, 12) if t % 4 < 2 else AWAY)), judge)

    assert [p.number for p in found] == [1, 2, 3]


def test_leaving_for_a_moment_does_not_end_a_pass():
    judge = Judge(job())
    found = summaries(hover(judge, (6.0, lambda t: (8, 0, 12) if 1.5 < t < 2.2 else (0, 0, 12) if t < 4 else AWAY)),
                      judge)

    assert len(found) == 1 and found[0].dwell_s == pytest.approx(3.3, abs=0.1)


def test_dwell_of_a_pass_does_not_count_the_margin_round_the_outline():
    # 5.5 mm lies outside the outline, which ends at 5 mm, and inside the 0.7 mm within which a pass goes on
    judge = Judge(job())
    found = summaries(hover(judge, (6.0, lambda t: (0, 0, 12) if t < 2 else (5.5, 0, 12) if t < 4 else AWAY)), judge)

    assert len(found) == 1 and found[0].dwell_s == pytest.approx(2.0, abs=0.07)
    assert found[0].t_end_s == pytest.approx(4.0, abs=0.07)


def test_lifting_off_ends_a_pass():
    judge = Judge(job())
    found = summaries(hover(judge, (4.0, lambda t: (0, 0, 40) if 1.5 <= t < 2.5 else (0, 0, 12))), judge)

    assert len(found) == 2


def test_brushing_over_the_target_is_no_pass():
    judge = Judge(job())

    assert summaries(hover(judge, (3.0, lambda t: (0, 0, 12) if 1.0 < t < 1.2 else AWAY)), judge) == []


def test_a_pass_hidden_for_a_while_tells_how_long():
    judge = Judge(job())
    found = summaries(hover(judge, (5.0, lambda t: None if 1.0 <= t < 2.0 else (0, 0, 12) if t < 3 else AWAY)), judge)

    assert len(found) == 1 and found[0].unseen_s == pytest.approx(1.0, abs=0.07)


def test_height_of_a_pass_is_the_mean_and_its_spread():
    judge = Judge(job())
    wave = summaries(hover(judge, (4.0, lambda t: (0, 0, 12 + 2 * math.sin(2 * math.pi * t)))), judge)[0]

    assert wave.height_mean_mm == pytest.approx(12, abs=0.05)
    assert wave.height_sd_mm == pytest.approx(2 / math.sqrt(2), abs=0.05)  # of a sine of amplitude 2


def test_standing_still_sweeps_the_jets_own_area():
    judge = Judge(job())
    still = summaries(hover(judge, (2.0, lambda t: (0, 0, 12))), judge)[0]

    assert still.coverage == pytest.approx(math.pi * 3.4**2 / 100, abs=0.03)  # bore 6.8 mm on a 10 mm square


def test_a_serpentine_sweeps_everything():
    judge = Judge(job())
    path = lambda t: (4.8 * math.sin(6 * t), -4.8 + 9.6 * t / 8, 12)
    whole = summaries(hover(judge, (8.0, path)), judge)[0]

    assert whole.coverage > 0.99


def test_a_hand_before_the_camera_does_not_make_two_passes_of_one():
    judge = Judge(job())
    found = summaries(hover(judge, (9.0, lambda t: None if 2.0 <= t < 5.0 else (0, 0, 12) if 1.0 <= t < 7.0 else AWAY)),
                      judge)

    assert len(found) == 1 and found[0].unseen_s == pytest.approx(3.0, abs=0.07)
    assert found[0].dwell_s == pytest.approx(3.0, abs=0.1)  # what was not seen is not counted as dwell


def test_a_tool_lost_after_it_left_has_left():
    judge = Judge(job())
    path = (4.0, lambda t: (0, 0, 12) if t < 1.0 else (20, 0, 12) if t < 1.2 else None)
    ended_s = next(r.t_s for r in hover(judge, path) if r.pass_ended)

    assert ended_s == pytest.approx(1.0 + 1.5, abs=0.1)


def test_one_glimpse_inside_does_not_date_a_later_pass_back():
    judge = Judge(job())
    path = (5.0, lambda t: (0, 0, 12) if t < 0.04 or t > 2.0 else None)
    found = summaries(hover(judge, path), judge)

    assert len(found) == 1 and found[0].t_start_s == pytest.approx(2.0, abs=0.05)


def test_lowest_highest_and_the_share_within_limits_are_those_of_the_dwell():
    # limits 5 to 25 mm: one second at 4 mm, one at 10 mm, two at 16 mm
    judge = Judge(job())
    path = (5.0, lambda t: (0, 0, 4) if t < 1 else (0, 0, 10) if t < 2 else (0, 0, 16) if t < 4 else AWAY)
    held = summaries(hover(judge, path), judge)[0]

    assert (held.height_low_mm, held.height_high_mm) == pytest.approx((4, 16))
    assert held.in_limits == pytest.approx(0.75, abs=0.02)
    assert held.height_mean_mm == pytest.approx((4 + 10 + 2 * 16) / 4, abs=0.15)
    assert held.height_sd_mm == pytest.approx(math.sqrt((7.5**2 + 1.5**2 + 2 * 4.5**2) / 4), abs=0.1)


def test_the_sigma_of_a_pass_is_that_of_its_frames_because_they_err_alike():
    judge = Judge(job())
    held = summaries(hover(judge, (3.0, lambda t: (0, 0, 12) if t < 2 else AWAY), sigma_mm=0.8), judge)[0]

    assert held.height_sigma_mm == pytest.approx(0.8, abs=1e-6)


def test_a_place_swept_half_as_long_as_the_mean_still_counts_as_even():
    # the jet's circle, 3.4 mm round, stands 2 s left and 0.5 s right: 0.91 s on the mean over the square, so even
    judge = Judge(job())
    path = (3.5, lambda t: (-1.5, 0, 12) if t < 2 else (1.5, 0, 12) if t < 2.5 else AWAY)
    held = summaries(hover(judge, path), judge)[0]

    circle = math.pi * 3.4**2
    lens = 2 * 3.4**2 * math.acos(1.5 / 3.4) - 1.5 * math.sqrt(4 * 3.4**2 - 9)  # common part of circles 3 mm apart
    assert held.coverage == pytest.approx((2 * circle - lens) / 100, abs=0.03)
    assert held.evenness == pytest.approx((2 * circle - lens) / 100, abs=0.03)


def test_a_place_swept_for_less_than_half_the_mean_is_not_even():
    # 4 s left and 0.5 s right: 1.63 s on the mean, so what only the right circle met is uneven
    judge = Judge(job())
    path = (5.5, lambda t: (-1.5, 0, 12) if t < 4 else (1.5, 0, 12) if t < 4.5 else AWAY)
    held = summaries(hover(judge, path), judge)[0]

    assert held.evenness == pytest.approx(math.pi * 3.4**2 / 100, abs=0.03)
    assert held.coverage > held.evenness + 0.1


def test_the_map_holds_the_time_that_the_jet_lay_over_each_place():
    judge = Judge(job())
    hover(judge, (2.0, lambda t: (0, 0, 12)))
    x_mm, y_mm = judge.technique.grid.mesh()
    map_s = judge.technique.dwell_map_s
    under = x_mm**2 + y_mm**2 < 3.4**2

    assert map_s[under].min() == pytest.approx(2.0, abs=0.07)
    assert map_s[~under].max() == 0


def test_a_leaning_jet_draws_its_circle_out_along_the_lean():
    # axis leaning by 60 degrees towards +y: the circle's shadow is twice as long there, as wide as before across
    around = footprint(np.array([0.0, 0.0, 3.3, 3.5]), np.array([6.7, 6.9, 0.0, 0.0]), np.zeros(2), math.pi / 2,
                       math.pi / 3, 3.4)

    assert around.tolist() == [True, False, True, False]


def test_a_pass_lasts_from_its_entry_while_it_is_under_way():
    judge = Judge(job())
    hover(judge, (2.0, lambda t: (0, 0, 12) if t >= 0.5 else AWAY))

    assert judge.technique.pass_open
    assert judge.technique.pass_time_s(2.0) == pytest.approx(1.5, abs=0.05)
