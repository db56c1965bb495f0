r"""The live engine: capture, analysis and judging threads around a session; windows ask and are told, never wait.

    capture --next frame--> analysis --sightings--> judging --newest moment--> whoever shows it
       \--every frame--> encoder                       \--cues--> sound

The analysis measures the tool while the judging thread deals with the frame before: parts, heat, rules, trace. Outside
a session the analysis only finds the mat, so that a bench can be set up by looking.
"""

from __future__ import annotations

import logging
import math
import queue
import statistics
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.cost import Delays, Load
from monitor.engine.capture import Capture
from monitor.engine.mailbox import Mailbox, Recent
from monitor.engine.pace import Pace
from monitor.engine.session import Moment, Session, Sighting
from monitor.engine.source import Arrival, LiveSource
from monitor.judging.alerts import Reading
from monitor.sound.player import Player
from vision.bench.follower import BenchFollower
from vision.bench.mat import standard_mat
from vision.camera.model import CameraModel
from vision.errors import VisionError
from vision.types import BenchPose, PoseMiss

__all__ = ["Engine", "Listeners", "Shown", "Ended"]

TICK_S = 0.05
AHEAD, STEPS = 1.5, 9  # one who is late skips to a frame so many usual steps later
STOP_S = 60.0  # a frame under way, what the encoder has in line, and the end of the trace
CAMERA_STOP_S = 2.0  # a camera that blocks for longer is left behind
STALL_S = 0.25  # without a frame for so long, the rules are told
MOST_AHEAD = 6  # frames and wishes that wait for the judging thread; the analysis waits with the next
log = logging.getLogger("plumeline.engine")


@dataclass(frozen=True)
class Shown:
    """The newest state for the window.

    Attributes
    ----------
    arrival : Arrival or None
        The frame; None when there is no picture.
    bench : BenchPose or PoseMiss
    moment : Moment or None
        What the session says; None outside one.
    trouble : str
        Why there is no picture; empty when there is.
    analysed_s : float
        On the monotonic clock.
    too_slow : str
        What to do when this computer cannot keep up with the pictures; empty when it can.
    """

    arrival: Arrival | None
    bench: BenchPose | PoseMiss
    moment: Moment | None
    trouble: str
    analysed_s: float
    too_slow: str = ""


@dataclass(frozen=True)
class Ended:
    """A session that is over: its recording, or None when nothing was recorded; what went wrong; and its number.

    The number is the one that `begin_session` gave.
    """

    folder: Path | None
    fault: str = ""
    number: int = 0


@dataclass(frozen=True)
class Listeners:
    """Who is told of an engine, in its own threads; none of them may wait.

    Attributes
    ----------
    shown : callable
        That `Engine.shown` has something new.
    ended : callable
        Takes an `Ended` after each session.
    source_end : callable
        That the source is over.
    """

    shown: Callable[[], None] = lambda: None
    ended: Callable[[Ended], None] = lambda ended: None
    source_end: Callable[[], None] = lambda: None


