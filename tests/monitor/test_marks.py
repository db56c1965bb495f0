"""Marks of how the joints looked, written into a finished recording and taken back."""

from __future__ import annotations

import os

import pytest

from monitor.errors import EnvironmentFault
from monitor.recording.marks import add_mark, take_back_last
from monitor.recording.reader import open_recording
from tests.monitor.made_recording import make_recording


@pytest.fixture
def recording(tmp_path):
    return make_recording(tmp_path / "r", duration_s=1.0)


def test_a_mark_is_there_when_the_recording_is_opened_again(recording):
    add_mark(recording, 0.4, "molten", "T7")

    (kept,) = open_recording(recording.folder).marks
    assert (kept["t_s"], kept["kind"], kept["author"], kept["undone_utc"]) == (0.4, "molten", "T7", None)


def test_the_last_mark_is_taken_back_and_stays_as_taken_back(recording):
    add_mark(recording, 0.2, "molten", "T7")
    last = add_mark(recording, 0.4, "molten", "T7")

    taken = take_back_last(recording)

    assert taken is not None
    assert taken.made_utc == last.made_utc
    marks = {m["t_s"]: m["undone_utc"] for m in open_recording(recording.folder).marks}
    assert marks[0.2] is None
    assert marks[0.4] == taken.undone_utc


def test_nothing_is_taken_back_where_nothing_stands(recording):
    assert take_back_last(recording) is None


@pytest.mark.skipif(os.name == "nt", reason="rights of another kind")
def test_a_recording_that_is_gone_says_so_in_one_line(recording):
    (recording.folder / "trace.sqlite").unlink()

    with pytest.raises(EnvironmentFault, match=r"trace\.sqlite: the mark cannot be saved"):
        add_mark(recording, 0.4, "molten", "T7")
