"""The bench's picture on small frames: what is known of it, its cast, and what a visit takes in."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from vision.bench.background import (
    MASK_SCALE,
    BenchView,
    cast_of,
    compose_bench,
    known_of,
    log_colours,
    redrawn_bench,
    with_cast,
)
from vision.edges.cuts import LINEAR, linear_light
from vision.edges.likelihood import noise_sigma

H, W, BANDS = 48, 80, 12  # rows, columns, and bands of four rows


def _frame(seed=1, low=90, high=140):
    return np.random.default_rng(seed).integers(low, high, (H, W, 3)).astype(np.uint8)


def _learned(view, frames, tool=None):
    """A view after frames of which each is shown until all bands have been visited."""
    for frame in frames:
        for _ in range(BANDS):
            view.learn(frame, tool)
    return view


def test_a_visit_takes_a_tenth_of_a_small_difference_in_its_band_alone():
    first = _frame()
    brighter = first + 1
    view = BenchView(first)

    for _ in range(3):
        view.learn(brighter, None)

    was, now = linear_light(first), linear_light(brighter)
    exposed = np.where(np.arange(H)[:, None, None] < 12, was + 0.1 * (now - was), was)
    assert_allclose(view.light, exposed, atol=1e-6)


def test_after_the_last_band_comes_the_first_again():
    first = _frame()
    view = _learned(BenchView(first), [first + 1])
    was, now = linear_light(first), linear_light(first + 1)

    view.learn(first + 1, None)

    share = np.where(np.arange(H)[:, None, None] < 4, 0.19, 0.1)  # 1 - 0.9^2
    assert_allclose(view.light, was + share * (now - was), atol=1e-6)


def test_a_larger_picture_has_more_bands_and_takes_more_at_each():
    first = np.full((1000, 1100, 3), 100, np.uint8)
    view = BenchView(first)

    view.learn(first + 1, None)

    was, now = LINEAR[100], LINEAR[101]
    band = 1000 // 14  # 1.1 million pixels, 76 800 a band
    assert_allclose(view.light[:band], was + (1 - 0.9 ** (14 / 12)) * (now - was), rtol=1e-5)
    assert_allclose(view.light[band:], was, rtol=1e-6)


@pytest.mark.parametrize("level", [112, 190])
def test_what_is_learned_in_another_light_is_kept_as_in_the_first(level):
    first, now = np.full((H, W, 3), 150, np.uint8), np.full((H, W, 3), level, np.uint8)
    view = BenchView(first)

    view.see(now, None)
    _learned(view, [now] * 3)

    assert_allclose(view.gain, LINEAR[level] / LINEAR[150], rtol=1e-5)
    assert_allclose(view.light, LINEAR[150], rtol=1e-5)


def _visits_until_taken(known_level):
    """Visits with something new, unmoving, after which it is bench; what it is then known as."""
    first = np.full((H, W, 3), 120, np.uint8)
    view = BenchView(first, linear_light(first) if known_level == 255 else None)
    view.known[:] = known_level
    new = first.copy()
    new[10:20, 30:50] = (200, 60, 90)
    for visit in range(1, 40):
        _learned(view, [new])
        if np.abs(view.light[12, 40] - LINEAR[[200, 60, 90]]).max() < 1e-6:
            return visit, int(view.known[12, 40])
    return None


@pytest.mark.parametrize(("known", "visits"), [(128, 4), (255, 26)])
def test_what_has_not_moved_for_some_visits_is_bench(known, visits):
    assert _visits_until_taken(known) == (visits, 128)  # 3 and 25 after the first that shows it


def test_what_is_taken_over_in_another_light_is_kept_as_it_would_look_in_the_first():
    now = np.full((H, W, 3), 112, np.uint8)
    view = BenchView(np.full((H, W, 3), 150, np.uint8))
    now[10:20, 30:50] = (180, 60, 90)

    view.see(now, None)
    _learned(view, [now] * 6)

    assert_allclose(view.light[12, 40] * view.gain[12], LINEAR[[180, 60, 90]], rtol=1e-5)


def test_what_was_never_seen_is_learned_at_the_second_unmoving_visit():
    first = np.full((H, W, 3), 120, np.uint8)
    view = BenchView(first)
    view.known[8:16] = 0

    known = [_learned(view, [first]).known[10, 5] for _ in range(3)]

    assert known == [0, 128, 128]


def test_what_keeps_changing_is_never_bench():
    first = np.full((H, W, 3), 120, np.uint8)
    view = BenchView(first)
    hands = [np.where(np.arange(W)[:, None] > 40, level, first).astype(np.uint8) for level in (200, 30) * 4]

    _learned(view, hands)

    assert_allclose(view.light, linear_light(first), atol=1e-6)


def test_nothing_is_learned_where_the_tool_may_be():
    first = np.full((H, W, 3), 120, np.uint8)
    tool = np.zeros((H // MASK_SCALE, W // MASK_SCALE), np.uint8)
    tool[3:7, 5:9] = 255

    view = _learned(BenchView(first), [first + 1] * 2 + [np.full_like(first, 220)] * 6, tool)

    behind = np.kron(tool, np.ones((MASK_SCALE, MASK_SCALE), np.uint8)) > 0
    assert_allclose(view.light[behind], LINEAR[120], rtol=1e-6)
    assert_allclose(view.light[~behind], LINEAR[220], rtol=1e-6)


def _measured_noise(first, frame, tool, rows):
    """Of free pixels near the tool, four and one apart in their row: their differences squared in those of the usual
    noise, each up to 9; what neighbours share does not average out."""
    off = (linear_light(frame) - linear_light(first))[rows]
    b, g, r = np.moveaxis(np.float64(off), 2, 0)
    mixed, light = np.stack([(b + g + r) / 3, b - (g + r) / 2, r - g], 2), LINEAR[frame[rows][..., 1]]
    behind, near = np.zeros(frame.shape[:2], bool), np.zeros(frame.shape[:2], bool)
    for y, x in np.argwhere(tool):
        behind[4 * y:4 * y + 4, 4 * x:4 * x + 4] = True
        near[max(y - 6, 0) * 4:(y + 7) * 4, max(x - 6, 0) * 4:(x + 7) * 4] = True
    agrees = (np.abs(off).max(2) < 0.012 + 0.1 * np.sqrt(light)) & ~behind[rows]
    is_pair = (agrees[:, 4:] & agrees[:, :-4] & agrees[:, 3:-1] & near[rows][:, 4:])[..., None]
    weight = (0.5 / noise_sigma(light[:, 4:]) ** 2)[..., None]
    apart, close = ((np.minimum(d**2 * weight, 9) * is_pair).sum((0, 1))
                    for d in (mixed[:, 4:] - mixed[:, :-4], mixed[:, 4:] - mixed[:, 3:-1]))
    shared = np.clip(1 - close / apart, 0, 0.6)
    return np.clip(0.6 * np.sqrt(apart / is_pair.sum() * (1 + shared) / (1 - shared)), [0.12, 0.6, 0.6], 2.0)


@pytest.mark.parametrize("smooth", [False, True])
@pytest.mark.parametrize("scatter", [2.0, 5.0])
def test_noise_is_measured_beside_the_tool_by_pixels_some_apart(smooth, scatter):
    rng = np.random.default_rng(3)
    first = rng.integers(90, 140, (120, 160, 3)).astype(np.uint8)
    error = rng.normal(0, scatter, first.shape) + rng.normal(0, scatter, (120, 160, 1))
    error = (error + np.roll(error, 1, 1)) / 2**0.5 if smooth else error
    frame = (first + error).round().astype(np.uint8)
    tool = np.zeros((30, 40), np.uint8)
    tool[1:2, 13:16] = 255
    view = BenchView(first)

    view.learn(frame, tool)

    expected = _measured_noise(first, frame, tool, slice(0, 10))
    assert_allclose(view.noise, 0.6 + 0.1 * (expected - 0.6), rtol=1e-4)


def test_look_is_told_by_logarithms_of_colours_over_green():
    light = np.array([[0.11, 0.23, 0.37]])

    assert_allclose(log_colours(light), [[np.log(0.12 / 0.24), np.log(0.38 / 0.24), np.log(0.24)]])  # 0.01 for the dark


def test_a_cast_is_told_from_the_middle_of_what_is_known_and_taken_over():
    bench = linear_light(_frame(4, 150, 190))
    cast = np.array([0.08, -0.05, -0.2])
    tinted = with_cast(bench, cast)
    image = np.abs(LINEAR[None, None, None] - tinted[..., None]).argmin(-1).astype(np.uint8)
    known = np.full((H, W), 255, np.uint8)
    known[:, 40:], image[:, 40:] = 0, 255

    assert_allclose(tinted, bench * np.exp([-0.12, -0.2, -0.25]), rtol=1e-6)
    assert_allclose(cast_of(image, bench, known), cast, atol=0.01)
    assert_allclose(cast_of(image, bench, 0 * known), 0.0)


def test_blocks_that_are_black_all_over_are_not_known():
    bench = np.full((40, 70, 3), 0.001, np.float32)
    bench[20, 3, 2] = 0.002
    bench[39, 69, 0] = 0.0016

    known = known_of(bench)

    expected = np.zeros((40, 70), np.uint8)
    expected[16:32, :16] = expected[32:, 64:] = 255
    assert_allclose(known, expected)


def test_a_bench_seen_from_elsewhere_is_where_it_is_said_to_be_found():
    bench = np.random.default_rng(5).uniform(0.1, 0.9, (64, 96, 3)).astype(np.float32)
    x, y = np.meshgrid(np.arange(96, dtype=np.float32), np.arange(64, dtype=np.float32))

    moved = redrawn_bench(bench, np.stack([x + 5, y - 3], 2))

    assert_allclose(moved[16:, :80], bench[13:61, 5:85], atol=1e-5)
    assert not moved[:16].any() and not moved[:, 80:].any()  # blocks with pixels that were out of view


def _photographs(hand, seed, n=5):
    """Linear light of a bench with a hand before some columns that is never quite still."""
    rng = np.random.default_rng(seed)
    bench = np.random.default_rng(0).uniform(0.2, 0.6, (128, 256, 3)).astype(np.float32)
    out = []
    for _ in range(n):
        one = bench + rng.normal(0, 0.002, bench.shape).astype(np.float32)
        one[:, hand] = rng.uniform(0.05, 0.9, one[:, hand].shape)
        out.append(one)
    return bench, out


def test_a_bench_is_composed_of_what_was_seen_free_in_either_place_of_the_tool():
    bench, left = _photographs(slice(30, 90), 1)
    _, right = _photographs(slice(170, 220), 2)

    composed = compose_bench([left, right])

    free = np.ones(256, bool)
    free[20:100] = free[160:230] = False
    assert_allclose(composed[:, free], bench[:, free], atol=0.006)
    for behind in (slice(40, 80), slice(180, 210)):  # a hand may chance to be as light as the bench
        assert (np.abs(composed[:, behind] - bench[:, behind]) < 0.012).mean() > 0.97


def test_where_a_hand_was_in_both_places_the_bench_is_not_known():
    _, left = _photographs(slice(32, 96), 1)
    bench, right = _photographs(slice(64, 128), 2)

    composed = compose_bench([left, right])

    assert not composed[:, 64:96].any()
    assert_allclose(composed[:, 144:], bench[:, 144:], atol=0.006)


@pytest.mark.parametrize(("share", "is_given"), [(0.45, True), (0.55, False)])
def test_a_stored_bench_that_half_the_picture_agrees_with_is_taken(share, is_given):
    first = np.repeat(_frame(6)[..., :1], 3, 2)
    other = linear_light(first) * np.float32(0.8)  # the exposure may differ
    other[:, :round(share * W)] = np.array([0.5, 0.02, 0.02])

    view = BenchView(first, other)

    assert view.is_given is is_given
    assert_allclose(view.light, other if is_given else linear_light(first), rtol=1e-6)
    assert (view.known == (255 if is_given else 128)).all()


def test_a_stored_bench_of_another_size_is_left_alone():
    first = _frame()

    assert not BenchView(first, linear_light(first)[:-1]).is_given
