"""A session frame by frame, without threads: what it records, and what it lives through (T4, T7, A7, A15)."""

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.engine.analyse import Inputs
from monitor.engine.feedback import Coach, Mode, Skill
from monitor.engine.rerun import rerun
from monitor.engine.session import Keep, Session
from monitor.engine.source import Arrival
from monitor.engine.video_writer import VideoWriter
from monitor.job import parse_job
from monitor.judging.alerts import EQUIPMENT
from monitor.judging.pipeline import ToolState
from monitor.recording.reader import open_recording
from monitor.sound.tones import LOST, REFERENCE, WARNING_PATTERNS
from tests.engine.make import PathTracker
from tests.monitor.make import JOB_TEXT
from vision.types import BenchEvent, Frame

RATE = 20.0
PICTURE = np.zeros((48, 64, 3), np.uint8)


def work(t):
    """Two passes over the target, the second too high, then away."""
    if t < 2.0:
        return 0, 0, 15
    if t < 3.5:
        return 60, 40, 60
    return (0, 0, 32) if t < 6.0 else (60, 40, 60)


def make(folder=None, where=work, mode=Mode.BAND, skill=Skill(n_passes=1, last_day="2026-01-02"), **options):
    job = parse_job(JOB_TEXT)
    inputs = Inputs(Path(), job, JOB_TEXT, None, "# camera\n", Path("none.toml"), "# nozzle\n")
    keep = None if folder is None else Keep(folder, options.pop("video", False), 1 << 16, options.pop("operator", ""))
    events = options.pop("events", ())
    return Session(inputs, PathTracker(where, events=events), Coach(job.limits, mode, skill=skill, today="2026-01-02"),
                   keep, **options)


def step(session, arrival, capture=SimpleNamespace(every=None)):
    """Measure and judge one frame."""
    return session.judge_sighting(session.see(arrival, capture, 0))


def run(session, duration_s, start_s=0.0, capture=SimpleNamespace(every=None)):
    """Feed frames at the rate; every moment."""
    first = round(start_s * RATE)
    return [step(session, Arrival(Frame(i, i / RATE, PICTURE), 1000.0 + i / RATE), capture)
            for i in range(first, round((start_s + duration_s) * RATE))]


def kinds(recording):
    return [w["kind"] for w in recording.warnings]


def test_a_session_becomes_a_recording_with_its_warnings_and_passes(tmp_path):
    session = make(tmp_path / "r")
    run(session, 8.0)

    found = open_recording(session.finish())

    assert kinds(found) == ["too_far"] and len(found.passes) == 1 and len(found.frames["t_s"]) == 160
    assert found.meta["state"] == "closed"


def test_time_begins_with_the_sessions_first_frame(tmp_path):
    session = make(tmp_path / "r", where=lambda t: (0, 0, 15))
    run(session, 1.0, start_s=5.0)

    frames = open_recording(session.finish()).frames
    assert frames["t_s"][0] == 0.0 and frames["frame"][0] == 0 and frames["t_s"][-1] == pytest.approx(0.95)


def test_a_recording_judged_again_gives_the_live_warnings(tmp_path):
    """T24: the same warnings, to the same times."""
    session = make(tmp_path / "r")
    run(session, 8.0)
    live = open_recording(session.finish())
    again = rerun(live, parse_job(JOB_TEXT), JOB_TEXT, tmp_path / "again")

    def told(recording):
        return [(w["kind"], w["t_start_s"], w["t_end_s"]) for w in recording.warnings if w["kind"] not in EQUIPMENT]
    assert told(again) == told(live) and told(live)


def test_a_turned_setpoint_is_kept_with_its_time_and_heats_more(tmp_path):
    results = {}
    for name in ("as set", "turned up"):
        session = make(tmp_path / name, where=lambda t: (0, 0, 15))
        run(session, 1.0)
        if name == "turned up":
            session.turn_station(setpoint_c=450.0)
        run(session, 2.0, start_s=1.0)
        results[name] = open_recording(session.finish())

    assert [(row["t_s"], row["setpoint_c"]) for row in results["turned up"].station] == [(pytest.approx(0.95, abs=1e-3),
                                                                                          450.0)]
    energy = {name: r.heat[-1]["energy_j"]["U7"][1] for name, r in results.items()}
    assert energy["turned up"] > 1.1 * energy["as set"]
    again = rerun(results["turned up"], parse_job(JOB_TEXT), JOB_TEXT, tmp_path / "again")
    assert again.heat[-1]["energy_j"] == results["turned up"].heat[-1]["energy_j"]


