"""`plumeline calibrate readout`: a camera's file with how fast it reads its rows."""

import numpy as np
import pytest

import vision.calibrate.readout
from monitor.cli.main import main
from tests.monitor.test_batch import cut
from tests.vision.drawn import DATA
from vision.bench.mat import standard_mat
from vision.camera.model import load_camera

CAMERA = DATA / "sweep" / "camera.toml"
READOUT_S = 0.012


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    """Two seconds of the sample's stream."""
    return cut(tmp_path_factory.mktemp("readout") / "waved.mp4", 2.1)


def _run(clip, out):
    return main(["calibrate", "readout", str(clip), "--camera", str(CAMERA), "--out", str(out)])


def _waved(monkeypatch, reach_mm):
    """Let a mat be seen that is waved before the camera, its pictures 1/20 s apart."""
    camera, mat, count = load_camera(CAMERA), standard_mat(), iter(range(1000))
    corners, rng = mat.all_corners_mm.reshape(-1, 3), np.random.default_rng(1)

    def markers(grey, of):
        middle_s = next(count) / 20
        row_s = np.full(len(corners), middle_s)
        for _ in range(6):
            way = reach_mm * np.stack([np.sin(5 * row_s), np.cos(4 * row_s), 0 * row_s], 1)
            px = camera.project((corners + way) * [1, -1, -1] + [0, 0, 400.0])
            row_s = middle_s + READOUT_S * ((px[:, 1] + 0.5) / camera.image_size_px[1] - 0.5)
        return {int(i): four for i, four in zip(mat.ids, (px + rng.normal(0, 0.1, px.shape)).reshape(-1, 4, 2),
                                                strict=True)}

    monkeypatch.setattr(vision.calibrate.readout, "find_markers", markers)


def test_the_readout_stands_in_the_camera_s_file_beside_what_stood_there(clip, tmp_path, monkeypatch, capsys):
    _waved(monkeypatch, 40.0)

    assert _run(clip, tmp_path / "camera.toml") == 0

    before, after = load_camera(CAMERA), load_camera(tmp_path / "camera.toml")
    assert abs(after.readout_ms - 1e3 * READOUT_S) < 3 * after.readout_sigma_ms + 0.05
    assert after.calibration_id == before.calibration_id and after.rms_px == before.rms_px
    assert f"{after.readout_ms:.1f} \u00b1 {after.readout_sigma_ms:.1f} ms" in capsys.readouterr().out


def test_a_mat_that_is_not_waved_is_refused_in_one_line_and_nothing_is_written(clip, tmp_path, monkeypatch, capsys):
    _waved(monkeypatch, 0.0)

    assert _run(clip, tmp_path / "camera.toml") == 3
    assert "wave it further" in capsys.readouterr().err and not list(tmp_path.iterdir())


def test_a_recording_of_another_size_is_refused(clip, tmp_path, capsys):
    other = tmp_path / "other.toml"
    other.write_text(CAMERA.read_text(encoding="utf-8").replace("[1280, 720]", "[1920, 1080]"), encoding="utf-8")

    assert main(["calibrate", "readout", str(clip), "--camera", str(other), "--out", str(tmp_path / "new.toml")]) == 3
    assert "1280 x 720" in capsys.readouterr().err
