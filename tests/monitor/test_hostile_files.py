"""Files from anywhere end in one line that names them, and names are plain text wherever they are shown."""

import os
import re
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.files import read_table, read_toml
from monitor.heat.calibration import load_calibration
from monitor.plain import plain, plain_figure
from tests.monitor.numbered import write_numbered
from vision.calibrate.nozzle_file import load_nozzle
from vision.camera.model import load_camera
from vision.camera.pictures import decoded, size_of
from vision.camera.sources import open_video, read_photo
from vision.errors import CalibrationError, SourceError

SAMPLE = Path(__file__).parents[2] / "sample_video"


@pytest.mark.parametrize("text", ["a = " + "[" * 5000, "a = " + "[" * 40 + "]" * 40, "a = 1" + "0" * 100_000, "a = nan",
                                  "a = inf",
                                  "a = 1e300", "a = 5\0", "a = \"" + "x" * 300_000 + "\"", "a = ="])
def test_toml_of_no_use_is_refused_in_one_line(tmp_path, text):
    (tmp_path / "x.toml").write_text(text)

    with pytest.raises(CalibrationError, match=r"x\.toml") as caught:
        read_toml(tmp_path / "x.toml", "calibration")
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 400


@pytest.mark.parametrize("name", ["", "pipe", "gone"])
def test_what_is_no_plain_file_is_refused(tmp_path, name):
    os.mkfifo(tmp_path / "pipe")

    with pytest.raises(CalibrationError, match="expected a calibration"):
        read_toml(tmp_path / name, "calibration")
    with pytest.raises(SourceError):
        open_video(tmp_path / name)
    with pytest.raises(SourceError):
        read_photo(tmp_path / name)


@pytest.mark.parametrize("value", ["0", "-0.2", "nan", "1e-9", "true", "'0.2'"])
def test_a_camera_that_is_surer_than_physics_allows_is_refused(tmp_path, value):
    lines = [line for line in (SAMPLE / "camera.toml").read_text().splitlines()
             if not line.startswith("focal_sigma_px")]
    (tmp_path / "c.toml").write_text(f"focal_sigma_px = {value}\n" + "\n".join(lines))

    with pytest.raises(CalibrationError, match="focal_sigma_px"):
        load_camera(tmp_path / "c.toml")


@pytest.mark.parametrize("value", ["0.0", "-0.1", "nan", "1e-6"])
def test_a_nozzle_whose_edges_are_surer_than_physics_allows_is_refused(tmp_path, value):
    text = re.sub(r"sigma_px = [0-9.]+", f"sigma_px = {value}", (SAMPLE / "nozzle.toml").read_text(), count=1)
    (tmp_path / "n.toml").write_text(text)

    with pytest.raises(CalibrationError, match="sigma_px"):
        load_nozzle(tmp_path / "n.toml")


def test_a_camera_s_covariance_must_be_one(tmp_path):
    text = (SAMPLE / "camera.toml").read_text()
    first = text[text.index("parameter_cov"):].split("[", 2)[2].split(",")[0]
    (tmp_path / "c.toml").write_text(text.replace(first, "-" + first, 1))

    with pytest.raises(CalibrationError, match="covariance"):
        load_camera(tmp_path / "c.toml")


def test_a_heat_calibration_in_a_pipe_or_of_other_keys_is_refused(tmp_path):
    (tmp_path / "h.toml").write_text("kind = 'heat calibration'\nscores = 5\nboard = 1\nnozzle = 1")

    with pytest.raises(InputError, match=r"h\.toml"):
        load_calibration(tmp_path / "h.toml")


TABLES = {"a NUL": b"a,b\n1,\x002\n", "a long field": b"a,b\n1," + b"2" * 5000 + b"\n", "a short row": b"a,b\n1\n",
          "a long row": b"a,b\n1,2,3\n", "another encoding": "a,b\n1,\u00e9".encode("utf-16"),
          "an open quote": b'a,b\n1,"2\n',
          "no such column": b"a\n1\n"}


@pytest.mark.parametrize("data", TABLES.values(), ids=TABLES.keys())
def test_a_table_of_no_use_is_refused_in_one_line(tmp_path, data):
    (tmp_path / "t.csv").write_bytes(data)

    with pytest.raises(InputError, match=r"t\.csv") as caught:
        read_table(tmp_path / "t.csv", ("a", "b"), "table", InputError)
    assert "\n" not in str(caught.value)


