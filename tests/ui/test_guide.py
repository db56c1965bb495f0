"""The guided first run: each step says the one thing that is missing, takes its pictures by itself, and can be left."""

import inspect

import numpy as np
import pytest
from PyQt6.QtCore import QPoint, Qt
from PyQt6.QtTest import QTest

from monitor.engine.webcam import CameraName
from monitor.errors import InputError
from monitor.setup.height_check import check_height, read_checks, trust_told, write_check
from monitor.setup.nozzle_guide import NozzleGuide, steps_for
from monitor.setup.profile import LaidPictures, ProfileFound
from monitor.setup.trust import Verdict
from monitor.ui import guide_nozzle, guide_steps
from monitor.ui.bench_draft import JobDraft
from monitor.ui.guide_nozzle import job_for_nozzle
from tests.engine.make import SAMPLE, sample_inputs
from tests.engine.test_guides import view
from tests.ui.test_bench_window import WAIT_MS, make
from tests.vision.drawn_lying import circles, lying
from tests.vision.test_profile import BODIES, CAMERA, looking
from vision.bench.follower import bench_pose
from vision.bench.mat import standard_mat
from vision.camera.sources import brightness, open_video
from vision.types import BenchPose, PoseMiss


@pytest.fixture(scope="module")
def frame():
    with open_video(SAMPLE / "clip.mp4") as video:
        return next(iter(video))


@pytest.fixture(scope="module")
def bench(frame):
    return bench_pose(sample_inputs().camera, standard_mat(), brightness(frame))


@pytest.fixture
def guide(qtbot, tmp_path):
    """The page of a new bench: no calibration, no job."""
    window = make(qtbot, tmp_path, start=False, inputs=None, page="guide")
    return window.guide


def test_the_first_step_of_a_new_bench_is_paper(guide):
    assert guide.steps[guide.stack.currentIndex()] is guide.paper and not any(step.is_done for step in guide.steps)


def test_paper_is_done_when_the_mat_is_seen(guide, frame):
    assert "lay the printed mat" in guide.paper.look(np.zeros_like(frame.image), None).missing

    advice = guide.paper.look(frame.image, None)
    assert advice.is_done and "14 markers" in advice.good[0] and len(advice.points_px) >= 4 * 6


def test_the_camera_step_names_the_worst_fault_and_what_is_good(guide, frame):
    advice = guide.camera.look((frame.image * 0.15).astype(np.uint8), None)

    assert advice.missing.startswith("too dark") and "sharp" in advice.good and not advice.is_done


def test_a_camera_is_chosen_from_the_list(qtbot, monkeypatch, guide):
    cameras = [CameraName("built in", 0), CameraName("over the bench", 2)]
    monkeypatch.setattr(guide_steps, "list_cameras", lambda: cameras)
    step, chosen = guide_steps.CameraStep(guide.camera._check._body), []
    qtbot.addWidget(step)
    step.chosen.connect(chosen.append)
    step.list.setCurrentIndex(1)
    qtbot.mouseClick(step.use, Qt.MouseButton.LeftButton)

    assert [step.list.itemText(n) for n in range(2)] == ["built in", "over the bench"] and chosen == [cameras[1]]


def test_views_of_the_lens_board_are_kept_without_a_key_when_they_add_something(guide):
    step = guide.lens
    for _ in range(4):
        step.look(view(), None)
    assert len(step._photos) == 1  # held still: once

    for _ in range(4):
        said = step.look(view(lean_deg=(30.0, 0.0)), None)
    assert len(step._photos) == 2 and step._photos[1].is_file() and said.good == ("2 pictures kept",)


def test_later_steps_say_what_they_wait_for(guide, frame):
    miss = PoseMiss(0.0, "no camera")

    assert "lens" in guide.nozzle.look(frame.image, miss).missing
    assert "lens and nozzle" in guide.trust.look(frame.image, miss).missing
    assert "drag a rectangle" in guide.job.look(frame.image, miss).missing


@pytest.mark.slow
def test_the_page_shows_the_raw_picture_and_what_is_missing(qtbot, tmp_path):
    window = make(qtbot, tmp_path, inputs=None, page="guide")
    guide = window.guide
    qtbot.waitUntil(lambda: guide.paper.is_done, timeout=WAIT_MS)

    assert guide.view._picture is not None and guide.missing.text() == "Done. Go on with the next step."
    window.close()


