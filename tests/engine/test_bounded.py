"""What runs for hours keeps to a memory that does not grow (T12), and tells growth from coming and going."""

import gc
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cost import MOST_MINUTES, Delays, Load
from monitor.engine.source import Arrival
from monitor.engine.video_writer import PictureLine
from monitor.engine.views import Views
from monitor.judging.pipeline import Judge
from tests.engine.test_session import make, run
from tests.monitor.make import job, result, track
from vision.types import Frame

SAMPLES_A_MINUTE = 12
# compiled loops fill caches
OWN = (tracemalloc.Filter(True, "*/monitor/*"), tracemalloc.Filter(False, "*/monitor/heat/*"))


def arrival(i, shade=0, size=(48, 64)):
    return Arrival(Frame(i, i / 30, np.full((*size, 3), shade, np.uint8)), 0.0)


def grown_bytes(act):
    """What our code keeps of an act, beyond what the same act before it left."""
    kept = []
    tracemalloc.start()
    for _ in range(2):
        act()
        gc.collect()
        kept.append(sum(trace.size for trace in tracemalloc.take_snapshot().filter_traces(OWN).traces))
    tracemalloc.stop()
    return kept[1] - kept[0]


def busy(t):
    """A pass every two seconds, some of it too high, so that warnings come and go."""
    return (0, 0, 15) if t % 2 < 0.6 else (0, 0, 32) if t % 2 < 1.2 else (60, 40, 60)


def test_a_session_keeps_nothing_of_the_passes_and_warnings_behind_it():
    session, at_s = make(None, busy), iter(range(0, 1000, 10))

    def ten_seconds():
        run(session, 10.0, start_s=float(next(at_s)))

    assert grown_bytes(ten_seconds) < 1_000  # five passes alone are 5 kB when they are kept


def test_a_long_pass_needs_no_more_memory_than_a_short_one():
    judge, frames = Judge(job()), iter(range(10_000))

    def twenty_seconds():
        for i in (next(frames) for _ in range(400)):
            judge.step(result(i, track(i / 20, (0.0, 0.0, 18.0))))

    assert grown_bytes(twenty_seconds) < 1_000  # 400 frames are 70 kB when they are kept
    assert judge.technique.pass_open


@pytest.mark.parametrize("bgr, y_cb_cr", [
    # full bars of ITU-R BT.601-7 in 8 bits
    ((255, 255, 255), (235, 128, 128)), ((0, 0, 0), (16, 128, 128)), ((0, 0, 255), (81, 90, 240)),
    ((0, 255, 0), (145, 54, 34)), ((255, 0, 0), (41, 240, 110))])
def test_a_picture_reaches_the_encoder_in_its_colours(bgr, y_cb_cr):
    line, image = PictureLine(2), np.full((4, 6, 3), bgr, np.uint8)
    line.put(Arrival(Frame(0, 0.0, image), 0.0))
    taken = line.take(0.0).i420

    found = taken[0, 0], taken[4, 0], taken[5, 0]
    np.testing.assert_allclose(found, y_cb_cr, atol=1)


@settings(max_examples=30)
@given(st.lists(st.booleans(), min_size=1, max_size=60))
def test_a_taken_picture_stays_while_others_join_the_line(puts):
    line, expected, taken = PictureLine(3), [], None
    for i, is_put in enumerate(puts):
        if is_put:
            expected += [i] if line.put(arrival(i, shade=4 * i)) else []
        else:
            taken = line.take(0.0)
            now = expected.pop(0) if expected else None
        if taken is not None:
            assert taken.t_s == now / 30 and abs(int(taken.i420[0, 0]) - (16 + 4 * now * 219 / 255)) <= 1


@settings(max_examples=30)
@given(st.integers(1, 2000))
def test_views_are_evenly_spaced_in_a_session_of_any_length(n):
    views = Views()
    for t_s in range(n):
        views.offer(float(t_s), np.full((2, 2, 3), t_s % 251, np.uint8), None, float(t_s))

    times_s = [shift for _, _, shift in views]
    assert len(views) <= 9 and all(image[0, 0, 0] == t_s % 251 for image, _, t_s in views)
    assert times_s[0] == 0 and len(set(np.diff(times_s))) <= 1 and n - times_s[-1] <= max([1.0, *np.diff(times_s)])


def test_views_need_the_same_memory_however_long_the_session_is():
    views, seconds = Views(), iter(range(10_000))

    def a_thousand_seconds():
        for t_s in (next(seconds) for _ in range(1000)):
            views.offer(float(t_s), np.zeros((90, 160, 3), np.uint8), None, None)

    assert grown_bytes(a_thousand_seconds) < 1_000


def test_room_for_pictures_of_a_known_size_is_there_before_the_first():
    first, line, views = arrival(0, size=(96, 128)), PictureLine(2, (128, 96)), Views((128, 96))
    tracemalloc.start()
    line.put(first)
    views.offer(0.0, first.frame.image, None, 0.0)
    taken = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert taken < 96 * 128 and len(views) == 1 and line.take(0.0).i420.shape == (144, 128)


def test_a_full_line_refuses_and_counts():
    line = PictureLine(2)

    assert [line.put(arrival(i)) for i in range(4)] == [True, True, False, False] and line.n_refused == 2


def test_a_camera_that_comes_back_with_another_picture_fits_the_same_video():
    line = PictureLine(2)
    line.put(arrival(0, size=(48, 64)))
    line.put(arrival(1, shade=255, size=(97, 129)))

    assert [line.take(0.0).i420.shape for _ in range(2)] == [(72, 64), (72, 64)]


def noted(memory_mb_of_minute, minutes=20):
    """An account of samples whose memory comes and goes by a hundred megabytes."""
    load, rng = Load(), np.random.default_rng(1)
    for minute in range(minutes):
        swings_mb = rng.uniform(0, 100, SAMPLES_A_MINUTE) * (np.arange(SAMPLES_A_MINUTE) > 1)  # at rest now and then
        for k, swing_mb in enumerate(swings_mb):
            load.note(60.0 * minute + 5 * k, memory_mb_of_minute(minute) + swing_mb)
    return load


@pytest.mark.parametrize("slope_mb_h", [0.0, 6.0, 60.0])
def test_growth_is_told_from_what_comes_and_goes(slope_mb_h):
    load = noted(lambda minute: 500 + slope_mb_h * minute / 60)

    assert load.slope_mb_h() == pytest.approx(slope_mb_h, abs=0.01)


def test_growth_of_the_first_minutes_is_start_up():
    load = noted(lambda minute: 500 + 20 * min(minute, 4))

    assert load.slope_mb_h() == 0.0


def test_a_short_run_has_no_slope():
    assert noted(lambda minute: 500, minutes=6).slope_mb_h() is None


def test_the_account_of_memory_itself_is_bounded():
    load = noted(lambda minute: 500, minutes=MOST_MINUTES + 100)

    assert len(load.summary()["memory_each_minute_mb"]) == MOST_MINUTES


def test_of_delays_number_and_longest_are_of_all_and_percentiles_of_the_last():
    delays = Delays(most=10)
    for i in reversed(range(100)):
        delays.add(i / 1000)

    told = delays.percentiles_ms()
    assert (told["n"], told["max"]) == (100, 99.0) and told["p50"] == pytest.approx(4.5)
