"""One truth on the hot-work screen: values of now, no forecast that is none, and the machine's faults apart from the
hand's.
"""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from monitor.engine.annunciator import Alarm, Annunciator, Shelved
from monitor.engine.engine import Shown
from monitor.engine.pace import Pace
from monitor.engine.session import Moment
from monitor.heat.types import Band
from monitor.judging.alerts import MACHINE
from monitor.judging.pipeline import Judge
from monitor.review.machine import machine_words
from monitor.review.verdict import verdict
from monitor.ui.bench_state import big_state, next_limit
from monitor.ui.bench_warnings import PAUSE, WarningLines, machine_lines, warning_lines
from tests.monitor.make import hover, job
from tests.ui.test_bench_state import heat, shown, warning
from vision.types import PoseMiss


def low_then(height_mm, seconds=1.0):
    """The state a while after the nozzle, 3 mm over the target, was raised to some height."""
    results = hover(Judge(job()), (1.0 + seconds, lambda t: (0, 0, 3.0 if t < 1.0 else height_mm)))
    result = results[-1]
    return Shown(SimpleNamespace(), PoseMiss(0.0, ""), Moment(result, Alarm(result.standing), None, ()), "", 0.0)


def test_a_warning_shows_the_value_of_now():
    state = low_then(4.5)

    assert big_state(state).reason.startswith("4 mm over") or big_state(state).reason.startswith("4.5 mm over")
    assert warning_lines(state.moment.alarm, 0.0)[0][1].startswith(f"Raise the nozzle: {big_state(state).reason}")


def test_who_has_raised_the_nozzle_is_not_told_to_raise_it():
    state = low_then(16.4)
    assert [w.kind for w in state.moment.alarm.shown] == ["too_close"]  # it ends after two seconds inside

    assert big_state(state).word == "On target"
    assert "back inside" in warning_lines(state.moment.alarm,
                                          0.0)[0][1] and "16 mm" in warning_lines(state.moment.alarm, 0.0)[0][1]


def test_a_value_never_reads_like_the_limit_that_it_passes():
    reason = big_state(low_then(4.7)).reason

    assert "4.7 mm" in reason and "5.0 mm" in reason


@pytest.mark.parametrize("band, words", [
    (Band(0, 48, 59), "U7 may be at its limit already"),
    (Band(9, 48, 59), "U7 at limit in 9 s at the earliest"),
    (Band(40, 48, 59), "U7 at limit in 48 s (40 to 59)")])
def test_a_forecast_says_no_more_than_is_known(band, words):
    assert next_limit(heat({"package top": band}, {}), "U7") == words


def test_off_target_needs_a_measured_aim():
    state = shown((60, 40, 60), seconds=1.0, gone_s=0.35)

    assert state.moment.result.state.value == "off target" and big_state(state).word == "Aim not known"


def test_the_machine_is_told_apart_from_the_work():
    state = shown(warnings=[warning("no_sound"), warning("camera_moved", 2), warning("too_far", 3)])

    assert [text for _, text in warning_lines(state.moment.alarm, 0.0)] == ["Lower the nozzle: why too_far"]
    assert machine_lines(state, "no device") == ["no sound: no device", "why camera_moved"]


def test_a_machine_s_trouble_is_no_flood_of_warnings():
    book = Annunciator()
    troubles = tuple(replace(warning(kind, n), t_start_s=0.1 * n) for n, kind in enumerate(sorted(MACHINE) * 3))

    assert not book.step(1.0, troubles, troubles).is_flood


def test_a_computer_that_is_too_slow_says_so_and_what_to_do():
    pace = Pace()
    for n in range(50):
        pace.note(n / 10, 2 * n)  # of 30 pictures a second 10 are done

    assert "10 of 30 pictures a second" in pace.words and "--rate" in pace.words


def test_a_few_skipped_pictures_are_no_slow_computer():
    pace = Pace()
    for n in range(150):
        pace.note(n / 30, n // 20)

    assert pace.words == ""


def test_a_slow_computer_does_not_ask_for_a_nozzle_that_may_be_in_view():
    waiting = shown(None)
    assert big_state(waiting).reason == "bring the nozzle into view"

    slow = replace(waiting, too_slow="this computer follows 5 of 30")
    assert big_state(slow).reason == "this computer follows 5 of 30"
    assert machine_lines(slow, "") == ["this computer follows 5 of 30"]


def test_what_is_put_aside_is_told_in_minutes_left():
    lines = warning_lines(Alarm((), (Shelved("too_far", "U7", 600.0, ""),)), 130.0)

    assert lines == [(PAUSE, "too far U7: put aside, 8 min left")]


def test_every_line_of_the_warnings_has_a_drawn_shape(qtbot):
    panel = WarningLines()
    qtbot.addWidget(panel)
    panel.tell(warning_lines(Alarm((warning("part_limit"), warning("too_far", 2))), 0.0))

    assert panel.words.isascii()  # no glyph of a font stands for a shape


def recorded(warnings=(), drops=(), passes=()):
    full = {"t_start_s": 1.0, "t_end_s": 2.0, "t_first_s": 1.0, "past_s": 1.5, "value": 34.0, "limit_": 25.0,
            "text": "x", "region": "U7"}
    return SimpleNamespace(warnings=[full | w for w in warnings], drops=list(drops), passes=list(passes),
                           frames={"t_s": [0.0] * 121})


def test_the_verdict_tells_the_machine_last_and_as_counts():
    said = verdict(recorded([{"kind": "no_sound", "t_first_s": 0.0}, {"kind": "too_far"}, {"kind": "no_picture"},
                             {"kind": "no_picture"}],
                            [{"t_s": 0.5, "count": 3}, {"t_s": 0.9, "count": 4}]), job())

    work, machine = said.split(" The machine: ")
    assert "too far" in work and "sound" not in work
    assert machine == "sound was off; 7 of 128 pictures skipped; no picture twice, 3.0 s in all."


def test_a_machine_without_fault_is_not_mentioned():
    assert machine_words(recorded([{"kind": "too_far"}])) == []
    assert "machine" not in verdict(recorded([{"kind": "too_far"}]), job())


def test_a_recording_that_gets_ready_is_not_told_to_begin():
    waiting = replace(shown(), moment=None)
    assert big_state(waiting).word == "Not recording"

    assert big_state(waiting, is_running=True).word == "Getting ready"
    assert big_state(replace(waiting, arrival=None, trouble="unplugged"), is_running=True).word == "No picture"
