"""One frame in, all that it means out; the same step live and offline. No threads, windows or files here."""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Protocol, runtime_checkable

from monitor.heat.melt import LAW, Lesson, MeltSight
from monitor.heat.types import HeatInput, HeatReading
from monitor.job import Job
from monitor.judging.alerts import STALE_S, AlertBook, Reading, TechniqueWarning
from monitor.judging.exposure import Exposure, expose, heat_input
from monitor.judging.marks import JointMark, sight_of
from monitor.judging.technique import PassSummary, Technique
from monitor.judging.watch_rules import WatchRules
from vision.types import BenchEvent, Frame, PoseMiss, VisionResult

__all__ = ["ToolState", "FrameResult", "Pipeline", "Judge"]

LONGEST_SEEN_STEP_S = 0.3  # over a longer gap between frames nobody knows what the nozzle did
AWAY_AFTER_S = 0.5


class ToolState(enum.Enum):
    """Where the tool is, in one word for the screen."""

    NO_MAT = "mat not in view"
    NOT_YET = "waiting for the nozzle"
    AWAY = "away"
    NOT_SEEN = "not seen"
    ON_TARGET = "on target"
    OFF_TARGET = "off target"


class TrackerLike(Protocol):
    """What the pipeline needs of vision."""

    def step(self, frame: Frame) -> VisionResult: ...


class PartsLike(Protocol):
    """What the pipeline needs of the watch over parts."""

    def step(self, frame: Frame, seen: VisionResult) -> VisionResult: ...


@runtime_checkable
class LearnsMelts(Protocol):
    """A heat model that learns from melts that are seen."""

    def see(self, sight: MeltSight) -> Lesson | None: ...

    def forget(self, sight: MeltSight) -> None: ...


class HeatLike(Protocol):
    """What the pipeline needs of the heat model."""

    def step(self, inp: HeatInput) -> HeatReading | None:
        """The estimate after one more interval; None from one that only listens."""


@dataclass(frozen=True)
class FrameResult:
    """All that one frame says and changes.

    Attributes
    ----------
    vision : VisionResult
    exposure : Exposure
    heat : HeatReading or None
        None when no estimate runs.
    state : ToolState
    in_pass : bool
    dwell_s : dict of region name to float
    started, ended, standing : tuple of TechniqueWarning
    pass_ended : PassSummary or None
    events : tuple of BenchEvent
    lessons : tuple of Lesson
        What melts that were told in this frame, or before it by a person, taught.
    molten_s : float
        When the joints were last seen molten; nan when they were not.
    """

    frame_index: int
    t_s: float
    vision: VisionResult
    exposure: Exposure
    heat: HeatReading | None
    state: ToolState
    in_pass: bool
    dwell_s: dict[str, float]
    started: tuple[TechniqueWarning, ...]
    ended: tuple[TechniqueWarning, ...]
    standing: tuple[TechniqueWarning, ...]
    pass_ended: PassSummary | None
    events: tuple[BenchEvent, ...]
    lessons: tuple[Lesson, ...] = ()
    molten_s: float = math.nan


