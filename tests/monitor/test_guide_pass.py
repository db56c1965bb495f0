"""A good pass as a guide: taken out of a recording, kept in a file, laid on a target, and the distance to it."""

import dataclasses
import math

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.job import parse_job
from monitor.judging.exposure import expose
from monitor.judging.guide_pass import GuidePoint, fit_to_job, gap_to, hand_at
from monitor.recording.guide_file import guide_of, load_guide, save_guide
from monitor.recording.reader import open_recording
from tests.compare.make import record_passes
from tests.monitor.make import JOB_TEXT, job, track

STILL = np.zeros(3)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Two passes of 3 s: at 15 and at 9 mm."""
    folder = tmp_path_factory.mktemp("guide") / "good"
    return open_recording(record_passes(folder, [15.0, 9.0], operator="INS1"))


@pytest.fixture(scope="module")
def guide(recording):
    return guide_of(recording, 1)


def over(x_mm, y_mm, height_mm, sigma_mm=0.5, axis=(0.0, 0.0, -1.0)):
    """The hand, aimed at a spot of the board, as one frame measures it."""
    seen = track(1.0, (x_mm, y_mm, height_mm + 6.0), axis=np.array(axis), sigma_mm=sigma_mm)
    return hand_at(expose(seen, 6.0, 0.05, STILL))


def point(x_mm=0.0, y_mm=0.0, height_mm=15.0, sigma_mm=0.0):
    return GuidePoint(height_mm, sigma_mm, np.array([x_mm, y_mm]), sigma_mm, np.zeros(2))


def test_a_guide_is_where_its_pass_was(recording, guide):
    f, p = recording.frames, recording.passes[0]
    i = int(np.argmin(np.abs(f["t_s"] - p["t_start_s"] - 1.0)))
    there = guide.at(f["t_s"][i] - p["t_start_s"])

    assert there.height_mm == pytest.approx(f["height_mm"][i], abs=0.1)
    np.testing.assert_allclose(there.aim_mm, [f["aim_board_x_mm"][i], f["aim_board_y_mm"][i]], atol=0.5)
    assert guide.duration_s == pytest.approx(p["t_end_s"] - p["t_start_s"], abs=0.1)
    assert guide.source["operator"] == "INS1" and guide.name == "pass 1 of good"


def test_a_guide_waits_at_its_first_point_and_ends_at_its_last(guide):
    np.testing.assert_array_equal(guide.at(-2.0).aim_mm, guide.at(0.0).aim_mm)
    np.testing.assert_array_equal(guide.at(99.0).aim_mm, guide.at(guide.duration_s).aim_mm)


def test_where_its_nozzle_was_not_seen_a_guide_is_not_known(recording):
    f, p = {name: column.copy() for name, column in recording.frames.items()}, recording.passes[0]
    f["seen"][(f["t_s"] > p["t_start_s"] + 1.0) & (f["t_s"] < p["t_start_s"] + 2.0)] = 0
    guide = guide_of(dataclasses.replace(recording, frames=f), 1)

    assert guide.at(0.8).is_known and not guide.at(1.5).is_known and guide.at(2.2).is_known


def test_a_pass_that_was_hardly_seen_is_no_guide(recording):
    f = dict(recording.frames) | {"seen": np.zeros_like(recording.frames["seen"])}

    with pytest.raises(InputError, match="only 0 % of this pass"):
        guide_of(dataclasses.replace(recording, frames=f), 1)


def test_a_recording_without_that_pass_is_refused(recording):
    with pytest.raises(InputError, match="has no pass 7; it has 2"):
        guide_of(recording, 7)


def test_a_file_gives_the_guide_back(guide, tmp_path):
    save_guide(guide, tmp_path / "g.toml")
    again = load_guide(tmp_path / "g.toml")

    np.testing.assert_allclose(again.track, guide.track, atol=1e-4)
    np.testing.assert_allclose(again.t_s, guide.t_s)
    assert again.source == guide.source and again.bore_diameter_mm == guide.bore_diameter_mm


def test_a_file_keeps_what_is_not_known(guide, tmp_path):
    holed = dataclasses.replace(guide, track=guide.track.copy())
    holed.track[3] = math.nan
    save_guide(holed, tmp_path / "g.toml")

    assert not load_guide(tmp_path / "g.toml").at(0.3).is_known


@pytest.mark.parametrize(("column", "value", "is_read"), [
    (0, 1e4, True), (0, -1e4, True), (0, 1.001e4, False), (1, 0.0, True), (4, 0.0, True), (1, -0.001, False),
    (4, -0.001, False), (0, -5.0, True)])
def test_a_file_holds_what_a_pass_can_have_up_to_the_bounds(guide, tmp_path, column, value, is_read):
    changed = dataclasses.replace(guide, track=guide.track.copy())
    changed.track[3, column] = value
    save_guide(changed, tmp_path / "g.toml")

    if is_read:
        assert load_guide(tmp_path / "g.toml").track[3, column] == value
    else:
        with pytest.raises(InputError, match="numbers that no pass can have"):
            load_guide(tmp_path / "g.toml")


@pytest.mark.parametrize(("change", "says"), [
    (lambda t: t.replace("15.", "14.", 1), "was changed since it was written"),
    (lambda t: t.replace("plumeline guide pass", "something"), "is no guide"),
    (lambda t: t.replace("version = 1", "version = 9"), "version 9, this program reads 1"),
    (lambda t: t[:len(t) // 2], "TOML expected"),
    (lambda t: "\n".join(line for line in t.splitlines() if not line.startswith("bore")), "something is missing"),
])
def test_a_damaged_file_is_refused_in_one_line(guide, tmp_path, change, says):
    path = tmp_path / "g.toml"
    save_guide(guide, path)
    path.write_text(change(path.read_text()))

    with pytest.raises(InputError, match=says) as fault:
        load_guide(path)
    assert "\n" not in str(fault.value)


def test_a_guide_lies_on_its_target_wherever_that_is_marked(guide):
    turn, shift = math.radians(30), np.array([40.0, -25.0])
    r = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    corners = (np.array(job().target.outline_mm) @ r.T + shift).round(6).tolist()
    moved = parse_job(JOB_TEXT.replace("[[-5, -5], [5, -5], [5, 5], [-5, 5]]", str(corners)))

    there = fit_to_job(guide, moved)

    np.testing.assert_allclose(there.at(1.0).aim_mm, r @ guide.at(1.0).aim_mm + shift, atol=1e-5)
    assert there.at(1.0).height_mm == guide.at(1.0).height_mm


def test_the_lean_turns_with_the_target(guide):
    leaning = dataclasses.replace(guide, track=guide.track.copy())
    leaning.track[:, 5:7] = [0.5, 0.0]
    corners = [[-y, x] for x, y in job().target.outline_mm]
    turned = parse_job(JOB_TEXT.replace("[[-5, -5], [5, -5], [5, 5], [-5, 5]]", str(corners)))

    np.testing.assert_allclose(fit_to_job(leaning, turned).at(1.0).lean, [0.0, 0.5], atol=1e-9)


def test_a_guide_of_another_target_is_refused(guide):
    wider = parse_job(JOB_TEXT.replace("[[-5, -5], [5, -5], [5, 5], [-5, 5]]", "[[-5, -5], [9, -5], [9, 5], [-5, 5]]"))

    with pytest.raises(InputError, match="another target: 10.0 x 10.0 mm, U7 is 14.0 x 10.0 mm"):
        fit_to_job(guide, wider)


def test_the_outlet_of_a_leaning_guide_lies_against_its_lean():
    leaning = GuidePoint(10.0, 0.1, np.array([3.0, 0.0]), 0.1, np.array([0.5, 0.0]))

    np.testing.assert_allclose(leaning.tip_mm, [-2.0, 0.0, 10.0])


def test_the_distance_is_that_in_space():
    gap = gap_to(point(), over(3.0, 4.0, 27.0))

    assert gap.distance_mm == pytest.approx(13.0)  # 3, 4, 12


def test_there_is_no_distance_where_the_hand_or_the_guide_is_not_measured():
    lost = hand_at(expose(track(1.0), 6.0, 0.05, STILL))
    level = over(0.0, 0.0, 15.0, axis=(1.0, 0.0, 0.0))

    assert gap_to(point(), lost) is None and gap_to(point(), level) is None
    assert gap_to(point(height_mm=math.nan), over(0, 0, 15)) is None


def test_the_distance_s_spread_is_that_of_hand_and_guide_together():
    # straight above it, only heights count: 3 and 4 make 5; the aim's part is as good as nothing
    gap = gap_to(point(sigma_mm=3.0), over(0.0, 0.0, 45.0, sigma_mm=4.0))

    assert gap.sigma_mm == pytest.approx(5.0, rel=0.02)


@pytest.mark.parametrize("true_mm", [0.0, 0.5, 1.0, 3.0, 10.0])
def test_the_true_distance_lies_in_its_interval_in_nine_of_ten(true_mm):
    rng, n, inside = np.random.default_rng(5), 600, 0
    for e in rng.normal(0.0, 0.8, size=(n, 3)):
        gap = gap_to(point(), over(e[0], e[1], 15.0 + true_mm + e[2], sigma_mm=0.8))
        inside += gap.low_mm <= true_mm <= gap.high_mm

    assert inside / n >= 0.90 - 0.035  # three standard errors


@pytest.mark.parametrize("true_mm", [0.0, 1.0, 4.0])
def test_so_it_does_for_a_leaning_nozzle_whose_aim_moves_with_its_height(true_mm):
    rng, n, inside = np.random.default_rng(6), 600, 0
    axis = np.array([math.sin(0.6), 0.0, -math.cos(0.6)])
    base = np.array([-15.0 * math.tan(0.6), 0.0, 15.0])  # aimed at the origin
    for e in rng.normal(0.0, 0.7, size=(n, 3)):
        x, y, height = base + [0.0, 0.0, true_mm] + e
        there = point(x_mm=0.0 + true_mm * math.tan(0.6))  # straight above the guide's outlet
        gap = gap_to(there, over(x, y, height, sigma_mm=0.7, axis=axis))
        inside += gap.low_mm <= true_mm <= gap.high_mm

    assert inside / n >= 0.90 - 0.035