def test_a_table_in_utf8_with_its_mark_is_read(tmp_path):
    (tmp_path / "t.csv").write_text("a,b\n1,2\n", encoding="utf-8-sig")

    assert read_table(tmp_path / "t.csv", ("a", "b"), "table") == [{"a": "1", "b": "2"}]


def test_the_size_of_a_picture_is_read_from_its_head():
    image = np.zeros((30, 70, 3), np.uint8)
    for ending in (".png", ".jpg"):
        data = cv2.imencode(ending, image)[1].tobytes()
        assert size_of(data) == (70, 30) and decoded(data, "x").shape == (30, 70, 3)


def test_a_picture_bomb_is_refused_before_it_is_decoded():
    data = bytearray(cv2.imencode(".png", np.zeros((8, 8), np.uint8))[1].tobytes())
    data[16:24] = (28_000).to_bytes(4, "big") * 2

    with pytest.raises(SourceError, match="28000 x 28000 px"):
        decoded(bytes(data), "x")


def test_decoders_keep_off_the_terminal(capfd):
    data = bytearray(cv2.imencode(".png",
                                  np.random.default_rng(0).integers(0, 255, (40, 40, 3), np.uint8))[1].tobytes())
    data[60] ^= 255
    try:
        decoded(bytes(data), "x")
    except SourceError:
        pass

    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("name", ["file:one.mp4", "http:x.mp4", "concat:a|b.mp4", "pipe:0.mp4", "100%d.mp4"])
def test_a_video_s_name_is_a_name_and_no_protocol(tmp_path, monkeypatch, name):
    write_numbered(tmp_path / "plain.mp4", np.arange(4) / 10, "libx264", (64, 48))
    (tmp_path / "plain.mp4").rename(tmp_path / name)
    monkeypatch.chdir(tmp_path)

    with open_video(name) as video:
        assert len(list(video)) == 4


def test_a_list_of_other_files_is_no_video(tmp_path):
    (tmp_path / "x.mp4").write_text("#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nother.ts\n#EXT-X-ENDLIST\n")

    with pytest.raises(SourceError, match="is not a video"):
        open_video(tmp_path / "x.mp4")


def test_what_steers_a_terminal_is_shown_not_sent(capsys, tmp_path):
    assert main(["report", str(tmp_path / "a\x1b[2Jb")]) == 3
    said = capsys.readouterr().err

    assert "\x1b" not in said and "\\x1b[2J" in said


@pytest.mark.parametrize("text", ["\x1b]0;x\x07", "\u202egnp.exe", "\x9b1m", "\ud800"])
def test_plain_text_holds_nothing_that_steers(text):
    assert plain(text).isprintable() and plain("U7, 5 µm – Ω\n") == "U7, 5 µm – Ω\n"


def test_a_dollar_sign_in_a_chart_begins_no_formula():
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure()
    figure.subplots().set_title("a $\\frac{1} b$")
    plain_figure(figure)
    FigureCanvasAgg(figure).draw()


@pytest.mark.parametrize("arguments", [["watch", "--minutes", "-5"], ["watch", "--band", "nan"],
                                       ["library", ".", "--limit", "0"],
                                       ["library", ".", "--from", "4.5.2026"], ["plan", "j.toml", "--out", "p.bmp"],
                                       ["batch", ".", "-j", "0"]])
def test_an_option_with_a_value_of_no_sense_ends_with_2(arguments):
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    assert caught.value.code == 2


def test_without_a_place_for_compiled_code_everything_works_and_one_line_says_so():
    code = ("import numba.core.caching as c; c.CacheImpl._locator_classes = []\n"
            "from vision.compiled import njit\n"
            "f = njit(cache=True, nogil=True)(lambda x: x + 1); g = njit(cache=True)(lambda x: x * 2)\n"
            "assert f(1) == 2 and g(2) == 4")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=SAMPLE.parent)

    assert done.returncode == 0 and done.stderr.count("NUMBA_CACHE_DIR") == 1 and done.stderr.count("\n") == 1
