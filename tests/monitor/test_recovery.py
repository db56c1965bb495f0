"""Recordings that were cut off, or are being written at this moment."""

import shutil

import av
import numpy as np
import pytest

from monitor.engine.source import Arrival
from monitor.engine.video_writer import VideoWriter
from monitor.errors import InputError
from monitor.judging.pipeline import Judge
from monitor.recording.reader import open_recording, recover_leftovers
from monitor.recording.recorder import Origin, Recorder
from monitor.repeat.library import Library, Query
from monitor.review.playback import Playback
from tests.monitor.make import JOB_TEXT, hover, job
from vision.camera.sources import open_video
from vision.errors import SourceError
from vision.types import Frame

ORIGIN = Origin(JOB_TEXT, "# camera\n", "# nozzle\n", video_name="video.mkv")


def record(folder, seconds=2.0):
    """A live recording that is not closed."""
    recorder = Recorder(folder, ORIGIN, live=True, reserve_bytes=1 << 16)
    for result in hover(Judge(job()), (seconds, lambda t: (0, 0, 12)), rate_hz=20):
        recorder.add(result)
    return recorder


def film(path, n=60):
    writer = VideoWriter(path)
    for i in range(n):
        writer.line.put(Arrival(Frame(i, i / 30, np.full((48, 64, 3), 2 * i, np.uint8)), 0.0))
    writer.line.close()
    writer.run()


def crashed(tmp_path):
    """What a crash leaves: the folder as it lay on the disk, and no process that holds it."""
    recorder = record(tmp_path / "live" / "lesson")
    film(recorder.part / "video.mkv")
    (tmp_path / "after").mkdir()
    shutil.copytree(recorder.part, tmp_path / "after" / "lesson.part")
    recorder.abandon()
    return tmp_path / "after"


def test_a_recording_under_way_is_neither_opened_nor_replaced(tmp_path):
    recorder = record(tmp_path / "r")

    with pytest.raises(InputError, match="being recorded"):
        open_recording(tmp_path / "r")
    with pytest.raises(InputError, match="being written"):
        Recorder(tmp_path / "r", ORIGIN)
    recorder.close()
    assert open_recording(tmp_path / "r").meta["state"] == "closed"


def test_leftovers_are_finished_and_named(tmp_path):
    where = crashed(tmp_path)

    assert recover_leftovers(where) == [where / "lesson"]
    assert open_recording(where / "lesson").meta["state"] == "recovered" and recover_leftovers(where) == []


def test_opening_a_recording_by_its_name_finishes_what_a_crash_left(tmp_path):
    where = crashed(tmp_path)

    found = open_recording(where / "lesson")

    assert found.meta["state"] == "recovered" and found.frames["t_s"][-1] >= 1.5 and not list(where.glob("*.part"))


def test_a_leftover_never_takes_the_place_of_a_recording(tmp_path):
    where = crashed(tmp_path)
    record(where / "other").close()
    (where / "other").rename(where / "lesson")

    found = recover_leftovers(where)

    assert found[0].name.startswith("lesson-recovered") and open_recording(where / "lesson").meta["state"] == "closed"


def test_the_recovered_video_can_be_sought_and_lost_nothing(tmp_path):
    where = crashed(tmp_path)
    with open_video(where / "lesson.part" / "video.mkv") as video:
        before = [f.t_s for f in video]
    recover_leftovers(where)

    with open_video(where / "lesson" / "video.mkv") as video:
        assert [f.t_s for f in video] == before and video.frame_at(1.0).t_s == pytest.approx(1.0, abs=1e-3)
    with av.open(str(where / "lesson" / "video.mkv")) as video:
        assert video.duration is not None  # the index is there


def test_a_leftover_that_is_no_trace_stays_as_it_is(tmp_path):
    (tmp_path / "x.part").mkdir()
    (tmp_path / "x.part" / "trace.sqlite").write_bytes(b"nothing of ours" * 50)

    assert recover_leftovers(tmp_path) == [] and (tmp_path / "x.part" / "trace.sqlite").exists()


def test_the_reserve_does_not_stay_in_a_finished_recording(tmp_path):
    folder = record(tmp_path / "r").close()

    assert not (folder / "reserve.bin").exists() and not (folder / "writing.lock").exists()


@pytest.mark.parametrize("cluster_bytes", [0, 12])
def test_a_video_that_was_cut_off_before_its_first_picture_is_nothing_to_complain_of(tmp_path, caplog, cluster_bytes):
    where = crashed(tmp_path)
    video = where / "lesson.part" / "video.mkv"
    whole = video.read_bytes()
    # RFC 9559: the first cluster's identifier
    video.write_bytes(whole[:whole.index(b"\x1f\x43\xb6\x75") + cluster_bytes])

    assert recover_leftovers(where) == [where / "lesson"] and not caplog.records
    assert [p.name for p in (where / "lesson").glob("*video*")] == ["video.mkv"]


@pytest.mark.parametrize("opened", [open_video, Playback])
def test_a_video_without_a_picture_is_told_as_an_empty_recording(tmp_path, opened):
    film(tmp_path / "video.mkv", n=1)
    whole = (tmp_path / "video.mkv").read_bytes()
    (tmp_path / "cut.mkv").write_bytes(whole[:whole.index(b"\x1f\x43\xb6\x75")])  # what lies there until 0.2 s are over

    with pytest.raises(SourceError, match="cut.mkv: an empty recording: it ended before its first picture"):
        opened(tmp_path / "cut.mkv")


@pytest.fixture
def begun(tmp_path):
    """What a kill leaves that comes between the trace's being made and its first table."""
    part = tmp_path / "r.part"
    part.mkdir()
    (part / "meta.json").write_text('{"state": "recording", "live": true}\n')
    for name in ("trace.sqlite", "trace.sqlite-journal", "job.toml", "writing.lock"):
        (part / name).touch()
    return part


def test_a_recording_in_which_nothing_was_written_yet_is_told_as_that(begun, caplog):
    with pytest.raises(InputError, match="an empty recording: it ended before anything was written$"):
        open_recording(begun.with_name("r"))

    caplog.set_level("WARNING")
    assert recover_leftovers(begun.parent) == [] and not caplog.records and begun.is_dir()


def test_a_recording_in_which_nothing_was_written_yet_is_listed_with_that(begun):
    begun.rename(begun.with_name("r"))

    with Library(begun.parent) as library:
        library.refresh()
        entry, = library.search(Query())

    assert entry.path == "r" and entry.fault.endswith("an empty recording: it ended before anything was written")


def test_a_recovered_recording_lasts_from_its_first_frame_to_its_last(tmp_path):
    where = crashed(tmp_path)

    found = open_recording(where / "lesson")

    t_s = found.frames["t_s"]
    assert float(found.meta["duration_s"]) == pytest.approx(t_s[-1] - t_s[0]) and t_s[-1] - t_s[0] > 1.4
    assert int(found.meta["frames"]) == len(t_s)
