"""Small files that are kept or found beside recordings: whatever lies under their names, nothing hangs or breaks."""

import json
import os

import pytest

from monitor.engine.feedback import Skill, load_skill, save_skill
from monitor.errors import InputError, MonitorError
from monitor.files import read_json
from monitor.heat.taught import read_melts
from monitor.job import parse_job
from monitor.recording.folder import is_live
from monitor.repeat.compare.equal_start import CACHE, equal_start_heat
from monitor.review.report import report_html
from tests.monitor.made_recording import make_recording
from tests.monitor.make import JOB_TEXT


def lay(path, kind):
    """Something else than what belongs there."""
    path.unlink(missing_ok=True)
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)  # who reads it without looking waits for ever
    elif kind == "large":
        path.write_bytes(b" " * 6_000_000)
    else:
        path.write_text({"deep": "[" * 100_000, "cut off": '{"a": [1, 2', "no text": "\0", "other": "[]",
                         "wrong": '{"key": null, "passes": {"x": ["y"]}, "melts": 5}'}[kind], encoding="utf-8")


KINDS = ["folder", "pipe", "large", "deep", "cut off", "no text", "other", "wrong"]


@pytest.mark.parametrize("kind", ["folder", "pipe", "large", "deep", "cut off", "no text"])
def test_what_is_no_plain_json_of_a_fitting_size_is_refused_in_one_line(tmp_path, kind):
    lay(tmp_path / "a.json", kind)

    with pytest.raises(InputError, match="a.json: ") as fault:
        read_json(tmp_path / "a.json", "table", InputError)
    assert "\n" not in str(fault.value) and len(str(fault.value)) < 500


@pytest.mark.parametrize("kind", KINDS)
def test_a_skill_that_cannot_be_read_begins_anew(tmp_path, kind):
    lay(tmp_path / "skills.json", kind)

    assert load_skill(tmp_path / "skills.json", "A") == Skill()


def test_a_skill_is_kept_over_a_file_that_was_none(tmp_path):
    lay(tmp_path / "skills.json", "deep")
    save_skill(tmp_path / "skills.json", "A", Skill(level=2))

    assert load_skill(tmp_path / "skills.json", "A").level == 2


@pytest.mark.parametrize("kind", KINDS)
def test_a_shelf_of_melts_that_cannot_be_read_is_named(tmp_path, kind):
    lay(tmp_path / "melts.json", kind)

    with pytest.raises(InputError, match="melts.json: cannot be used"):
        read_melts(tmp_path)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return make_recording(tmp_path_factory.mktemp("kept") / "r", duration_s=2.5, heat=True)


@pytest.mark.parametrize("kind", KINDS)
def test_heat_is_worked_out_anew_where_its_cache_is_none(recording, kind):
    cache, job = recording.folder / CACHE, parse_job(JOB_TEXT, "job")
    honest = equal_start_heat(recording.folder, job)
    lay(cache, kind)
    try:
        assert equal_start_heat(recording.folder, job) == honest != {}
    except MonitorError:  # a folder or pipe in its place may be named, not read
        assert kind in ("folder", "pipe")
    finally:
        cache.rmdir() if cache.is_dir() else cache.unlink(missing_ok=True)


def test_a_cache_whose_numbers_are_words_is_not_believed(recording):
    cache, job = recording.folder / CACHE, parse_job(JOB_TEXT, "job")
    honest = equal_start_heat(recording.folder, job)
    kept = json.loads(cache.read_text(encoding="utf-8"))
    kept["passes"] = {number: ["low", "mid", "high"] for number in kept["passes"]}
    cache.write_text(json.dumps(kept), encoding="utf-8")

    assert equal_start_heat(recording.folder, job) == honest


@pytest.mark.parametrize("kind", KINDS)
def test_a_recording_that_does_not_say_how_it_was_made_counts_as_live(tmp_path, kind):
    lay(tmp_path / "meta.json", kind)

    assert is_live(tmp_path)


@pytest.mark.parametrize("kind", ["pipe", "large"])
def test_a_report_is_written_whatever_lies_where_a_calibration_should(tmp_path, kind):
    found = make_recording(tmp_path / "r", duration_s=1.0)
    lay(found.folder / "camera.toml", kind)

    assert "<html" in report_html(found)
