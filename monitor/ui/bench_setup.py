"""The set-up page: mark by looking, enter what was set, plan, and calibrate; the job is opened, changed and saved
here.
"""

from __future__ import annotations

import logging
import time
from dataclasses import replace
from pathlib import Path

from PyQt6.QtCore import Qt
from PyQt6.QtGui import QKeySequence
from PyQt6.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QFileDialog,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QSplitter,
    QTableWidget,
    QTableWidgetItem,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from monitor.engine.analyse import Inputs, read_inputs
from monitor.engine.engine import Shown
from monitor.engine.webcam import Webcam
from monitor.errors import JobError, MonitorError
from monitor.files import read_text
from monitor.job import job_text
from monitor.ui.bench_calibrate import CameraTab, NozzleTab, camera_words
from monitor.ui.bench_draft import JobDraft, Mark
from monitor.ui.bench_form import JobForm, pairs_text, parse_pairs
from monitor.ui.bench_marks import MarkView
from monitor.ui.bench_placing import Placer
from monitor.ui.bench_plan import PlanTab
from monitor.ui.bench_state import tr
from monitor.ui.bench_work import BenchWork
from monitor.ui.scroll import Scrolling
from monitor.ui.theme import font
from vision.camera.model import CameraModel, load_camera
from vision.errors import VisionError
from vision.types import BenchPose

__all__ = ["SetupPage"]

VIEW_EVERY_S = 0.12
JOB_FILE = "job file (TOML)"
LEAST_COLUMN_PX = 76
COLUMNS = ("name", "what", "corners: x y; … [mm]", "height [mm]", "limit [°C]", "underside", "solder solid")
_BELOW, _SOLID = 5, 6  # columns that are ticked, of neighbours alone
log = logging.getLogger("plumeline.bench")