class Engine:
    """Owns the threads; every method may be called from the window's thread and returns at once.

    Parameters
    ----------
    source : LiveSource
    camera : CameraModel, optional
        To find the mat before a session.
    player : Player, optional
        Gets the cues; started and stopped by its owner.
    listeners : Listeners
    watch_frozen : bool
        As in Capture.
    stall_s : float
        Without a frame for so long, the rules are told.

    Attributes
    ----------
    shown : Mailbox of Shown
        The newest state; older ones are dropped.
    told : queue of Moment
        Every moment in which a warning started or a pass ended.
    last_ended : Ended or None
        How the last session ended.
    """

    def __init__(self, source: LiveSource, camera: CameraModel | None = None, player: Player | None = None, *,
                 listeners: Listeners = Listeners(), watch_frozen: bool = True, stall_s: float = STALL_S) -> None:
        self._stall_s, self.n_taken = stall_s, 0
        self._newest: Recent[Arrival] = Recent(lambda arrival: arrival.frame.t_s)
        self.shown: Mailbox[Shown] = Mailbox()
        self.told: queue.SimpleQueue[Moment] = queue.SimpleQueue()
        self.capture = Capture(source, self._newest, watch_frozen=watch_frozen)
        self.player = player
        self.session: Session | None = None
        self._n_asked = self._number = 0
        self._pace = Pace()
        self._asked: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._camera = camera
        self._follower: BenchFollower | None = None
        self._listeners = listeners
        self.last_ended: Ended | None = None
        self._thread = threading.Thread(target=self._run, name="analysis", daemon=True)
        self._judging = threading.Thread(target=self._judge, name="judging", daemon=True)
        self._to_judge: queue.Queue[Callable[[], None] | None] = queue.Queue(MOST_AHEAD)  # the analysis alone puts
        self._stop_asked, self._is_over = threading.Event(), threading.Event()
        self._last_arrived_s = math.nan
        self._next_s, self._spent_s = -math.inf, deque([0.0] * STEPS, STEPS)
        self._bench: BenchPose | PoseMiss = PoseMiss(0.0, "no picture yet")
        self.analysis_delays, self.step_times, self.load = Delays(), Delays(), Load()
        self.n_analysed = 0

    def start(self) -> None:
        """Begin to read and analyse; a session asked for before is ready for the very first frame."""
        self._judging.start()
        self._thread.start()

    @property
    def is_over(self) -> bool:
        """Whether the source has ended, or `stop` was called."""
        return self._is_over.is_set()

    def stop(self, timeout_s: float = STOP_S) -> None:
        """End a session that runs, then the threads; waits until the recording is whole."""
        self.end_session()
        self._stop_asked.set()
        self.capture.stop()
        if self._thread.is_alive() and threading.current_thread() not in (self._thread, self._judging):
            self._thread.join(timeout_s)
            if self._thread.is_alive():
                log.error("the analysis has not ended after %.0f s", timeout_s)
        if self.capture.is_alive():
            self.capture.join(CAMERA_STOP_S)

    def use_camera(self, camera: CameraModel | None) -> None:
        """Look for the mat with another calibration."""
        def change() -> None:
            self._camera, self._follower = camera, None
        self._asked.put(change)

    def begin_session(self, make: Callable[[], Session]) -> int:
        """Make a session in the analysis thread and run it from the next frame on; gives its number."""
        self.last_ended = None
        self._n_asked += 1
        number = self._n_asked
        self._asked.put(lambda: self._begin(make, number))
        return number

    def end_session(self) -> None:
        """End the session after the present frame."""
        self._asked.put(self._end)

    def in_session(self, act: Callable[[Session], None]) -> None:
        """Do something with the running session between two frames; nothing when there is none."""
        def forward() -> None:
            session = self.session
            if session is not None:
                self._to_judge.put(lambda: act(session))
        self._asked.put(forward)

    def stats(self) -> dict[str, Any]:
        """What it cost so far."""
        n_in, n_lost = self.capture.n_frames, self._newest.n_dropped
        out: dict[str, Any] = {"frames_captured": n_in, "frames_analysed": self.n_analysed, "frames_dropped": n_lost,
               "dropped_share": round(n_lost / n_in, 5) if n_in else None,
               "analysis_ms": self.step_times.percentiles_ms(),
               "arrival_to_result_ms": self.analysis_delays.percentiles_ms(), "load": self.load.summary()}
        if self.player is not None:
            out["arrival_to_sound_ms"] = self.player.delays.percentiles_ms()
            out["sound_trouble"] = self.player.trouble
        return out

    def _run(self) -> None:
        try:
            self._do_asked()
            self.capture.start()
            while not self._stop_asked.is_set():
                self._do_asked()
                arrival = self._newest.take(TICK_S, self._next_s)
                self.load.sample()
                if arrival is not None:
                    self._guarded(self._step, arrival)
                    self.n_taken += 1
                elif self._newest.is_closed:
                    break
                else:
                    self._guarded(self._tick)
            self._do_asked()
            if self.session is not None:
                self._end()
        finally:
            self._to_judge.put(None)
            self._judging.join()
            self._is_over.set()
            self._listeners.source_end()

    def _judge(self) -> None:
        """Do what the analysis has left to do, in its order."""
        while (act := self._to_judge.get()) is not None:
            try:
                act()
            except Exception:  # what was asked for fails; the work goes on
                log.exception("could not be done")

    def _guarded(self, act: Callable[..., None], *arguments: object) -> None:
        """A fault of one frame ends that frame, not the session."""
        try:
            act(*arguments)
        except VisionError as fault:  # the camera's calibration is of another picture, for example
            self._show(None, str(fault))
        except Exception as fault:
            log.exception("a frame could not be analysed")
            self._show(None, f"a frame could not be analysed ({type(fault).__name__}: {fault})")

    def _do_asked(self) -> None:
        while True:
            try:
                act = self._asked.get_nowait()
            except queue.Empty:
                return
            try:
                act()
            except Exception:  # what was asked for fails; the work goes on
                log.exception("could not be done")

    def _begin(self, make: Callable[[], Session], number: int) -> None:
        if self.session is not None:
            self._end()
        self._number = number
        try:
            self.session = make()
            self._next_s = math.inf  # pictures from before are not its own: the video does not have them
        except Exception as fault:
            log.exception("the session could not be begun")
            self._on_ended(Ended(None, str(fault) or type(fault).__name__, number))

    def _end(self) -> None:
        """End the session once all that was measured is judged; waits for it."""
        session, self.session = self.session, None
        if session is None:
            return
        is_ended = threading.Event()
        self._to_judge.put(lambda: self._finish(session, is_ended))
        is_ended.wait()

    def _finish(self, session: Session, is_ended: threading.Event) -> None:
        try:
            ended = Ended(session.finish(self.capture), number=self._number)
        except Exception as fault:
            log.exception("the recording could not be finished")
            where = session.recorder.part if session.recorder is not None else None
            ended = Ended(where, f"the recording could not be finished: {fault}", self._number)
        try:
            self._on_ended(ended)
        finally:
            is_ended.set()

    def _on_ended(self, ended: Ended) -> None:
        self.last_ended = ended
        self._listeners.ended(ended)

    def _step(self, arrival: Arrival) -> None:
        self._last_arrived_s = arrival.arrived_s
        session, before_s = self.session, time.perf_counter()
        if session is not None:
            sighting = session.see(arrival, self.capture, self._newest.n_dropped)
            took_s = time.perf_counter() - before_s
            self._bench = sighting.seen.bench
            self._to_judge.put(lambda: self._guarded(self._judge_sighting, session, arrival, sighting, took_s))
        else:
            if self._camera is not None:
                self._follower = self._follower or BenchFollower(self._camera, standard_mat())
                self._bench, _ = self._follower.step(arrival.frame)
            self._conclude(arrival, self._bench, None, time.perf_counter() - before_s)
        self._spent_s.append(time.perf_counter() - before_s)
        # a frame is left out only by a machine that is too slow for all of them; one slow step, as when the tool is
        # looked for, is made up for
        self._next_s = arrival.frame.t_s + AHEAD * statistics.median(self._spent_s)

    def _judge_sighting(self, session: Session, arrival: Arrival, sighting: Sighting, took_s: float) -> None:
        """The rest of a frame, in the judging thread."""
        before_s = time.perf_counter()
        if not session.is_past(sighting.frame.t_s):
            moment = session.judge_sighting(sighting, self._equipment())
            self._conclude(arrival, moment.result.vision.bench, moment, took_s + time.perf_counter() - before_s)

    def _conclude(self, arrival: Arrival, bench: BenchPose | PoseMiss, moment: Moment | None, took_s: float) -> None:
        """Count a frame that is through, and show it."""
        self.n_analysed += 1
        self._pace.note(arrival.arrived_s, self._newest.n_dropped)
        self.step_times.add(took_s)
        self.analysis_delays.add(time.monotonic() - arrival.arrived_s)
        self._hand_over(Shown(arrival, bench, moment, "", time.monotonic(), self._pace.words))

    def _tick(self) -> None:
        """No frame came: once that has lasted, the rules and the window are told."""
        now_s, session = time.monotonic(), self.session
        if now_s - self._last_arrived_s < self._stall_s:
            return
        why = self.capture.trouble or "no picture from the camera"
        if session is not None and math.isfinite(self._last_arrived_s):
            self._to_judge.put(lambda: self._guarded(self._tell_rules, session, now_s, why))
        else:
            self._show(None, why)

    def _tell_rules(self, session: Session, now_s: float, why: str) -> None:
        self._show(session.blank(now_s, why, self._equipment()), why)

    def _show(self, moment: Moment | None, trouble: str) -> None:
        self._hand_over(Shown(None, PoseMiss(0.0, trouble), moment, trouble, time.monotonic()))

    def _hand_over(self, shown: Shown) -> None:
        """The newest state may be skipped; a moment in which something began or ended never is."""
        moment = shown.moment
        if moment is not None and (moment.result.started or moment.pass_told is not None
                                   or moment.result.vision.part_events):
            self.told.put(moment)
        self.shown.put(shown)
        self._listeners.shown()

    def _equipment(self) -> tuple[Reading, ...]:
        """What the rules should know of the equipment beside the picture."""
        if self.player is None or not self.player.trouble:
            return ()
        return (Reading("no_sound", "sound", 1.0, 0.0, math.nan, math.nan, detail=self.player.trouble),)
