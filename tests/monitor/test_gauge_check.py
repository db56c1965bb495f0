"""The check with a gauge block: verdicts in words, and the whole command on frames of the sample whose height is
known.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from monitor.cli.main import main
from monitor.job import load_job
from monitor.judging.tracking import nozzle_body
from monitor.setup.trust import OTHER_LOOK, gauge_verdict, trust_words
from tests.vision.drawn import picture, sheet
from vision.calibrate.nozzle_file import load_nozzle, save_nozzle
from vision.camera.model import load_camera
from vision.camera.sources import open_video

SAMPLE = Path(__file__).parents[1] / "data" / "sweep"


def verdict(*heights, known=10.0, sigma=0.5):
    return gauge_verdict(np.array(heights), np.full(len(heights), sigma), known)


def test_readings_within_their_spread_agree():
    assert verdict(10.6).agrees and "Agrees" in verdict(10.6).sentence


def test_reading_two_sigma_off_is_doubtful():
    assert not verdict(11.2).agrees and "Doubtful" in verdict(11.2).sentence


def test_reading_far_off_asks_for_a_new_calibration():
    assert "calibrate the nozzle again" in verdict(14.0).sentence and verdict(14.0).difference_mm == pytest.approx(4.0)


def test_photographs_of_one_block_do_not_average_their_common_error_away():
    assert verdict(10.0, 10.1, 9.9, 10.0).sigma_mm > 0.5


def test_set_up_that_cannot_tell_is_not_called_good():
    assert not verdict(10.0, sigma=2.5).agrees and "Too unsure" in verdict(10.0, sigma=2.5).sentence


def words(**more):
    job, camera = load_job(SAMPLE / "job.toml"), load_camera(SAMPLE / "camera.toml")
    nozzle = load_nozzle(SAMPLE / "nozzle.toml")
    nozzle = replace(nozzle, holds=())  # upright
    slope = np.radians(35.0)  # the camera 380 mm away, 35 degrees from straight down
    cam_from_bench = np.eye(4)
    cam_from_bench[:3, :3] = [[1, 0, 0], [0, -np.cos(slope), -np.sin(slope)], [0, np.sin(slope), -np.cos(slope)]]
    cam_from_bench[2, 3] = 380.0
    return trust_words(nozzle, camera, nozzle_body(job), cam_from_bench, np.array([0.0, 0.0, job.board.top_height_mm]),
                       **more)


def test_words_name_what_helps_best_first():
    told = [line for line in words() if " instead of " in line]

    gains = [float(line.split(": ")[1].split(" mm")[0]) for line in told]
    assert len(told) >= 2 and gains == sorted(gains) and any("nearer" in line for line in told)


def test_words_say_when_photographs_are_worse_than_geometry():
    assert any("shadows" in line for line in words(measured_sigma_mm=9.0))


@pytest.fixture(scope="module")
def still(tmp_path_factory):
    """A frame of the sample saved as a photograph, and the true height in it."""
    with (SAMPLE / "truth.csv").open(newline="") as handle:
        rows = [r for r in csv.DictReader(handle) if float(r["in_view"]) > 0 and float(r["hidden"]) == 0]
    row = next(r for r in rows if 10 < float(r["height_mm"]) < 20 and float(r["t_s"]) > 2.0)
    with open_video(SAMPLE / "clip.mp4") as video:
        frame = next(f for f in video if f.t_s >= float(row["t_s"]) - 1e-4)
    path = tmp_path_factory.mktemp("still") / "still.png"
    cv2.imwrite(str(path), frame.image)
    return path, float(row["height_mm"])


def check(path, height_mm, *more):
    return main(["calibrate", "check", str(path), "--height-mm", f"{height_mm:.3f}", "--job", str(SAMPLE / "job.toml"),
                 "--camera", str(SAMPLE / "camera.toml"), "--nozzle", str(SAMPLE / "nozzle.toml"), *more])


def test_true_height_is_confirmed(still, capsys):
    code = check(*still, "--json")

    found = json.loads(capsys.readouterr().out)
    assert abs(found["heights_mm"][0] - still[1]) < 3 * found["sigmas_mm"][0]
    assert code == (0 if found["agrees"] else 1)


@pytest.mark.parametrize("look, is_told", [(None, False), ([0.5, -0.9, -2.5], True)])
def test_metal_that_looks_unlike_its_photographs_is_told(still, tmp_path, capsys, look, is_told):
    nozzle = load_nozzle(SAMPLE / "nozzle.toml")
    save_nozzle(tmp_path / "nozzle.toml", nozzle if look is None else replace(nozzle, metal_appearance=np.array(look)))

    main(["calibrate", "check", str(still[0]), "--height-mm", f"{still[1]:.3f}", "--job", str(SAMPLE / "job.toml"),
          "--camera", str(SAMPLE / "camera.toml"), "--nozzle", str(tmp_path / "nozzle.toml")])

    assert (OTHER_LOOK in capsys.readouterr().out) is is_told


def test_wrong_height_is_noticed(still, capsys):
    assert check(still[0], still[1] + 12.0) == 1

    assert "Clearly off" in capsys.readouterr().out


def test_picture_without_a_tool_is_refused_in_one_line(still, tmp_path, capsys):
    empty = tmp_path / "empty.png"
    cv2.imwrite(str(empty), cv2.imread(str(SAMPLE / "nozzle.bench.jpg")))

    assert check(empty, 10.0) == 3
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1 and "not recognised" in lines[0]


def test_another_bench_is_refused_and_says_what_to_do(still, tmp_path, capsys):
    other = tmp_path / "other.png"
    pose, camera = load_nozzle(SAMPLE / "nozzle.toml").bench_pose, load_camera(SAMPLE / "camera.toml")
    mat = sheet()
    speckle = cv2.resize(np.random.default_rng(0).integers(90, 230, (60, 90)).astype(np.uint8), mat.shape[::-1])
    cv2.imwrite(str(other), picture(pose, camera=camera, print_=np.minimum(mat, speckle)))

    assert check(still[0], still[1], "--empty", str(other)) == 3
    assert "does not look as in the bench picture" in capsys.readouterr().err


def test_a_camera_moved_since_the_nozzle_was_calibrated_changes_nothing(still, tmp_path, capsys):
    picture, camera = cv2.imread(str(still[0])), load_camera(SAMPLE / "camera.toml")
    k, turn = camera.camera_matrix_px, cv2.Rodrigues(np.array([0.012, 0.015, 0.01]))[0]  # by 20 px
    moved = tmp_path / "moved.png"
    cv2.imwrite(str(moved), cv2.warpPerspective(picture, k @ turn @ np.linalg.inv(k), picture.shape[1::-1],
                                                flags=cv2.INTER_CUBIC))
    check(*still, "--json")
    before = json.loads(capsys.readouterr().out)

    check(moved, still[1], "--json")

    after = json.loads(capsys.readouterr().out)
    assert abs(after["heights_mm"][0] - still[1]) < 3 * after["sigmas_mm"][0]
    assert after["sigmas_mm"][0] < 1.5 * before["sigmas_mm"][0]


def test_impossible_height_is_refused(still, capsys):
    with pytest.raises(SystemExit) as caught:
        check(still[0], -3.0)

    assert caught.value.code == 2 and "--height-mm" in capsys.readouterr().err
