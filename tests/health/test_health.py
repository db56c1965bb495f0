"""Looking the machine over, the log that does not grow, and a bug report without anybody's pictures."""

from __future__ import annotations

import json
import logging
import shutil
import zipfile
from pathlib import Path

import av
import pytest

from monitor.cli.main import main
from monitor.engine import webcam
from monitor.engine.source import SourceLost
from monitor.health.bug_report import gather
from monitor.health.finding import Finding, State, as_lines
from monitor.health.log import KEPT, MOST_BYTES, logging_to
from monitor.health.machine import camera_findings, machine_findings
from monitor.places import log_file, recordings_folder, sample_folder
from monitor.recording.comments import Comment, save_comments
from tests.monitor.made_recording import make_recording


def found(topic: str) -> list[Finding]:
    return [f for f in machine_findings() if f.topic == topic]


def test_every_topic_is_looked_at_and_all_but_good_news_says_what_to_do():
    findings = machine_findings()

    assert {f.topic for f in findings} >= {"program", "libraries", "codecs", "sample", "recordings", "heat", "log",
                                           "space", "compiled code"}
    assert all(f.remedy for f in findings if f.state is not State.GOOD)


def test_a_file_where_a_folder_should_be_is_a_fault(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    recordings_folder().parent.mkdir(parents=True)
    recordings_folder().write_text("")

    (recordings,) = found("recordings")

    assert recordings.state is State.FAULT
    assert str(recordings_folder()) in recordings.text


@pytest.mark.parametrize(("free_mb", "state"), [(199, State.FAULT), (201, State.NOTE), (6899, State.NOTE),
                                                (6901, State.GOOD)])
def test_little_space_is_a_note_and_next_to_none_a_fault(monkeypatch, free_mb, state):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**12, 0, free_mb * 10**6))

    (space,) = found("space")

    assert space.state is state


def test_a_machine_that_cannot_write_video_is_told_so_but_may_record_without(monkeypatch):
    real = av.Codec
    monkeypatch.setattr(av, "Codec", lambda name, mode: real("no such codec" if mode == "w" else name, mode))

    faults = [f for f in found("codecs") if f.state is State.FAULT]

    assert len(faults) == 1
    assert "--no-video" in faults[0].remedy


def test_no_camera_is_a_note_not_a_fault(monkeypatch):
    monkeypatch.setattr(webcam, "list_cameras", list)

    assert [f.state for f in camera_findings()] == [State.NOTE]


@pytest.mark.parametrize(("got", "state"), [(0.0, State.GOOD), (1.0, State.NOTE)])
def test_a_setting_that_a_camera_does_not_hold_is_named(monkeypatch, got, state):
    class Device:
        def __init__(self, *_):
            self.locks = (webcam.Locked("autofocus off", 0.0, got),)

        def open(self):
            pass

        def read(self):
            return None

        def release(self):
            pass

    monkeypatch.setattr(webcam, "list_cameras", lambda: [webcam.CameraName("bench", 99)])
    monkeypatch.setattr(webcam, "Webcam", Device)

    (camera,) = camera_findings()

    assert camera.state is state
    assert ("autofocus off" in camera.text) == (state is State.NOTE)


def test_a_camera_that_cannot_be_opened_is_a_fault(monkeypatch):
    def refuse(self):
        raise SourceLost("bench: cannot be opened")

    monkeypatch.setattr(webcam, "list_cameras", lambda: [webcam.CameraName("bench", 99)])
    monkeypatch.setattr(webcam.Webcam, "open", refuse)

    assert [f.state for f in camera_findings()] == [State.FAULT]


def test_a_remedy_stands_under_what_it_is_for():
    lines = as_lines([Finding("a", State.GOOD, "well"), Finding("longer", State.FAULT, "broken", "mend it")])

    assert lines == ["ok     a       well", "fault  longer  broken", "               -> mend it"]


def test_the_log_rotates_and_stays_small(tmp_path):
    path = tmp_path / "log" / "a.log"
    with logging_to(path):
        for _ in range(60):
            logging.getLogger("plumeline.test").warning("x" * 100_000)

    files = sorted(p.name for p in path.parent.iterdir())

    assert files == ["a.log", *(f"a.log.{i}" for i in range(1, KEPT + 1))]
    assert all(p.stat().st_size <= MOST_BYTES for p in path.parent.iterdir())


