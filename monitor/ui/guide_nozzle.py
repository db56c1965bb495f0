"""The first run's second half: the nozzle's profile and touch photographs, how far heights can be trusted, and the
job.
"""

from __future__ import annotations

import copy
import time
from pathlib import Path

import numpy as np
from PyQt6.QtCore import pyqtSignal
from PyQt6.QtWidgets import QFormLayout, QLabel, QProgressBar, QPushButton, QWidget

from monitor.errors import MonitorError
from monitor.job import Job
from monitor.setup.height_check import check_height, read_checks, trust_told, write_check
from monitor.setup.nozzle_guide import NozzleGuide, judge_nozzle, steps_for
from monitor.setup.profile import NOTHING_LIES, VIEWS, LaidPictures, ProfileFound, measure_profile
from monitor.ui.bench_calibrate import solve_nozzle
from monitor.ui.bench_draft import NEW_JOB, JobDraft
from monitor.ui.bench_state import counted, tr
from monitor.ui.bench_task import Task, in_process
from monitor.ui.check_history import CheckHistory
from monitor.ui.guide_steps import NOTHING, Advice, Step, field, fits
from vision.calibrate.nozzle_file import save_nozzle
from vision.types import BenchPose

__all__ = ["JobStep", "NozzleStep", "TrustStep", "job_for_nozzle"]

LEAST_PHOTOS = 6
PLACE_MM = 5.0  # half a side of the place that stands for a target while none is marked


