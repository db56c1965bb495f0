"""How long a camera takes to read its rows, told by a mat that is waved before it."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import vision.calibrate.readout
from tests.vision.drawn import CAMERA, looking_down
from tests.vision.drawn_webcam import waved
from vision import rigid
from vision.bench.mat import standard_mat
from vision.calibrate.readout import MOST_SIGMA_S, measure_readout
from vision.errors import CalibrationError
from vision.types import Frame

FRAME_S, NOISE_PX = 1 / 30, 0.1
GREY = np.zeros((4, 4), np.uint8)


def _seen_px(points_mm, t_s, reach_mm):
    """Where points (n, 3) of a waved mat are seen, each at its own time (n,)."""
    w = 2 * np.pi * t_s[:, None]
    shift = reach_mm * np.hstack([np.sin(0.8 * w), np.sin(0.6 * w + 1.0), 0.3 * np.sin(0.5 * w)])
    turn = Rotation.from_rotvec(0.003 * reach_mm * np.hstack([np.sin(0.7 * w), np.cos(0.4 * w), np.sin(0.3 * w)]))
    return CAMERA.project(rigid.apply(looking_down(), turn.apply(points_mm) + shift))


def _measured(monkeypatch, readout_s, n=60, reach_mm=30.0, times=None, seed=0):
    """From where a rolling shutter sees the corners: each row at its own time."""
    mat, rng = standard_mat(), np.random.default_rng(seed)
    times = np.arange(n) * FRAME_S if times is None else times
    frames = [Frame(i, float(t), GREY, "", GREY) for i, t in enumerate(times)]
    corners, seen = mat.all_corners_mm.reshape(-1, 3), iter(times)

    def markers(grey, of):
        row_s = np.full(len(corners), next(seen))
        middle_s = row_s.copy()
        for _ in range(8):
            px = _seen_px(corners, row_s, reach_mm)
            row_s = middle_s + readout_s * ((px[:, 1] + 0.5) / CAMERA.image_size_px[1] - 0.5)
        px += rng.normal(0, NOISE_PX, px.shape)
        return {int(i): four for i, four in zip(mat.ids, px.reshape(-1, 4, 2), strict=True)}

    monkeypatch.setattr(vision.calibrate.readout, "find_markers", markers)
    return measure_readout(frames, CAMERA, mat)


@pytest.mark.parametrize("readout_s", [0.0, 0.005, -0.016, 0.033])
def test_the_readout_of_a_rolling_shutter_is_told_within_three_sigmas(monkeypatch, readout_s):
    found = _measured(monkeypatch, readout_s)

    assert found.n_pictures == 58 and found.sigma_s < MOST_SIGMA_S / 4
    assert abs(found.readout_s - readout_s) < 3 * found.sigma_s


def test_the_sigma_of_a_readout_is_what_it_scatters_by(monkeypatch):
    found = [_measured(monkeypatch, 0.016, n=50, seed=seed) for seed in range(12)]

    ratio = np.std([f.readout_s for f in found], ddof=1) / np.mean([f.sigma_s for f in found])
    assert 0.55 < ratio < 1.6  # 12 answers: chi-square of 11 degrees of freedom, 99 %: 0.49 to 1.56


@pytest.mark.slow
def test_the_readout_is_told_of_a_drawn_recording():
    found = measure_readout(waved(0.016, 40), CAMERA, standard_mat())

    assert found.sigma_s < MOST_SIGMA_S and abs(found.readout_s - 0.016) < 3 * found.sigma_s


def test_a_mat_at_rest_tells_no_readout(monkeypatch):
    with pytest.raises(CalibrationError, match="moves too little"):
        _measured(monkeypatch, 0.02, reach_mm=0.0)


def test_a_recording_with_few_sights_of_the_mat_is_refused(monkeypatch):
    with pytest.raises(CalibrationError, match="in 35 pictures between two others; at least 36"):
        _measured(monkeypatch, 0.02, n=37)


def test_pictures_on_both_sides_of_a_gap_are_not_neighbours(monkeypatch):
    times = np.arange(39) * FRAME_S + 0.2 * (np.arange(39) >= 11)

    with pytest.raises(CalibrationError, match="in 35 pictures"):
        _measured(monkeypatch, 0.02, times=times)


def test_one_picture_gone_astray_hardly_moves_the_answer(monkeypatch):
    times = np.arange(60) * FRAME_S
    times[30] += 0.012  # a stamp that is wrong

    assert abs(_measured(monkeypatch, 0.016, times=times).readout_s - 0.016) < 5e-4
