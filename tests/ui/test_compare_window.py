"""The compare window, driven as a person would."""

import pytest
from PyQt6.QtCore import QPoint, Qt

from monitor.repeat.compare.comparison import compare
from tests.compare.test_compare import one
from tests.monitor.make import job


@pytest.fixture
def window(qtbot):
    from monitor.ui.compare_window import CompareWindow

    passes = [one(0, height=15.4), one(1, height=15.0), one(2, height=14.7), one(3, height=7.0)]
    made = CompareWindow(compare(passes, job()),
                         lambda rules, reference: compare(passes, job(), rules=rules, reference=reference))
    qtbot.addWidget(made)
    made.show()
    qtbot.waitExposed(made)
    return made


def click(qtbot, canvas, x, y):
    """Click into a chart at a place given in its own units."""
    canvas.draw()
    across, up = canvas.axes.transData.transform((x, y)) / canvas.device_pixel_ratio
    qtbot.mouseClick(canvas, Qt.MouseButton.LeftButton, pos=QPoint(round(across), round(canvas.height() - up)))


def row_of(window):
    return window.table.currentIndex().row()


def test_the_odd_pass_and_its_reason_stand_on_top(window):
    assert "pass 4 was low (held at 7.0 mm" in window.sentence.text()


def test_a_click_on_a_point_chooses_its_pass(window, qtbot):
    click(qtbot, window.run, 3, 14.7)

    assert window.chosen == 2 and row_of(window) == 2


def test_a_click_on_a_trace_chooses_its_pass(window, qtbot):
    click(qtbot, window.traces, 50, 7.0)

    assert window.chosen == 3 and row_of(window) == 3


def test_a_click_on_a_row_tells_of_its_pass(window, qtbot):
    place = window.table.visualRect(window.model.index(3, 0)).center()
    qtbot.mouseClick(window.table.viewport(), Qt.MouseButton.LeftButton, pos=place)

    assert window.detail.text().startswith("day/4: 3.0 s over the target") and "low: 7.0 mm" in window.detail.text()


def test_a_chosen_pass_becomes_the_reference(window, qtbot):
    assert window.found.reference == 1
    click(qtbot, window.run, 1, 15.4)
    qtbot.mouseClick(window.make_reference, Qt.MouseButton.LeftButton)

    assert window.found.reference == 0
    assert window.found.warps[1].residual == pytest.approx(0.4) and not window.make_reference.isEnabled()


def test_the_arrow_keys_walk_through_the_passes(window, qtbot):
    window.table.setFocus()
    window.choose(0)
    qtbot.keyClick(window.table, Qt.Key.Key_Down)

    assert window.chosen == 1


def test_patterns_are_shown_with_how_often_they_come_by_chance(window, qtbot):
    before = window.alarm.text()
    window.rules[1].click()
    window.rules[4].click()

    # Champ and Woodall 1987: 152.73 for rules 1 and 4
    assert window.found.rules == (1, 4) and "at most 5 %" in before and "every 153 passes" in window.alarm.text()


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
