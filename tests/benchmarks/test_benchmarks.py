"""Every benchmark still starts, and runs at its smallest: nothing else would notice that one has fallen behind."""

import ast
import importlib
import json
import os
import runpy
import shutil
import signal
import sys
import time
import warnings
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.benchmarks.clips import main as run_clips
from tests.monitor.made_recording import make_recording
from tests.monitor.test_batch import cut
from tests.vision.drawn import DATA, PHOTOS
from tests.vision.drawn_webcam import Webcam

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

HERE = Path(__file__).parent
NAMES = sorted(p.stem for p in HERE.glob("*.py") if "__main__" in p.read_text(encoding="utf-8")
               and not p.stem.startswith("test_"))
CLIP, N_FRAMES, RATE_HZ = "s", 16, 20.0  # as it is called in the folders that the tests make
SCENE = """
name = "s"
clip = "clip.mp4"
frame_size = [1280, 720]
board_top_mm = 6.0
target_mm = [[2.652, -3.542], [11.607, -2.644], [10.709, 6.311], [1.754, 5.413]]
target_part_height_mm = 0.9
neighbours_mm = [[[16.383, -0.155], [23.348, 0.544], [22.849, 5.519], [15.883, 4.82]]]
nozzle = {outer_diameter_mm = 10.0, bore_diameter_mm = 8.8, tube_length_mm = 30.0, bend_deg = 0.0, profile_mm = [
    [5, 0], [5, 30], [9.5, 37], [11.5, 38], [11.5, 50]], handle_mm = [[13, 50], [14.5, 58], [13.5, 82]]}
station = {setpoint_c = 360, airflow_l_min = 45}
solder = {alloy = "SAC305"}
limits = {height_mm = [6.0, 30.0]}
calibration_views = {squares = [9, 6], square_mm = 25.0, marker_mm = 18.0, dictionary = "DICT_5X5_100"}
"""


def run(name, *arguments):
    """Exit code of a benchmark with these arguments."""
    return importlib.import_module(f"tests.benchmarks.{name}").main([str(a) for a in arguments])


def smaller(monkeypatch, name, **sizes):
    """Let a benchmark's sizes be these."""
    for key, value in sizes.items():
        monkeypatch.setattr(f"tests.benchmarks.{name}.{key}", value)


def _shorten(table, n):
    """Leave a table its first rows."""
    table.write_text("".join(table.read_text(encoding="utf-8").splitlines(keepends=True)[:n + 1]), encoding="utf-8")


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """A folder with one recording of a second, laid out as the rendered ones are: its camera's photographs are of
    another camera, so that it measures nothing well."""
    root = tmp_path_factory.mktemp("clips")
    folder = root / CLIP
    shutil.copytree(DATA / "touch" / "photos", folder / "touch")
    _shorten(folder / "touch" / "heights.csv", 4)
    (folder / "camera").mkdir()
    for path in (PHOTOS / "rendered").glob("[01]*.jpg"):
        shutil.copy(path, folder / "camera")
    (folder / "scene.toml").write_text(SCENE, encoding="utf-8")
    shutil.copy(DATA / "sweep" / "truth.csv", folder)
    _shorten(folder / "truth.csv", N_FRAMES)
    cut(folder / "clip.mp4", (N_FRAMES - 0.5) / RATE_HZ)
    (root / "mat.toml").write_bytes((resources.files("vision.bench") / "mat.toml").read_bytes())
    return root


