"""The engine with its threads, through a camera's faults in real time (T7, T8)."""

import threading
import time
from pathlib import Path

import pytest

from monitor.engine.analyse import Inputs
from monitor.engine.engine import Engine, Listeners
from monitor.engine.feedback import Coach
from monitor.engine.session import Keep, Session
from monitor.job import parse_job
from monitor.recording.reader import open_recording
from tests.engine.make import DrawnCamera, PathTracker
from tests.monitor.make import JOB_TEXT

pytestmark = pytest.mark.slow


class Slow(PathTracker):
    """A tracker that takes longer than a frame lasts."""

    def step(self, frame):
        threading.Event().wait(0.08)
        return super().step(frame)


def run(folder, camera, tracker=None, **options):
    """A whole session; the recording, the engine, and the moments that told of something, with their real time."""
    job = parse_job(JOB_TEXT)
    inputs = Inputs(Path(), job, JOB_TEXT, None, "# camera\n", Path("none.toml"), "# nozzle\n")
    over, ended, shown = threading.Event(), [], []
    listeners = Listeners(lambda: shown.append((time.monotonic(), engine.shown.take(0.0))), ended.append, over.set)
    engine = Engine(camera, listeners=listeners, **options)
    tracker = tracker or PathTracker(lambda t: (0, 0, 15))
    engine.begin_session(lambda: Session(inputs, tracker, Coach(job.limits),
                                         Keep(folder, video=False, reserve_bytes=1 << 16)))
    engine.start()
    assert over.wait(30.0)
    engine.stop()
    return open_recording(ended[0].folder), engine, shown


def kinds(recording):
    return [w["kind"] for w in recording.warnings]


@pytest.mark.parametrize("fault", ["lost", "block", "repeat"])
def test_a_camera_that_fails_and_comes_back_is_told_and_taken_up_again(tmp_path, fault):
    # a busy machine halts shorter than that
    found, engine, shown = run(tmp_path / "r", DrawnCamera(n=100, faults={30: (fault, 1.8)}), stall_s=0.7)

    events = [e["kind"] for e in found.events if e["kind"].startswith("camera")]
    assert events == ["camera_lost", "camera_back"]
    assert {"not_seen", "no_picture"} <= set(kinds(found))
    first = next(w for w in found.warnings if w["kind"] == "not_seen")
    # how soon it is told is for test_session, which needs no clock
    assert found.frames["t_s"][-1] > first["t_start_s"] + 0.5  # measured again afterwards
    assert any(s.trouble for _, s in shown if s is not None)


def test_stalls_and_lost_frames_raise_no_false_warning(tmp_path):
    faults = dict.fromkeys(range(10, 80, 20), ("stall", 0.2)) | dict.fromkeys(range(15, 80, 9), ("skip", 0.0))
    found, _, _ = run(tmp_path / "r", DrawnCamera(n=90, faults=faults))

    assert not [k for k in kinds(found) if k != "long_dwell"]
    assert found.meta["duration_s"] == pytest.approx(89 / 30, abs=1.5 / 30)


def test_every_frame_is_analysed_or_counted_as_dropped(tmp_path):
    found, engine, _ = run(tmp_path / "r", DrawnCamera(n=60), Slow(lambda t: (0, 0, 15)))

    dropped = sum(d["count"] for d in found.drops)
    assert dropped > 10 and len(found.frames["t_s"]) + dropped == engine.capture.n_frames
    assert engine.stats()["frames_dropped"] == dropped


def test_the_next_frame_is_measured_while_one_is_judged(tmp_path, monkeypatch):
    measured, judge, overlaps = threading.Event(), Session.judge_sighting, []

    class Telling(PathTracker):
        def step(self, frame):
            if overlaps:
                measured.set()
            return super().step(frame)

    def judged_late(self, sighting, extra=()):
        if sighting.frame.index == 5:
            overlaps.append(None)
            overlaps.append(measured.wait(5.0))
        return judge(self, sighting, extra)
    monkeypatch.setattr(Session, "judge_sighting", judged_late)
    run(tmp_path / "r", DrawnCamera(n=20), Telling(lambda t: (0, 0, 15)))

    assert overlaps == [None, True]