def test_every_pass_keeps_how_it_was_coached(tmp_path):
    session = make(tmp_path / "r", mode=Mode.FADED)
    run(session, 4.0)

    done = open_recording(session.finish()).passes[0]
    assert (done["feedback"], done["band_share"], done["coached"], done["is_probe"]) == ("faded by skill", 0.15, 1, 0)


def test_the_summary_is_there_within_two_seconds_of_lift_off():
    session = make()
    told = [m.result.t_s for m in run(session, 5.0) if m.pass_told is not None]

    assert told and 2.0 <= told[0] <= 4.0  # F1; the tool leaves at 2.0 s


def test_no_picture_is_told_and_heard_within_half_a_second():
    cues = []
    session = make(where=lambda t: (0, 0, 15), say=cues.append)
    run(session, 2.0)
    moments = [session.blank(1000.0 + 1.95 + gap, "unplugged") for gap in (0.25, 0.3, 0.35, 0.4, 0.45, 0.5)]

    assert moments[0].result.state is ToolState.NO_MAT and not moments[0].result.exposure.observed and cues[-1].is_lost
    assert {w.kind for m in moments for w in m.result.started} == {"not_seen", "no_picture"}


def test_a_gap_in_the_picture_stays_a_gap_in_the_trace(tmp_path):
    session = make(tmp_path / "r", where=lambda t: (0, 0, 15))
    run(session, 1.0)
    for gap in (0.3, 0.6, 0.9):
        session.blank(1000.95 + gap, "unplugged")
    run(session, 1.0, start_s=3.0)

    found = open_recording(session.finish())
    assert np.diff(found.frames["t_s"]).max() == pytest.approx(2.05) and len(found.frames["t_s"]) == 40
    assert [e["kind"] for e in found.events if e["kind"].startswith("camera")] == ["camera_lost", "camera_back"]


def test_no_dwell_is_counted_while_there_is_no_picture():
    session = make(where=lambda t: (0, 0, 15))
    run(session, 1.0)
    before = session.judge.technique.dwell_s["U7"]
    for gap in np.arange(0.3, 12.0, 0.5):
        session.blank(1000.95 + gap, "unplugged")

    assert session.judge.technique.dwell_s["U7"] == before


def test_a_late_frame_behind_what_was_told_is_left_out():
    session = make(where=lambda t: (0, 0, 15))
    run(session, 1.0)
    session.blank(1001.5, "stalled")

    assert session.is_past(1.0)
    assert not session.is_past(2.0)


def test_a_full_disk_stops_neither_warnings_nor_trace(tmp_path):
    """T4: SQLite itself says that it is full; what waits is written once there is room."""
    session = make(tmp_path / "r")
    run(session, 1.0)
    (session.recorder.part / "reserve.bin").unlink()
    db = session.recorder._db
    n_pages = db.execute("PRAGMA page_count").fetchone()[0]
    db.execute(f"PRAGMA max_page_count = {n_pages}")

    moments = run(session, 6.0, start_s=1.0)
    db.execute("PRAGMA max_page_count = 1000000")
    run(session, 1.0, start_s=7.0)
    found = open_recording(session.finish())

    assert any("trace: " in n for m in moments for n in m.notices)
    assert [w.kind for m in moments for w in m.result.started] == ["too_far"]
    assert len(found.frames["t_s"]) == 160 and kinds(found) == ["too_far"]
    assert "trace_trouble" in {e["kind"] for e in found.events}


def test_the_reserve_is_freed_for_the_trace(tmp_path):
    session = make(tmp_path / "r")
    run(session, 0.5)
    db = session.recorder._db
    db.execute(f"PRAGMA max_page_count = {db.execute('PRAGMA page_count').fetchone()[0]}")
    run(session, 1.0, start_s=0.5)

    assert not (session.recorder.part / "reserve.bin").exists()
    session.recorder.abandon()


def test_a_recording_whose_end_the_disk_refuses_is_finished_when_opened(tmp_path):
    session = make(tmp_path / "r")
    run(session, 3.0)
    session.recorder.commit()
    db = session.recorder._db
    db.execute(f"PRAGMA max_page_count = {db.execute('PRAGMA page_count').fetchone()[0]}")
    run(session, 3.0, start_s=3.0)

    where = session.finish()

    assert where.name == "r.part"
    found = open_recording(tmp_path / "r")
    assert found.meta["state"] == "recovered" and found.frames["t_s"][-1] >= 2.5


