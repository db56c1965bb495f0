"""The compare window, driven as a person would."""

from dataclasses import replace

import pytest
from PyQt6.QtCore import QPoint, QSettings, Qt
from PyQt6.QtWidgets import QDialogButtonBox

from monitor.repeat.compare.baseline import BEGUN_ANEW, LEFT_OUT, TAKEN_BACK, aside_of, read_decisions, words_of
from monitor.repeat.compare.comparison import ChartDesign, compare
from tests.compare.test_compare import one
from tests.monitor.make import job


def again(passes):
    def work(rules, reference, decisions):
        new = compare(passes, job(), ChartDesign(rules), reference=reference, aside=aside_of(passes, decisions))
        return replace(new, notes=tuple(words_of(decisions)))
    return work


def opened(*record):
    from monitor.ui.compare_window import CompareWindow

    passes = [one(0, height=15.4), one(1, height=15.0), one(2, height=14.7), one(3, height=7.0)]
    made = CompareWindow(compare(passes, job()), again(passes), *record)
    made.show()
    return made


@pytest.fixture
def window(qtbot):
    made = opened()
    qtbot.addWidget(made)
    qtbot.waitExposed(made)
    return made


@pytest.fixture(scope="module")
def left_alone(qapp):
    """A window in which passes are chosen and nothing else is done: its charts take a second."""
    made = opened()
    yield made
    made.close()


def click(qtbot, canvas, x, y):
    """Click into a chart at a place given in its own units."""
    canvas.draw()
    across, up = canvas.axes.transData.transform((x, y)) / canvas.device_pixel_ratio
    qtbot.mouseClick(canvas, Qt.MouseButton.LeftButton, pos=QPoint(round(across), round(canvas.height() - up)))


def row_of(window):
    return window.table.currentIndex().row()


def test_the_odd_pass_and_its_reason_stand_on_top(left_alone):
    assert "pass 4 was low (held at 7.0 mm" in left_alone.sentence.text()


def test_a_click_on_a_point_chooses_its_pass(left_alone, qtbot):
    left_alone.choose(0)
    click(qtbot, left_alone.run, 3, 14.7)

    assert left_alone.chosen == 2 and row_of(left_alone) == 2


def test_a_click_on_a_trace_chooses_its_pass(left_alone, qtbot):
    left_alone.choose(0)
    click(qtbot, left_alone.traces, 50, 7.0)

    assert left_alone.chosen == 3 and row_of(left_alone) == 3


def test_a_click_on_a_row_tells_of_its_pass(left_alone, qtbot):
    left_alone.choose(0)
    place = left_alone.table.visualRect(left_alone.model.index(3, 0)).center()
    qtbot.mouseClick(left_alone.table.viewport(), Qt.MouseButton.LeftButton, pos=place)

    told = left_alone.detail.text()
    assert told.startswith("day/4: 3.0 s over the target") and "low: 7.0 mm" in told


def test_a_chosen_pass_becomes_the_reference(window, qtbot):
    assert window.found.reference == 1
    click(qtbot, window.run, 1, 15.4)
    qtbot.mouseClick(window.make_reference, Qt.MouseButton.LeftButton)

    assert window.found.reference == 0
    assert window.found.warps[1].residual == pytest.approx(0.4) and not window.make_reference.isEnabled()


def test_the_arrow_keys_walk_through_the_passes(left_alone, qtbot):
    left_alone.table.setFocus()
    left_alone.choose(0)
    qtbot.keyClick(left_alone.table, Qt.Key.Key_Down)

    assert left_alone.chosen == 1


def test_patterns_are_shown_with_how_often_they_come_by_chance(window, qtbot):
    before = window.alarm.text()
    window.rules[1].click()
    window.rules[4].click()

    # Champ and Woodall 1987: 152.73 for rules 1 and 4
    assert window.found.rules == (1, 4) and "At most 5 %" in before and "every 153 passes" in window.alarm.text()


def test_another_measure_is_drawn(window):
    window.measure.setCurrentIndex(window.measure.findData("dwell_s"))

    assert window.run.axes.get_ylabel() == "dwell, s"


def test_traces_can_be_laid_over_one_another_in_seconds(window):
    window.seconds.click()

    assert window.traces.axes.get_xlabel() == "seconds from the entry"


def test_columns_of_which_nothing_is_known_are_hidden(qtbot):
    import dataclasses
    import math

    from monitor.ui.compare_window import CompareWindow

    passes = [dataclasses.replace(p, values=p.values | {"energy_j": math.nan, "energy_even_j": math.nan})
              for p in (one(0), one(1))]
    made = CompareWindow(compare(passes, job()), lambda *_: None)
    qtbot.addWidget(made)

    assert [made.table.isColumnHidden(i) for i in range(10)].count(True) == 2


def test_charts_are_saved(window, tmp_path):
    window.save_charts(str(tmp_path))

    assert (tmp_path / "traces.svg").is_file() and "charts in" in window.statusBar().currentMessage()


