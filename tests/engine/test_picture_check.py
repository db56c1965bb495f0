"""Exposure and focus that change are noticed by the picture within two seconds; a hand in it is not (T9)."""

import cv2
import numpy as np
import pytest

from monitor.engine.picture_check import PictureCheck

RATE = 10.0


def bench(seed=0):
    rng = np.random.default_rng(seed)
    coarse = cv2.resize(rng.integers(50, 150, (45, 80, 3), dtype=np.uint8), (640, 360), interpolation=cv2.INTER_NEAREST)
    return coarse


def noisy(image, i):
    rng = np.random.default_rng(1000 + i)
    return np.clip(image.astype(float) + rng.normal(0, 2, image.shape), 0, 255).astype(np.uint8)


def told(later, seconds=3.0):
    """(time after the change, words) of everything that is said."""
    check = PictureCheck()
    for i in range(20):
        assert check.look(noisy(bench(), i), i / RATE) == ()
    return [(i / RATE - 2.0, words) for i in range(20, 20 + round(seconds * RATE))
            for words in check.look(noisy(later, i), i / RATE)]


@pytest.mark.parametrize("factor, word", [(1.5, "brighter"), (0.5, "darker")])
def test_a_changed_exposure_is_told_within_two_seconds_and_once(factor, word):
    found = told(np.clip(bench() * factor, 0, 255).astype(np.uint8))

    assert len(found) == 1 and found[0][0] <= 2.0 and word in found[0][1]


def test_a_changed_focus_is_told_within_two_seconds():
    found = told(cv2.GaussianBlur(bench(), (0, 0), 3.0))

    assert found and found[0][0] <= 2.0 and "less sharp" in found[0][1]


def test_a_hand_over_a_third_of_the_picture_is_no_change():
    covered = bench()
    covered[:, :213] = (120, 150, 200)

    assert told(covered) == []


def test_noise_alone_is_no_change():
    assert told(bench(), seconds=10.0) == []


def test_a_flicker_of_one_look_is_no_change():
    check, said = PictureCheck(), []
    for i in range(60):
        image = bench() if i % 20 else np.clip(bench() * 1.6, 0, 255).astype(np.uint8)
        said += check.look(image, (i + 1) * 0.5) if i else []

    assert said == [] or all("brighter" not in w for w in said)


def test_a_flash_of_a_third_of_a_second_is_no_change():
    check, said = PictureCheck(), []
    flash = np.clip(bench() * 1.6, 0, 255).astype(np.uint8)
    for i in range(180):
        said += check.look(flash if 60 <= i < 70 else bench(), i / 30)

    assert said == []