def test_a_tracker_that_fails_on_a_frame_loses_that_frame_only(tmp_path):
    class Stumbling(PathTracker):
        def step(self, frame):
            if frame.index == 20:
                raise ValueError("no such edge")
            return super().step(frame)
    found, _, shown = run(tmp_path / "r", DrawnCamera(n=40), Stumbling(lambda t: (0, 0, 15)))

    assert 20 not in found.frames["frame"] and found.frames["frame"][-1] == 39
    assert any("no such edge" in s.trouble for _, s in shown if s is not None)


def test_a_session_that_cannot_be_made_is_told(tmp_path):
    ended, over = [], threading.Event()
    engine = Engine(DrawnCamera(n=10), listeners=Listeners(ended=ended.append, source_end=over.set))

    def make():
        raise OSError("disk full")
    engine.begin_session(make)
    engine.start()
    assert over.wait(10.0)

    assert ended[0].fault == "disk full" and engine.session is None


def test_something_asked_in_vain_does_not_end_the_session(tmp_path):
    ended, over = [], threading.Event()
    job = parse_job(JOB_TEXT)
    inputs = Inputs(Path(), job, JOB_TEXT, None, "# camera\n", Path("none.toml"), "# nozzle\n")
    engine = Engine(DrawnCamera(n=30), listeners=Listeners(ended=ended.append, source_end=over.set))
    engine.begin_session(lambda: Session(inputs, PathTracker(lambda t: (0, 0, 15)), Coach(job.limits),
                                         Keep(tmp_path / "r", video=False)))

    def fail(session):
        raise ValueError("no")
    engine.in_session(fail)
    engine.start()
    assert over.wait(20.0)

    assert len(ended) == 1 and not ended[0].fault and open_recording(ended[0].folder).frames["t_s"][-1] > 0.5


class Patient(DrawnCamera):
    """Gives a frame once at most eight wait for the analysis, so that a machine that halts loses none."""

    def __init__(self, n):
        super().__init__(n=n, rate_hz=30.0)
        self.taken = threading.Semaphore(9)

    def read(self):
        self.taken.acquire()
        return super().read()


class HaltsOnce(PathTracker):
    """One frame takes until eight more have come, as when the tool is looked for; all others take nothing."""

    def __init__(self, camera):
        super().__init__(lambda t: (0, 0, 15))
        self._camera = camera

    def step(self, frame):
        while frame.index == 10 and self._camera.n_read < 19:
            time.sleep(0.001)
        self._camera.taken.release()
        return super().step(frame)


def test_one_slow_frame_costs_no_others(tmp_path):
    camera = Patient(n=45)
    found, engine, _ = run(tmp_path / "r", camera, HaltsOnce(camera))

    assert engine.stats()["frames_dropped"] == 0 and list(found.frames["frame"]) == list(range(45))


def test_a_session_begins_with_the_newest_picture_not_with_those_that_came_while_it_was_made():
    camera, first = DrawnCamera(), []
    job = parse_job(JOB_TEXT)
    inputs = Inputs(Path(), job, JOB_TEXT, None, "# camera\n", Path("none.toml"), "# nozzle\n")
    engine = Engine(camera)

    def make():
        until = camera.n_read + 8
        while camera.n_read < until:
            time.sleep(0.001)
        first.append(camera.n_read - 1)
        return Session(inputs, PathTracker(lambda t: (0, 0, 15)), Coach(job.limits), None)
    engine.start()
    engine.begin_session(make)
    while engine.session is None or engine.session._first is None:
        time.sleep(0.001)
    begun = engine.session._first.frame.index
    engine.stop()

    assert begun >= first[0] - 1  # one may be on its way to the analysis


class FindsSlowly(PathTracker):
    """Half a second to find the tool, nothing to follow it; lost after 0.4 s without a frame, as a real one."""

    def __init__(self):
        super().__init__(lambda t: (0, 0, 15))
        self.t_s, self.n_finds = None, 0

    def step(self, frame):
        if self.t_s is None or frame.t_s - self.t_s > 0.4:
            self.n_finds += 1
            threading.Event().wait(0.55)
        self.t_s = frame.t_s
        return super().step(frame)


def test_a_tool_that_takes_long_to_find_is_found_once_and_then_followed(tmp_path):
    tracker = FindsSlowly()
    found, engine, _ = run(tmp_path / "r", DrawnCamera(n=75), tracker)

    assert tracker.n_finds == 1 and len(found.frames["t_s"]) > 40
