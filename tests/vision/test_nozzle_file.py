"""The nozzle calibration on disk: what is written is read, and what is wrong in it is named."""

import numpy as np
import pytest

from tests.vision.drawn import looking_down
from vision.calibrate.nozzle_file import NozzleCalibration, load_nozzle, save_nozzle
from vision.errors import CalibrationError
from vision.fit.bias import DEFAULT_BIAS

POSE = looking_down(12, -186, 334, 1.5)


APPEARANCE = np.array([-0.11, 0.05, -2.1])


def written(folder, pose=POSE, appearance=APPEARANCE):
    path = folder / "nozzle.toml"
    picture = np.full((32, 48, 3), 90, np.uint8)
    save_nozzle(path, NozzleCalibration("cam", 8.0, 0.0, dict(DEFAULT_BIAS), 0.5, 10, picture, pose,
                                        metal_appearance=appearance))
    return path


def test_where_the_bench_picture_was_seen_from_is_kept_to_a_thousandth_of_a_millimetre(tmp_path):
    np.testing.assert_allclose(load_nozzle(written(tmp_path)).bench_pose, POSE, atol=1e-3)


@pytest.mark.parametrize("appearance", [APPEARANCE, None])
def test_how_the_metal_looks_is_kept_or_not_known(tmp_path, appearance):
    found = load_nozzle(written(tmp_path, appearance=appearance)).metal_appearance

    assert found is None if appearance is None else np.allclose(found, appearance, atol=1e-4)


def test_a_look_that_is_not_whole_is_named(tmp_path):
    path = written(tmp_path, appearance=None)
    path.write_text("metal_look = [0.1, 0.2]\n" + path.read_text())

    with pytest.raises(CalibrationError, match="metal_look: needs 3 numbers"):
        load_nozzle(path)


def test_a_file_that_does_not_say_where_its_bench_picture_was_seen_from_is_read(tmp_path):
    found = load_nozzle(written(tmp_path, pose=None))

    assert found.bench_pose is None and found.bench.shape == (32, 48, 3)


@pytest.mark.parametrize("line", ["bench_turn_rad = [0.1, 0.2]", "bench_turn_rad = 3", ""])
def test_a_pose_that_is_not_whole_is_named(tmp_path, line):
    path = written(tmp_path)
    kept = [row for row in path.read_text().splitlines() if not row.startswith("bench_turn_rad")]
    path.write_text("\n".join([line, *kept]))

    with pytest.raises(CalibrationError, match="bench_turn_rad: needs 3 numbers"):
        load_nozzle(path)
