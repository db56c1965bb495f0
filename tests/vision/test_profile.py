"""A nozzle's profile from outlines: drawn bodies of revolution that rest on the mat, with known measures."""

import functools
import itertools

import numpy as np
import pytest

from tests.vision.drawn_lying import circles, lying, resting_tilt_rad
from vision.calibrate.profile import LaidView, fit_profile, outline_px
from vision.camera.model import CameraModel
from vision.errors import CalibrationError

# radius, distance from the outlet [mm]; the last thickens without a step
BODIES = {
    "narrow": [[2.0, 0], [2.0, 20], [7.0, 27], [9.0, 28], [9.0, 40], [12.0, 40], [13.5, 49], [13.0, 70]],
    "usual": [[4.0, 0], [4.0, 30], [9.0, 38], [9.0, 52], [13.0, 53], [13.0, 75]],
    "smooth": [[3.0, 0], [3.0, 24], [8.0, 44], [12.0, 50], [12.0, 72]],
}
CAMERA = CameraModel(np.array([[1350.0, 0, 640], [0, 1350.0, 360], [0, 0, 1]]),
                     np.array([-0.08, 0.05, 0.0, 0.0, 0.0]), (1280, 720))


def looking(from_upright_deg=30.0, away_mm=450.0):
    a = np.radians(from_upright_deg)
    pose = np.eye(4)
    pose[:3, :3] = [[1, 0, 0], [0, -np.cos(a), -np.sin(a)], [0, np.sin(a), -np.cos(a)]]
    pose[2, 3] = away_mm
    return pose


def view(body, pose, turn_deg, seed, **how):
    """One picture's outline, with a sensor's noise."""
    rng, empty = np.random.default_rng(seed), np.full((720, 1280, 3), 205.0)
    turn = np.radians(turn_deg)
    tip = (-38 * np.cos(turn) + rng.uniform(-6, 6), -38 * np.sin(turn))
    laid = lying(CAMERA, pose, empty, circles(body, tip, turn_deg, how.pop("tilt_rad", None), 0.6), **how)
    noisy = [np.clip(p + rng.normal(0, 2.0, p.shape), 0, 255).astype(np.uint8) for p in (empty, laid)]
    return LaidView(pose, outline_px(*noisy))


@functools.cache
def fitted(name, from_upright_deg=30.0, seed=1):
    body, pose = np.array(BODIES[name], float), looking(from_upright_deg)
    turns = 8.0 + 90.0 * np.arange(4) + np.random.default_rng(seed).uniform(-12, 12, 4)
    return body, fit_profile(CAMERA, [view(body, pose, t, seed + k) for k, t in enumerate(turns)], 2 * body[0, 0])


def off_mm(points, line):
    """Distance of points (n, 2) from a broken line (m, 2)."""
    best = np.full(len(points), np.inf)
    for a, b in itertools.pairwise(line):
        share = np.clip((points - a) @ (b - a) / max((b - a) @ (b - a), 1e-12), 0, 1)
        best = np.minimum(best, np.linalg.norm(points - a - share[:, None] * (b - a), axis=1))
    return best


@pytest.mark.parametrize("name", BODIES)
def test_the_profile_is_found_to_a_fraction_of_a_millimetre(name):
    body, fit = fitted(name)

    # of what was found; a corner that a ledge hides from every view is not asked for
    assert off_mm(fit.corners_mm, body).max() < 0.35
    outer = np.array([p for k, p in enumerate(body[1:-1], 1) if p[0] - body[k - 1, 0] >= body[k + 1, 0] - p[0]])
    assert off_mm(outer, fit.corners_mm).max() < 0.35


def test_the_stated_sigma_holds():
    z = np.concatenate([off_mm(fit.corners_mm[1:-1], body) / fit.sigma_mm[1:-1]
                        for body, fit in (fitted(name) for name in BODIES)])

    assert np.sqrt(np.mean(z**2)) < 2.0


def test_the_tilt_at_which_it_rests_is_measured():
    body, fit = fitted("usual")

    assert np.degrees(fit.tilt_rad) == pytest.approx(np.degrees(resting_tilt_rad(body)), abs=0.5)


def test_the_outlet_s_diameter_is_told_without_the_calliper():
    body = np.array(BODIES["usual"], float)
    pose = looking()
    fit = fit_profile(CAMERA, [view(body, pose, 8.0 + 90 * k, 5 + k) for k in range(2)], 8.6)

    assert fit.diameter_mm == pytest.approx(8.0, abs=0.3)


def test_what_is_too_small_for_a_nozzle_is_refused():
    pose, flat = looking(), np.full((720, 1280, 3), 205, np.uint8)
    dot = flat.copy()
    dot[340:364, 620:644] = 60

    with pytest.raises(CalibrationError, match=r"two long sides|too little"):
        fit_profile(CAMERA, [LaidView(pose, outline_px(flat, dot))], 8.0)


def test_nothing_that_has_come_gives_no_outline():
    rng = np.random.default_rng(3)
    a, b = (np.clip(205 + rng.normal(0, 2, (720, 1280, 3)), 0, 255).astype(np.uint8) for _ in range(2))

    assert outline_px(a, b) is None