def test_it_can_be_left_and_taken_up_again(qtbot, guide):
    window = guide.window()
    guide.paper.is_done = True
    guide.next.click()
    window.show_page(window.setup)
    window.show_page(window.guide)

    assert guide.steps[guide.stack.currentIndex()] is guide.camera
    assert guide.buttons[0].accessibleDescription() == "done"


def test_what_is_calibrated_already_counts_as_done(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, page="guide")

    assert all(step.is_done for step in (window.guide.paper, window.guide.camera))
    assert window.guide.job.is_done


def test_a_photograph_is_taken_when_what_moved_has_come_to_rest(tmp_path, frame, bench):
    guide, rng = NozzleGuide(tmp_path / "touch", steps_for([0, 10])), np.random.default_rng(1)

    def look(image):
        guide.look(np.clip(image + rng.normal(0, 1.5, image.shape), 0, 255).astype(np.uint8), bench)
        return guide.has_come_to_rest
    still = [look(frame.image) for _ in range(6)]
    moved = frame.image.copy()
    moved[300:420, 500:640] = 90
    after = [look(moved) for _ in range(4)]

    # the look that sees it move, then three in a row at rest
    assert not any(still) and after == [False, False, False, True]
    assert guide.take(moved, bench) == "" and not guide.has_come_to_rest


def looks_at_rest(step, image, rng, n=4):
    """The step sees the same picture, with a sensor's noise, until it counts as at rest."""
    where = BenchPose(0.0, looking(), np.eye(6) * 1e-6, 14, 0.2)
    for _ in range(n):
        said = step.look(np.clip(image + rng.normal(0, 1.5, image.shape), 0, 255).astype(np.uint8), where)
    return said


def test_four_turns_of_the_lying_nozzle_are_taken_by_themselves_and_nobody_types_a_profile(qtbot, guide):
    step, rng = guide.nozzle, np.random.default_rng(1)
    step.camera, asked = CAMERA, []
    step.profile_task.run = asked.append
    empty, body = np.full((720, 1280, 3), 205.0), np.array(BODIES["narrow"], float)
    step.outer.setText("4")
    qtbot.mouseClick(step.empty, Qt.MouseButton.LeftButton)
    looks_at_rest(step, empty, rng)
    said = []
    for turn in (5.0, 20.0, 95.0, 185.0, 272.0):
        a = np.radians(turn)
        laid = lying(CAMERA, looking(), empty, circles(body, (-36 * np.cos(a), -36 * np.sin(a)), turn, step_mm=1.0))
        said.append(looks_at_rest(step, laid, rng).missing)
    assert ["turn it" in s for s in said] == [True, True, True, True, False] and "already" in said[1]
    assert len(step._laid.views) == 4 and len(asked) == 1

    step._take_profile(ProfileFound(((2.0, 0.0), (2.0, 20.0), (9.0, 28.0)), ((12.0, 40.0), (13.5, 49.0)), 20.0, 4.1,
                                    0.2, 0.1, "they agree"))
    assert step._draft.get("nozzle", "profile_mm")[1] == [2.0, 20.0] and step.guide is not None

    looks_at_rest(step, laid, rng, 6)
    assert step.guide.n_taken == 0  # what still lies there is no touch photograph
    looks_at_rest(step, empty, rng, 6)
    assert step.guide.n_taken == 1


def test_a_refused_outline_is_said_and_laid_again(guide):
    step = guide.nozzle
    step._laid, step._phase = LaidPictures(CAMERA, np.zeros((8, 8, 3), np.uint8)), "measuring"
    step._take_profile(ProfileFound((), (), np.nan, 9.0, 0.1, np.nan, "a shadow?"))

    assert step.verdict.text() == "a shadow?" and step._phase == "laid" and step.guide is None


def test_which_heights_are_still_wanted_is_told(tmp_path):
    guide = NozzleGuide(tmp_path, steps_for([0, 5, 20]))

    assert guide.wanted() == "over the board: 0, 5, 20 mm; over the bare mat: 5, 20 mm"


def test_a_nozzle_can_be_calibrated_before_a_target_is_marked():
    draft = JobDraft()
    assert draft.job() is None

    made = job_for_nozzle(draft)
    assert made is not None and made.nozzle.outer_diameter_mm == 8.0 and draft.marks() == []


