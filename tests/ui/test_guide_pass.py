"""A good pass to follow, in the windows: taken by key, led along live, laid over in the review, and written."""

import numpy as np
import pytest
from PyQt6.QtCore import Qt

from monitor.engine.leading import GuideNow
from monitor.errors import InputError
from monitor.judging.guide_pass import Gap, GuidePass, GuidePoint
from monitor.recording.guide_file import load_guide, save_guide
from monitor.ui.bench_guide_pass import GuidePassPanel, guide_words
from monitor.ui.review_window import ReviewWindow
from tests.compare.make import record_passes
from tests.engine.make import sample_inputs
from tests.ui.test_bench_window import OVER_U7, WAIT_MS, make, press


def still(height_mm=14.0, target=None):
    """A guide over the middle of the sample's target."""
    row = [height_mm, 0.1, *OVER_U7, 0.1, 0.0, 0.0]
    corners = sample_inputs().job.target.outline_mm if target is None else target
    return GuidePass(0.1 * np.arange(600), np.tile(row, (600, 1)), np.array(corners), 6.8,
                     {"recording": "good", "pass": "3"})


def now(gap=Gap(3.24, 1.1, 4.5, 0.8), since_s=1.0, height_mm=15.0, is_shown=True):
    return GuideNow(since_s, 4.0, GuidePoint(height_mm, 0.1, np.zeros(2), 0.1, np.zeros(2)), gap, is_shown)


@pytest.mark.parametrize(("moment", "figure", "words"), [
    (now(), "3.2", "1.1 to 4.5 mm (90 %)"),
    (now(gap=Gap(9.6, 4.2, 12.7, 2.0)), "10", "4 to 13 mm (90 %)"),
    (now(gap=None), "–", "no measurement"),
    (now(gap=None, height_mm=float("nan")), "–", "the guide was not seen here"),
    (now(gap=None, since_s=float("nan")), "–", "the guide waits for your contact"),
    (now(gap=None, since_s=4.5), "–", "the guide has lifted off"),
    (now(is_shown=False), "–", "this pass is without help"),
])
def test_the_distance_is_one_figure_with_its_interval_or_a_reason(moment, figure, words):
    assert guide_words(moment) == (figure, words)


def test_a_screen_reader_hears_the_distance(qtbot):
    panel = GuidePassPanel()
    qtbot.addWidget(panel)
    panel.tell(now())

    assert panel.accessibleDescription() == "3.2 mm from the guide, 1.1 to 4.5 mm (90 %)"


def test_without_a_guide_nothing_of_it_is_on_the_screen(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, page="hot")

    assert not window.hot.guide_pass.isVisible()


@pytest.mark.slow
def test_live_the_hand_is_led_and_the_summary_says_how_close_it_was(qtbot, tmp_path):
    window = make(qtbot, tmp_path, lambda t: (*OVER_U7, 18.0) if t % 4 < 1.5 else (60, 60, 60), page="hot",
                  guide=still())
    qtbot.waitUntil(lambda: window.hot.guide_pass.isVisible(), timeout=WAIT_MS)
    press(qtbot, window, Qt.Key.Key_Space)
    said = []
    qtbot.waitUntil(lambda: said.append(window.hot.guide_pass.said) or any(s[0].startswith("4") for s in said),
                    timeout=WAIT_MS)  # 14 mm and 18 mm
    qtbot.waitUntil(lambda: window.hot.summary.summary is not None, timeout=WAIT_MS)

    assert "from the guide" in window.hot.summary.summary.note
    window.close()


def test_a_key_takes_the_last_pass_as_a_guide_and_takes_it_off_again(qtbot, tmp_path, monkeypatch):
    window = make(qtbot, tmp_path, start=False, page="hot")
    monkeypatch.setattr(window.work, "last_pass", lambda: still(18.0))
    press(qtbot, window, Qt.Key.Key_G)
    taken = window.work.guide
    press(qtbot, window, Qt.Key.Key_G)

    assert taken.at(0.5).height_mm == 18.0 and window.work.guide is None and window.banner.text() == "no guide"


def test_the_last_pass_is_that_of_the_last_recording(qtbot, tmp_path):
    work = make(qtbot, tmp_path, start=False, page="hot").work
    with pytest.raises(InputError, match="nothing was recorded yet"):
        work.last_pass()
    work.last_folder = record_passes(tmp_path / "rec", [15.0, 19.0], wander_mm=0.0)

    assert work.last_pass().name == "pass 2 of rec" and work.last_pass().at(1.0).height_mm == pytest.approx(19.0,
                                                                                                            abs=0.1)