class SetupPage(QWidget):
    """Everything before the iron is hot."""

    def __init__(self, work: BenchWork, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._work = work
        out = work.settings.out
        self.draft = JobDraft(keep_at=out / "unsaved_job.json")
        self.camera: CameraModel | None = work.inputs.camera if work.inputs else None
        self.camera_path: Path | None = None
        self.nozzle_path: Path | None = work.inputs.nozzle_path if work.inputs else None
        self._next_view_s, self._is_filling = 0.0, False
        self.view, self.form = MarkView(self.draft), JobForm(self.draft)
        self.plan = PlanTab(self.draft, work.calibration)
        self.camera_tab, self.nozzle_tab = CameraTab(out / "calibration"), NozzleTab(self.draft, out / "calibration")
        self.nozzle_tab.camera = self.camera
        self.tabs = QTabWidget()
        for name, tab in ((tr("Job"), self.form), (tr("Plan"), self.plan), (tr("Camera"), self.camera_tab),
                          (tr("Nozzle"), self.nozzle_tab)):
            self.tabs.addTab(tab, name)
        self.placer, self._shown = Placer(self.draft, self), None
        self._build_tools()
        self._build_table()
        self.state = QLabel()
        self.state.setWordWrap(True)
        self.state.setTextFormat(Qt.TextFormat.PlainText)
        self._lay_out()
        self._connect()
        self._take_up()
        self._when_changed()

    def _connect(self) -> None:
        self.camera_tab.calibrated.connect(self.use_camera)
        self.camera_tab.camera_chosen.connect(lambda camera: self._work.use_source(Webcam(camera)))
        self.nozzle_tab.calibrated.connect(self.use_nozzle)
        self.plan.start_taken.connect(lambda height_mm: setattr(self._work, "aim_mm", height_mm))
        self.plan.stages_taken.connect(lambda stages: setattr(self._work, "stages", stages))
        self.placer.proposed.connect(self.view.propose)
        self.view.dropped.connect(self.placer.drop)
        self.placer.told.connect(self._work.notice)
        self.draft.changed.connect(self._when_changed)

    def _take_up(self) -> None:
        """Begin with the work's own job, else with what was made or left here before."""
        if self._work.inputs is None:
            self._take_up_calibrations()
            self._take_up_job()
        inputs = self._work.inputs
        if inputs is not None:
            self.draft.load(inputs.job_text, inputs.job_path, as_first=True)
            self.view.fit_marks()
        elif self.draft.recover():
            self._work.notice.emit(tr("changes that were not saved last time are back; undo takes them away"))

    def show_state(self, shown: Shown) -> None:
        """Take the newest frame, as often as setting up needs it."""
        self._shown = shown if shown.arrival is not None else self._shown
        tab = self.tabs.currentWidget()
        if tab in (self.camera_tab, self.nozzle_tab):
            tab.show_state(shown)
        if tab is self.camera_tab:
            tab.show_locks(getattr(self._work.source, "locks", ()))
        if time.monotonic() < self._next_view_s:
            return
        self._next_view_s = time.monotonic() + VIEW_EVERY_S
        if shown.arrival is None:
            self.view.tell(tr("no picture: {}").format(shown.trouble))
        elif self.camera is None:
            self.view.tell(tr("calibrate the camera first (tab Camera): then the bench is seen from above, in mm"))
        elif not isinstance(shown.bench, BenchPose):
            self.view.tell(tr("mat not recognised: {}").format(shown.bench.reason))
        else:
            self.view.show_picture(shown.arrival.frame.image, self.camera, shown.bench, self._top_mm)
        self._show_state(shown)

    def place(self, shown: Shown | None, key: str) -> None:
        """Place the marks on the board that lies there now, or take them as they are shown."""
        self.placer.press(shown or self._shown, self.camera, key)

    def close_down(self) -> None:
        """End what runs in the background."""
        self.draft.undo_stack.blockSignals(True)  # while it is taken down it would still tell of itself
        for task in (self.placer.task, self.plan.task, self.camera_tab.task, self.nozzle_tab.task):
            task.end()

    def open_job(self, path: Path) -> None:
        """Read a job file into the draft."""
        try:
            self.draft.load(read_text(path, JOB_FILE, JobError), path)
        except MonitorError as fault:
            self._work.notice.emit(str(fault))

    def save_job(self, path: Path | None = None) -> None:
        """Write the job where it came from, or where the user says."""
        path = path or self.draft.path
        if path is None:
            name, _ = QFileDialog.getSaveFileName(self, tr("Save the job"), str(self._work.settings.out / "job.toml"),
                                                  tr("Jobs (*.toml)"))
            if not name:
                return
            path = Path(name)
        try:
            self.draft.save(path)
            self.placer.keep_reference(self._shown, self.camera)
            self._work.notice.emit(tr("saved: {}").format(path))
        except (MonitorError, OSError) as fault:
            self._work.notice.emit(tr("not saved: {}").format(fault))

    @property
    def _top_mm(self) -> float:
        top = self.draft.get("board", "top_height_mm")
        return float(top) if isinstance(top, (int, float)) else 0.0

    def _when_changed(self) -> None:
        """The draft changed: the session's job follows as soon as it is whole."""
        self._fill_table()
        self.take_job_over()
        self.target_button.setChecked(self.view.marks_target)
        self.neighbour_button.setChecked(not self.view.marks_target)
        self._show_state(None)

    def take_job_over(self) -> None:
        """Let the work follow the draft; a recording that runs keeps its job to the end."""
        job = self.draft.job()
        if job is not None and self._work.inputs is not None and not self._work.is_running:
            if job_text(job) != job_text(self._work.inputs.job):
                self._work.use_job(job)
        elif job is not None and self._work.inputs is None:
            self._try_inputs()

    def _show_unsaved(self, is_clean: bool) -> None:
        self._show_state(None)

    def _show_state(self, shown: Shown | None) -> None:
        if shown is not None:
            bench = shown.bench
            self._mat = tr("mat: {} markers").format(bench.n_markers) if isinstance(bench,
                                                                                    BenchPose) else tr("mat: not seen")
        name = self.draft.path.name if self.draft.path else tr("job without a file")
        unsaved = tr(" (changed, not saved)") if self.draft.is_changed else ""
        nozzle = tr("nozzle: {}").format(self.nozzle_path.name) if self.nozzle_path else tr("nozzle: not calibrated")
        parts = [name + unsaved, camera_words(self.camera), getattr(self, "_mat", tr("mat: not seen")), nozzle]
        text = "    ".join(parts)
        if self.draft.faults:
            text += "\n" + tr("before recording: {}").format(self.draft.faults)
        if self._work.is_running and self.draft.is_changed:
            text += "\n" + tr("changes count from the next recording on; this one keeps its job")
        if text != self.state.text():
            self.state.setText(text)

    def _take_up_calibrations(self) -> None:
        """Use the calibrations that were named, else those that were made here before."""
        made = self._work.settings.out / "calibration"
        camera = self._work.settings.camera or made / "camera.toml"
        nozzle = self._work.settings.nozzle or made / "nozzle.toml"
        if not camera.is_file():
            return
        try:
            self.camera, self.camera_path = load_camera(camera), camera
        except VisionError as fault:
            self._work.notice.emit(str(fault))
            return
        self.nozzle_tab.camera = self.camera
        self._work.engine.use_camera(self.camera)
        self.nozzle_path = nozzle if nozzle.is_file() else None

    def _take_up_job(self) -> None:
        """The job of last time, when there are calibrations to work with."""
        kept = self._work.settings.out / "calibration" / "job_in_use.toml"
        if self.nozzle_path is None or not kept.is_file():
            return
        try:
            self.draft.load(read_text(kept, JOB_FILE, JobError), None, as_first=True)
            self.view.fit_marks()
        except MonitorError as fault:
            log.warning("%s: not taken up: %s", kept, fault)

    def use_camera(self, told) -> None:
        """Work with a camera that was just calibrated."""
        self.camera, self.camera_path = told
        self.nozzle_tab.camera = self.camera
        self._work.engine.use_camera(self.camera)
        self.nozzle_path = None  # it belonged to the camera before
        self._work.inputs = None
        self._show_state(None)

    def use_nozzle(self, path: Path) -> None:
        """Work with a nozzle that was just calibrated."""
        self.nozzle_path = path
        self._try_inputs()

    def _try_inputs(self) -> None:
        """Put job, camera and nozzle together once all three are there."""
        job = self.draft.job()
        camera = self.camera_path or (Path(self._work.settings.out) / "calibration" / "camera.toml")
        if job is None or self.nozzle_path is None or not camera.is_file():
            return
        try:
            text = job_text(job)
            made = self._work.settings.out / "calibration" / "job_in_use.toml"
            made.parent.mkdir(parents=True, exist_ok=True)
            made.write_text(text, encoding="utf-8")
            inputs: Inputs = read_inputs("", made, camera, self.nozzle_path)
            self._work.use_inputs(replace(inputs, job_text=text))
        except (MonitorError, VisionError, OSError) as fault:
            self._work.notice.emit(str(fault))

    def _build_tools(self) -> None:
        self.target_button, self.neighbour_button = QPushButton(tr("Target")), QPushButton(tr("Neighbour"))
        self.rectangle_button, self.corners_button = QPushButton(tr("Rectangle")), QPushButton(tr("Corner by corner"))
        self.snap_button = QPushButton(tr("Snap"))
        self.whole, self.near = QPushButton(tr("Whole mat")), QPushButton(tr("Near the marks"))
        self.whole.clicked.connect(self.view.fit)
        self.near.clicked.connect(self.view.fit_marks)
        self.undo, self.redo = QPushButton(tr("Undo")), QPushButton(tr("Redo"))
        self.remove = QPushButton(tr("Remove"))
        self.open, self.save = QPushButton(tr("Open job")), QPushButton(tr("Save job"))
        self.new = QPushButton(tr("New job"))
        for a, b in ((self.target_button, self.neighbour_button), (self.rectangle_button, self.corners_button)):
            group = QButtonGroup(self)
            for button in (a, b):
                button.setCheckable(True)
                group.addButton(button)
            a.setChecked(True)
        self.snap_button.setCheckable(True)
        self.snap_button.setChecked(True)
        self.target_button.clicked.connect(lambda: self._choose(marks_target=True))
        self.neighbour_button.clicked.connect(lambda: self._choose(marks_target=False))
        self.rectangle_button.clicked.connect(lambda: self._choose(is_rectangle=True))
        self.corners_button.clicked.connect(lambda: self._choose(is_rectangle=False))
        self.snap_button.toggled.connect(lambda is_on: self._choose(snaps=is_on))
        self.undo.clicked.connect(self.draft.undo_stack.undo)
        self.redo.clicked.connect(self.draft.undo_stack.redo)
        self.remove.clicked.connect(self._remove_chosen)
        self.open.clicked.connect(self._ask_open)
        self.save.clicked.connect(lambda: self.save_job())
        self.new.clicked.connect(self.draft.start_anew)
        stack = self.draft.undo_stack
        for button, can, changes in ((self.undo, stack.canUndo, stack.canUndoChanged),
                                     (self.redo, stack.canRedo, stack.canRedoChanged)):
            button.setEnabled(can())
            changes.connect(button.setEnabled)
        stack.cleanChanged.connect(self._show_unsaved)  # no lambda: the stack outlives the page
        for button, key in ((self.undo, QKeySequence.StandardKey.Undo), (self.redo, QKeySequence.StandardKey.Redo),
                            (self.save, QKeySequence.StandardKey.Save), (self.new, QKeySequence.StandardKey.New)):
            button.setShortcut(QKeySequence(key))
            button.setToolTip(button.shortcut().toString())

    def _choose(self, **values: bool) -> None:
        self.view.cancel()
        for name, value in values.items():
            setattr(self.view, name, value)
        self.view.setFocus()

    def _build_table(self) -> None:
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setHorizontalHeaderLabels([tr(c) for c in COLUMNS])
        self.table.setAccessibleName(tr("marks, in millimetres"))
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.horizontalHeaderItem(_SOLID).setToolTip(tr("its solder must not melt: else that is only a caution"))
        header = self.table.horizontalHeader()
        for column in (1, 3, 4, _BELOW, _SOLID):
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(2, QHeaderView.ResizeMode.Stretch)
        header.setMinimumSectionSize(LEAST_COLUMN_PX)  # corners stay readable in a narrow window, and the table scrolls
        self.table.verticalHeader().setVisible(False)
        self.table.setMinimumHeight(110)
        self.table.setMaximumHeight(190)
        self.table.itemChanged.connect(self._take_cell)
        self.table.itemSelectionChanged.connect(self._select_row)

    def _fill_table(self) -> None:
        self._is_filling = True
        marks = self.draft.marks()
        self.table.setRowCount(len(marks))
        for row, mark in enumerate(marks):
            for column, text in enumerate(_cells(mark)):
                item = QTableWidgetItem(text)
                item.setData(Qt.ItemDataRole.UserRole, mark.index)
                if column == 1:
                    item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEditable)
                self.table.setItem(row, column, item)
            for column, is_so in ((_BELOW, mark.is_below), (_SOLID, mark.keep_solid)):
                self.table.setItem(row, column, _ticked(mark, is_so))
        self._is_filling = False

    def _take_cell(self, item: QTableWidgetItem) -> None:
        """A cell was typed into."""
        if self._is_filling:
            return
        index, column, text = item.data(Qt.ItemDataRole.UserRole), item.column(), item.text().strip()
        try:
            if column == 0:
                self.draft.change_mark(index, name=text or None)
            elif column == 2:
                self.draft.change_mark(index, outline_mm=parse_pairs(text))
            elif column in (_BELOW, _SOLID):
                is_so = item.checkState() == Qt.CheckState.Checked
                self.draft.change_mark(index, **({"side": "below" if is_so else None} if column == _BELOW
                                                 else {"keep_solid": is_so or None}))
            else:
                key = "height_mm" if column == 3 else "limit_c"
                self.draft.change_mark(index, **{key: float(text.replace(",", ".")) if text else None})
        except ValueError:
            self._work.notice.emit(tr("“{}” is not understood; corners are written as 1.5 2; 4 2; 4 6").format(text))
            self._fill_table()

    def _select_row(self) -> None:
        rows = self.table.selectionModel().selectedRows()
        self.view.selected = self.table.item(rows[0].row(), 0).data(Qt.ItemDataRole.UserRole) if rows else None
        self.view.update()

    def _remove_chosen(self) -> None:
        if self.view.selected is not None:
            self.draft.remove_mark(self.view.selected)
            self.view.selected = None

    def _ask_open(self) -> None:
        name, _ = QFileDialog.getOpenFileName(self, tr("Open a job"), str(self._work.settings.out), tr("Jobs (*.toml)"))
        if name:
            self.open_job(Path(name))

    def _lay_out(self) -> None:
        first, second = QHBoxLayout(), QHBoxLayout()
        for button in (self.new, self.open, self.save, self.undo, self.redo, self.whole, self.near):
            first.addWidget(button)
        first.addStretch(1)
        first.setSpacing(4)
        second.setSpacing(4)
        for widget in (QLabel(tr("mark:")), self.target_button, self.neighbour_button, self.rectangle_button,
                       self.corners_button, self.snap_button, self.remove):
            second.addWidget(widget)
        second.addStretch(1)
        left, inner = QVBoxLayout(), QWidget()
        left.addLayout(first)
        left.addLayout(second)
        left.addWidget(self.view, 1)
        left.addWidget(self.table)
        inner.setLayout(left)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(inner)
        split.addWidget(self.tabs)
        split.setSizes([800, 480])
        whole = QVBoxLayout(self)
        whole.setContentsMargins(4, 4, 4, 4)
        self.state.setFont(font("small"))
        whole.addWidget(self.state)
        self.area = Scrolling(split)
        whole.addWidget(self.area, 1)


def _ticked(mark: Mark, is_so: bool) -> QTableWidgetItem:
    """A cell that is ticked or not; an empty one for the target."""
    item = QTableWidgetItem()
    item.setData(Qt.ItemDataRole.UserRole, mark.index)
    item.setFlags(Qt.ItemFlag.ItemIsSelectable | Qt.ItemFlag.ItemIsEnabled)
    if not mark.is_target:
        item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
        item.setCheckState(Qt.CheckState.Checked if is_so else Qt.CheckState.Unchecked)
    return item


def _cells(mark: Mark) -> tuple[str, ...]:
    what = tr("target") if mark.is_target else tr("neighbour")
    limit = "" if mark.limit_c is None else f"{mark.limit_c:g}"
    return mark.name, what, pairs_text(mark.corners_mm), f"{mark.height_mm:g}", limit