def test_without_a_place_for_the_log_work_goes_on(tmp_path):
    (tmp_path / "file").write_text("")

    with logging_to(tmp_path / "file" / "a.log"):
        logging.getLogger("plumeline.test").warning("said")

    assert (tmp_path / "file").read_text() == ""


def test_what_is_noted_after_a_command_goes_elsewhere(tmp_path):
    with logging_to(tmp_path / "a.log"):
        logging.getLogger("plumeline.test").warning("inside")
    logging.getLogger("plumeline.test").warning("outside")

    text = (tmp_path / "a.log").read_text()
    assert "inside" in text
    assert "outside" not in text


def test_a_fault_of_the_program_leaves_its_trace_in_the_log_and_one_line_on_the_screen(monkeypatch, capsys):
    monkeypatch.setattr("monitor.cli.doctor.run_paths", lambda _: 1 / 0)

    code = main(["paths"])

    told = capsys.readouterr().err.strip()
    assert code == 5
    assert "bug-report" in told
    assert "\n" not in told
    assert "ZeroDivisionError" in log_file().read_text().split("Traceback")[-1]


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    place = tmp_path_factory.mktemp("bundle")
    made = make_recording(place / "r", duration_s=3.0, video=True, operator="T7SECRET")
    save_comments(made.folder, [Comment(1.0, "a remark", "INSTRUCTOR9", made_utc="2026-01-01")])
    home = Finding("place", State.GOOD, f"{Path.home()}/somewhere")
    names = gather([home], place / "out.zip", made.folder)
    with zipfile.ZipFile(place / "out.zip") as packed:
        return names, {name: packed.read(name) for name in packed.namelist()}


def test_a_bug_report_holds_findings_settings_and_numbers(bundle):
    names, files = bundle

    assert sorted(files) == names
    assert {"findings.txt", "recording/track.csv", "recording/warnings.csv", "recording/passes.csv",
            "recording/job.toml", "recording/camera.toml", "recording/nozzle.toml", "recording/meta.json"} <= set(names)


def test_a_bug_report_holds_text_only_so_no_picture(bundle):
    assert {Path(name).suffix for name in bundle[1]} <= {".txt", ".csv", ".json", ".toml", ".log"}
    assert all(data.decode("utf-8").isprintable() or b"\0" not in data for data in bundle[1].values())


@pytest.mark.parametrize("secret", ["T7SECRET", "a remark", "INSTRUCTOR9", str(Path.home()) + "/"])
def test_a_bug_report_does_not_say_who_worked_or_what_was_remarked(bundle, secret):
    assert not [name for name, data in bundle[1].items() if secret.encode() in data]


def test_a_recording_that_cannot_be_read_is_told_in_the_bug_report(tmp_path):
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "trace.sqlite").write_bytes(b"no trace" * 200)

    gather([], tmp_path / "out.zip", tmp_path / "broken")

    with zipfile.ZipFile(tmp_path / "out.zip") as packed:
        assert b"broken" in packed.read("recording/unreadable.txt")


def test_a_bug_report_replaces_nothing(tmp_path, capsys):
    (tmp_path / "a.zip").write_text("mine")

    assert main(["bug-report", "--out", str(tmp_path / "a.zip"), "--no-cameras"]) == 3
    assert (tmp_path / "a.zip").read_text() == "mine"


def test_one_place_is_printed_alone_so_that_commands_can_use_it(capsys):
    assert main(["paths", "sample"]) == 0
    assert Path(capsys.readouterr().out.strip(), "clip.mp4").is_file()
    assert sample_folder() is not None


def test_doctor_ends_with_4_and_a_remedy_where_windows_cannot_open(monkeypatch, capsys):
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)

    code = main(["doctor", "--no-cameras", "--json"])

    screen = next(f for f in json.loads(capsys.readouterr().out) if f["topic"] == "screen")
    assert (code, screen["state"]) == (4, "fault")
    assert screen["remedy"]


def test_doctor_ends_with_4_when_qt_ends_its_process(monkeypatch, capsys):
    monkeypatch.setenv("QT_QPA_PLATFORM", "no such platform")

    code = main(["doctor", "--no-cameras", "--json"])

    screen = next(f for f in json.loads(capsys.readouterr().out) if f["topic"] == "screen")
    assert (code, screen["state"]) == (4, "fault")


def test_doctor_ends_with_0_when_all_that_is_needed_works(monkeypatch, capsys):
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")

    code = main(["doctor", "--no-cameras"])

    assert code == 0, capsys.readouterr().out
