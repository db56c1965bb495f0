"""How the nozzle's metal looks, and what does not look like it."""

import numpy as np
import pytest

from tests.vision.drawn_tool import CAMERA, TOOL, as_camera
from tests.vision.test_find import ALL_KNOWN, _bench, _tool, _with_tool
from vision.bench.background import cast_of, with_cast
from vision.fit.pose import Picture
from vision.track.metal import log_appearance_ratio, metal_appearance, usual_appearance

POSE = _tool(-10, 5, 12, 35, 90)
# blue over green, red over green, green of the light that is drawn
DRAWN = np.log(np.array([0.03 / 0.05, 0.25 / 0.05, 0.05]))
GREY = np.array([0.0, 0.0, np.log(0.05)])


def _picture(cast=(1.0, 1.0, 1.0), pose=POSE):
    rng = np.random.default_rng(1)
    bench = _bench(rng)
    light = (_with_tool(bench, pose, rng) / 255.0) ** 2.2  # near enough the camera's tone curve
    return Picture(as_camera(light * cast), bench, ALL_KNOWN)


def test_the_metal_looks_as_it_was_drawn():
    appearance = metal_appearance(CAMERA, TOOL, _picture(), POSE)

    # what tells no colour in the dark is added to all channels: up to 0.3 here
    np.testing.assert_allclose(appearance, DRAWN, atol=0.4)
    assert appearance[1] > 1.2 > 0.0 > appearance[0]


def test_a_picture_that_is_tinted_and_darker_as_a_whole_changes_nothing():
    appearance, tinted = (metal_appearance(CAMERA, TOOL, _picture(cast), POSE)
                          for cast in ((1.0, 1.0, 1.0), (0.9, 0.7, 0.6)))

    np.testing.assert_allclose(tinted, appearance, atol=0.12)


def test_of_a_tool_out_of_view_nothing_is_told():
    assert np.isnan(metal_appearance(CAMERA, TOOL, _picture(), _tool(0, -300, 12, 35, 90))).all()


def test_how_it_usually_looks_is_the_middle_of_what_photographs_show():
    seen = [np.array([0.1, 0.0, -2.0]), np.full(3, np.nan), np.array([0.2, 0.1, -2.2]), np.array([0.9, 0.05, -2.1])]

    np.testing.assert_allclose(usual_appearance(seen), [0.2, 0.05, -2.1])
    assert usual_appearance(seen[:3]) is None  # two photographs are not enough


@pytest.mark.parametrize("name, levels, expected", [
    ("metal a third as bright", (80, 80, 80), True),
    ("metal that mirrors wood", (120, 132, 150), True),
    ("a finger", (140, 165, 215), False),
    ("a dark finger", (70, 95, 140), False),
    ("a pen", (150, 90, 40), False),
    ("a cable", (22, 22, 24), False),
])
def test_metal_is_told_from_what_a_bench_has_about(name, levels, expected):
    b, g, r = ((np.array(levels) / 255.0) ** 2.2 + 0.01).tolist()
    steel = np.array([0.0, 0.0, np.log(0.22)])

    assert (log_appearance_ratio(np.array([np.log(b / g), np.log(r / g), np.log(g)]), steel) > 0) is expected


@pytest.mark.parametrize("seen, usual", [(GREY, None), (np.full(3, np.nan), GREY)])
def test_what_is_not_known_speaks_neither_for_nor_against_the_metal(seen, usual):
    assert log_appearance_ratio(seen, usual) == 0.0


def test_steel_that_heat_has_tinted_does_not_rule_out_the_nozzle():
    assert -5.0 < log_appearance_ratio(GREY + [2.0, 2.0, 0.0], GREY) < 0.0


def test_a_bench_in_the_cast_of_a_picture_looks_as_it():
    rng = np.random.default_rng(2)
    bench = rng.uniform(0.1, 0.6, (720, 1280, 3)).astype(np.float32)
    tint = np.array([0.7, 0.8, 1.1], np.float32)
    known = ALL_KNOWN.copy()
    known[:200] = 0  # what is not known does not count, nor does a thing that hides less than half
    now = bench * tint
    now[200:350] = 0.02

    cast = cast_of(as_camera(now), bench, known)

    np.testing.assert_allclose(with_cast(bench, cast) / bench, np.broadcast_to(tint, bench.shape), rtol=0.04)
