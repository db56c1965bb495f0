"""What the bench window works with: the engine, the job and calibrations in use, and the session, as Qt signals."""

from __future__ import annotations

import datetime
import logging
import math
import os
import shutil
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PyQt6.QtCore import QObject, pyqtSignal

from monitor.engine.analyse import Inputs
from monitor.engine.engine import Ended, Engine, Listeners, Shown
from monitor.engine.feedback import Coach, Mode, load_skill, save_skill
from monitor.engine.session import LOWEST_FREE_BYTES, Keep, Session
from monitor.engine.source import LiveSource
from monitor.engine.webcam import Webcam
from monitor.errors import InputError
from monitor.heat.calibration import Calibration
from monitor.job import Job, job_text
from monitor.judging.alerts import TechniqueWarning
from monitor.judging.guide_pass import GuidePass, fit_to_job
from monitor.judging.tracking import make_tracker
from monitor.recording.guide_file import guide_of
from monitor.recording.reader import open_recording
from monitor.sound.player import Player
from monitor.sound.tones import REFERENCE, Cue
from monitor.ui.bench_picture import MapLayer
from monitor.ui.bench_state import tr

__all__ = ["Settings", "BenchWork", "SETPOINT_STEP_C", "AIRFLOW_STEP_L_MIN"]

SETPOINT_STEP_C, AIRFLOW_STEP_L_MIN = 10.0, 5.0
log = logging.getLogger("plumeline.bench")


@dataclass(frozen=True)
class Settings:
    """How sessions are run.

    Attributes
    ----------
    out : Path
        Folder that gets the recordings.
    operator : str
        A code.
    mode : Mode
    band_share : float
    records, films : bool
        Whether to keep a trace, and the video with it.
    name : str
        Of the next recording; empty for the date and time.
    guide : GuidePass, optional
        To be led along from the start.
    camera, nozzle : Path, optional
        Calibrations to set up with when there is no job yet.
    tracker : callable, optional
        Makes the tracker from Inputs; the real one when absent.
    """

    out: Path
    operator: str = ""
    mode: Mode = Mode.FADED
    band_share: float = 0.15
    records: bool = True
    films: bool = True
    name: str = ""
    camera: Path | None = None
    nozzle: Path | None = None
    tracker: object = None
    guide: GuidePass | None = None