@pytest.fixture(scope="module")
def out(clips, tmp_path_factory):
    """What the benchmark of whole recordings makes of it."""
    folder = tmp_path_factory.mktemp("out")
    assert run_clips([str(clips), str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def sure_out(tmp_path_factory):
    """What it would make of photographs of the clip's own camera."""
    folder = tmp_path_factory.mktemp("sure")
    (folder / CLIP).mkdir()
    for name in ("camera.toml", "nozzle.toml", "nozzle.bench.jpg", "job.toml"):
        shutil.copy(DATA / "sweep" / name, folder / CLIP)
    return folder


@pytest.fixture(scope="module")
def two_photos(clips, out, tmp_path_factory):
    """The same recording with two of its touch photographs."""
    root = tmp_path_factory.mktemp("few")
    shutil.copytree(clips / CLIP / "touch", root / CLIP / "touch")
    _shorten(root / CLIP / "touch" / "heights.csv", 2)
    return root


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    """A recording of two passes with heat and a video."""
    folder = tmp_path_factory.mktemp("lesson") / "r"
    make_recording(folder, heat=True, video=True)
    return folder


@pytest.mark.parametrize("name", NAMES)
def test_a_benchmark_tells_how_it_is_used(name, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", [name, "--help"])

    with pytest.raises(SystemExit) as end, np.errstate(), warnings.catch_warnings(action="ignore"):  # run once more
        runpy.run_module(f"tests.benchmarks.{name}", run_name="__main__")

    assert end.value.code == 0 and f"tests.benchmarks.{name}" in capsys.readouterr().out


@pytest.mark.parametrize("name", NAMES)
def test_a_benchmark_finds_all_that_it_imports(name):
    tree = ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))
    wanted = [(node.module, alias.name) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)
              for alias in node.names if node.module != "__future__"]

    missing = [(module, what) for module, what in wanted if not hasattr(importlib.import_module(module), what)
               and importlib.util.find_spec(f"{module}.{what}") is None]

    assert wanted and not missing


@pytest.mark.slow
def test_accuracy(tmp_path, monkeypatch, capsys):
    smaller(monkeypatch, "accuracy", DISTANCES_MM=(300,), ANGLES_DEG=(35,), LEANS_DEG=(0,), DIAMETERS_MM=(8.0,))

    assert run("accuracy", tmp_path / "a.png") == 0
    assert "| 300 |" in capsys.readouterr().out and (tmp_path / "a.png").stat().st_size > 10_000


@pytest.mark.slow
def test_base(clips, capsys):
    assert run("base", clips) == 0
    assert capsys.readouterr().out.splitlines()[1].startswith("s        1280x720")


@pytest.mark.slow
def test_batch_stress(out, tmp_path, monkeypatch):
    from tests.benchmarks import batch_stress

    monkeypatch.setattr(batch_stress, "analyse",
                        lambda _, folder, *args, **options: shutil.copytree(out / CLIP / "recording", folder))
    (tmp_path / "day").mkdir()
    batch_stress.make(tmp_path / "day", 2)
    command = batch_stress.batch(tmp_path / "day", tmp_path / "two", 2)  # the whole takes half a minute
    while (worker := batch_stress.worker_of(command)) is None and command.poll() is None:
        time.sleep(0.05)
    os.kill(worker, signal.SIGKILL)
    command.send_signal(signal.SIGINT)

    assert command.wait(60) != 0
    assert batch_stress.trace_digest(tmp_path / "day" / "r000") != batch_stress.trace_digest(tmp_path / "day" / "r001")


@pytest.mark.slow
def test_bound(sure_out, tmp_path, monkeypatch, capsys):
    (tmp_path / CLIP).mkdir()
    (tmp_path / CLIP / "scene.toml").write_text(SCENE, encoding="utf-8")
    shutil.copy(DATA / "sweep" / "truth.csv", tmp_path / CLIP)
    cut(tmp_path / CLIP / "clip.mp4", 1.0)  # at rest at its end
    smaller(monkeypatch, "bound", POSES=1, DRAWS=2, NOISES=(1.0,))

    assert run("bound", tmp_path, sure_out) == 0
    assert "s: single frames" in (said := capsys.readouterr().out) and "nan" not in said


def test_capability(capsys):
    assert run("capability", 20) == 0
    assert "weibull" in capsys.readouterr().out


@pytest.mark.slow
def test_clips(out, capsys):
    assert {p.name for p in (out / CLIP).iterdir()} >= {"camera.toml", "nozzle.toml", "job.toml", "track.csv",
                                                        "warnings.csv", "recording"}


def test_compare_picture(qapp, tmp_path):
    assert run("compare_picture", tmp_path) == 0
    assert (tmp_path / "compare_light.jpg").stat().st_size > 10_000


@pytest.mark.slow
def test_evidence(two_photos, out, capsys):
    assert run("evidence", two_photos, out) == 0
    assert "there      tube" in capsys.readouterr().out