class Judge:
    """Gives a sequence of vision results their meaning under one job.

    Parameters
    ----------
    job : Job
    heat : HeatLike, optional
        The heat estimate; without it every heat value is absent, never zero.
    """

    def __init__(self, job: Job, heat: HeatLike | None = None) -> None:
        self.job, self.heat = job, heat
        self.technique = Technique(job)
        self.alerts = AlertBook()
        self._watch = WatchRules(job, getattr(heat, "limits", {}))
        self._last_seen: Exposure | None = None
        self._t_s = math.nan
        self._setpoint_c: float | None = None
        self._airflow_m3_s: float | None = None
        self._molten_s = math.nan
        self._marked: list[MeltSight] = []

    def mark(self, mark: JointMark) -> None:
        """Note how a person sees the joints; it counts from the next frame on."""
        self._marked.append(sight_of(mark))

    def unmark(self, mark: JointMark) -> None:
        """A mark was taken back."""
        sight = sight_of(mark)
        if sight in self._marked:
            self._marked.remove(sight)
        elif isinstance(self.heat, LearnsMelts):
            self.heat.forget(sight)
        self._molten_s = math.nan if self._molten_s == sight.t_s else self._molten_s

    def set_station(self, setpoint_c: float | None = None, airflow_l_min: float | None = None) -> None:
        """Note that the user turned a knob; counts from the next frame on."""
        self._setpoint_c = setpoint_c if setpoint_c is not None else self._setpoint_c
        self._airflow_m3_s = airflow_l_min / 6e4 if airflow_l_min is not None else self._airflow_m3_s

    def step(self, seen: VisionResult, extra: Iterable[Reading] = ()) -> FrameResult:
        """Height, heat, technique and warnings of one frame.

        Parameters
        ----------
        seen : VisionResult
        extra : iterable of Reading
            What else the rules should look at: a live session's equipment.
        """
        dt = max(0.0, seen.t_s - self._t_s) if math.isfinite(self._t_s) else 0.0
        self._t_s = seen.t_s
        now = expose(seen.track, self.job.board.top_height_mm, dt, seen.board_shift)
        if now.observed:
            self._last_seen = now
        state = self._state(now, seen)
        heat = self._heat(now, state, seen)
        lessons = self._learn(seen)
        energy = heat.energy_j.get(self.job.target.name) if heat is not None else None
        pass_ended = self.technique.step(now, energy)
        readings = [*self._watch.readings(now, self._last_seen, self.technique, heat, seen.events, seen.part_events),
                    *extra]
        started, ended = self.alerts.step(seen.t_s, readings, 0.0 if now.observed else now.age_s)
        return FrameResult(seen.frame_index, seen.t_s, seen, now, heat, state, self.technique.pass_open,
                           dict(self.technique.dwell_s), started, ended, self.alerts.standing, pass_ended,
                           seen.events, lessons, self._molten_s)

    def limits_c(self) -> dict[str, float]:
        """The temperature limit of each site of the heat model, the job's own before those known for such parts."""
        return self._watch.limits_c()

    def finish(self) -> PassSummary | None:
        """The pass that was still under way at the end, if any."""
        return self.technique.finish()

    def _learn(self, seen: VisionResult) -> tuple[Lesson, ...]:
        """Let the heat model see what the target's joints showed."""
        sights = [MeltSight(e.t_start_s, e.kind) for e in seen.part_events
                  if e.name == self.job.target.name and e.kind in LAW] + self._marked
        self._marked = []
        for sight in sights:
            self._molten_s = sight.t_s if LAW[sight.kind].is_above else math.nan
        if not isinstance(self.heat, LearnsMelts):
            return ()
        lessons = (self.heat.see(sight) for sight in sights)
        return tuple(lesson for lesson in lessons if lesson is not None)

    def _heat(self, now: Exposure, state: ToolState, seen: VisionResult) -> HeatReading | None:
        if self.heat is None:
            return None
        if now.dt_s > LONGEST_SEEN_STEP_S:
            before = replace(now, t_s=now.t_s - LONGEST_SEEN_STEP_S, dt_s=now.dt_s - LONGEST_SEEN_STEP_S,
                             observed=False)
            self.heat.step(self._input(before, state, seen))
            now = replace(now, dt_s=LONGEST_SEEN_STEP_S)
        return self.heat.step(self._input(now, state, seen))

    def _input(self, now: Exposure, state: ToolState, seen: VisionResult) -> HeatInput:
        given = heat_input(now, self._last_seen, seen.board_shift)
        return replace(given, setpoint_c=self._setpoint_c, airflow_m3_s=self._airflow_m3_s,
                       on=state is not ToolState.AWAY)

    def _state(self, now: Exposure, seen: VisionResult) -> ToolState:
        if isinstance(seen.bench, PoseMiss) and now.age_s > STALE_S:
            return ToolState.NO_MAT
        if self._last_seen is None:
            return ToolState.NOT_YET
        if now.is_gone:
            return ToolState.AWAY
        if now.age_s > STALE_S:
            if self._watch.is_at_work(self._last_seen):
                return ToolState.NOT_SEEN
            return ToolState.AWAY if now.age_s > AWAY_AFTER_S else ToolState.OFF_TARGET
        return ToolState.ON_TARGET if self._watch.is_near_target(self._last_seen) else ToolState.OFF_TARGET


class Pipeline:
    """Vision and judgement in one step.

    Parameters
    ----------
    job : Job
    tracker : TrackerLike
    heat : HeatLike, optional
    parts : PartsLike, optional
        Without it no part is watched.
    """

    def __init__(self, job: Job, tracker: TrackerLike, heat: HeatLike | None = None, parts: PartsLike
                 | None = None) -> None:
        self.tracker, self.judge, self._parts = tracker, Judge(job, heat), parts

    def step(self, frame: Frame) -> FrameResult:
        """Measure one frame and judge it."""
        return self.judge.step(self.watch_parts(frame, self.tracker.step(frame)))

    def watch_parts(self, frame: Frame, seen: VisionResult) -> VisionResult:
        """What the tracker saw in a frame, and with it the parts; needs nothing that the tracker still changes."""
        return seen if self._parts is None else self._parts.step(frame, seen)

    def finish(self) -> PassSummary | None:
        """The pass that was still under way at the end, if any."""
        return self.judge.finish()