class NozzleStep(Step):
    """Empty bench, nozzle laid on the mat, then touch photographs: each picture is taken when what lies there rests."""

    calibrated = pyqtSignal(object)
    _all_laid = pyqtSignal()

    def __init__(self, draft: JobDraft, folder: Path, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title, self._draft, self._folder, self.camera = tr("Nozzle"), draft, folder, None
        self.say(tr("With the station cold. Pictures are taken by themselves when all lies still."))
        form = QFormLayout()
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        nozzle, board = draft.data["nozzle"], draft.data["board"]
        self.outer = field(form, tr("outer diameter, by calliper [mm]"), f"{nozzle['outer_diameter_mm']:g}")
        self.bore = field(form, tr("bore [mm]"), f"{nozzle['bore_diameter_mm']:g}")
        self.top = field(form, tr("board's top over the mat [mm]"), f"{board['top_height_mm']:g}")
        self.blocks = field(form, tr("your blocks, cards or coins [mm]"), "0 5 10 15 20 30")
        self.box.addLayout(form)
        self.empty, self.skip = QPushButton(tr("The bench is empty: begin")), QPushButton(tr("Keep the job's measures"))
        self.back, self.solve = QPushButton(tr("Take the last back")), QPushButton(tr("Enough: calibrate"))
        for button in (self.empty, self.skip, self.back, self.solve):
            self.row(button)
        for button in (self.skip, self.back, self.solve):
            button.setEnabled(False)
        self.note, self.verdict, self.bar = QLabel(), QLabel(), QProgressBar()
        for said in (self.note, self.verdict):
            said.setWordWrap(True)
            self.box.addWidget(said)
        self.box.addWidget(self.bar)
        self.empty.clicked.connect(self._begin)
        self.skip.clicked.connect(self._skip)
        self.back.clicked.connect(self._take_back)
        self.solve.clicked.connect(self.calibrate)
        self._all_laid.connect(self._measure_profile)
        self._phase, self._wants_empty, self._laid, self._why_not = "empty", False, None, ""
        self._rest, self.guide, self._seen = NozzleGuide(folder / "unused"), None, None
        self.task, self.profile_task = Task(self), Task(self)
        self.profile_task.done.connect(self._take_profile)
        self.profile_task.failed.connect(self._lay_again)
        for task in (self.task, self.profile_task):
            task.progress.connect(lambda share: self.bar.setValue(round(100 * share)))
        self.task.done.connect(self._judge)
        self.task.failed.connect(lambda text: self.verdict.setText(tr("refused: {}").format(text)))

    def look(self, image: np.ndarray, bench: object) -> Advice:
        """Take what is due, and say what comes next."""
        if self.is_done or not fits(self.camera, image):
            return Advice("" if self.is_done else tr("calibrate the lens first"), (), NOTHING, self.is_done)
        if not isinstance(bench, BenchPose):
            return Advice(tr("the mat is not seen: {}").format(bench.reason))
        self._seen = (image, bench)
        if self.task.is_running:
            return Advice(tr("calibrating; the camera may rest"), self._taken())
        if self._phase == "empty":
            if self._wants_empty:
                self._laid, self._phase = LaidPictures(self.camera, image.copy()), "laid"
            return Advice(tr("type the measures, take the nozzle out of the picture, and press “The bench is empty”"))
        if self._phase == "laid":
            return self._look_at_laid(image, bench)
        if self._phase == "measuring":
            return Advice(tr("measuring the profile; take the nozzle away"), self._outlines())
        return self._look_at_touch(image, bench)

    def go_on(self) -> None:
        """In the window's thread, after a look."""
        guide = self.guide
        self.empty.setEnabled(self._phase == "empty")
        self.skip.setEnabled(self._phase in ("laid", "measuring"))
        self.back.setEnabled(guide is not None and guide.n_taken > 0 and not self.task.is_running)
        self.solve.setEnabled(guide is not None and guide.n_taken >= LEAST_PHOTOS and not self.task.is_running
                              and not self.is_done)
        is_idle = not self.task.is_running and not self.is_done and not self.verdict.text()
        if guide is not None and guide.step is None and is_idle:
            self.calibrate()

    def calibrate(self) -> None:
        """Learn the nozzle's edges from what was taken."""
        job = job_for_nozzle(self._draft)
        if job is None:
            self.verdict.setText(self._draft.faults)
            return
        self.verdict.setText(tr("calibrating …"))
        self.task.run(in_process(solve_nozzle, self.guide.folder, job, self.camera))

    def close_down(self) -> None:
        """End the solving."""
        self.profile_task.end()
        self.task.end()

    def _look_at_laid(self, image: np.ndarray, bench: BenchPose) -> Advice:
        self._rest.look(image, bench)
        if self._rest.lies_still:
            self._rest = NozzleGuide(self._folder / "unused")
            self._why_not = self._laid.take(bench, image, self._outer_mm)
            if self._laid.is_complete:
                self._phase = "measuring"
                self._all_laid.emit()
                return Advice(tr("measuring the profile; take the nozzle away"), self._outlines())
        views, seen = self._laid.views, self._outlines()
        outline = views[-1].edge_px[::4] if views else NOTHING
        if self._why_not not in ("", NOTHING_LIES):
            return Advice(tr(self._why_not), seen, outline)
        if views:
            return Advice(tr("turn it on the mat by about a quarter, and take the hand away"), seen, outline)
        return Advice(tr("lay the nozzle on the free part of the mat, across the picture, its rim on the paper; take "
                         "the hand away"))

    def _outlines(self) -> tuple[str, ...]:
        n = len(self._laid.views)
        return (tr("{} of {} outlines seen").format(n, VIEWS),) if n else ()

    def _measure_profile(self) -> None:
        self.verdict.setText("")
        self.profile_task.run(in_process(measure_profile, self.camera, self._laid.views, self._outer_mm))

    def _lay_again(self, why: str) -> None:
        self.verdict.setText(tr(why))
        self._laid, self._phase = LaidPictures(self.camera, self._laid.empty), "laid"

    def _look_at_touch(self, image: np.ndarray, bench: BenchPose) -> Advice:
        advice = self.guide.look(image, bench)
        if self.guide.has_come_to_rest:
            advice = self.guide.take(image, bench) or tr("taken; now the next")
        return Advice(tr(advice), self._taken())

    def _taken(self) -> tuple[str, ...]:
        guide = self.guide
        if guide is None:
            return ()
        told = [counted(guide.n_taken, "{} picture taken", "{} pictures taken")] if guide.n_taken else []
        wanted = guide.wanted()
        return (*told, *([tr("still wanted: {}").format(wanted)] if wanted else []))

    def _begin(self) -> None:
        try:
            outer, bore, top = (_number(f.text()) for f in (self.outer, self.bore, self.top))
            blocks = [_number(part) for part in self.blocks.text().replace(",", " ").split()]
        except ValueError as fault:
            self.verdict.setText(tr("not a number: {}").format(fault))
            return
        self._blocks, self._wants_empty, self._outer_mm = blocks, True, outer
        self._is_untouched = self._draft.get("nozzle", "profile_mm") == NEW_JOB["nozzle"]["profile_mm"]
        self._draft.put("board", "top_height_mm", top)
        if outer != self._draft.get("nozzle", "outer_diameter_mm") or bore != self._draft.get("nozzle",
                                                                                              "bore_diameter_mm"):
            profile = [[outer / 2 if r == self._draft.get("nozzle", "outer_diameter_mm") / 2 else r, s]
                       for r, s in self._draft.get("nozzle", "profile_mm")]
            for key, value in (("outer_diameter_mm", outer), ("bore_diameter_mm", bore), ("profile_mm", profile)):
                self._draft.put("nozzle", key, value)

    def _take_profile(self, found: ProfileFound) -> None:
        if self._phase != "measuring":  # the job's measures were chosen meanwhile
            return
        if not found.profile_mm:
            self._lay_again(found.reason)
            return
        if not self._is_untouched:  # a profile that somebody measured is better than an outline's
            self._skip(tr("the job's measures are kept; {}").format(tr(found.reason)))
            return
        self._draft.put("nozzle", "profile_mm", [list(p) for p in found.profile_mm])
        self._draft.put("nozzle", "tube_length_mm", found.tube_length_mm)
        if found.handle_mm:
            self._draft.put("nozzle", "handle_mm", [list(p) for p in found.handle_mm])
        self._skip(tr("profile measured; {}").format(tr(found.reason)))

    def _skip(self, told: object = "") -> None:
        self.guide = NozzleGuide(self._folder / f"touch_{time.strftime('%Y-%m-%d_%H%M%S')}", steps_for(self._blocks))
        if self._seen is not None:
            self.guide.look(*self._seen)  # what lies there now is not the first photograph
        self._phase = "touch"
        self.note.setText(told if isinstance(told, str) else "")
        self.verdict.setText("")

    def _take_back(self) -> None:
        self.guide.take_back()
        self.verdict.setText("")

    def _judge(self, found) -> None:
        verdict = judge_nozzle(found, self.guide.n_taken)
        self.verdict.setText(tr(verdict.reason))
        if verdict.is_usable:
            path = self._folder / "nozzle.toml"
            save_nozzle(path, found)
            self.is_done = True
            self.calibrated.emit(path)
            self.moved_on.emit()


class TrustStep(Step):
    """How good heights are here, what would help, and a check on one known height."""

    def __init__(self, draft: JobDraft, folder: Path, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title, self._draft, self.camera, self.nozzle_path = tr("Trust"), draft, None, None
        self.say(tr("Stand the cold nozzle on one block of known height on the board, then check. Any later day the "
                    "same check "
                    "takes ten seconds."))
        form = QFormLayout()
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        self.height = field(form, tr("height of the block [mm]"), "10")
        self.box.addLayout(form)
        self.check = QPushButton(tr("Check this height"))
        self.row(self.check)
        self.check.clicked.connect(self._ask)
        self.verdict = QLabel()
        self.verdict.setWordWrap(True)
        self.box.addWidget(self.verdict)
        self.history = CheckHistory()
        self.box.addWidget(self.history)
        self._kept_at, self._known_mm = folder / "checks.csv", 0.0
        self.history.show_checks(read_checks(self._kept_at))
        self._seen, self._told = None, ()
        self.task = Task(self)
        self.task.done.connect(self._judge)
        self.task.failed.connect(lambda text: self.verdict.setText(tr(text)))

    def look(self, image: np.ndarray, bench: object) -> Advice:
        """The sentence of trust; it needs camera, nozzle and mat."""
        if not fits(self.camera, image) or self.nozzle_path is None:
            return Advice(tr("calibrate lens and nozzle first"))
        if not isinstance(bench, BenchPose):
            return Advice(tr("the mat is not seen: {}").format(bench.reason))
        self._seen = (image, bench)
        job = job_for_nozzle(self._draft)
        if not self._told and job is not None:
            self._told = (trust_told(self.nozzle_path, self.camera, job, bench),)
        missing = "" if self.is_done else tr("stand the nozzle on a block and press “Check this height”")
        return Advice(tr("checking …") if self.task.is_running else missing, self._told, NOTHING, self.is_done)

    def go_on(self) -> None:
        """In the window's thread, after a look."""
        self.check.setEnabled(self._seen is not None and not self.task.is_running)

    def close_down(self) -> None:
        """End the check."""
        self.task.end()

    def _ask(self) -> None:
        job = job_for_nozzle(self._draft)
        try:
            height = _number(self.height.text())
        except ValueError as fault:
            self.verdict.setText(tr("not a number: {}").format(fault))
            return
        if job is not None and self._seen is not None:
            self.verdict.setText(tr("checking …"))
            self._known_mm = height
            self.task.run(in_process(check_height, *self._seen, self.camera, self.nozzle_path, job, height))

    def _judge(self, verdict) -> None:
        self.verdict.setText(tr(verdict.sentence))
        try:
            write_check(self._kept_at, verdict, self._known_mm)
        except (MonitorError, OSError) as fault:
            self.verdict.setText(f"{tr(verdict.sentence)}\n{tr('not saved: {}').format(fault)}")
        self.history.show_checks(read_checks(self._kept_at))
        self.is_done = self.is_done or verdict.agrees
        if self.is_done:
            self.moved_on.emit()


class JobStep(Step):
    """Target, neighbours, kind and setting: done on the page beside, where the bench is seen from above."""

    def __init__(self, draft: JobDraft, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title, self._draft, self.is_ready = tr("Job"), draft, lambda: False
        self.say(tr("Drag a rectangle over the part to be worked on, then over what must stay cool. Choose the part's "
                    "kind and the "
                    "solder, and enter what the station is set to. All else has a value to begin with."))
        self.mark, self.work = QPushButton(tr("Mark the parts (F2)")), QPushButton(tr("To the hot work (F3)"))
        for button in (self.mark, self.work):
            self.row(button)

    def look(self, image: np.ndarray, bench: object) -> Advice:
        """Whether the work can begin."""
        if self.is_ready():
            return Advice("", (tr("all is there: the work can begin"),), NOTHING, True)
        if not self._draft.marks():
            return Advice(tr("drag a rectangle over the part to be worked on"))
        return Advice(self._draft.faults or tr("camera and nozzle must be calibrated first"))

    def go_on(self) -> None:
        """In the window's thread, after a look."""
        self.work.setEnabled(self.is_ready())


def job_for_nozzle(draft: JobDraft) -> Job | None:
    """The draft's job; while no target is marked, with a place in the middle of the mat instead of one."""
    made = draft.job()
    if made is not None or draft.marks():
        return made
    stand_in = JobDraft(copy.deepcopy(draft.data))
    square = [(-PLACE_MM, -PLACE_MM), (PLACE_MM, -PLACE_MM), (PLACE_MM, PLACE_MM), (-PLACE_MM, PLACE_MM)]
    stand_in.add_mark(square, as_target=True)
    made = stand_in.job()
    draft.faults = stand_in.faults
    return made


def _number(text: str) -> float:
    return float(text.strip().replace(",", "."))
