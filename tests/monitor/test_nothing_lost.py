"""No command destroys work: outputs never land on what is read, and what people added survives a new run."""

import os
import shutil
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.judging.pipeline import Judge
from monitor.recording import folder as folders
from monitor.recording.comments import Comment, comments_of, save_comments
from monitor.recording.reader import open_recording
from monitor.recording.recorder import Origin, Recorder
from monitor.review.overlay import write_overlay
from monitor.review.report import write_report
from tests.monitor.made_recording import make_recording
from tests.monitor.make import JOB_TEXT, hover, job

SAID = [Comment(0.4, "lower here", "INS1", made_utc="2026-01-01")]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A recording with its video and a comment."""
    found = make_recording(tmp_path_factory.mktemp("made") / "r", duration_s=1.0, video=True)
    save_comments(found.folder, SAID)
    return found.folder


@pytest.fixture
def recording(made, tmp_path):
    return shutil.copytree(made, tmp_path / "r")


@pytest.fixture
def job_file(tmp_path):
    path = tmp_path / "other.toml"
    path.write_text(JOB_TEXT.replace("setpoint_c = 360", "setpoint_c = 400"))
    return path


def contents(folder):
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


def code_of(*arguments):
    """The exit code, be it argparse that ends the program."""
    try:
        return main([str(a) for a in arguments])
    except SystemExit as end:
        return end.code


@pytest.mark.parametrize("name", ["trace.sqlite", "job.toml", "meta.json", "camera.toml", "manifest.json", "video.mkv"])
def test_a_report_never_lands_on_a_file_of_the_recording(recording, name):
    before = contents(recording)

    with pytest.raises(InputError, match="of the recording r itself"):
        write_report(open_recording(recording), recording / name)
    assert code_of("report", recording, "--out", recording / name) in (2, 3) and contents(recording) == before


def test_an_overlay_never_lands_on_the_clip(recording):
    before = contents(recording)

    assert code_of("overlay", recording, "--out", recording / "video.mkv") == 3 and contents(recording) == before


def test_an_overlay_never_lands_on_a_linked_clip(recording, tmp_path):
    clip = tmp_path / "clip.mkv"
    (recording / "video.mkv").rename(clip)
    (recording / "video.mkv").symlink_to(clip)
    before = clip.read_bytes()

    with pytest.raises(InputError, match="would be lost"):
        write_overlay(open_recording(recording), clip)
    assert code_of("overlay", recording, "--out", clip) == 3 and clip.read_bytes() == before


def test_a_link_does_not_lead_an_output_onto_the_recording(recording, tmp_path):
    (tmp_path / "out.html").symlink_to(recording / "job.toml")
    before = contents(recording)

    assert code_of("report", recording, "--out", tmp_path / "out.html") == 3 and contents(recording) == before


@pytest.mark.parametrize("name", ["job.toml", "job.png"])
def test_a_plan_is_not_drawn_over_its_job(tmp_path, name):
    path = tmp_path / name
    path.write_text(JOB_TEXT)

    assert code_of("plan", path, "--out", path) in (2, 3) and path.read_text() == JOB_TEXT


@pytest.mark.parametrize("name", ["00.jpg", "job.toml"])
def test_a_calibration_replaces_neither_a_photograph_nor_a_job(tmp_path, name):
    (tmp_path / "00.jpg").write_bytes(b"a photograph")
    (tmp_path / "job.toml").write_text(JOB_TEXT)
    before = contents(tmp_path)

    code = code_of("calibrate", "camera", tmp_path / "00.jpg", "--squares", "9x6", "--square-mm", "25", "--marker-mm",
                   "18",
                   "--dictionary", "DICT_5X5_100", "--out", tmp_path / name)
    assert code in (2, 3) and contents(tmp_path) == before


def test_a_rerun_into_the_same_folder_keeps_the_comments(recording, job_file):
    assert code_of("rerun", recording, "--job", job_file, "--out", recording, "--force") in (0, 1)

    found = open_recording(recording)
    assert [c.text for c in comments_of(found)] == ["lower here"] and "400" in found.job_text
    assert [p.name for p in recording.parent.iterdir() if p.is_dir()] == ["r"]


def test_a_forced_run_is_refused_when_comments_are_on_another_video(recording, tmp_path):
    before = contents(recording)

    with pytest.raises(InputError, match="on another video"):
        Recorder(recording, Origin(JOB_TEXT, "", ""), force=True)
    assert contents(recording) == before and not (tmp_path / "r.part").exists()


def test_a_forced_run_is_refused_when_a_letter_lies_in_the_folder(recording):
    (recording / "letter.txt").write_text("mine")

    with pytest.raises(InputError, match=r"letter\.txt, which would be lost"):
        Recorder(recording, Origin(JOB_TEXT, "", "", source=recording), force=True)
    assert (recording / "letter.txt").read_text() == "mine"


@pytest.mark.parametrize("end", ["part", "old"])
def test_a_folder_without_our_mark_is_never_removed(recording, job_file, end):
    other = recording.with_name(f"new.{end}")
    other.mkdir()
    (other / "letter.txt").write_text("mine")

    code_of("rerun", recording, "--job", job_file, "--out", recording.with_name("new"), "--force")
    assert (other / "letter.txt").read_text() == "mine"


def test_a_letter_in_a_folder_with_our_mark_is_not_removed_either(recording, job_file):
    old = recording.with_name("r.old")
    shutil.copytree(recording, old)
    (old / "letter.txt").write_text("mine")

    assert code_of("rerun", recording, "--job", job_file, "--out", recording, "--force") in (0, 1)
    assert (old / "letter.txt").read_text() == "mine"


def test_an_unfinished_live_recording_is_recovered_before_its_place_is_taken(tmp_path, recording, job_file):
    live = Recorder(tmp_path / "x", Origin(JOB_TEXT, "", ""), live=True, reserve_bytes=1000)
    for result in hover(Judge(job()), (1.0, lambda t: (0, 0, 12)), rate_hz=20):
        live.add(result)
    live.commit()
    shutil.copytree(live.part, tmp_path / "killed")
    live.abandon()
    (tmp_path / "killed").rename(tmp_path / "x.part")

    assert code_of("rerun", recording, "--job", job_file, "--out", tmp_path / "x") in (0, 1)
    assert open_recording(tmp_path / "x-recovered").meta["state"] == "recovered"


def test_an_unfinished_analysis_makes_room_for_the_next(tmp_path):
    begun = Recorder(tmp_path / "x", Origin(JOB_TEXT, "", ""))
    begun._db.close()
    begun._lock.free()

    Recorder(tmp_path / "x", Origin(JOB_TEXT, "", "")).close()
    assert [p.name for p in tmp_path.iterdir()] == ["x"]


def test_a_recording_that_cannot_be_read_is_kept_beside_the_new_one(tmp_path, recording):
    trace = recording / "trace.sqlite"
    trace.write_bytes(trace.read_bytes()[:8192])

    Recorder(recording, Origin(JOB_TEXT, "", ""), force=True).close()
    assert len((tmp_path / "r-unreadable" / "trace.sqlite").read_bytes()) == 8192


@pytest.mark.parametrize("can_exchange", [True, False])
def test_what_was_replaced_goes_away_when_the_new_one_is_in_place(recording, job_file, monkeypatch, can_exchange):
    if not can_exchange:
        monkeypatch.setattr(folders, "_exchange", lambda one, other: False)

    code_of("rerun", recording, "--job", job_file, "--out", recording, "--force")
    assert sorted(p.name for p in recording.parent.glob("r*")) in (["r"], ["r", "r_camera.toml"])


def test_a_recording_left_under_another_name_by_a_kill_is_found_by_its_own(recording):
    recording.rename(recording.with_name("r.old"))  # between two renames, on a disk that cannot exchange names

    assert [c.text for c in comments_of(open_recording(recording))] == ["lower here"] and recording.is_dir()


def test_a_failed_start_leaves_no_part(tmp_path):
    with pytest.raises(Exception, match="gone"):
        Recorder(tmp_path / "x", Origin(JOB_TEXT, "", "", Path(tmp_path / "gone.mp4"), copy_video=True))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="rights of another kind")
def test_a_recording_is_for_its_owner_alone(recording, tmp_path):
    folder = Recorder(tmp_path / "new", Origin(JOB_TEXT, "", "", recording / "video.mkv", copy_video=True)).close()

    rights = {p.name: p.stat().st_mode & 0o777 for p in [folder, *folder.iterdir()]}
    assert rights.pop("new") == 0o700 and {name for name, mode in rights.items() if mode & 0o077} == set()


def test_tables_made_from_a_recording_are_no_reason_to_refuse(recording, job_file):
    assert code_of("export", recording, "--format", "both") == 0
    assert code_of("report", recording) == 0

    assert code_of("rerun", recording, "--job", job_file, "--out", recording, "--force") in (0, 1)


def test_replacing_a_recording_complains_of_files_of_others_only_when_there_are_some(recording, job_file, caplog):
    code_of("rerun", recording, "--job", job_file, "--out", recording, "--force")

    assert "files of others" not in caplog.text


def test_the_demo_does_not_take_the_place_of_another_recording(recording, capsys):
    assert code_of("demo", "--out", recording) == 3
    assert "holds another recording than the demo's" in capsys.readouterr().err