def test_trust_ends_with_a_figure_and_what_would_halve_it(bench):
    inputs = sample_inputs()
    said = trust_told(inputs.nozzle_path, inputs.camera, inputs.job, bench)

    assert said.startswith("heights here are good to ") and " mm (90 %" in said
    assert "halve it" in said or "no single measure" in said


def test_a_check_needs_the_nozzle_in_the_picture(frame, bench):
    inputs = sample_inputs()
    with pytest.raises(Exception, match=r"nozzle|bench"):
        check_height(np.full_like(frame.image, 120), bench, inputs.camera, inputs.nozzle_path, inputs.job, 10.0)


def test_what_a_step_hands_to_a_process_of_its_own_can_be_called_there(qtbot, guide, frame, bench, monkeypatch):
    asked, inputs = [], sample_inputs()
    for module in (guide_nozzle, guide_steps):
        monkeypatch.setattr(module, "in_process", lambda function, *args: asked.append((function, args)))
    for task in (guide.lens.task, guide.nozzle.task, guide.nozzle.profile_task, guide.trust.task):
        task.run = lambda work: None
    guide.lens.calibrate()
    guide.nozzle._laid, guide.nozzle._outer_mm = LaidPictures(CAMERA, frame.image), 8.0
    guide.nozzle.guide = NozzleGuide(guide.nozzle._folder, steps_for([0]))
    guide.nozzle._measure_profile()
    guide.nozzle.calibrate()
    guide.trust.camera, guide.trust.nozzle_path = inputs.camera, inputs.nozzle_path
    guide.trust._seen = (frame.image, bench)
    guide.trust._ask()

    assert [function.__name__ for function, _ in asked] == ["solve_camera", "measure_profile", "solve_nozzle",
                                                            "check_height"]
    for function, args in asked:
        inspect.signature(function).bind(*args, print)  # the last is how progress is told


def test_checks_are_kept_and_drawn(qtbot, guide, tmp_path):
    path = tmp_path / "checks.csv"
    for difference in (0.2, -1.4):
        write_check(path, Verdict(difference, 0.5, abs(difference) < 1, "said"), 10.0)
    path.write_text(path.read_text() + "broken,line\n")
    guide.trust.history.show_checks(read_checks(path))

    assert [c.difference_mm for c in read_checks(path)] == [0.2,
                                                            -1.4] and [c.agrees for c in read_checks(path)] == [True,
                                                                                                                False]
    assert "-1.40 mm" in guide.trust.history.accessibleDescription()


def test_another_check_leaves_every_line_of_the_history_and_a_history_that_cannot_be_read(tmp_path):
    path, verdict = tmp_path / "checks.csv", Verdict(0.2, 0.5, True, "said")
    write_check(path, verdict, 10.0)
    path.write_text(path.read_text() + "broken,line\n")
    before = path.read_text()
    write_check(path, verdict, 12.0)

    assert path.read_text().startswith(before) and [c.known_mm for c in read_checks(path)] == [10.0, 12.0]
    path.write_bytes(b"\xff\xfe not text")
    with pytest.raises(InputError, match=r"checks\.csv: not text"):
        write_check(path, verdict, 10.0)
    assert path.read_bytes() == b"\xff\xfe not text"


def test_a_part_is_marked_by_dragging_a_rectangle(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    view = window.setup.view
    view.snaps = False
    while view.draft.marks():
        view.draft.remove_mark(view.draft.marks()[0].index)
    view.marks_target = True
    view.fit()
    a, b = (view.to_widget(p).toPoint() for p in ((-20.0, -10.0), (15.0, 12.0)))
    QTest.mousePress(view, Qt.MouseButton.LeftButton, pos=a)
    QTest.mouseMove(view, (a + b) / 2 if isinstance(a, QPoint) else b)
    QTest.mouseMove(view, b)
    QTest.mouseRelease(view, Qt.MouseButton.LeftButton, pos=b)

    corners = np.array(view.draft.marks()[0].corners_mm)
    assert view.draft.marks()[0].is_target
    np.testing.assert_allclose([corners.min(0), corners.max(0)], [(-20, -10), (15, 12)], atol=0.6)
