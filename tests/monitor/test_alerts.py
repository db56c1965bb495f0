"""Warnings: raised when they must be, quiet when they must be. Rules A1-A7 are of our own making."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.judging.alerts import RULES
from monitor.judging.pipeline import Judge, ToolState
from tests.monitor.make import hover, job, result, track, warnings_of
from vision.types import TrackStatus

AWAY = (60.0, 0.0, 60.0)


def run(duration_s, where, **options):
    judge = Judge(job())
    return hover(judge, (duration_s, where), **options)


def noisy(where, sigma_mm, seed, rate_hz=30.0, tau_s=0.15):
    """Measurement noise that hangs together over about tau, added to a path."""
    rng, state = np.random.default_rng(seed), np.zeros(3)
    keep = np.exp(-1 / (rate_hz * tau_s))

    def path(t):
        nonlocal state
        state = keep * state + np.sqrt(1 - keep**2) * rng.normal(0, sigma_mm, 3)
        place = where(t)
        return None if place is None else tuple(np.array(place, float) + state)
    return path


@pytest.mark.parametrize("kind, place", [("too_far", (0, 0, 30)), ("too_close", (0, 0, 2)), ("drift", (13, 0, 12))])
def test_an_excursion_is_named_within_half_a_second(kind, place):
    raised = warnings_of(run(3.0, lambda t: place if t >= 1.0 else (0, 0, 12)), kind)

    assert len(raised) == 1 and 0 < raised[0].t_start_s - 1.0 <= 0.5  # A1, medium priority


@pytest.mark.parametrize("sigma_mm", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("kind, place", [("too_far", (0, 0, 31)), ("drift", (13, 0, 12))])
def test_noise_hides_no_excursion(kind, place, sigma_mm):
    for seed in range(5):
        path = noisy(lambda t: place if t >= 1.0 else (0, 0, 12), sigma_mm, seed)
        raised = warnings_of(run(3.0, path, sigma_mm=sigma_mm), kind)

        assert raised and raised[0].t_start_s < 2.0


@pytest.mark.parametrize("sigma_mm", [0.5, 1.0, 2.0])
def test_noise_alone_raises_nothing(sigma_mm):
    for seed in range(5):
        results = run(20.0, noisy(lambda t: (0, 0, 15), sigma_mm, seed), sigma_mm=sigma_mm)

        assert not [w for k in ("too_far", "too_close", "drift") for w in warnings_of(results, k)]


def test_work_just_inside_the_limit_does_not_chatter():
    """A3: half a millimetre inside, total spread 0.58 mm, no third raise within 60 s; here over five minutes."""
    results = run(300.0, noisy(lambda t: (0, 0, 24.5), 0.58, 1), sigma_mm=0.58)
    starts = np.array([w.t_start_s for w in warnings_of(results, "too_far")])

    assert not np.any(starts[2:] - starts[:-2] < 60.0)


def test_one_wild_frame_raises_nothing():
    assert not warnings_of(run(3.0, lambda t: (0, 0, 60) if 1.0 <= t < 1.03 else (0, 0, 12)), "too_far")


def test_a_tool_parked_far_off_is_not_too_far():
    assert not warnings_of(run(3.0, lambda t: (60, 40, 80)), "too_far")


def test_passing_high_over_a_neighbour_is_no_drift():
    assert not warnings_of(run(3.0, lambda t: (13, 0, 40)), "drift")


def test_a_warning_ends_after_its_off_delay():
    results = run(6.0, lambda t: (0, 0, 30) if 1 <= t < 2 else (0, 0, 12))
    ended = [w for r in results for w in r.ended if w.kind == "too_far"]

    assert ended[0].t_end_s == pytest.approx(2.0 + RULES["too_far"].off_s, abs=0.1)
    assert ended[0].past_s == pytest.approx(1.0, abs=0.1)


def test_staying_longer_than_allowed_is_named():
    raised = warnings_of(run(6.0, lambda t: (0, 0, 12)), "long_dwell")

    assert raised[0].t_start_s == pytest.approx(4.3, abs=0.15)  # limit 4 s and on-delay 0.3 s


def test_losing_the_nozzle_over_the_work_is_said_within_half_a_second():
    raised = warnings_of(run(3.0, lambda t: (0, 0, 12) if t < 1.0 else None), "not_seen")

    assert len(raised) == 1 and raised[0].t_start_s - 1.0 <= 0.5  # A7


def test_a_tool_led_away_is_away_and_no_fault():
    results = run(4.0, lambda t: (0, 0, 12) if t < 1.0 else (100 * (t - 1), 0, 60) if t < 2 else None)

    assert not warnings_of(results, "not_seen") and results[-1].state is ToolState.AWAY


def test_a_tool_that_was_seen_to_leave_the_work_is_away_its_pass_is_over_and_no_warning_stands():
    judge = Judge(job())
    hover(judge, (2.0, lambda t: (0, 0, 12)))

    gone = [judge.step(result(i, replace(track(i / 30, t_seen_s=59 / 30), status=TrackStatus.GONE)))
            for i in range(60, 150)]

    assert {r.state for r in gone} == {ToolState.AWAY}
    assert not any(r.standing for r in gone)
    assert [r.pass_ended.number for r in gone if r.pass_ended is not None] == [1]


def test_nothing_about_height_is_said_from_old_data():
    """A7: no height warning from data older than 0.2 s."""
    results = run(3.0, lambda t: (0, 0, 30) if t < 1.0 else None)
    stale = [w for r in results if r.t_s > 1.3 for w in r.standing if w.kind == "too_far"]

    assert not stale


def test_a_short_gap_does_not_restart_a_warning():
    results = run(4.0, lambda t: None if 1.5 <= t < 1.6 else (0, 0, 30))

    assert len(warnings_of(results, "too_far")) == 1


@pytest.mark.parametrize("kind", RULES)
def test_every_warning_says_what_to_do_in_four_words(kind):
    assert 1 <= len(RULES[kind].action.split()) <= 4
