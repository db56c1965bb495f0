"""Who, when and as what, told with a clip and found again."""

import datetime
import json
import os

import pytest

from monitor.errors import InputError
from monitor.recording.attribution import attributed, from_meta, when_words
from monitor.recording.export import about
from monitor.recording.reader import open_recording
from monitor.recording.recorder import Origin, Recorder
from monitor.review.report import report_html
from tests.monitor.made_recording import make_recording
from tests.monitor.make import JOB_TEXT


@pytest.fixture
def clip(tmp_path):
    path = tmp_path / "clip.mp4"
    path.write_bytes(b"no video")
    os.utime(path, (1_777_000_000, 1_777_000_000))  # 2026-04-24 03:06:40 UTC
    return path


@pytest.fixture
def berlin(monkeypatch):
    import time

    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_a_time_without_an_offset_is_that_of_the_clocks_here(clip, berlin):
    # Central European summer time is two hours ahead of UTC
    assert attributed(clip, "T7", "2026-05-01T14:10").recorded_utc == "2026-05-01T12:10:00+00:00"


def test_a_time_with_an_offset_is_taken_as_it_is(clip, berlin):
    assert attributed(clip, "T7", "2026-05-01T14:10+00:00").recorded_utc == "2026-05-01T14:10:00+00:00"


def test_a_time_that_was_not_told_is_the_file_s_and_says_so(clip):
    by = attributed(clip)

    assert (by.recorded_utc, by.recorded_from) == ("2026-04-24T03:06:40+00:00", "file")
    assert when_words({"started_utc": by.recorded_utc, "recorded_from": "file"}) == \
        "2026-04-24 03:06 UTC (by the video file's own time)"


@pytest.mark.parametrize(("given", "says"), [({"recorded": "yesterday"}, "--recorded yesterday: no time"),
                                             ({"kind": "test"}, "--kind test: expected one of practice, probe, work"),
                                             ({"operator": "x" * 30}, "--operator")])
def test_what_cannot_be_is_refused(clip, given, says):
    with pytest.raises(InputError, match=says):
        attributed(clip, **given)


def test_a_recording_keeps_it_and_its_report_and_tables_tell_it(clip, tmp_path):
    by = attributed(clip, "T7", "2026-05-01T14:10+00:00", "probe")
    with Recorder(tmp_path / "r", Origin(JOB_TEXT, "", "", by=by)):
        pass
    kept = open_recording(tmp_path / "r")

    assert from_meta(kept.meta) == by
    assert about(kept)["operator"] == "T7" and about(kept)["kind"] == "probe" and about(kept)["time_from"] == "told"
    assert json.loads((tmp_path / "r" / "meta.json").read_text())["kind"] == "probe"


def test_the_report_s_first_lines_name_operator_time_and_kind(tmp_path):
    made = make_recording(tmp_path / "r", operator="T7")
    made.meta.update(started_utc="2026-05-01T12:10:00+00:00", recorded_from="told", kind="probe")
    text = report_html(made)

    assert "Recorded 2026-05-01 12:10 UTC (as told), operator T7, probe." in text[:text.index("verdict\">")]


def test_an_older_recording_tells_no_source_of_its_time():
    assert from_meta({"started_utc": "2026-05-01T12:10:00+00:00"}).recorded_from == ""


def test_a_camera_s_clock_that_was_never_set_does_not_count(tmp_path):
    import av
    import numpy as np

    path = tmp_path / "old.mp4"
    with av.open(str(path), "w") as out:
        out.metadata["creation_time"] = "1970-01-01T00:00:00Z"
        stream = out.add_stream("mpeg4", rate=25)
        stream.width = stream.height = 64
        for packet in (*stream.encode(av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8))), *stream.encode()):
            out.mux(packet)

    assert datetime.datetime.fromisoformat(attributed(path).recorded_utc).year >= 2026
