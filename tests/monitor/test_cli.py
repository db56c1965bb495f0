"""The command line with bad input: one clear line, the right exit code, nothing half-written."""

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from monitor.cli.main import main
from monitor.job import load_job, write_job
from vision.camera.model import CameraModel, save_camera

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "tests" / "data" / "sweep"
BACKWARD = ROOT / "tests" / "data" / "video" / "backward_time.mp4"


def grey_clip(path, size=(1280, 720), n=6, colour=(128, 128, 128)):
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=20)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        for _ in range(n):
            image = np.full((size[1], size[0], 3), colour, np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(image, "bgr24")))
        out.mux(stream.encode(None))
    return path


def analyse(capsys, tmp_path, clip=SAMPLE / "clip.mp4", job=SAMPLE / "job.toml", camera=SAMPLE / "camera.toml",
            nozzle=SAMPLE / "nozzle.toml"):
    out = tmp_path / "out"
    code = main(["analyse", str(clip), "--job", str(job), "--camera", str(camera), "--nozzle", str(nozzle),
                 "--out", str(out)])
    line = capsys.readouterr().err.strip()
    assert not out.exists() and not out.with_name("out.part").exists()
    assert "\n" not in line and "Traceback" not in line
    return code, line


def test_a_missing_clip_is_named(capsys, tmp_path):
    code, line = analyse(capsys, tmp_path, clip=tmp_path / "gone.mp4")
    assert code == 3 and "gone.mp4" in line


@pytest.mark.parametrize("content", [b"", b"this is no video " * 50])
def test_an_empty_or_foreign_file_is_refused(capsys, tmp_path, content):
    (tmp_path / "clip.mp4").write_bytes(content)
    code, line = analyse(capsys, tmp_path, clip=tmp_path / "clip.mp4")
    assert code == 3 and "clip.mp4" in line


def test_a_clip_cut_off_before_its_index_is_refused(capsys, tmp_path):
    (tmp_path / "cut.mp4").write_bytes((SAMPLE / "clip.mp4").read_bytes()[:200_000])
    code, line = analyse(capsys, tmp_path, clip=tmp_path / "cut.mp4")
    assert code == 3 and "cut.mp4" in line


@pytest.fixture
def hasty(monkeypatch):
    """The mat is looked for in the fewest pictures, not for four seconds."""
    monkeypatch.setattr("monitor.engine.analyse.LOOK_FOR_S", 0.0)


def test_time_that_runs_backwards_is_refused_or_the_camera_does_not_fit(capsys, tmp_path, hasty):
    with av.open(str(BACKWARD)) as video:
        size = video.streams.video[0].width, video.streams.video[0].height
    matrix = np.array([[900.0, 0, size[0] / 2], [0, 900.0, size[1] / 2], [0, 0, 1]])
    save_camera(tmp_path / "camera.toml", CameraModel(matrix, np.zeros(5), size, 0.2, 1.0))
    camera_id = CameraModel(matrix, np.zeros(5), size, 0.2, 1.0).calibration_id
    text = (SAMPLE / "nozzle.toml").read_text().splitlines()
    (tmp_path / "nozzle.toml").write_text("\n".join([f'camera_id = "{camera_id}"', *text[1:]]) + "\n")

    code, line = analyse(capsys, tmp_path, clip=BACKWARD, camera=tmp_path / "camera.toml",
                         nozzle=tmp_path / "nozzle.toml")
    assert code == 3 and "time runs backwards" in line


def test_an_unknown_key_in_the_job_is_named(capsys, tmp_path):
    (tmp_path / "j.toml").write_text("colour = 1\n" + (SAMPLE / "job.toml").read_text())
    code, line = analyse(capsys, tmp_path, job=tmp_path / "j.toml")
    assert code == 3 and "j.toml: colour: unknown key" in line


def test_a_calibration_for_another_picture_size_is_refused(capsys, tmp_path):
    code, line = analyse(capsys, tmp_path, clip=grey_clip(tmp_path / "small.mp4", (640, 480)))
    assert code == 3 and "640 x 480" in line


def test_a_nozzle_calibrated_with_another_camera_is_refused(capsys, tmp_path):
    text = (SAMPLE / "nozzle.toml").read_text().splitlines()
    (tmp_path / "n.toml").write_text("\n".join(['camera_id = "0123456789ab"', *text[1:]]))
    code, line = analyse(capsys, tmp_path, nozzle=tmp_path / "n.toml")
    assert code == 3 and "camera_id" in line


