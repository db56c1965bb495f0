"""The window that compares passes of one job: chart with limits, traces over one another, table, the odd pass."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.figure import Figure
from PyQt6.QtCore import QModelIndex, Qt, QTimer, pyqtSignal
from PyQt6.QtGui import QAction, QKeySequence, QResizeEvent
from PyQt6.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QFileDialog,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QMainWindow,
    QMessageBox,
    QPushButton,
    QSizePolicy,
    QSplitter,
    QTableView,
    QVBoxLayout,
    QWidget,
)

from monitor.repeat.compare.baseline import BEGUN_ANEW, LEFT_OUT, TAKEN_BACK, Decision, aside_of
from monitor.repeat.compare.comparison import Comparison
from monitor.repeat.compare.passes import MEASURES, Pass
from monitor.repeat.compare.pictures import Colours, draw_run, draw_sums, draw_traces, write_pictures
from monitor.repeat.compare.rates import OVERALL
from monitor.repeat.compare.rules import RULES
from monitor.ui.app import application
from monitor.ui.compare_baseline import Baseline
from monitor.ui.compare_table import REMARKS, PassTable, tr
from monitor.ui.fields import Choice
from monitor.ui.scroll import LEAST_WINDOW, Scrolling
from monitor.ui.theme import Look, Standing, font, look, looks

__all__ = ["CompareWindow", "show_comparison"]

FIT_MS = 80
LEAST_PASSES_PX = 470  # all that can be done with a pass side by side

# rules, index of the reference pass, the baseline's decisions; gives the comparison anew
Again = Callable[[tuple[int, ...], int | None, Sequence[Decision]], Comparison]


def show_comparison(found: Comparison, again: Again, theme: str = "system", language: str = "system",
                    baseline: Path | None = None) -> int:
    """Open the window and stay until it is closed.

    Parameters
    ----------
    found : Comparison
    again : function
        Takes rules, the index of the reference pass and the baseline's decisions, gives the comparison anew.
    theme, language : str
        As `application` takes them.
    baseline : Path, optional
        Record of passes left out and of new beginnings.

    Returns
    -------
    int
        Exit code: 1 when something stands out.
    """
    app = application(theme=theme, language=language)
    window = CompareWindow(found, again, baseline)
    window.show()
    app.exec()
    return int(not window.found.is_quiet)


class CompareWindow(QMainWindow):
    """Shows a comparison; a click on a point, a trace or a row chooses a pass.

    Attributes
    ----------
    found : Comparison
        As shown.
    chosen : int or None
        Index of the chosen pass.
    baseline : Baseline
        What is left out.
    """

    def __init__(self, found: Comparison, again: Again, baseline: Path | None = None) -> None:
        super().__init__()
        self.found, self._again, self.chosen = found, again, None
        self.setWindowTitle(tr("Compare passes: {}").format(found.job.title or found.job.target.name))
        self.setMinimumSize(*LEAST_WINDOW)
        self.resize(1360, 760)
        self.sentence, self.notes = _text_line("head", bold=True), _text_line("body")
        self.measure, self.seconds = Choice(), QCheckBox(tr("in &seconds"))
        self.measure.setSizeAdjustPolicy(Choice.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.measure.setMinimumContentsLength(12)
        self.run, self.traces = _Canvas(tr("One measure of every pass, and its cumulative sum"),
                                        split=True), _Canvas(tr("Height traces over one another"))
        self.table, self.model = QTableView(), PassTable(found, self)
        self.make_reference = QPushButton(tr("Make it the &reference"))
        self.rules = {number: QCheckBox(text) for number, text in RULES.items()}
        self.alarm, self.detail = _text_line("small"), _text_line("small")
        self.baseline = Baseline(self, baseline, self._chosen_pass,
                                 lambda text: self.statusBar().showMessage(text, 12_000))
        self._fill_controls()
        self._lay_out()
        self._connect()
        self._refresh()

    def choose(self, index: int) -> None:
        """Choose a pass, wherever it was clicked."""
        self.chosen = index
        self.table.selectRow(index)
        self.make_reference.setEnabled(self.found.passes[index].has_trace and index != self.found.reference)
        self.detail.setText(self._tell(index))
        self.baseline.show_possible()
        self._draw()

    def take_reference(self) -> None:
        """Hold the others against the chosen pass."""
        if self.chosen is not None and self.found.passes[self.chosen].has_trace:
            self._compare_again(self.chosen)

    def save_charts(self, folder: str | None = None) -> None:
        """Write the charts as SVG into a folder, asked for when not given."""
        folder = folder or QFileDialog.getExistingDirectory(self, tr("Folder for the charts"))
        if not folder:
            return
        try:
            paths = write_pictures(self.found, Path(folder))
        except OSError as fault:
            QMessageBox.warning(self, tr("Charts not saved"), f"{fault.filename or folder}: {fault.strerror}")
            return
        self.statusBar().showMessage(tr("{} charts in {}").format(len(paths), folder), 8000)

    def closeEvent(self, event: object) -> None:
        looks().changed.disconnect(self._draw)
        super().closeEvent(event)

    def _fill_controls(self) -> None:
        for key, measure in MEASURES.items():
            self.measure.addItem(measure.label, key)
        self.measure.setAccessibleName(tr("Measure shown"))
        self.table.setModel(self.model)
        self.table.setAccessibleName(tr("Passes"))
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setTabKeyNavigation(False)
        self.table.verticalHeader().setVisible(False)
        self.table.setWordWrap(False)
        self.table.setFont(font("small", tabular=True))
        head = self.table.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        head.setSectionResizeMode(REMARKS, QHeaderView.ResizeMode.Interactive)
        head.resizeSection(REMARKS, 190)
        head.setMinimumHeight(2 * head.fontMetrics().lineSpacing() + 10)  # names and units on two lines
        for column in self.model.unknown_columns():
            self.table.hideColumn(column)
        self.make_reference.setEnabled(False)
        self.make_reference.setToolTip(tr("Hold the others against the chosen pass"))
        for number, box in self.rules.items():
            box.setChecked(number in self.found.rules)

    def _lay_out(self) -> None:
        above, beside = QHBoxLayout(), QVBoxLayout()
        above.addWidget(QLabel(tr("Show")))
        above.addWidget(self.measure, 1)
        above.addWidget(QLabel(tr("traces")))
        above.addWidget(self.seconds)
        charts = QWidget()
        column = QVBoxLayout(charts)
        column.setContentsMargins(0, 0, 0, 0)
        column.addLayout(above)
        column.addWidget(self.run, 3)
        column.addWidget(self.traces, 2)
        beside.setContentsMargins(0, 0, 0, 0)
        beside.addWidget(self.table, 1)
        beside.addWidget(self.detail)
        beside.addLayout(self._buttons())
        beside.addWidget(_text_line("body", text=tr("Show patterns too")))
        for box in self.rules.values():
            beside.addWidget(box)
        beside.addWidget(self.alarm)
        passes = QWidget()
        passes.setLayout(beside)
        passes.setMinimumWidth(LEAST_PASSES_PX)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(passes)
        split.addWidget(charts)
        split.setSizes([620, 740])
        split.setChildrenCollapsible(False)
        middle = QWidget()
        whole = QVBoxLayout(middle)
        whole.addWidget(self.sentence)
        whole.addWidget(self.notes)
        whole.addWidget(split, 1)
        middle.setMinimumSize(850, 420)
        self.setCentralWidget(Scrolling(middle))

    def _buttons(self) -> QHBoxLayout:
        """What can be done with the chosen pass."""
        row = QHBoxLayout()
        row.addWidget(self.make_reference)
        for name, text in ((LEFT_OUT, tr("Leave out...")), (BEGUN_ANEW, tr("Begin anew...")),
                           (TAKEN_BACK, tr("Take back..."))):
            button, action = QPushButton(text), self.baseline.actions[name]
            button.setToolTip(action.text().replace("&", "").replace("...", ""))
            button.clicked.connect(action.trigger)
            button.setEnabled(action.isEnabled())
            action.enabledChanged.connect(button.setEnabled)
            row.addWidget(button)
        row.addStretch(1)
        return row

    def _connect(self) -> None:
        self._fitting = QTimer(self)  # charts are drawn anew once a window has come to its size
        self._fitting.setSingleShot(True)
        self._fitting.setInterval(FIT_MS)
        self._fitting.timeout.connect(self._draw)
        for canvas in (self.run, self.traces):
            canvas.resized.connect(self._fitting.start)
        self.measure.currentIndexChanged.connect(self._draw)
        self.seconds.toggled.connect(self._draw)
        self.table.selectionModel().currentRowChanged.connect(self._row_chosen)
        self.table.doubleClicked.connect(lambda index: self.take_reference())
        self.make_reference.clicked.connect(self.take_reference)
        for box in self.rules.values():
            box.toggled.connect(lambda _: self._compare_again(self.found.reference))
        self.run.mpl_connect("pick_event", lambda event: self.choose(int(event.ind[0])))
        self.traces.mpl_connect("pick_event", lambda event: self.choose(int(event.artist.get_gid())))
        looks().changed.connect(self._draw)
        menu = self.menuBar().addMenu(tr("&File"))
        for text, keys, work in ((tr("&Save charts..."), QKeySequence.StandardKey.Save, lambda: self.save_charts()),
                                 (tr("&Close"), QKeySequence.StandardKey.Close, self.close)):
            action = QAction(text, self)
            action.setShortcut(QKeySequence(keys))
            action.triggered.connect(work)
            menu.addAction(action)
        self.baseline.fill(self.menuBar().addMenu(tr("&Baseline")))
        self.baseline.changed.connect(lambda: self._compare_again(self.found.reference))

    def _chosen_pass(self) -> Pass | None:
        return None if self.chosen is None else self.found.passes[self.chosen]

    def _row_chosen(self, now: QModelIndex, _before: QModelIndex) -> None:
        if now.isValid() and now.row() != self.chosen:
            self.choose(now.row())

    def _compare_again(self, reference: int | None) -> None:
        rules = tuple(number for number, box in self.rules.items() if box.isChecked())
        decisions = self.baseline.book.decisions if self.baseline.book is not None else ()
        aside = aside_of(self.found.passes, decisions)
        self.found = self._again(rules, None if reference in aside else reference, decisions)
        self.model.show(self.found)
        self._refresh()

    def _refresh(self) -> None:
        self.sentence.setText(self.found.sentence)
        lines = [line for line in (self.found.signals, *self.found.notes[:2]) if line]
        self.notes.setText("\n".join(lines))
        self.notes.setVisible(bool(lines))
        text = tr("At most {:.0f} % of comparisons of like passes say that one is odd or that something changes "
                  "(simulated). What can be chance is marked so.").format(100 * OVERALL)
        if self.found.rules:
            by_chance = tr("These patterns come by chance every {:.0f} passes in each measure and count for nothing.")
            text += " " + by_chance.format(self.found.patterns_every)
        self.alarm.setText(text)
        if self.chosen is not None:
            self.choose(self.chosen)
        else:
            self.detail.setText(tr("Click a point, a trace or a row to choose a pass."))
            self._draw()

    def _tell(self, index: int) -> str:
        """The chosen pass in words."""
        p, marks = self.found.passes[index], self.found.landmarks(index)
        first, last = marks["first_in_limits"], marks["last_in_limits"]
        when = tr("never at an allowed height") if math.isnan(first) else tr(
            "at an allowed height from {:.1f} to {:.1f} s").format(first, last)
        text = tr("{}: {:.1f} s over the target, {}").format(p.label, p.values["dwell_s"], when)
        return "; ".join((text, *([tr("the reference")] if index == self.found.reference else []),
                          *self.found.marks(index)))

    def _draw(self, *_: object) -> None:
        colours = _colours(look())
        draw_run(self.run.axes, self.found, self.measure.currentData(), colours, self.chosen)
        draw_sums(self.run.below, self.found, self.measure.currentData(), colours)
        draw_traces(self.traces.axes, self.found, colours, seconds=self.seconds.isChecked(), chosen=self.chosen)
        for canvas in (self.run, self.traces):
            canvas.draw_idle()


class _Canvas(FigureCanvasQTAgg):
    """A chart that fills its place, and is drawn anew for another one."""

    resized = pyqtSignal()

    def __init__(self, name: str, split: bool = False) -> None:
        super().__init__(Figure(layout="constrained"))
        self.axes, self.below = (self.figure.subplots(2, 1, height_ratios=(2.2, 1)) if split
                                 else (self.figure.add_subplot(), None))
        self.setAccessibleName(name)
        self.setMinimumSize(320, 110)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.resized.emit()


def _text_line(size: str, *, bold: bool = False, text: str = "") -> QLabel:
    label = QLabel(text)
    label.setFont(font(size, bold=bold))
    label.setWordWrap(True)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


def _colours(now: Look) -> Colours:
    return Colours(paper=now.field, ink=now.ink, soft=now.soft_ink, line=now.line, reference=now.series[0],
                   odd=now.series[4], drift=now.series[1],
                   band=now.standings[Standing.IDLE].fill)