class BenchWork(QObject):
    """Owns the engine; every method belongs to the window's thread."""

    shown = pyqtSignal()
    ended = pyqtSignal(object)
    source_ended = pyqtSignal()
    session_changed = pyqtSignal(bool)
    watching_changed = pyqtSignal(bool)
    job_changed = pyqtSignal()
    station_changed = pyqtSignal()
    notice = pyqtSignal(str)

    def __init__(self, source: LiveSource, inputs: Inputs | None, settings: Settings, player: Player | None = None,
                 calibration: Calibration | None = None, *, watch_frozen: bool = True) -> None:
        super().__init__()
        self.inputs, self.settings, self.player, self.calibration = inputs, settings, player, calibration
        self.source = source
        self.engine = self._make_engine(source, watch_frozen)
        self.is_running = self.is_watching = False
        self.may_watch = True  # off where a recording begins at once anyway
        self._number = self._watch_number = 0  # of the engine's sessions
        self.coach: Coach | None = None
        self.setpoint_c = inputs.job.station.setpoint_c if inputs else math.nan
        self.airflow_l_min = inputs.job.station.airflow_l_min if inputs else math.nan
        self.aim_mm: float | None = None  # height to hold, as from a plan
        self.stages: tuple[tuple[float, float, bool], ...] = ()  # of that plan: height [mm], seconds, whether it glides
        self.guide = settings.guide
        self.map_kind = ""
        self.layer: MapLayer | None = None
        self.last_folder: Path | None = None
        self.last_fault = ""
        self._folder: Path | None = None
        self.ended.connect(self._when_ended)

    @property
    def job(self) -> Job | None:
        """The job in use."""
        return self.inputs.job if self.inputs is not None else None

    def newest(self) -> Shown | None:
        """The state that was not yet taken; None when there is none."""
        return self.engine.shown.take(0.0)

    def use_job(self, job: Job) -> None:
        """Work on another job from the next session on; its text is what the recording keeps."""
        if self.inputs is not None:
            self.inputs = replace(self.inputs, job=job, job_text=job_text(job))
            self.may_watch = True
            self.setpoint_c, self.airflow_l_min = job.station.setpoint_c, job.station.airflow_l_min
        self.job_changed.emit()

    def use_inputs(self, inputs: Inputs) -> None:
        """Work with other calibrations and another job."""
        self.inputs = inputs
        self.engine.use_camera(inputs.camera)
        self.use_job(inputs.job)

    def use_source(self, source: LiveSource) -> None:
        """Look through another camera; not while recording."""
        if self.is_running:
            self.notice.emit(tr("end the recording first"))
            return
        old, self.source, self.is_watching = self.engine, source, False
        self.engine = self._make_engine(source, True)
        # a camera that blocks must not hold the window up
        threading.Thread(target=old.stop, name="old camera", daemon=True).start()
        self.engine.start()

    def use_guide(self, guide: GuidePass | None) -> None:
        """Be led along a pass from the next session on, or no longer; says why when that cannot be."""
        if self.is_running:
            self.notice.emit(tr("end the recording first"))
            return
        self.guide = guide
        told = "" if guide is None or not self._check_guide() else tr("led along {name}").format(name=guide.name)
        if guide is None:
            told = tr("no guide")
        if told:
            self.notice.emit(told)
        self.unwatch()  # watching begins again, with it

    def last_pass(self) -> GuidePass:
        """The last pass of the last recording, as a guide.

        Raises
        ------
        InputError
            When there is none.
        """
        if self.last_folder is None:
            raise InputError(tr("nothing was recorded yet"))
        recording = open_recording(self.last_folder)
        if not recording.passes:
            raise InputError(tr("the last recording has no pass"))
        return guide_of(recording, recording.passes[-1]["number"])

    def _check_guide(self) -> bool:
        """Whether the guide fits the job; one that does not is put away, and that is said."""
        try:
            if self.guide is not None and self.job is not None:
                fit_to_job(self.guide, self.job)
        except InputError as fault:
            self.guide = None
            self.notice.emit(str(fault))
            return False
        return True

    def begin(self) -> None:
        """Start a session at the next frame; says why when that cannot be."""
        if self.is_running:
            return
        if self.inputs is None:
            self.notice.emit(tr("a job, a camera calibration and a nozzle calibration are needed first"))
            return
        if self.engine.is_over:
            self.notice.emit(tr("the source has ended; choose a camera in set-up (tab Camera), or start again"))
            return
        try:
            self._folder = self._next_folder() if self.settings.records else None
        except (InputError, OSError) as fault:
            self.notice.emit(str(fault))
            return
        self.is_running, self.is_watching = True, False
        self._number = self.engine.begin_session(self._session_maker(self._folder, self.player))
        self.session_changed.emit(True)

    def watch(self) -> None:
        """Measure and judge without a recording and without a sound, as long as nothing is recorded."""
        if not self.may_watch or self.is_running or self.is_watching or self.inputs is None or self.engine.is_over:
            return
        self.is_watching = True
        self._watch_number = self.engine.begin_session(self._session_maker(None, None))
        self.watching_changed.emit(True)

    def unwatch(self) -> None:
        """Stop that again."""
        if self.is_watching:
            self.is_watching = False
            self.engine.end_session()
            self.watching_changed.emit(False)

    def _session_maker(self, folder: Path | None, player: Player | None) -> Callable[[], Session]:
        """What makes a session with the job and the settings of now, in the analysis thread."""
        self._check_guide()
        inputs, settings, guide = replace(self.inputs, heat=self.calibration), self.settings, self.guide
        keep = None if folder is None else Keep(folder, settings.films, operator=settings.operator,
                                                teaches=isinstance(self.source, Webcam))
        low, high = inputs.job.limits.height_mm
        aim_mm = self.aim_mm if self.aim_mm is not None and low < self.aim_mm < high else None
        self.coach = coach = Coach(inputs.job.limits, settings.mode, settings.band_share,
                                   load_skill(self._skills, self._key), aim_mm, stages=self.stages)

        def make() -> Session:
            make_one = settings.tracker or (lambda i: make_tracker(i.camera, i.nozzle_path, i.job, waits=False))
            return Session(inputs, make_one(inputs), coach, keep, guide=guide,
                           say=player.tell if player else (lambda cue: None))
        return make

    def end(self) -> None:
        """Stop the session after the present frame."""
        if self.is_running:
            self.engine.end_session()

    def toggle(self) -> None:
        """Begin, or end."""
        self.end() if self.is_running else self.begin()

    def turn_setpoint(self, to_c: float) -> None:
        """The station's setpoint was changed."""
        self.setpoint_c = min(max(to_c, 50.0), 600.0)
        now = self.setpoint_c
        self.engine.in_session(lambda session: session.turn_station(setpoint_c=now))
        self.station_changed.emit()

    def turn_airflow(self, to_l_min: float) -> None:
        """The station's airflow was changed."""
        self.airflow_l_min = min(max(to_l_min, 1.0), 250.0)
        now = self.airflow_l_min
        self.engine.in_session(lambda session: session.turn_station(airflow_l_min=now))
        self.station_changed.emit()

    def shelve(self, warning: TechniqueWarning, reason: str = "") -> None:
        """Put a warning aside, or take it back when it is aside already."""
        self.engine.in_session(lambda session: session.shelve(warning, reason))

    def unshelve_all(self) -> None:
        """Take all shelved warnings back."""
        def act(session: Session) -> None:
            for aside in session.annunciator.shelved:
                session.unshelve(aside.kind, aside.region)
        self.engine.in_session(act)

    def sound_reference(self) -> None:
        """Let the tone of the height to hold be heard."""
        if self.player is not None:
            self.player.tell(Cue(starts=(REFERENCE,)))

    def next_map(self) -> str:
        """The next map over the picture: none, dwell, heat."""
        kinds = ("", "dwell", "heat")
        self.map_kind = kinds[(kinds.index(self.map_kind) + 1) % len(kinds)]
        self.layer = None
        return self.map_kind

    def renew_map(self) -> None:
        """Ask for the present map; it is there with a later frame."""
        kind = self.map_kind
        self.engine.in_session(lambda session: setattr(self, "layer", _layer(session, kind)) if kind else None)

    def stop(self) -> None:
        """End session and engine; waits until the recording is whole."""
        self.engine.stop()
        if self.is_running:  # the signal would come when the window is gone
            ended = self.engine.last_ended
            late = tr("the recording could not be finished in time; it will be when the window is next opened")
            self._when_ended(ended if ended is not None and ended.number == self._number
                             else Ended(None, late, self._number))
        if self.player is not None:
            self.player.stop()

    def _make_engine(self, source: LiveSource, watch_frozen: bool) -> Engine:
        camera = self.inputs.camera if self.inputs is not None else None
        listeners = Listeners(self.shown.emit, self.ended.emit, self.source_ended.emit)
        return Engine(source, camera, self.player, listeners=listeners, watch_frozen=watch_frozen)

    @property
    def _skills(self) -> Path:
        return self.settings.out / "skills.json"

    @property
    def _key(self) -> str:
        return f"{self.settings.operator or 'anyone'}: {self.inputs.job.title or self.inputs.job.target.name}"

    def _next_folder(self) -> Path:
        """A new name for the recording, on a disk with room."""
        out = self.settings.out
        out.mkdir(parents=True, exist_ok=True)
        if not os.access(out, os.W_OK):
            raise InputError(tr("{}: may not be written; choose another folder for the recordings").format(out))
        free = shutil.disk_usage(out).free
        if free < LOWEST_FREE_BYTES:
            few = tr("only {:.0f} MB are free in {}: the video may end early; trace and warnings go on")
            self.notice.emit(few.format(free / 1e6, out))
        stem = self.settings.name or datetime.datetime.now().astimezone().strftime("%Y-%m-%d_%H%M%S")
        name, n = out / stem, 1
        while name.exists() or name.with_name(name.name + ".part").exists():
            n += 1
            name = out / f"{stem}_{n}"
        return name

    def _when_ended(self, ended: Ended) -> None:
        if ended.number == self._watch_number and self.is_watching:
            self.is_watching = False
            self.watching_changed.emit(False)
            if ended.fault:
                self.may_watch = False  # until job or calibrations are others
                self.notice.emit(ended.fault)
        if ended.number != self._number or not self.is_running:
            return
        self.is_running = False
        self.last_folder, self.last_fault = ended.folder, ended.fault
        if self.coach is not None and self.settings.records:
            try:
                save_skill(self._skills, self._key, self.coach.skill)
            except OSError as fault:
                log.warning("%s: not kept: %s", self._skills, fault)
        if ended.fault:
            self.notice.emit(ended.fault)
        self.session_changed.emit(False)


def _layer(session: Session, kind: str) -> MapLayer:
    """The present map of a session; runs in the analysis thread."""
    if kind == "dwell":
        technique = session.judge.technique
        left, _, bottom, _ = technique.grid.extent_mm
        cells = technique.dwell_map_s.copy()
        return MapLayer(tr("dwell"), "s", left, bottom, float(technique.grid.x_mm[1] - technique.grid.x_mm[0]), cells,
                        0.0, max(1.0, float(cells.max())))
    x_m, y_m, temp_c = session.heat.field(1e-3)
    low = session.inputs.job.station.ambient_c
    return MapLayer(tr("board top, estimate"), "°C", (x_m[0] - 0.5e-3) * 1e3, (y_m[0] - 0.5e-3) * 1e3, 1.0, temp_c, low,
                    max(low + 20.0, float(np.nanmax(temp_c))))