def test_a_guide_of_another_target_is_put_away_and_that_is_said(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, page="hot")
    window.work.use_guide(still(target=((0, 0), (1, 0), (1, 1), (0, 1))))

    assert window.work.guide is None and "another target" in window.banner.text()


@pytest.fixture
def review(qtbot, tmp_path):
    """Two passes, at 15 and at 19 mm."""
    folder = record_passes(tmp_path / "rec", [15.0, 19.0], wander_mm=0.0)
    window = ReviewWindow()
    qtbot.addWidget(window)
    window.show()
    window.open_folder(folder)
    qtbot.waitUntil(lambda: window.recording is not None, timeout=WAIT_MS)
    yield window, folder
    window.close()


def lane(window, title):
    return next(lane for lane in window.timeline._lanes if lane.title == title)


def test_a_pass_laid_beside_is_laid_over_with_its_distance(qtbot, review):
    window, folder = review
    window.other.lay_beside(2, folder, 1)
    qtbot.waitUntil(lambda: window.other.laid is not None, timeout=WAIT_MS)

    distance = lane(window, "distance, 90 %").curves[0]
    apart = distance.values[np.isfinite(distance.values[:, 1]), 1]
    assert apart.min() >= 3.9 and apart.max() <= np.hypot(4.0, 7.0) + 0.1  # both sweep within 3.5 mm of the middle
    contact = next(p for p in window.recording.passes if p["number"] == 2)["t_start_s"]
    known = distance.t_s[np.isfinite(distance.values[:, 1])]
    assert known[0] == pytest.approx(contact, abs=0.06) and known[-1] <= contact + 3.1


def test_a_pass_becomes_a_guide_and_is_laid_over_by_key(qtbot, review, monkeypatch, tmp_path):
    window, _ = review
    window.other.write_guide(1, tmp_path / "good.toml")
    assert load_guide(tmp_path / "good.toml").name == "pass 1 of rec"

    monkeypatch.setattr("monitor.ui.review_other.QFileDialog.getOpenFileName",
                        lambda *_: (str(tmp_path / "good.toml"), ""))
    window.go_to(window.recording.passes[1]["t_start_s"] + 1.0)
    press(qtbot, window, Qt.Key.Key_G)

    assert window.other.laid.name == "pass 1 of rec"
    assert {curve.name for curve in lane(window, "height").curves} == {"this recording", "pass 1 of rec"}
    window.other.end_comparing()
    assert window.other.laid is None


def test_a_guide_that_is_none_is_said_in_the_review(qtbot, review, monkeypatch, tmp_path):
    window, _ = review
    (tmp_path / "other.toml").write_text("x = 1\n")
    monkeypatch.setattr("monitor.ui.review_other.QFileDialog.getOpenFileName",
                        lambda *_: (str(tmp_path / "other.toml"), ""))
    window.other.lay_guide_over()

    assert "is no guide" in window.message.text() and window.other.laid is None


def test_a_guide_never_lands_on_a_file_of_the_recording(qtbot, review):
    window, folder = review
    before = (folder / "job.toml").read_bytes()
    window.other.write_guide(1, folder / "job.toml")

    assert (folder / "job.toml").read_bytes() == before and "name another file" in window.message.text()


def test_what_is_written_can_be_used_on_the_command_line(review, tmp_path, capsys):
    from monitor.cli.main import main

    _, folder = review
    assert main(["guide", str(folder), "--out", str(tmp_path / "g.toml")]) == 3
    assert "has 2 passes; say which with --pass N (1 to 2)" in capsys.readouterr().err
    assert main(["guide", str(folder), "--pass", "1", "--out", str(tmp_path / "g.toml")]) == 0
    assert "pass 1 of rec, 3.0 s" in capsys.readouterr().out


def test_watch_refuses_a_guide_of_another_target(tmp_path, capsys):
    from monitor.cli.main import main
    from tests.engine.make import SAMPLE

    save_guide(still(target=((0, 0), (1, 0), (1, 1), (0, 1))), tmp_path / "g.toml")
    assert main(["watch", "--source", str(SAMPLE / "clip.mp4"), "--guide", str(tmp_path / "g.toml")]) == 3
    assert "another target" in capsys.readouterr().err
