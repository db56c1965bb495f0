"""What of a picture is not the bench: gradients against SciPy's, and things of known size and shade."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import maximum_filter, sobel

from vision.edges.cuts import LINEAR
from vision.fit.pose import Picture
from vision.track.novelty import _gradient, _stamp, is_bare, new_edges, tool_mask


def _sobel(light):
    """Slopes along x and y, (2, h, w, channels), nought on the border."""
    out = np.stack([np.stack([sobel(light[..., c], axis) for c in range(light.shape[2])], 2) for axis in (1, 0)])
    out[:, [0, -1]], out[:, :, [0, -1]] = 0, 0
    return out


def _expected_gradient(seen, behind, known):
    own = _sobel(behind) * (known > 0)[..., None]
    whole = _sobel(seen)
    new = whole - own
    square = (new**2).sum(0)
    shown = np.clip(1.5 * (whole * new).sum(0) / np.maximum(square, 1e-12), 0, 1)  # what is missing makes no edge
    best = square.argmax(2)[..., None]
    gradient = np.trunc(np.stack([np.take_along_axis(1000 * shown * axis, best, 2)[..., 0] for axis in new]))
    loose = 150 * maximum_filter(np.sqrt((own**2).sum(0)).max(2), 3)  # a share of the bench's own near by
    return np.trunc(gradient * np.maximum(1 - loose / np.maximum(np.hypot(*gradient), 1), 0))


@pytest.mark.parametrize("contrast", [0.05, 0.5])
def test_gradients_are_those_of_the_picture_over_the_bench(contrast):
    rng = np.random.default_rng(1)
    seen = rng.normal(0, 1, (24, 31, 3)).astype(np.float32)
    behind = (contrast * rng.normal(0, 1, (24, 31, 3)) + 0.2 * seen).astype(np.float32)
    known = (rng.random((24, 31)) < 0.8).astype(np.uint8) * 255

    found = _gradient(seen, behind, known)

    expected = _expected_gradient(np.float64(seen), np.float64(behind), known)
    inner = np.s_[:, 1:-1, 1:-1]
    assert_allclose(np.float64(found)[inner], expected[inner], atol=1.5)
    assert not np.stack(found)[:, [0, -1]].any() and not np.stack(found)[:, :, [0, -1]].any()


def test_gradients_are_kept_within_what_their_type_holds():
    seen = np.zeros((9, 9, 3), np.float32)
    seen[:, 5:] = [2.0, 60.0, -3.0]

    gx, gy = _gradient(seen, 0 * seen, np.full((9, 9), 255, np.uint8))

    assert gx[4].tolist() == [0, 0, 0, 0, 32000, 32000, 0, 0, 0]
    assert not gy.any()


@pytest.mark.parametrize(("dx", "dy", "numbers"), [(100, 0, {0, 1, 5}), (-70, -70, {0, 1, 2, 3}), (0, -50, {2, 3, 4}),
                                                   (60, -100, {3, 4, 5})])
def test_an_edge_is_stamped_on_the_directions_within_45_degrees_of_its_own(dx, dy, numbers):
    edge, gx, gy = np.zeros((11, 13), np.uint8), np.zeros((11, 13), np.int16), np.zeros((11, 13), np.int16)
    edge[5, 2], gx[5, 2], gy[5, 2] = 255, dx, dy
    fields = np.full((6, 12, 14), np.inf, np.float32)[:, :11, :13]  # a part of all, as usual

    _stamp(edge, gx, gy, fields)

    y, x = np.mgrid[:11, :13]
    expected = np.where(np.maximum(abs(y - 5), abs(x - 2)) <= 3, 2 * np.hypot(y - 5, x - 2), np.inf)
    assert {k for k in range(6) if (fields[k] < np.inf).any()} == numbers
    for k in numbers:
        assert_allclose(fields[k], expected, rtol=1e-6)


def test_of_two_edges_the_nearer_counts():
    edge, gx = np.zeros((7, 9), np.uint8), np.full((7, 9), 100, np.int16)
    edge[0, 1] = edge[6, 8] = 255
    fields = np.full((6, 8, 10), np.inf, np.float32)[:, :7, :9]

    _stamp(edge, gx, 0 * gx, fields)

    y, x = np.mgrid[:7, :9]
    away = [np.where(np.maximum(abs(y - j), abs(x - i)) <= 3, 2 * np.hypot(y - j, x - i), np.inf)
            for j, i in ((0, 1), (6, 8))]
    assert_allclose(fields[0], np.minimum(*away), rtol=1e-6)


GREY = 150


def _picture(thing=None, bench=(GREY, GREY, GREY), at=np.s_[40:80, 60:120], known=None):
    """A bench of one colour, 160 rows and 240 columns, with a thing on it."""
    image = np.tile(np.array(bench, np.uint8), (160, 240, 1))
    background = LINEAR[image]
    if thing is not None:
        image[at] = thing
    return Picture(image, background, np.full((160, 240), 255, np.uint8) if known is None else known)


INSIDE, OUTSIDE = np.s_[12:18, 17:28], np.s_[25:38, 2:58]  # quarter size


@pytest.mark.parametrize(("thing", "loosely", "strictly"), [
    (None, False, False), ((30, 30, 30), True, True), ((60, 60, 60), True, True), ((110, 110, 110), True, False),
    ((GREY, GREY, GREY - 40), True, True), ((GREY, GREY - 30, GREY), True, True), ((200, 200, 200), True, True),
    ((GREY + 4, GREY + 4, GREY + 4), False, False), ((GREY, GREY, GREY - 5), False, False)])
def test_things_are_told_by_colour_strictly_and_by_sharp_shade_loosely(thing, loosely, strictly):
    loose, strict = tool_mask(_picture(thing))

    assert bool(loose[INSIDE].all()) is bool(loose[INSIDE].any()) is loosely
    assert bool(strict[INSIDE].all()) is bool(strict[INSIDE].any()) is strictly
    assert not loose[OUTSIDE].any() and not strict[OUTSIDE].any()


def test_a_shadow_over_most_of_the_bench_is_no_thing():
    loose, strict = tool_mask(_picture((110, 110, 110), at=np.s_[:, :]))

    assert not loose.any() and not strict.any()


def test_where_the_bench_is_not_known_nothing_is_told():
    known = np.full((160, 240), 255, np.uint8)
    known[40:80, 60:100] = 0

    loose, _ = tool_mask(_picture((30, 30, 30), known=known))

    assert not loose[10:20, 14:26].any()  # nor a quarter-size pixel beside it
    assert loose[12:18, 26:29].all()


@pytest.mark.parametrize(("side", "is_seen"), [(16, False), (20, True)])
def test_specks_below_25_quarter_size_pixels_are_noise(side, is_seen):
    loose, _ = tool_mask(_picture((30, 30, 30), at=np.s_[40:40 + side, 60:60 + side]))

    assert bool(loose.any()) is is_seen


@pytest.mark.parametrize(("least_px", "bare"), [(2399.0, False), (2400.0, False), (2401.0, True)])
def test_a_bench_is_bare_of_one_thing_of_that_size(least_px, bare):
    picture = _picture((30, 30, 30))
    picture.image[120:150, 180:220] = 30  # half as large

    assert is_bare(picture, least_px) is bare  # 40 by 60 pixels


def test_print_of_the_bench_makes_no_new_edges_and_a_thing_does():
    print_ = np.tile(np.where(np.arange(240) // 20 % 2, 60, 200)[None, :, None], (160, 1, 3)).astype(np.uint8)
    bare = Picture(print_, LINEAR[print_], np.full((160, 240), 255, np.uint8))
    image = print_.copy()
    image[40:80, 60:120] = (20, 120, 30)

    with_thing = new_edges(Picture(image, bare.background, bare.known)).distance_px

    assert (new_edges(bare).distance_px == np.inf).all()
    assert with_thing[3, 20, 34:56].max() <= 2.0 and with_thing[3, 40, 34:56].max() <= 4.0
    assert (with_thing[:, 50:, :] == np.inf).all()
