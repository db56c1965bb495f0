"""The frames that show a teacher's thresholds: the right ones, cut out round the work, in both reports."""

import base64
import re

import cv2
import numpy as np
import pytest

from monitor.job import parse_job
from monitor.recording.reader import open_recording
from monitor.review import rubric_pictures as module
from monitor.review.report import report_html
from monitor.review.rubric import Met, marks_of
from monitor.review.rubric_pictures import MOST, rubric_pictures
from tests.monitor.made_recording import make_recording
from tests.monitor.make import JOB_TEXT
from tests.monitor.numbered import read_number

RUBRIC = """
[[rubric]]
name = "height"
measure = "height_mean_mm"
at_most = 10
[[rubric]]
name = "swept"
measure = "coverage"
at_least = 0.1
[[rubric]]
name = "in limits"
measure = "in_limits"
at_least = 0.9
"""
JOB = parse_job(JOB_TEXT + RUBRIC)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """A pass at 12 mm and one at 9 mm, over a video whose frames carry their numbers."""
    return make_recording(tmp_path_factory.mktemp("rubric") / "lesson", video=True)


@pytest.fixture(scope="module")
def marks(recording):
    return marks_of(recording, JOB)


def test_each_picture_is_the_very_frame_that_its_mark_names(recording, marks, monkeypatch):
    monkeypatch.setattr(module, "_near", lambda image, *_: image)
    monkeypatch.setattr(module, "draw_frame", lambda *_: None)
    found, _ = rubric_pictures(recording, JOB, marks)
    numbers = [read_number(cv2.imdecode(np.frombuffer(p.jpeg, np.uint8), cv2.IMREAD_COLOR)) for p in found]

    assert numbers == [p.frame for p in found] and set(numbers) == {int(m.frame) for m in marks if m.frame is not None}


def test_a_picture_says_what_it_shows(recording, marks):
    found, left_out = rubric_pictures(recording, JOB, marks)
    high = next(p for p in found if p.number == 1 and "height" in p.words)

    assert "height: not met (12.0" in high.words and "asked for at most 10.0" in high.words and left_out == ""


def test_the_picture_is_cut_out_round_the_work_with_the_measurement_in_it(recording, marks):
    found, _ = rubric_pictures(recording, JOB, marks)
    picture = cv2.imdecode(np.frombuffer(found[0].jpeg, np.uint8), cv2.IMREAD_COLOR)

    assert 250 <= picture.shape[1] <= 640 and picture.shape[1] / picture.shape[0] == pytest.approx(4 / 3, abs=0.03)
    assert np.ptp(picture.reshape(-1, 3).astype(int), axis=1).max() > 60  # the video is grey, the marks are not


def test_what_was_not_met_comes_first_when_there_are_many(recording, marks):
    many = [module.Mark(1, f"x{i}", Met.YES, "", 0.6 + 0.05 * i, 12 + i) for i in range(12)] + [
        module.Mark(2, "bad", Met.NO, "", 4.5, 90)]
    found, left_out = rubric_pictures(recording, JOB, many)

    assert len(found) == MOST and found[-1].words.startswith("bad: not met") and left_out.startswith("5 more frames")


def test_without_the_video_the_report_says_why_there_are_no_pictures(tmp_path):
    bare = make_recording(tmp_path / "bare")

    assert rubric_pictures(bare, JOB, marks_of(bare, JOB)) == ([], "The video is not here (it was linked, not copied, "
                                                               "and has moved), so its frames cannot be shown.")


def test_both_reports_print_the_pictures(recording, marks, tmp_path):
    from monitor.ui.review_report import write_pdf

    (recording.folder / "job.toml").write_text(JOB_TEXT + RUBRIC)
    again = open_recording(recording.folder)
    html = report_html(again)
    shown = [base64.b64decode(code) for code in re.findall(r"data:image/jpeg;base64,([^\"]+)", html)]
    with_it = write_pdf(again, tmp_path / "with.pdf").stat().st_size

    assert all(cv2.imdecode(np.frombuffer(s, np.uint8), cv2.IMREAD_COLOR) is not None for s in shown)
    assert len(shown) == len(rubric_pictures(recording, JOB, marks)[0]) > 0 and with_it > 10_000
    assert "Pass 1, " in html and "height: not met" in html
