"""The sample recording, end to end, beside its truth (rendered, so known exactly; see sample_video/README.md)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from monitor.cli.demo import of_parts
from monitor.engine.analyse import analyse, read_inputs
from monitor.job import load_job
from monitor.review.report import report_html

SAMPLE = Path(__file__).parents[2] / "sample_video"
AT_WORK_MM = 20.0
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    inputs = read_inputs(SAMPLE / "clip.mp4", SAMPLE / "job.toml", SAMPLE / "camera.toml", SAMPLE / "nozzle.toml")
    return analyse(inputs, tmp_path_factory.mktemp("sample") / "out", copy_video=True)


@pytest.fixture(scope="module")
def truth():
    with (SAMPLE / "truth.csv").open() as handle:
        rows = list(csv.DictReader(handle))
    return {name: np.array([float(r[name] or "nan") for r in rows]) for name in rows[0]}


def test_frames_keep_the_times_of_the_file(recording, truth):
    t = recording.frames["t_s"]
    np.testing.assert_allclose(t, truth["t_s"][:len(t)], atol=1e-4)


def test_the_tool_at_work_is_measured_and_its_height_agrees(recording, truth):
    at_work = (truth["in_view"] > 0) & (truth["hidden"] == 0) & (truth["height_mm"] < AT_WORK_MM)
    seen = recording.frames["seen"] > 0

    assert seen[at_work].mean() >= 0.97
    error = (recording.frames["height_mm"] - truth["height_mm"])[at_work & seen]
    assert np.sqrt(np.mean(error**2)) < 0.9  # as the README says of such a tube


def test_every_movement_is_told_while_it_happens_and_nothing_else(recording):
    with (SAMPLE / "part_events.csv").open() as handle:
        true = list(csv.DictReader(handle))
    names = {"target": "U3", "n1": "shielding can", "n2": "C14"}
    told = sorted(recording.part_events, key=lambda e: e["t_s"])

    assert [e["part"] for e in told] == [names[e["part"]] for e in true]
    assert [e["kind"] for e in told] == ["settled", "moved", "sprang_back", "removed"]
    for mine, theirs in zip(told, true, strict=True):
        assert float(theirs["t_s"]) - 0.1 < mine["t_s"] < float(theirs["t_end_s"]) + 0.7


def test_the_settling_teaches_and_agrees_with_the_estimate(recording):
    lesson = recording.lessons[0]

    assert lesson["kind"] == "settled" and lesson["wrong"] < 0.1
    assert lesson["after_sigma_k"] < lesson["before_sigma_k"]
    assert abs(lesson["before_c"] - lesson["liquidus_c"]) < 1.645 * lesson["before_sigma_k"]


def test_a_neighbour_that_shifts_is_a_warning(recording):
    assert [w["region"] for w in recording.warnings if w["kind"] == "part_moved"] == ["C14"]


def test_demo_says_that_the_part_is_off(recording):
    assert of_parts(recording, load_job(SAMPLE / "job.toml"))[-1].startswith("U3 is off the board since 9.")


def test_the_report_shows_the_parts_and_what_they_taught(recording):
    page = report_html(recording)

    assert "U3 settled" in page and "the part settled" in page and page.count("data:image/png") >= 6
