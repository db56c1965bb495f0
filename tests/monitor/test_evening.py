"""An evening's clips with their sheet."""

import json

import pytest

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.repeat import evening
from monitor.repeat.evening import KEY, read_sheet
from tests.monitor.make import JOB_TEXT

HEAD = "file,operator,time,kind,job\n"


@pytest.fixture
def folder(tmp_path):
    for name in ("a.mp4", "b.mp4"):
        (tmp_path / name).write_bytes(b"x")
    for name in ("job.toml", "other.toml"):
        (tmp_path / name).write_text(JOB_TEXT)
    for name in ("camera.toml", "nozzle.toml"):
        (tmp_path / name).write_text("#\n")
    return tmp_path


def sheet(folder, *rows):
    (folder / "sheet.csv").write_text(HEAD + "\n".join(rows) + "\n")
    files = {"job": str(folder / "job.toml"), "camera": str(folder / "camera.toml"),
             "nozzle": str(folder / "nozzle.toml")}
    return read_sheet(folder / "sheet.csv", folder, folder / "out", files)


def test_a_row_says_who_when_as_what_and_at_which_job(folder):
    clip, = sheet(folder, "a.mp4,T7,2026-05-01T14:10+00:00,probe,other.toml")

    assert (clip.by.operator, clip.by.recorded_utc, clip.by.kind) == ("T7", "2026-05-01T14:10:00+00:00", "probe")
    assert clip.job.endswith("other.toml") and clip.out.endswith("out/a")


def test_what_a_row_leaves_out_is_the_file_s_time_and_the_common_job(folder):
    clip, = sheet(folder, "b.mp4,,,,")

    assert clip.by.recorded_from == "file" and clip.job.endswith("/job.toml")


def test_every_faulty_line_is_named_before_anything_is_analysed(folder):
    with pytest.raises(InputError, match=r"line 2: .*gone.mp4: no such clip; line 3: --kind test.*; a: is there twice"):
        sheet(folder, "gone.mp4,,,,", "b.mp4,,,test,", "a.mp4,,,,", "a.mp4,,,,")


def fake_analysis(monkeypatch, fails=()):
    """Stands in for vision: writes an empty recording."""
    from monitor.recording.recorder import Origin, Recorder

    done = []

    def analyse(inputs, out, filming, **_):
        name = inputs.clip.name
        done.append(name)
        if name in fails:
            raise InputError(f"{name}: cannot be read")
        with Recorder(out, Origin(JOB_TEXT, "", "", by=filming.by, meta=filming.meta), force=True):
            pass

    def read_inputs(clip, *_):
        from pathlib import Path

        from monitor.engine.analyse import Inputs
        from monitor.job import parse_job

        return Inputs(Path(clip), parse_job(JOB_TEXT), JOB_TEXT, None, "", Path(), "")

    monkeypatch.setattr("monitor.engine.analyse.analyse", analyse)
    monkeypatch.setattr("monitor.engine.analyse.read_inputs", read_inputs)
    return done


def run(folder, capsys, *more):
    code = main(["import", str(folder), "--job", str(folder / "job.toml"), "--camera", str(folder / "camera.toml"),
                 "--nozzle", str(folder / "nozzle.toml"), "--out", str(folder / "out"), *more])
    return code, capsys.readouterr().out.splitlines()


def test_a_second_run_keeps_what_is_there_and_a_changed_row_is_done_again(folder, monkeypatch, capsys):
    done = fake_analysis(monkeypatch)
    (folder / "sheet.csv").write_text(HEAD + "a.mp4,T1,,,\nb.mp4,T2,,,\n")
    first = run(folder, capsys)
    second = run(folder, capsys)
    (folder / "sheet.csv").write_text(HEAD + "a.mp4,T1,,,\nb.mp4,T3,,,\n")
    run(folder, capsys)

    assert first[0] == 0 and first[1][-1].startswith("2 analysed, 0 there before, 0 failed; 2 operator codes; 2 "
                                                     "without a told time")
    assert second[1][-1].startswith("0 analysed, 2 there before")
    assert done == ["a.mp4", "b.mp4", "b.mp4"]


def test_a_bad_clip_does_not_stop_the_rest(folder, monkeypatch, capsys):
    fake_analysis(monkeypatch, fails=("a.mp4",))
    (folder / "sheet.csv").write_text(HEAD + "a.mp4,T1,,,\nb.mp4,T2,,,\n")
    code, out = run(folder, capsys)

    assert code == 3 and "a.mp4: cannot be read" in out[0]
    assert out[-1].startswith("1 analysed, 0 there before, 1 failed")


def test_a_recording_tells_what_it_was_made_from(folder, monkeypatch, capsys):
    fake_analysis(monkeypatch)
    (folder / "sheet.csv").write_text(HEAD + "a.mp4,T1,,probe,\n")
    _, out = run(folder, capsys, "--json")

    assert json.loads(out[0])["key"] == evening._kept_key(folder / "out" / "a") and KEY == "sheet_key"
