"""`plumeline watch` from the command line: exit codes, and a whole run on the sample."""

import gc
import json
import signal
import subprocess
import sys
import threading
import wave

import pytest

from monitor.cli.main import main
from monitor.recording.reader import open_recording
from tests.engine.make import SAMPLE, TruthTracker

DONE, BAD_INPUT, ENVIRONMENT = 0, 3, 4


@pytest.mark.parametrize("arguments, code, words", [
    (["--source", "nowhere.mp4"], BAD_INPUT, "nowhere.mp4"),
    (["--source", "a camera that nobody has"], ENVIRONMENT, "camera"),
    (["--source", str(SAMPLE / "clip.mp4"), "--job", "missing.toml"], BAD_INPUT, "missing.toml"),
    (["--source", str(SAMPLE / "clip.mp4"), "--out", "/dev/null/x", "--quit-at-end", "--mute"], ENVIRONMENT,
     "/dev/null/x"),
])
def test_what_cannot_be_watched_is_said_in_one_line(qapp, capsys, arguments, code, words):
    assert main(["watch", *arguments]) == code

    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("plumeline: ")]
    assert len(said) == 1 and words in said[0]


def test_cameras_are_listed(capsys):
    assert main(["watch", "--list-cameras"]) == DONE


def test_a_recording_that_cannot_begin_ends_with_its_reason(qapp, tmp_path, monkeypatch, capsys):
    def no_tracker(*_, **__):
        raise RuntimeError("the nozzle file is of another camera")
    monkeypatch.setattr("monitor.ui.bench_work.make_tracker", no_tracker)

    code = main(["watch", "--source", str(SAMPLE / "clip.mp4"), "--out", str(tmp_path), "--minutes", "0.01", "--mute"])

    assert code == ENVIRONMENT and "of another camera" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there the request to end kills at once")
def test_a_request_to_end_finishes_the_recording_first(tmp_path):
    watch = subprocess.Popen([sys.executable, "-m", "monitor.cli", "watch", "--source", str(SAMPLE / "clip.mp4"),
                              "--out", str(tmp_path),
                              "--minutes", "5", "--mute"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    while not list(tmp_path.glob("*.part/video.mkv")):
        threading.Event().wait(0.05)
    watch.send_signal(signal.SIGTERM)

    assert watch.wait() == DONE
    assert open_recording(next(tmp_path.glob("2*"))).meta["state"] == "closed"


@pytest.mark.slow
def test_a_video_is_watched_to_its_end_and_recorded(qapp, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("monitor.ui.bench_work.make_tracker", lambda camera, *_, **__: TruthTracker(camera))
    stats, sound = tmp_path / "stats.json", tmp_path / "sound.wav"

    code = main(["watch", "--source", str(SAMPLE / "clip.mp4"), "--out", str(tmp_path / "rec"), "--quit-at-end",
                 "--mute",
                 "--stats", str(stats), "--sound", str(sound)])

    folder = next((tmp_path / "rec").glob("2*"))
    told = json.loads(stats.read_text())
    found = open_recording(folder)
    assert code == DONE and str(folder) in capsys.readouterr().out
    assert found.meta["state"] == "closed" and found.video is not None and len(found.passes) == 1
    assert {"arrival_to_paint_ms", "arrival_to_sound_ms", "window_held_ms", "dropped_share", "load"} <= told.keys()
    assert told["frames_captured"] == 128 and told["arrival_to_paint_ms"]["n"] > 0
    with wave.open(str(sound)) as track:
        assert track.getnframes() > 5 * track.getframerate()
    assert gc.isenabled()


def test_the_window_opens_without_the_libraries_of_statistics_and_charts():
    # each of them takes a second or more to load on a slow machine
    loads = "import sys, monitor.cli.main, monitor.ui.bench_window; print(*sys.modules, sep='\\n')"
    done = subprocess.run([sys.executable, "-c", loads], capture_output=True, text=True, check=True, timeout=120)

    assert not {"scipy.stats", "scipy.optimize", "matplotlib"} & set(done.stdout.splitlines())


def test_what_lies_beside_a_video_is_taken_with_it():
    from argparse import Namespace

    from monitor.cli.watch import _inputs

    inputs = _inputs(Namespace(source=str(SAMPLE / "clip.mp4"), job=None, camera=None, nozzle=None, quit_at_end=True))

    assert inputs.clip == SAMPLE / "clip.mp4" and inputs.job_path == SAMPLE / "job.toml"


def test_without_files_beside_it_a_video_is_set_up_or_refused(tmp_path, capsys):
    from argparse import Namespace

    from monitor.cli.watch import _inputs
    from monitor.errors import InputError

    (tmp_path / "v.mp4").write_bytes(b"")
    bare = {"source": str(tmp_path / "v.mp4"), "camera": None, "nozzle": None}

    assert _inputs(Namespace(job=None, quit_at_end=False, **bare)) is None and not capsys.readouterr().err
    assert _inputs(Namespace(job=str(SAMPLE / "job.toml"), quit_at_end=False, **bare)) is None
    assert "without --camera and --nozzle the window opens on set-up" in capsys.readouterr().err
    with pytest.raises(InputError, match="needs --job and --camera and --nozzle"):
        _inputs(Namespace(job=None, quit_at_end=True, **bare))
