"""A patch registered against its reference: when it counts, and what hides it."""

import numpy as np
import pytest

from vision.parts.patch import Spots, blurred, grey_at, make_patch, register, register_all, shown

TO_PX = np.array([[4.0, 0.0, 40.0], [0.0, 4.0, 40.0], [0.0, 0.0, 1.0]])  # 4 px a mm, centre at (40, 40)
POINTS = np.stack(np.meshgrid(np.arange(-6, 6, 0.25), np.arange(-6, 6, 0.25)), -1).reshape(-1, 2)


def picture(x_mm=0.0, y_mm=0.0, period_mm=4.0, light=1.0):
    """Smooth waves, shifted."""
    v, u = np.mgrid[:80, :80] / 4.0
    wave = np.sin(2 * np.pi * (u - x_mm) / period_mm) * np.cos(2 * np.pi * (v - y_mm) / period_mm)
    return blurred(np.clip((110 + 70 * wave) * light, 0, 255).astype(np.uint8))


def patch(points=POINTS):
    views = np.stack([grey_at(picture(), TO_PX, points, np.array([dx, dy, 0.0]))
                      for dx, dy in ((0, 0), (0.1, 0), (-0.1, 0), (0, 0.1), (0, -0.1))])
    slopes = (views[1:5:2] - views[2:5:2]) / 0.2
    return make_patch(points, views[:1], slopes, 4.0)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.13, -0.21), (-0.4, 0.3)])
def test_a_shift_is_found_to_a_fiftieth_of_a_pixel_and_counts(shift):
    fit = register(picture(*shift), TO_PX, patch(), np.zeros(3))

    np.testing.assert_allclose(fit.shift[:2], shift, atol=0.005)
    assert fit.is_settled


def test_an_answer_half_way_does_not_count():
    fit = register(picture(1.6, 0.0, period_mm=9.0), TO_PX, patch(), np.zeros(3))  # another wave: nothing to come to

    assert not (fit.is_settled and fit.alike > 0.75)


def test_many_patches_in_one_call_are_where_each_is_alone():
    centres = np.array([[-3.0, 2.0], [2.0, -2.5], [3.0, 3.0]])
    square = POINTS[np.abs(POINTS).max(1) < 1.2]
    some = [patch(square + c) for c in centres]
    found = register_all(picture(0.1, -0.15), TO_PX, Spots(centres, square, np.stack([p.rows for p in some]),
                                                           np.stack([p.scatter for p in some])), np.zeros((3, 2)))

    np.testing.assert_allclose(found.shift_mm, [[0.1, -0.15]] * 3, atol=0.02)
    assert (found.share > 0.9).all() and (found.alike > 0.95).all()


def test_a_shaded_side_is_shown_and_a_covered_one_is_not():
    piece = (POINTS[:, 0] > 0).astype(int)
    shade, cover = np.where(np.arange(80) > 40, 0.6, 1.0)[None], picture().copy()
    cover[:, 41:] = 90.0
    shaded, covered = (register(p, TO_PX, patch(), np.zeros(3)) for p in (picture(light=shade), cover))

    assert shown(patch(), shaded, piece, 2).min() > 0.9
    left, right = shown(patch(), covered, piece, 2)
    assert left > 0.9 and right < 0.4
