"""A teacher's thresholds against passes whose truth is known."""

import math

import pytest

from monitor.errors import JobError
from monitor.job import parse_job
from monitor.recording.reader import open_recording
from monitor.review.report import report_html
from monitor.review.rubric import Met, marks_of
from tests.compare.make import record_passes
from tests.monitor.make import JOB_TEXT

RUBRIC = """
[[rubric]]
name = "height"
measure = "height_mean_mm"
at_least = 13
at_most = 17
[[rubric]]
name = "dwell"
measure = "dwell_s"
at_most = 2.5
[[rubric]]
name = "near the edge"
measure = "height_mean_mm"
at_most = 15.2
"""


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rubric") / "r"
    return open_recording(record_passes(folder, [15.0, 20.0], dwell_s=[2.0, 3.0], wander_mm=0.05, job_text=JOB_TEXT
                                        + RUBRIC, rate_hz=15.0))


@pytest.fixture(scope="module")
def marks(recording):
    return {(m.number, m.name): m for m in marks_of(recording, parse_job(JOB_TEXT + RUBRIC))}


def test_a_pass_well_inside_meets_it_and_one_well_outside_does_not(marks):
    assert marks[1, "height"].met is Met.YES and marks[2, "height"].met is Met.NO
    assert marks[1, "dwell"].met is Met.YES and marks[2, "dwell"].met is Met.NO


def test_what_lies_within_the_camera_s_doubt_cannot_be_told(marks):
    # 15.0 mm with sigma 0.5 mm reaches 15.8 mm at 90 %, beyond 15.2 mm
    assert marks[1, "near the edge"].met is Met.OPEN and "to 15.8)" in marks[1, "near the edge"].words


def test_the_frame_that_shows_it_is_the_highest_of_a_pass_that_is_too_high(recording, marks):
    mark, f = marks[2, "height"], recording.frames
    p = recording.passes[1]
    inside = (f["t_s"] >= p["t_start_s"]) & (f["t_s"] <= p["t_end_s"])

    assert f["height_mm"][int(mark.frame)] == pytest.approx(f["height_mm"][inside].max())


def test_the_report_prints_it(recording):
    text = report_html(recording)

    assert "What was asked for" in text and "<b>not met</b>" in text and "<b>cannot be told</b>" in text


def test_a_job_without_a_rubric_has_no_such_table(recording):
    assert marks_of(recording, parse_job(JOB_TEXT)) == []


@pytest.mark.parametrize(("lines", "says"), [("", "needs at_least"), ("at_least = 5\nat_most = 4", "must be below")])
def test_a_threshold_that_asks_for_nothing_or_the_impossible_is_refused(lines, says):
    with pytest.raises(JobError, match=says):
        parse_job(JOB_TEXT + f'[[rubric]]\nname = "x"\nmeasure = "dwell_s"\n{lines}\n')


def test_limits_are_open_where_a_side_is_not_given():
    job = parse_job(JOB_TEXT + RUBRIC)

    assert job.rubric[1].least == -math.inf
