"""`plumeline calibrate nozzle` and `calibrate check` on rendered photographs whose heights are known exactly."""

import json
import shutil
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.job import load_job
from monitor.setup.nozzle import calibrate_nozzle, touch_photo, touch_rows
from tests.vision.drawn import DATA
from vision.calibrate.nozzle_file import load_nozzle
from vision.camera.model import load_camera

TOUCH = DATA / "touch"
FILES = ["--job", str(TOUCH / "job.toml"), "--camera", str(TOUCH / "camera.toml")]


@pytest.fixture(scope="module")
def nozzle(tmp_path_factory):
    out = tmp_path_factory.mktemp("nozzle") / "nozzle.toml"
    assert main(["calibrate", "nozzle", "--touch", str(TOUCH / "photos"), *FILES, "--out", str(out)]) == 0
    return out


@pytest.mark.slow
def test_nearly_every_photograph_speaks_and_their_heights_are_met_to_a_millimetre(nozzle):
    found = load_nozzle(nozzle)

    assert found.n_photos >= 5 and found.height_error_rms_mm < 1.0
    assert found.outer_diameter_mm == 10.0 and found.metal_appearance is not None and len(found.holds) >= 1


@pytest.mark.slow
def test_the_bench_without_the_tool_lies_beside_the_file(nozzle):
    assert load_nozzle(nozzle).bench.shape == (720, 1280, 3)
    assert nozzle.with_suffix(".bench.jpg").is_file()


@pytest.mark.slow
def test_a_later_photograph_is_read_within_its_own_doubt(nozzle, capsys):
    code = main(["calibrate", "check", str(TOUCH / "later.jpg"), "--height-mm", "20", *FILES, "--nozzle", str(nozzle),
                 "--json"])
    told = json.loads(capsys.readouterr().out)

    assert code == 0 and told["agrees"] is True
    assert told["difference_mm"] == pytest.approx(told["heights_mm"][0] - 20.0)
    assert abs(told["difference_mm"]) < 3 * told["sigma_mm"] < 4.5


@pytest.mark.parametrize(("errors_mm", "rms_mm"), [([0.3, -0.4], 0.353553), ([2.0], 2.0), ([], float("nan"))])
def test_heights_are_met_by_the_root_of_the_mean_square_of_their_errors(monkeypatch, errors_mm, rms_mm):
    bench = np.array([[0.0, 0.001, 0.215861, 1.7]])  # linear light
    found = SimpleNamespace(height_error_mm=np.array(errors_mm), bench=bench, bias={}, used=errors_mm, bench_pose=None,
                            holds=(), metal_appearance=None)
    monkeypatch.setattr("monitor.setup.nozzle.calibrate_edges", lambda *a: found)

    made = calibrate_nozzle(TOUCH / "photos", load_job(TOUCH / "job.toml"), load_camera(TOUCH / "camera.toml"))

    assert made.height_error_rms_mm == pytest.approx(rms_mm, rel=1e-5, nan_ok=True) and made.n_photos == len(errors_mm)
    # IEC 61966-2-1: 12.92 times the light near black, and 0.215861 at level 128
    assert made.bench.tolist() == [[0, round(255 * 0.01292), 128, 255]]


@pytest.fixture
def photos(tmp_path):
    folder = tmp_path / "touch"
    shutil.copytree(TOUCH / "photos", folder)
    return folder


@pytest.mark.parametrize(("row", "said"), [
    ("board0.jpg,table,2.87", "over must be board or mat, got 'table'"),
    ("board0.jpg,board,-1", "height_above_it_mm must be a number from 0 to 200, got '-1'"),
    ("board0.jpg,board,201", "got '201'"),
    ("board0.jpg,board,nan", "got 'nan'"),
    ("board0.jpg,board,high", "got 'high'"),
    ("../later.jpg,board,10", "lies elsewhere"),
])
def test_a_row_that_says_nothing_usable_is_named_with_its_line(photos, row, said):
    (photos / "heights.csv").write_text(f"file,over,height_above_it_mm\n{row}\n", encoding="utf-8")
    (only,) = touch_rows(photos)

    with pytest.raises(InputError, match="heights.csv: line 2: ") as fault:
        touch_photo(photos, only, 2, load_job(TOUCH / "job.toml"), load_camera(TOUCH / "camera.toml"))
    assert said in str(fault.value)


@pytest.mark.parametrize(("row", "surface_mm"), [("board0.jpg,board,2.87", 6.0), ("mat0.jpg,mat,10", 0.0)])
def test_heights_count_from_what_lies_below_the_nozzle(photos, row, surface_mm):
    (photos / "heights.csv").write_text(f"file,over,height_above_it_mm\n{row}\n", encoding="utf-8")
    (only,) = touch_rows(photos)

    photo = touch_photo(photos, only, 2, load_job(TOUCH / "job.toml"), load_camera(TOUCH / "camera.toml"))

    assert photo.surface_mm == surface_mm and photo.height_mm == float(row.rpartition(",")[2])
    assert np.linalg.det(photo.cam_from_bench[:3, :3]) == pytest.approx(1.0)


def test_an_empty_table_is_refused(photos):
    (photos / "heights.csv").write_text("file,over,height_above_it_mm\n", encoding="utf-8")

    with pytest.raises(InputError, match="lists no photographs"):
        touch_rows(photos)
