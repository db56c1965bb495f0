"""The command line's vocabulary: one word for one thing, an example in every help, swapped files recognised, no long
wait for nothing.
"""

import argparse
import shlex
from pathlib import Path

import pytest

from monitor.cli.kinds import kind_of
from monitor.cli.main import build_parser, main
from tests.engine.make import SAMPLE

BAD_INPUT = 3


def commands(parser=None, path=()):
    """Every command with its parser."""
    parser = parser or build_parser()
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, sub in action.choices.items():
                yield from commands(sub, (*path, name))
    if path and parser._defaults.get("run") is not None:
        yield path, parser


def test_every_command_shows_an_example_that_it_understands():
    for path, parser in commands():
        shown = parser.format_help().split("example:\n", 1)
        assert len(shown) == 2, path
        for line in [ln.strip() for ln in shown[1].split("\n\n")[0].splitlines()]:
            words = shlex.split(line)
            assert words[0] == "plumeline" and tuple(words[1:1 + len(path)]) == path
            build_parser().parse_args(words[1:])


def test_a_choice_of_colours_is_called_theme_everywhere():
    for path, parser in commands():
        for action in parser._actions:
            if action.choices and set(action.choices) == {"system", "light", "dark"}:
                assert action.option_strings[0] == "--theme", path


def test_camera_names_a_calibration_everywhere():
    for path, parser in commands():
        for action in parser._actions:
            if "--camera" in action.option_strings:
                assert "calibration" in action.help and action.metavar == "FILE", path


def test_the_mat_is_printed_without_being_asked_twice(tmp_path):
    assert main(["calibrate", "mat", "--out", str(tmp_path / "mat.pdf")]) == 0


def test_no_camera_is_said(monkeypatch, capsys):
    monkeypatch.setattr("monitor.engine.webcam.list_cameras", list)

    assert main(["watch", "--list-cameras"]) == 0
    assert "no camera found" in capsys.readouterr().out


@pytest.mark.parametrize("swap, said", [
    ({"job": "camera.toml"}, "--job", ), ({"camera": "nozzle.toml"}, "--camera"), ({"nozzle": "job.toml"}, "--nozzle")])
def test_swapped_files_are_recognised(tmp_path, capsys, swap, said):
    names = {"job": "job.toml", "camera": "camera.toml", "nozzle": "nozzle.toml"} | swap
    files = [word for name, file in names.items() for word in (f"--{name}", str(SAMPLE / file))]

    assert main(["analyse", str(SAMPLE / "clip.mp4"), *files, "--out", str(tmp_path / "r")]) == BAD_INPUT
    line = capsys.readouterr().err
    assert said in line and "this is a" in line and "give it with --" in line


def test_a_kind_that_cannot_be_told_is_left_open(tmp_path):
    (tmp_path / "a.toml").write_text("x = 1\n")

    assert kind_of(tmp_path / "a.toml") == "" and kind_of(tmp_path / "none.toml") == ""
    assert [kind_of(SAMPLE / f"{name}.toml") for name in ("job", "camera", "nozzle")] == ["job", "camera", "nozzle"]


@pytest.mark.slow
def test_a_long_clip_without_a_mat_is_refused_after_a_few_pictures(tmp_path, capsys, monkeypatch):
    clip = grey_clip(tmp_path / "grey.mp4", seconds=20)
    monkeypatch.setattr("monitor.engine.analyse.LOOK_FOR_S", 0.0)
    files = [word for name in ("job", "camera", "nozzle") for word in (f"--{name}", str(SAMPLE / f"{name}.toml"))]

    assert main(["analyse", str(clip), *files, "--out", str(tmp_path / "r")]) == BAD_INPUT
    assert "mat is in view in none of 12 pictures spread" in capsys.readouterr().err and not (tmp_path / "r").exists()


RATE_HZ = 10


def grey_clip(path: Path, seconds: int) -> Path:
    import av
    import numpy as np

    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=RATE_HZ)
        stream.width, stream.height, stream.pix_fmt = 1280, 720, "yuv420p"
        picture = av.VideoFrame.from_ndarray(np.full((720, 1280, 3), 120, np.uint8), format="bgr24")
        for n in range(RATE_HZ * seconds):
            picture.pts = n
            out.mux(stream.encode(picture))
        out.mux(stream.encode())
    return path