def test_a_dead_encoder_stops_neither_warnings_nor_trace(tmp_path):
    session = make(tmp_path / "r", video=True)
    capture = SimpleNamespace(every=None)
    run(session, 0.1, capture=capture)
    session.writer.finish()
    session.writer = VideoWriter(tmp_path / "nowhere" / "video.mkv")  # a folder that is not there
    session.writer.line.put(Arrival(Frame(0, 0.0, PICTURE), 0.0))
    session.writer.run()

    moments = run(session, 5.9, start_s=0.1, capture=capture)
    found = open_recording(session.finish())

    assert "no longer written" in moments[0].notices[0]
    assert kinds(found) == ["too_far"] and len(found.frames["t_s"]) == 120


def test_video_and_trace_share_their_clock(tmp_path):
    from vision.camera.sources import open_video

    session = make(tmp_path / "r", video=True)
    capture = SimpleNamespace(every=None)
    for i in range(40, 80):
        arrival = Arrival(Frame(i, i / RATE, PICTURE), 0.0)
        if capture.every is not None:
            capture.every.put(arrival)
        step(session, arrival, capture)
    folder = session.finish(capture)

    with open_video(folder / "video.mkv") as video:
        times = [f.t_s for f in video]
    np.testing.assert_allclose(times, open_recording(folder).frames["t_s"], atol=1e-3)  # Matroska's tick


@pytest.mark.parametrize("event, kind", [("board_moved", "bench_moved"), ("camera_moved", "camera_moved")])
def test_board_and_camera_moves_are_told_apart(event, kind):
    session = make(where=lambda t: (0, 0, 15), events=[BenchEvent(0.5, event, "by 2 mm")])
    started = [w for m in run(session, 2.0) for w in m.result.started]

    assert [w.kind for w in started] == [kind] and "by 2 mm" in started[0].text


def test_an_exposure_that_drifts_is_told_and_is_no_height_warning():
    session = make(where=lambda t: (0, 0, 15))
    scene = np.kron(np.random.default_rng(0).integers(60, 140, (9, 16, 3), dtype=np.uint8),
                    np.ones((8, 8, 1), np.uint8))
    started = []
    for i in range(100):
        image = scene if i < 40 else np.clip(scene * 1.5, 0, 255).astype(np.uint8)
        moment = step(session, Arrival(Frame(i, i / RATE, image), 0.0))
        started += moment.result.started

    assert [w.kind for w in started if w.kind != "long_dwell"] == ["camera_moved"] and "brighter" in started[0].text


def test_shelving_is_logged_with_its_time_and_reason(tmp_path):
    session = make(tmp_path / "r", where=lambda t: (0, 0, 32))
    moments = run(session, 1.0)
    session.shelve(moments[-1].alarm.shown[0], "the fan is loud")
    later = run(session, 0.5, start_s=1.0)

    assert not later[-1].alarm.shown and later[-1].alarm.shelved
    events = [e for e in open_recording(session.finish()).events if e["kind"] == "shelved"]
    assert events[0]["t_s"] == pytest.approx(0.95) and "the fan is loud" in events[0]["detail"]


def test_what_is_heard_follows_the_work():
    cues = []
    session = make(say=cues.append)
    run(session, 6.0)

    assert REFERENCE in cues[3].starts  # the pass has begun
    assert [c.starts for c in cues if c.starts and REFERENCE not in c.starts] == [(WARNING_PATTERNS[2],)]
    assert all(c.error == 0.0 or np.isnan(c.error) for c in cues[:40])  # 15 mm is the height to hold
    assert LOST.pulses not in {p.pulses for p in WARNING_PATTERNS.values()}


def test_a_limit_ahead_is_forecast_before_it_is_passed():
    text = JOB_TEXT.replace('name = "U7"', 'name = "U7"\nlimit_c = 120').replace("dwell_s = 4", "dwell_s = 60")
    session = make(where=lambda t: (0, 0, 8))
    inputs = dataclasses.replace(session.inputs, job=parse_job(text), job_text=text)
    session = Session(inputs, PathTracker(lambda t: (0, 0, 8)), session.coach, None)
    started = [w for m in run(session, 30.0) for w in m.result.started]
    at = {w.kind: w for w in started}

    assert 0 < at["part_limit"].t_start_s - at["limit_soon"].t_start_s < 8.0
    assert "forecast" in at["limit_soon"].text and at["limit_soon"].band is not None
