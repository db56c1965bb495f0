"""What a reviewer looks at: distances, events in order, maps of a span."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.recording.comments import Comment
from monitor.review.traces import (
    Cancelled,
    Happening,
    after,
    before,
    dwell_in,
    happenings_of,
    heating_in,
    part_title,
    traces_of,
)
from tests.monitor.made_recording import make_recording
from tests.monitor.make import job


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return make_recording(tmp_path_factory.mktemp("review") / "r", heat=True)


@pytest.fixture(scope="module")
def traces(recording):
    return traces_of(recording, job())


def test_the_aim_is_as_far_off_as_the_ruler_says(traces):
    at_3_s = np.argmin(np.abs(traces.t_s - 3.0))

    assert traces.off_target_mm[at_3_s, 1] == pytest.approx(40.0 - 5.0)  # the target's right edge lies at x = 5 mm


def test_an_aim_inside_is_not_off_at_all(traces):
    at_1_s = np.argmin(np.abs(traces.t_s - 1.0))

    assert traces.off_target_mm[at_1_s, 1] == 0.0


def test_the_band_of_the_height_is_90_percent_of_a_normal_spread(traces):
    low, middle, high = traces.height_mm[20]

    # 1.645 sigma on either side, tables of the normal distribution; the track's sigma is 0.5 mm
    assert (middle - low, high - middle) == (pytest.approx(0.8225, abs=1e-3), pytest.approx(0.8225, abs=1e-3))


def test_events_come_in_order_of_time(recording):
    found = happenings_of(recording, [Comment(3.0, "look here"), Comment(0.1, "start")])

    assert [h.t_s for h in found] == sorted(h.t_s for h in found)
    assert [h.title for h in found if h.kind == "pass"] == ["pass 1", "pass 2"]


def test_next_and_previous_never_stay_where_they_are(recording):
    found = happenings_of(recording, [Comment(3.0, "look here")])

    assert after(found, 2.9).t_s == 3.0 and after(found, 3.0).t_s > 3.0
    assert before(found, 3.0).t_s < 3.0 and before(found, 0.0) is None


def test_a_jet_held_still_lies_on_a_disc_of_the_bore(recording):
    found = dwell_in(recording, job(), 0.6, 1.9)
    cell_mm2 = 0.25

    assert (found.cells > 0).sum() * cell_mm2 == pytest.approx(math.pi * 3.4**2, rel=0.03)  # bore 6.8 mm


def test_the_dwell_of_a_span_is_the_time_of_the_pass(recording):
    assert dwell_in(recording, job(), 0.0, 3.0).cells.max() == pytest.approx(1.5, abs=0.051)  # 0.5 to 2.0 s, one frame


def test_dwell_of_two_halves_adds_up_to_the_whole(recording):
    first, second, whole = (dwell_in(recording, job(), *span).cells for span in ((-1, 3), (3, 9), (-1, 9)))

    np.testing.assert_allclose(first + second, whole)


def test_a_span_warms_the_board_most_beside_the_part_under_the_jet(recording):
    found = heating_in(recording, job(), 0.4, 2.0)
    ny, nx = found.cells.shape
    left, right, bottom, top = found.extent_mm
    x, y = np.meshgrid(left + (np.arange(nx) + 0.5) * (right - left) / nx,
                       bottom + (np.arange(ny) + 0.5) * (top - bottom) / ny)
    hottest = np.nanargmax(found.cells)

    # the part (to x = 5 mm) shades the board under it, the connector (from x = 10 mm) holds the warmth beside it
    assert 5.0 < np.hypot(x.flat[hottest], y.flat[hottest]) < 10.0 and found.cells.flat[hottest] > 3.0


def test_an_empty_span_warms_nothing(recording):
    found = heating_in(recording, job(), 1.0, 1.0)

    np.testing.assert_allclose(found.cells[np.isfinite(found.cells)], 0.0, atol=1e-9)


def test_who_does_not_want_to_wait_need_not(recording):
    def stop(share):
        raise Cancelled

    with pytest.raises(Cancelled):
        heating_in(recording, job(), 0.0, 5.0, stop)


def test_jumping_passes_over_frames_that_were_left_out():
    found = [Happening(1.0, 1.0, "gap", "3 frames not analysed"), Happening(2.0, 3.0, "pass", "pass 1")]

    assert after(found, 0.5).title == "pass 1" and before(found, 1.5) is None


def test_frames_that_were_left_out_span_from_the_first_to_the_last():
    recording = SimpleNamespace(frames={"t_s": np.array([0.0, 9.0])}, passes=[], warnings=[], events=[], part_events=[],
                                marks=[], station=[], drops=[{"t_s": 4.0, "count": 2}, {"t_s": 1.5, "count": 1}])

    gap, = happenings_of(recording)

    assert (gap.t_s, gap.t_end_s, gap.kind, gap.title) == (1.5, 4.0, "gap", "3 of 5 pictures skipped")


def test_a_warning_that_still_stands_ends_with_the_recording():
    warning = {"t_start_s": 3.0, "t_end_s": None, "kind": "too_far", "text": "go down"}
    recording = SimpleNamespace(frames={"t_s": np.array([0.0, 9.0])}, passes=[], warnings=[warning], events=[],
                                part_events=[], marks=[], station=[{"t_s": 1.0, "setpoint_c": 380.0,
                                                                    "airflow_l_min": None}], drops=[])

    turned, warned = happenings_of(recording)

    assert (warned.t_end_s, turned.title) == (9.0, "setpoint to 380 C")


@pytest.mark.parametrize(("row", "says"), [
    ({"dx_mm": None}, "C3 is gone"), ({"dx_mm": 0.3, "dy_mm": -0.4, "turn_rad": -0.1}, "C3 is gone: 0.50 mm, -5.7 d")])
def test_what_happened_to_a_part_tells_by_how_much_where_that_is_known(row, says):
    assert part_title({"kind": "removed", "part": "C3"} | row).startswith(says)