def test_a_job_with_another_nozzle_is_refused(capsys, tmp_path):
    job = load_job(SAMPLE / "job.toml")
    write_job(job.model_copy(update={"nozzle": job.nozzle.model_copy(update={"outer_diameter_mm": 5.0})}),
              tmp_path / "j.toml")
    code, line = analyse(capsys, tmp_path, job=tmp_path / "j.toml")
    assert code == 3 and "outer_diameter_mm" in line


def test_a_camera_file_that_is_no_calibration_is_refused(capsys, tmp_path):
    code, line = analyse(capsys, tmp_path, camera=SAMPLE / "job.toml")
    assert code == 3 and "job.toml" in line


def test_a_clip_without_the_mat_is_refused(capsys, tmp_path, hasty):
    code, line = analyse(capsys, tmp_path, clip=grey_clip(tmp_path / "grey.mp4"))
    assert code == 3 and "mat" in line and "calibrate paper" in line


@pytest.mark.slow
def test_a_clip_without_a_nozzle_is_refused(capsys, tmp_path):
    bench = cv2.imread(str(SAMPLE / "nozzle.bench.jpg"))
    with av.open(str(tmp_path / "empty.mp4"), "w") as out:
        stream = out.add_stream("libx264", rate=20)
        stream.width, stream.height, stream.pix_fmt = bench.shape[1], bench.shape[0], "yuv420p"
        for _ in range(4):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(bench, "bgr24")))
        out.mux(stream.encode(None))

    code, line = analyse(capsys, tmp_path, clip=tmp_path / "empty.mp4")
    assert code == 3 and "nozzle was never measured" in line


def test_a_folder_that_is_no_recording_is_refused(capsys, tmp_path):
    assert main(["report", str(tmp_path)]) == 3
    assert "no recording" in capsys.readouterr().err


def test_wrong_use_ends_with_2():
    with pytest.raises(SystemExit) as caught:
        main(["analyse"])
    assert caught.value.code == 2


def test_a_fault_of_the_machine_ends_with_4(capsys, tmp_path):
    (tmp_path / "file").write_text("x")
    assert main(["calibrate", "mat", "--print", "--out", str(tmp_path / "file" / "mat.pdf")]) == 4


def test_a_fault_of_the_program_ends_with_5_and_no_traceback(capsys, monkeypatch, tmp_path):
    monkeypatch.setattr("monitor.cli.commands.open_recording", lambda folder: 1 / 0)

    assert main(["report", str(tmp_path)]) == 5
    assert "--debug" in capsys.readouterr().err


def test_ctrl_c_ends_with_130(monkeypatch, tmp_path):
    def stop(folder):
        raise KeyboardInterrupt
    monkeypatch.setattr("monitor.cli.commands.open_recording", stop)

    assert main(["report", str(tmp_path)]) == 130


def test_a_window_less_start_without_streams_survives(monkeypatch, tmp_path):
    monkeypatch.setattr("sys.stderr", None)
    assert main(["report", str(tmp_path)]) == 3


def test_the_mat_is_printed_true_to_size(tmp_path):
    """ISO 216: A4 is 297 by 210 mm; a PDF point is 1/72 inch (ISO 32000)."""
    assert main(["calibrate", "mat", "--print", "--out", str(tmp_path / "mat.pdf")]) == 0
    box = (tmp_path / "mat.pdf").read_bytes().split(b"/MediaBox [ ")[1].split(b" ]")[0].split()

    assert [float(v) * 25.4 / 72 for v in box] == pytest.approx([0, 0, 297, 210], abs=0.05)


def test_a_thermocouple_log_without_its_columns_is_refused(capsys, tmp_path):
    (tmp_path / "log.csv").write_text("time,temp\n0,20\n")
    from tests.monitor.test_recording import record

    record(tmp_path / "r", duration_s=0.5)
    code = main(["calibrate", "heat", str(tmp_path / "r"), "--log", str(tmp_path / "log.csv"), "--out",
                 str(tmp_path / "h.toml")])

    assert code == 3 and "t_s" in capsys.readouterr().err and not (tmp_path / "h.toml").exists()


def test_a_plan_says_why_and_how_sure(capsys):
    """The example job is small and hot enough to be planned, or the reason why not is given; either way in words."""
    code = main(["plan", str(ROOT / "calibration" / "job_example.toml")])
    said = capsys.readouterr().out

    assert (code in (0, 1) and "Chance" in said) or "chance" in said
