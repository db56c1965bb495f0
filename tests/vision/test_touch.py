"""Touch photographs of a drawn tool: where its edges appear, how well its heights are met, what is refused."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.vision.drawn import looking_down
from tests.vision.drawn_tinted import tinted_photo
from tests.vision.drawn_tool import CAMERA, OUTSIDE, TOOL, as_camera, drawn_exactly
from vision.calibrate.touch import TouchPhoto, _learn, calibrate_edges
from vision.errors import CalibrationError
from vision.fit.bias import DEFAULT_BIAS, group_key, n_groups
from vision.nozzle.body import ToolPose, body_from_measures

BOARD_MM = 8.0
WIDER_MM = 0.1  # a calliper that reads the tube's radius too large by this
# height of the surface, of the outlet over it, and place across the bench [mm]
PLACES = [(BOARD_MM, 5.0, -40.0), (BOARD_MM, 15.0, -10.0), (BOARD_MM, 25.0, 20.0), (0.0, 10.0, 30.0), (0.0, 20.0, 60.0),
          (0.0, 15.0, 0.0)]

pytestmark = pytest.mark.slow


def camera_pose(height_mm, x_mm, y_mm=-5.0, tilt_deg=25.0):
    """The drawn tool over the bench, in the camera frame; the handle leans towards the hand."""
    from_bench = looking_down(y_mm=190.0)
    tilt = np.radians(tilt_deg)
    axis = from_bench[:3, :3] @ [0.1, np.sin(tilt), -np.cos(tilt)]
    tip = from_bench[:3, :3] @ [x_mm, y_mm, height_mm] + from_bench[:3, 3]
    return ToolPose(tip, axis / np.linalg.norm(axis))


def photo(surface_mm, height_mm, x_mm, drawn_at_mm=None, rng=np.random.default_rng(5)):
    """One photograph; `drawn_at_mm` draws another height than the one that is told."""
    height = height_mm if drawn_at_mm is None else drawn_at_mm
    light = drawn_exactly(camera_pose(surface_mm + height, x_mm))
    light = light + rng.normal(0, 0.004, light.shape)
    return TouchPhoto(as_camera(light), looking_down(y_mm=190.0), surface_mm, height_mm,
                      f"{surface_mm:g}_{height_mm:g}.png")


@pytest.fixture(scope="module")
def photos():
    return [photo(*place) for place in PLACES]


def widened():
    return body_from_measures([(4.0 + WIDER_MM, 0.0), (4.0 + WIDER_MM, 28.0), (9.0, 36.0), (11.0, 37.0), (11.0, 50.0)],
                              [(13.0, 50.0), (14.0, 70.0)])


@pytest.fixture(scope="module")
def found(photos):
    return calibrate_edges(CAMERA, TOOL, photos)


def test_every_photograph_is_used_and_its_height_met_within_its_sigma(found):
    assert len(found.used) == len(PLACES)
    assert np.abs(found.height_error_mm).max() < 0.5
    assert (np.abs(found.height_error_mm) < 3 * found.height_sigma_mm).all()


def test_edges_that_lie_where_the_callipers_say_are_learned_to_do_so(found):
    assert found.bias["tube", True].offset_px == pytest.approx(0.0, abs=0.1)
    assert 0.1 < found.bias["tube", True].sigma_px < 0.4


def test_edges_within_the_measured_tube_are_learned_to_lie_so_far_inside(photos):
    learned = calibrate_edges(CAMERA, widened(), photos[:5])

    inside_px = WIDER_MM * 900 / 375  # focal length over distance
    assert learned.bias["tube", True].offset_px == pytest.approx(-inside_px, abs=0.1)
    assert np.abs(learned.height_error_mm).max() < 0.8


def test_a_photograph_whose_tool_stands_elsewhere_than_told_is_not_used(photos):
    wrong = photo(BOARD_MM, 6.0, -70.0, drawn_at_mm=25.0)

    used = calibrate_edges(CAMERA, TOOL, [*photos, wrong]).used

    assert wrong.name not in used and len(used) == len(photos)


def test_the_bench_without_the_tool_is_put_together_from_the_photographs(found):
    assert np.median(found.bench) == pytest.approx(OUTSIDE, abs=0.01)
    assert np.percentile(np.abs(found.bench - OUTSIDE), 99) < 0.05


def test_a_tube_that_heat_has_tinted_with_flux_on_it_is_calibrated_like_a_clean_one():
    places = [(6, 2.3, 0, 0, 25), (6, 10, -8, 5, 22), (6, 30, -15, -3, 24), (6, 10, 15, 10, 35), (6, 20, -5, 12, 18),
              (0, 10, -80, 10, 25), (0, 20, 85, 0, 24), (0, 30, -75, -20, 28)]

    learned = calibrate_edges(CAMERA, TOOL, [tinted_photo(*place, seed=i) for i, place in enumerate(places)])

    assert len(learned.used) >= 7
    assert np.abs(learned.height_error_mm).max() < 1.0
    assert (np.abs(learned.height_error_mm) < 3 * learned.height_sigma_mm).all()


def test_photographs_over_the_board_alone_are_refused(photos):
    with pytest.raises(CalibrationError, match="some over the board and some over the bare mat"):
        calibrate_edges(CAMERA, TOOL, [p for p in photos if p.surface_mm == BOARD_MM])


def test_empty_photographs_are_refused_with_what_to_check(photos):
    empty = [replace(p, image=as_camera(np.full((720, 1280, 3), OUTSIDE))) for p in photos]

    with pytest.raises(CalibrationError, match="found in 0 of 6"):
        calibrate_edges(CAMERA, TOOL, empty)


def _fits(key, *medians_px):
    """Photographs of which each shows one group of that kind of edge, at that place."""
    label = next(g for g in range(n_groups(TOOL)) if group_key(TOOL, g) == key)
    return [SimpleNamespace(label=np.full(9, label), good=np.ones(9, bool), edge_px=m + np.linspace(-0.1, 0.1, 9))
            for m in medians_px]


@pytest.mark.parametrize("key", [("step", True), ("tube", True), ("tube", False)])
def test_edges_far_from_where_such_edges_are_seen_are_other_edges(key):
    usual = DEFAULT_BIAS[key]

    learned = _learn(TOOL, _fits(key, usual.offset_px + 5.0))

    assert learned[key] == usual


def test_one_photograph_does_not_tell_how_far_edges_scatter():
    once, often = (_learn(TOOL, _fits(("tube", True), *([0.1] * n)))["tube", True] for n in (1, 12))

    assert once.sigma_px > 1.3 * often.sigma_px
    assert abs(often.offset_px - 0.1) < 0.5 * abs(once.offset_px - 0.1)
    assert often.sigma_px > 0.12  # light and place change it by as much


def test_a_single_ledge_says_less_of_ledges_than_it_would_if_they_were_alike():
    usual = DEFAULT_BIAS["step", True]

    learned = _learn(TOOL, _fits(("step", True), usual.offset_px + 0.5))["step", True]

    assert 0.1 < learned.offset_px - usual.offset_px < 0.3  # others are 0.5 px off it, one sigma
