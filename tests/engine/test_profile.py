"""The proposed profile: which pictures are kept, what is told, and what is refused."""

import numpy as np
import pytest

from monitor.setup.profile import VIEWS, LaidPictures, measure_profile
from tests.vision.drawn_lying import circles, lying
from tests.vision.test_profile import BODIES, CAMERA, looking, view
from vision.types import BenchPose

BODY = np.array(BODIES["usual"], float)
EMPTY = np.full((720, 1280, 3), 205, np.uint8)


def bench():
    return BenchPose(0.0, looking(), np.eye(6) * 1e-6, 14, 0.2)


def laid(turn_deg):
    a = np.radians(turn_deg)
    rings = circles(BODY, (-38 * np.cos(a), -38 * np.sin(a)), turn_deg, step_mm=1.0)
    return np.clip(lying(CAMERA, looking(), EMPTY, rings), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def views():
    return [view(BODY, looking(), 5.0 + 88 * k, 20 + k) for k in range(VIEWS)]


def test_the_job_s_profile_is_the_measured_one(views):
    found = measure_profile(CAMERA, views, 8.0)

    assert "they agree" in found.reason and found.corner_sigma_mm < 0.5
    assert found.tube_length_mm == pytest.approx(30.0, abs=0.5)
    assert found.profile_mm[0] == (4.0, 0.0) and found.profile_mm[-1] == pytest.approx((9.0, 52.0), abs=0.8)
    assert found.handle_mm[0] == pytest.approx((13.0, 53.0), abs=1.0)


def test_a_calliper_figure_that_disagrees_refuses_the_outline(views):
    found = measure_profile(CAMERA, views[:2], 10.0)  # two pictures are fitted in a fifth of the time

    assert found.profile_mm == () and "calliper 10.0 mm" in found.reason


def test_a_hard_shadow_is_refused():
    shaded = [view(BODY, looking(), 5.0 + 88 * k, 30 + k, lamp=(1.0, 0.4, 1.2), darkness=0.55) for k in range(2)]

    assert "shadow" in measure_profile(CAMERA, shaded, 8.0).reason


def test_a_picture_is_kept_when_the_nozzle_has_been_turned():
    pictures = LaidPictures(CAMERA, EMPTY)

    assert "nothing lies" in pictures.take(bench(), EMPTY, 8.0)
    assert pictures.take(bench(), laid(10.0), 8.0) == ""
    assert "turn it by a quarter" in pictures.take(bench(), laid(25.0), 8.0)
    assert pictures.take(bench(), laid(-170.0), 8.0) == "" and len(pictures.views) == 2