def test_heat(tmp_path):
    scenario = json.loads((DATA / "heat" / "reference_a" / "scenario.json").read_text(encoding="utf-8"))
    (tmp_path / "scenario.json").write_text(json.dumps(scenario | {"t_end_s": 2 * scenario["output_every_s"]}))

    assert run("heat", tmp_path / "scenario.json", tmp_path / "out.csv") == 0
    assert len((tmp_path / "out.csv").read_text().splitlines()) == 4


@pytest.mark.slow
def test_heat_bands(monkeypatch, capsys):
    smaller(monkeypatch, "heat_bands", SOLID_HEAT_S=2.0, SOLID_COOL_S=1.0, SOLID_HEIGHTS_MM=(6.0,), MELT_UNTIL_S=11.0,
            MELT_HEIGHTS_MM=(6.0,), FIT_EACH_S=20.0, FIT_COOL_S=5.0, TIMES_S=(1.0, 2.0, 4.0), HEIGHTS_MM=(10.0,))

    assert run("heat_bands", 2, 1, 2, 2) == 0
    assert "time to the melt told ahead" in capsys.readouterr().out


@pytest.mark.slow
def test_heat_jobs(capsys):
    assert run("heat_jobs", 2, "removal with low-melt") == 0
    assert "chance clock" in capsys.readouterr().out


@pytest.mark.slow
def test_heat_speed(monkeypatch, capsys):
    smaller(monkeypatch, "heat_speed", SECONDS=0.4, MESHES=[(4, 3, 1)], FINE=(8, 6, 2))

    assert run("heat_speed") == 0
    assert "scikit-fem (4, 3, 1)" in capsys.readouterr().out


def test_judgements(capsys):
    assert run("judgements", 2, 4, 8) == 0
    assert "2 mm high" in capsys.readouterr().out


def test_library(tmp_path, capsys):
    assert run("library", tmp_path / "l", 3) == 0
    assert "everything: 3 found" in capsys.readouterr().out


@pytest.mark.slow
def test_live_alarms(monkeypatch, capsys):
    smaller(monkeypatch, "live_alarms", N_SEEDS=1, N_EXCURSIONS=2, N_CROSSINGS=3)

    run("live_alarms", 0.002)
    assert "too_close, 2 mm outside" in capsys.readouterr().out


@pytest.mark.slow
def test_live_full_disk(tmp_path, monkeypatch, capsys):
    from tests.benchmarks import live_full_disk

    smaller(monkeypatch, "live_full_disk", SECONDS=0.5)
    live_full_disk._run(tmp_path, 10)  # on a disk that has room: a small one is root's to make

    assert "state closed" in capsys.readouterr().out


@pytest.mark.slow
def test_live_kill(monkeypatch, capsys):
    smaller(monkeypatch, "live_kill", SPAN_S=(0.5, 0.6), KINDS=("busy",))

    run("live_kill", 1, "160x120")
    assert "busy 160x120: 1 kills, 1 opened" in capsys.readouterr().out


@pytest.mark.slow
def test_live_latency(qapp, tmp_path, capsys):
    run("live_latency", 3.0, "stand-in", tmp_path / "stats.json", "mute")

    assert "all met" in (said := capsys.readouterr().out) or "missed: " in said


@pytest.mark.slow
def test_live_warnings(clips, sure_out, capsys):
    assert run("live_warnings", clips, sure_out) == 0
    assert "same" in capsys.readouterr().out


@pytest.mark.slow
def test_melts(monkeypatch, capsys):
    smaller(monkeypatch, "melts", LONGEST_S=30.0)

    assert run("melts", 4, 2) == 0
    assert "one sight, live" in capsys.readouterr().out


@pytest.mark.slow
def test_parts(clips, out, capsys):
    assert run("parts", clips, out) == 0
    assert "s: 0 part events" in capsys.readouterr().out and (out / CLIP / "parts.csv").is_file()