@pytest.fixture
def kept(qtbot, tmp_path, monkeypatch):
    """The window with a record, in which the last of four passes is low; its charts are for the others."""
    monkeypatch.setattr("monitor.ui.compare_window._Canvas.draw", lambda canvas: None)
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, str(tmp_path))
    made = opened(tmp_path / "base.toml")
    qtbot.addWidget(made)
    return made, tmp_path / "base.toml"


def test_a_pass_left_out_in_the_window_is_judged_no_longer_and_recorded_with_reason_and_name(kept):
    window, path = kept
    window.choose(3)
    window.baseline.decide(LEFT_OUT, window.found.passes[3], "slipped", "INS1")

    assert window.sentence.text() == "None of the 3 passes stands out."
    assert window.found.marks(3) == ("left out: slipped (INS1)",) and "slipped" in window.notes.text()
    assert [(d.what, d.number, d.why, d.by) for d in read_decisions(path)] == [(LEFT_OUT, 4, "slipped", "INS1")]


def test_it_is_undone_and_made_again_by_key(kept, qtbot):
    window, path = kept
    window.baseline.decide(LEFT_OUT, window.found.passes[3], "slipped", "INS1")
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    qtbot.keyClick(window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)

    assert "pass 4 was low" in window.sentence.text() and read_decisions(path) == []
    assert not window.baseline.actions["undo"].isEnabled()
    window.baseline.actions["redo"].trigger()
    assert window.sentence.text() == "None of the 3 passes stands out." and len(read_decisions(path)) == 1


def test_a_new_beginning_leaves_what_was_before_it_out_and_the_reference_follows(kept):
    window, _ = kept
    assert window.found.reference == 1
    window.baseline.decide(BEGUN_ANEW, window.found.passes[2], "new nozzle", "INS1")

    assert sorted(window.found.aside) == [0, 1] and window.found.reference == 2


def test_what_was_decided_earlier_is_taken_back_and_both_stay_in_the_record(kept):
    window, path = kept
    window.baseline.decide(LEFT_OUT, window.found.passes[3], "slipped", "INS1")
    window.baseline.decide(TAKEN_BACK, window.found.passes[3], "it was not the hand", "INS2")

    assert "pass 4 was low" in window.sentence.text()
    assert [d.what for d in read_decisions(path)] == [LEFT_OUT, TAKEN_BACK]


def test_a_decision_wants_a_reason_and_a_name(qtbot):
    from monitor.ui.compare_baseline import ReasonDialog

    dialog = ReasonDialog(LEFT_OUT, "day/4", "", None)
    qtbot.addWidget(dialog)
    ok = dialog.buttons.button(QDialogButtonBox.StandardButton.Ok)
    states = [ok.isEnabled()]
    for field, text in ((dialog.why, "slipped"), (dialog.by, "  "), (dialog.by, "INS1")):
        field.setText(text)
        states.append(ok.isEnabled())

    assert states == [False, False, False, True]


def test_a_record_that_somebody_else_wrote_to_is_left_alone(kept):
    window, path = kept
    window.baseline.decide(LEFT_OUT, window.found.passes[3], "slipped", "INS1")
    text = path.read_text().replace("slipped", "fell asleep")
    path.write_text(text)
    window.baseline.decide(BEGUN_ANEW, window.found.passes[1], "new nozzle", "INS1")

    assert path.read_text() == text and "somebody else wrote" in window.statusBar().currentMessage()


def test_without_a_record_the_first_decision_asks_where_it_is_kept(window, tmp_path, monkeypatch):
    dialog = "monitor.ui.compare_baseline.QFileDialog"
    monkeypatch.setattr(f"{dialog}.exec", lambda self: True)
    monkeypatch.setattr(f"{dialog}.selectedFiles", lambda self: [str(tmp_path / "b.toml")])
    window.baseline.decide(LEFT_OUT, window.found.passes[3], "slipped", "INS1")

    assert sorted(window.found.aside) == [3] and len(read_decisions(tmp_path / "b.toml")) == 1


def test_nothing_can_be_decided_before_a_pass_is_chosen(qtbot):
    from monitor.ui.compare_window import CompareWindow

    passes = [one(i) for i in range(3)]
    window = CompareWindow(compare(passes, job()), again(passes))
    qtbot.addWidget(window)
    before = window.baseline.actions[LEFT_OUT].isEnabled()
    window.choose(1)

    assert not before and window.baseline.actions[LEFT_OUT].isEnabled()


def test_in_a_small_window_charts_show_their_data_instead_of_a_legend_and_in_a_large_one_both(window, qtbot):
    window.resize(910, 490)
    qtbot.waitUntil(lambda: window.run.axes.get_legend() is None)
    window.run.draw()
    small = window.run.axes.get_position().height + window.run.below.get_position().height
    window.resize(1360, 1000)
    qtbot.waitUntil(lambda: window.run.axes.get_legend() is not None)

    assert small > 0.55  # of the picture; the rest is numbers and names
