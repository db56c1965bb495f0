"""The sample recording, end to end, beside its truth (rendered, so known exactly; see sample_video/README.md)."""

import csv
from pathlib import Path

import av
import numpy as np
import pytest

from monitor.engine.analyse import analyse, read_inputs
from monitor.review.overlay import write_overlay

SAMPLE = Path(__file__).parents[2] / "sample_video"
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    inputs = read_inputs(SAMPLE / "clip.mp4", SAMPLE / "job.toml", SAMPLE / "camera.toml", SAMPLE / "nozzle.toml")
    return analyse(inputs, tmp_path_factory.mktemp("sample") / "out", copy_video=True)


@pytest.fixture(scope="module")
def truth():
    with (SAMPLE / "truth.csv").open() as handle:
        rows = list(csv.DictReader(handle))
    return {name: np.array([float(r[name]) for r in rows]) for name in rows[0]}


def test_frames_keep_the_times_of_the_file(recording, truth):
    t = recording.frames["t_s"]
    np.testing.assert_allclose(t, truth["t_s"][:len(t)], atol=1e-4)


def test_heights_agree_with_the_truth(recording, truth):
    f = recording.frames
    seen = f["seen"] > 0
    error = (f["height_mm"] - truth["height_mm"][:len(seen)])[seen]

    assert seen.mean() > 0.5 and np.sqrt(np.mean(error**2)) < 6.0


def test_the_pass_ends_when_the_aim_leaves(recording, truth):
    assert len(recording.passes) == 1
    assert recording.passes[0]["t_end_s"] == pytest.approx(4.6, abs=0.2)  # last aim inside the target, from the truth


def test_the_overlay_keeps_every_frame_and_its_time(recording, tmp_path):
    path = write_overlay(recording, tmp_path / "o.mp4")
    with av.open(str(path)) as video:
        times = [f.time for f in video.decode(video=0)]

    np.testing.assert_allclose(np.array(times) - times[0], recording.frames["t_s"], atol=2e-3)