@pytest.mark.slow
def test_parts_drawn(tmp_path, monkeypatch, capsys):
    smaller(monkeypatch, "parts_drawn", N=2, N_COST=4, FACES=("drawn",), SIZES_MM=(0.3,), CURVE_KINDS=("nothing",))

    assert run("parts_drawn", "false", 2) == 0
    assert run("parts_drawn", "cost") == 0
    assert run("parts_drawn", "curve", tmp_path / "c.png") == 0
    said = capsys.readouterr().out
    assert "false events in 20 frames: 0" in said and "times the blurring" in said
    assert "U3 shifted by 0.30 mm: found 1 of 1" in said and (tmp_path / "c.png").is_file()


@pytest.mark.slow
def test_passes(clips, out, capsys):
    assert run("passes", clips, out) == 0
    assert "0 passes found, 0 true" in capsys.readouterr().out


@pytest.mark.slow
def test_playback(tmp_path, monkeypatch, capsys):
    smaller(monkeypatch, "playback", SIZE=(320, 240), N=40)

    assert run("playback", tmp_path) == 0
    assert "mjpeg.mkv" in capsys.readouterr().out


@pytest.mark.slow
def test_registration(capsys):
    assert run("registration", 1) == 0
    assert "chip of 0.8 x 1.6 mm" in capsys.readouterr().out


@pytest.mark.slow
def test_review(qapp, lesson, tmp_path, monkeypatch, capsys):
    smaller(monkeypatch, "review", LONG_S=10.0, N_STEPS=10)

    assert run("review", lesson, tmp_path / "long") == 0
    assert "frames, 13 s" in capsys.readouterr().out


@pytest.mark.slow
def test_review_pictures(qapp, lesson, tmp_path, monkeypatch):
    monkeypatch.setattr("monitor.ui.theme.Looks.choose", lambda looks, theme: None)  # that takes half a second

    assert run("review_pictures", lesson, tmp_path) == 0
    assert all((tmp_path / f"review_{look}.jpg").stat().st_size > 10_000 for look in ("light", "dark"))


@pytest.mark.slow
def test_screens(qapp, tmp_path, monkeypatch):
    from tests.benchmarks.screens import _Screens

    smaller(monkeypatch, "screens", SIZES=((640, 360),), THEMES=("light",))
    monkeypatch.setattr("monitor.ui.theme.Looks.choose", lambda looks, theme: None)  # that takes half a second
    screens = _Screens(tmp_path, 1.0, tmp_path)
    wait = screens._wait
    monkeypatch.setattr(screens, "_wait", lambda holds, longest_s: wait(holds, longest_s if longest_s > 20 else 0.05))
    screens.shoot()

    pictures = sorted(tmp_path.glob("640x360_light_*.png"))
    assert len(pictures) > 20
    assert run("screens", tmp_path / "sheet.jpg", *pictures[:2]) == 0
    assert cv2.imread(str(tmp_path / "sheet.jpg")) is not None


@pytest.mark.slow
def test_slopes(two_photos, out, capsys):
    assert run("slopes", two_photos, out) == 0
    assert "px at the ends of a side" in capsys.readouterr().out


@pytest.mark.slow
def test_starts(clips, sure_out, monkeypatch, capsys):
    smaller(monkeypatch, "starts", STARTS=(("forwards", 0), ("backwards", 2)))

    assert run("starts", clips, sure_out) == 0
    assert "s all: seen" in (said := capsys.readouterr().out) and "nan" not in said


@pytest.mark.slow
def test_tracker_speed(clips, sure_out, capsys):
    assert run("tracker_speed", clips, sure_out) == 0
    assert "nan" not in capsys.readouterr().out


@pytest.mark.slow
def test_webcam(monkeypatch, capsys):
    smaller(monkeypatch, "webcam", RECORDINGS=1, WEBCAMS={"rows within 16 ms": Webcam(readout_s=0.016)})

    assert run("webcam", 10) == 0
    assert "rows within 16 ms" in (said := capsys.readouterr().out) and "nan" not in said


@pytest.mark.slow
def test_smear(two_photos, out, monkeypatch, capsys):
    smaller(monkeypatch, "smear", TRAVELS_PX=(2.0,))

    assert run("smear", two_photos, out) == 0
    assert "er outside: " in capsys.readouterr().out
