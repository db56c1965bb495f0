"""Edges in cuts against weighted least squares with its whole design matrix (numpy.linalg.lstsq)."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import ndtr
from scipy.stats import median_abs_deviation

from vision.edges.cuts import CutGrid
from vision.edges.likelihood import (
    PLAIN_SUMS,
    Cut,
    Start,
    Workspace,
    _ramp_of_edge,
    _Stretch,
    _trough,
    _window,
    fine_edge,
    misfit_of_edge,
    noise_sigma,
    profile_at,
    rough_edge,
    weigh,
)
from vision.edges.profiles import BLUR_PX, FINE, FLAT_LANES, LANES, profile_of, tables_of
from vision.edges.search import (
    Cuts,
    Softness,
    Tolerance,
    _share_ramps,
    edges_along,
    lone_cuts,
    misfits_by_softness,
)

TABLES = tables_of(CutGrid(9.0, 0.5))
STEP, M = TABLES.step_px, len(TABLES.offsets_px)
START, NOISE, VEIL = 19, 0.55, 0.013
TOLERANCE = Tolerance(5.0, 6.0, VEIL, (NOISE, NOISE, NOISE))
READ_PX = 6.0 ** -0.5  # blur of reading between pixels, a triangle's sigma
COLOUR_PX = 0.9  # blur that colours have besides
# blur [px], with that of reading a whole number of 40ths, as it is tabled; and way [px]
PROFILES = [(np.sqrt(0.9**2 - 1 / 6), 0.0), (np.sqrt(1.75**2 - 1 / 6), 0.0), (0.8, 2.5)]


def _cover(x_px, blur_px, travel_px):
    """Share of the inside at x and how deep into it that is: a normal distribution, averaged along the edge's way."""
    travels, shares = np.polynomial.legendre.leggauss(12) if travel_px else (np.zeros(1), np.full(1, 2.0))
    z = (x_px[:, None] + 0.5 * travel_px * travels) / blur_px
    share, density = ndtr(-z), np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    return share @ shares / 2, blur_px * (density - z * share) @ shares / 2


def _covers(x_px, profile):
    """Of brightness, then twice of colours."""
    blur = np.hypot(profile[0], READ_PX)
    bright, colour = _cover(x_px, blur, profile[1]), _cover(x_px, np.hypot(blur, COLOUR_PX), profile[1])
    return bright, colour, colour


def _information(level):
    """What a pixel of that light tells, by its light in steps of 1 / 1024 up to 1.25."""
    steps = np.clip(np.floor(np.asarray(level, float) * 1024), 0, 1279)
    return 1 / (0.006**2 + 0.045**2 * ((steps + 0.5) / 1024) ** 1.17)


def _scene(seed, at_px=0.37, profile=PROFILES[0], noise=0.01, shade=0.8, veil=0.01, inside=0.12, bench=0.4):
    """A cut (3, m) of brightness and two colours with a ramp inside and a bench that differs along it."""
    rng = np.random.default_rng(seed)
    x = TABLES.offsets_px
    back = np.stack([bench + 0.07 * np.sin(x / 2 + 1), 0.04 + 0.02 * np.cos(x), -0.03 + 0.004 * x])
    cut = np.empty_like(back)
    for c, (q, r) in enumerate(_covers(x - at_px, profile)):
        level, ramp = ((inside, 0.004), (0.02, -0.003), (0.015, 0.002))[c]
        cut[c] = q * level + r * ramp + (1 - q) * (shade * back[c] + veil * (c == 0))
    return (cut + rng.normal(0, noise, cut.shape)).astype(np.float32), back.astype(np.float32)


def _least(cut, back, covers, w, veil, ramp=None):
    """Least squares of shade, veil, three inside levels and ramps: chi-square, shade and veil; shades stay within what
    is allowed. `ramp`: of each channel and their information, None without any."""
    rows, right = [], []
    for c, (q, r) in enumerate(covers):
        design = np.zeros((len(q), 8))
        design[:, 0], design[:, 1] = (1 - q) * back[c], (1 - q) * (c == 0)
        design[:, 2 + c] = q
        if ramp is not None:
            design[:, 5 + c] = r
        rows.append(np.sqrt(w)[:, None] * design)
        right.append(np.sqrt(w) * cut[c])
    priors = np.diag([1 / 0.5, 1 / veil, 0, 0, 0, *[0.0 if ramp is None else np.sqrt(ramp[3])] * 3])
    rows.append(priors)
    right.append(priors @ np.array([1, 0, 0, 0, 0, *(np.zeros(3) if ramp is None else ramp[:3])]))
    design, right = np.concatenate(rows), np.concatenate(right)
    x = np.linalg.lstsq(design, right, rcond=None)[0]
    if not 0.3 <= x[0] <= 1.2:
        g = np.clip(x[0], 0.3, 1.2)
        x = np.append(g, np.linalg.lstsq(design[:, 1:], right - g * design[:, 0], rcond=None)[0])
    return ((design @ x - right) ** 2).sum(), x[0], x[1], x[5:]


def _misfit(cut, back, place, profile, ramp, *, start=START, half_travel=0.0, noise=NOISE, veil=VEIL):
    """Chi-square of an edge `place` fine steps beyond a sample, less that of the light itself; shade, veil, ramps."""
    lo, hi = max(start - round((4.5 + half_travel) * 2), 0), min(start + round((6.5 + half_travel) * 2) + 1, M)
    j = np.arange(lo, hi)
    w = STEP / noise**2 * _information(np.where(j < start, cut[0, lo:hi], back[0, lo:hi]))
    cut, back = np.float64(cut[:, lo:hi]), np.float64(back[:, lo:hi])
    chi2, *rest = _least(cut, back, _covers((j - start) * STEP - place * STEP / FINE, profile), w, veil, ramp)
    return chi2 - (w * cut**2).sum() - 1 / 0.5**2 - ramp[3] * (ramp[:3] ** 2).sum(), *rest


def _weighed(cut, back, lo, hi, start=START, noise=NOISE):
    samples = np.zeros((M, LANES))
    weigh(Cut(cut, back, np.zeros(4)), lo, hi, start, STEP / noise**2, samples)
    return samples


def _misfit_found(cut, back, place, profile, ramp):
    lo, hi = _window(START, STEP, 0.0, M)
    samples, sums = _weighed(cut, back, lo, hi), np.empty(LANES)
    found = misfit_of_edge(_Stretch(samples, lo, hi, START, samples[lo:hi, 1].sum()),
                            TABLES.fine[profile_of(*profile)], place, VEIL, ramp, sums)
    return found, sums


RAMP = np.array([-0.012, 0.007, 0.004, 3000.0])


@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("place", [-11, -4, 1, 6])
@pytest.mark.parametrize("ramp", [RAMP, np.zeros(4)])
def test_the_misfit_of_an_edge_is_that_of_least_squares(profile, place, ramp):
    cut, back = _scene(1, profile=profile)

    (misfit, shade, veil), _ = _misfit_found(cut, back, place, profile, ramp)

    expected = _misfit(cut, back, place, profile, ramp)
    assert_allclose([misfit, shade, veil], expected[:3], rtol=2e-5)


@pytest.mark.parametrize("shade, limit", [(0.1, 0.3), (1.6, 1.2)])
def test_a_bench_is_taken_to_be_no_darker_and_no_lighter_than_a_shadow_makes_it(shade, limit):
    cut, back = _scene(2, shade=shade)

    (misfit, found, veil), _ = _misfit_found(cut, back, 3, PROFILES[0], RAMP)

    assert found == limit
    assert_allclose([misfit, veil], np.array(_misfit(cut, back, 3, PROFILES[0], RAMP)[:3])[[0, 2]], rtol=2e-5)


@pytest.mark.parametrize("profile", PROFILES)
def test_ramps_of_an_edge_are_those_of_least_squares(profile):
    cut, back = _scene(3, profile=profile)
    _, shade, veil, ramps = _misfit(cut, back, 2, profile, np.zeros(4))
    ramp = np.empty(4)

    (_, g, o), sums = _misfit_found(cut, back, 2, profile, np.zeros(4))
    _ramp_of_edge(sums, g, o, ramp)

    assert_allclose(ramp[:3], ramps, rtol=1e-4)


def test_what_an_edge_tells_of_its_ramp_is_what_is_left_of_it_beside_the_level():
    cut, back = _scene(3)
    lo, hi = 10, 33
    q, r = _covers((np.arange(lo, hi) - START) * STEP, PROFILES[0])[0]
    level = np.where(np.arange(lo, hi) < START, cut[0, lo:hi], back[0, lo:hi])
    root, ramp = np.sqrt(STEP / NOISE**2 * _information(level)), np.empty(4)
    left = root * r - root * q * np.linalg.lstsq((root * q)[:, None], root * r, rcond=None)[0]

    (_, g, o), sums = _misfit_found(cut, back, 0, PROFILES[0], np.zeros(4))
    _ramp_of_edge(sums, g, o, ramp)

    assert ramp[3] == pytest.approx(left @ left, rel=1e-5)


@pytest.mark.parametrize("start, half_travel_px, window", [(19, 0.0, (10, 33)), (19, 1.5, (7, 36)), (8, 0.0, (0, 22)),
                                                        (30, 0.0, (21, 37)), (9, 0.0, (0, 23)), (10, 0.0, (1, 24))])
def test_the_window_reaches_so_far_in_and_out_and_no_further_than_the_cut(start, half_travel_px, window):
    assert _window(start, STEP, half_travel_px, M) == window  # 4.5 px inwards, 6.5 px outwards, and half the way


@pytest.mark.parametrize("level", [-0.1, 0.0, 0.0005, 0.2, 0.9, 1.2495, 1.3])
def test_a_pixel_tells_as_much_as_the_noise_of_its_light_allows(level):
    cut = np.full((3, M), level, np.float32)

    samples = _weighed(cut, 0 * cut, 0, M, M)

    assert_allclose(samples[:, 1], STEP / NOISE**2 * _information(np.float32(level)), rtol=1e-9)


def test_noise_grows_with_light():
    assert_allclose(noise_sigma(np.array([-1.0, 0.0, 0.3])),
                    [0.006, 0.006, np.sqrt(0.006**2 + 0.045**2 * 0.3**1.17)])  # measured once, as the module says


def _gains(cut, back, profile, flank, veil=VEIL):
    """By how much an edge in the middle of each window explains it better than the bench alone, with the latter's
    residuals at the edge's best."""
    w_all = STEP / NOISE**2 * _information(np.maximum(cut[0], back[0]))
    cut, back = np.float64(cut), np.float64(back)
    none = [(np.zeros(2 * flank + 1),) * 2] * 3
    covers, out = _covers(np.arange(-flank, flank + 1) * STEP, profile), []
    for k in range(M - 2 * flank):
        at = slice(k, k + 2 * flank + 1)
        bare = _least(cut[:, at], back[:, at], none, w_all[at], veil)[0]
        edge, g, o, _ = _least(cut[:, at], back[:, at], covers, w_all[at], veil)
        left = cut[:, at] - g * back[:, at]
        left[0] -= o
        out.append((bare - edge, w_all[at] * (left**2).sum(0)))
    return np.array([g for g, _ in out]), np.array([left for _, left in out])


def _rough(cut, back, profile, limit=5.0, spread_px=3.0):
    samples = _weighed(cut, back, 0, M, -1)
    work, plain = _workspace(samples), [[1], [4, 14], [5], [6, 15], [7], [27]]  # w, w b b, w b, w b v, w v, w v v
    work.until[1:] = np.cumsum([samples[:, lanes].sum(1) for lanes in plain], 1).T
    expected = np.exp(-0.25 * (TABLES.offsets_px / spread_px) ** 2)
    found = rough_edge(profile_at(TABLES, profile_of(*profile)), expected, TOLERANCE._replace(pick_limit=limit), work)
    return found, work.gains


def _workspace(samples):
    return Workspace(samples, np.zeros((M + 1, PLAIN_SUMS)), np.full(M, np.nan), np.empty(LANES), np.empty(FLAT_LANES))


FLANKS = {PROFILES[0]: 5, PROFILES[1]: 5, PROFILES[2]: 8}  # samples: 2.5 px, and half the way


@pytest.mark.parametrize("profile", PROFILES)
def test_the_gain_of_an_edge_is_the_drop_of_chi_square_that_it_brings(profile):
    cut, back = _scene(4, profile=profile)

    _, gains = _rough(cut, back, profile)

    flank = FLANKS[profile]
    gains, expected = gains[:M - 2 * flank], _gains(cut, back, profile, flank)[0]
    tried = np.isfinite(gains)
    assert tried.sum() >= 3
    assert_allclose(gains[tried], expected[tried], rtol=1e-4, atol=1e-3)


@pytest.mark.parametrize("at_px, spread_px", [(-3.1, 3.0), (0.4, 3.0), (2.3, 3.0), (0.4, 1.0)])
@pytest.mark.parametrize("limit", [0.4, 5.0])
def test_the_edge_that_is_picked_explains_most_near_the_middle_among_those_with_bench_outside(at_px, limit, spread_px):
    cut, back = _scene(5, at_px=at_px)
    gains, left = _gains(cut, back, PROFILES[0], 5)
    clear = 5 + round(1.5 * np.hypot(0.8, READ_PX) / STEP)  # where the edge has ended
    is_clear = left[:, clear:].sum(1) <= limit * STEP * 3 * (11 - clear)
    score = (1 + np.maximum(gains, 0)) * np.exp(-0.25 * (TABLES.offsets_px[5:-5] / spread_px) ** 2)
    best = int(np.argmax(np.where(is_clear, score, -np.inf)))
    top = np.clip(np.polynomial.Polynomial.fit([-1, 0, 1], gains[best - 1:best + 2], 2).deriv().roots()[0], -1, 1)

    (start, place, gain), _ = _rough(cut, back, PROFILES[0], limit, spread_px)

    assert 0 < best < len(gains) - 1
    assert start == best + 5 + round(top)
    assert place == round((top - round(top)) * FINE)
    assert gain == pytest.approx(gains[best], rel=1e-4)


def test_the_least_of_a_cubic_lies_where_its_slope_is_nought():
    slope, curve, skew = 0.1, 1.0, 0.05
    before, least, after, further = 3 + np.polyval([skew / 6, curve / 2, slope, 0], [-1, 0, 1, 2])
    root = np.roots([skew / 2, curve, slope]).max()

    at, bend = _trough(before, least, after, further)

    assert at == pytest.approx(root, abs=1e-5)
    assert bend == pytest.approx(curve + skew * root, abs=1e-6)


@pytest.mark.parametrize("values, least", [
    ((29.0, 0.0, -17.0, -16.0), (1.0, 18.0)),  # of -24 x + 6 x^2 + x^3, as far as the next place
    ((14.0, 0.0, -6.0, -2.0), (10 / 8, 8.0)),  # of -10.7 x + 4 x^2 + 0.67 x^3, beyond it: that of the parabola
    ((3.0, 0.0, 1.0, 6.0), (1 / 4, 4.0)),
    ((3.65, 0.0, -0.65, -2.2), (2.15 / 3, 3.0)),  # of -1.5 x + 1.5 x^2 - 0.65 x^3, flat there: that of the parabola
])
def test_where_a_cubic_has_no_clear_least_the_parabola_says(values, least):
    assert_allclose(_trough(*values), least, rtol=1e-6)


def _fine(cut, back, profile, fits_ramp=False, start=START, ramp=RAMP, half_travel=0.0, place=0):
    edge, told = profile_at(TABLES, profile_of(*profile)), ramp.copy()
    found = fine_edge(Cut(cut, back, told), Start(start, place), edge._replace(half_travel_px=half_travel), TOLERANCE,
                      fits_ramp, _workspace(np.zeros((M, LANES))))
    return found, told


def _best(cut, back, profile, ramp, start=START, half_travel=0.0):
    """The best of all places with the exact least of the cubic through it and its neighbours [fine steps]."""
    def misfit(place):
        return _misfit(cut, back, place, profile, ramp, start=start, half_travel=half_travel)[0]

    best = min(range(-4 * FINE, 4 * FINE + 1), key=misfit)
    way = 1 if misfit(best + 1) < misfit(best - 1) else -1
    cubic = np.polynomial.Polynomial.fit([-way, 0, way, 2 * way], [misfit(best + k * way) for k in (-1, 0, 1, 2)], 3)
    root = min(cubic.deriv().roots().real, key=abs)
    return best, root, cubic.deriv(2)(root)


@pytest.mark.parametrize("profile, at_px", [(PROFILES[0], 0.37), (PROFILES[1], -0.81), (PROFILES[2], 1.3)])
def test_an_edge_lies_where_chi_square_is_least_and_is_as_sure_as_that_is_sharp(profile, at_px):
    cut, back = _scene(6, at_px, profile, noise=0.004)
    half_travel = profile[1] / 2
    best, beyond, bend = _best(cut, back, profile, RAMP, half_travel=half_travel)
    blur_px = np.hypot(np.hypot(profile[0], READ_PX), profile[1] / 12**0.5)

    (at, sigma, _, _), _ = _fine(cut, back, profile, half_travel=half_travel)

    assert at == pytest.approx(START * STEP + (best + beyond) * STEP / FINE, abs=1e-3)
    (again, *_), _ = _fine(cut, back, profile, half_travel=half_travel, place=best + 5)  # wherever it is sought from
    assert again == at
    # chi-square rises by one over a sigma; readings between pixels scatter less than each alone
    calm = np.sqrt(blur_px / np.hypot(blur_px, READ_PX))
    assert sigma == pytest.approx(STEP / FINE * np.sqrt(2 / bend) * calm, rel=0.01)


@pytest.mark.parametrize("bench", [0.4, 0.05])
def test_contrast_and_misfit_of_an_edge_are_means_of_what_lies_beside_it(bench):
    cut, back = _scene(7, noise=0.02, bench=bench, inside=0.2)
    best, _, _ = _best(cut, back, PROFILES[0], RAMP)
    _, shade, veil, _ = _misfit(cut, back, best, PROFILES[0], RAMP)

    (at, _, contrast, misfit), _ = _fine(cut, back, PROFILES[0])

    x = np.arange(M) * STEP - at
    x[:10], x[33:] = np.nan, np.nan  # beyond the window
    inside, outside, clear = (x > -2.9) & (x < -0.9), (x > 0.9) & (x < 3.4), x > 1.35  # blurs of 0.9 px
    assert contrast == pytest.approx(cut[0, outside].mean() - cut[0, inside].mean(), rel=1e-5)
    left = cut[0] - shade * back[0] - veil
    assert misfit == pytest.approx((_information(back[0]) / NOISE**2 * left**2)[clear].mean(), rel=1e-4)


@pytest.mark.parametrize("seed", [8, 9, 12, 13])
def test_an_edge_tells_the_ramp_that_it_would_have_by_itself(seed):
    cut, back = _scene(seed)
    best, beyond, _ = _best(cut, back, PROFILES[0], np.zeros(4))
    ramps = [_misfit(cut, back, best + k, PROFILES[0], np.zeros(4))[3] for k in (-1, 0, 1)]

    _, told = _fine(cut, back, PROFILES[0], True, ramp=np.zeros(4))

    for c in range(3):
        assert told[c] == pytest.approx(np.interp(beyond, [-1, 0, 1], [ramp[c] for ramp in ramps]), rel=0.01, abs=2e-5)


def test_an_edge_that_need_not_tell_its_ramp_leaves_what_is_known_of_it():
    _, told = _fine(*_scene(8), PROFILES[0])

    assert_allclose(told, RAMP, atol=0.0)


@pytest.mark.parametrize("away_px, is_found", [(-2.2, True), (-2.7, False), (3.2, True), (3.7, False)])
def test_an_edge_is_followed_no_further_than_the_window_allows(away_px, is_found):
    cut, back = _scene(10, at_px=0.5 * (START - (M - 1) / 2) + away_px, noise=0.002, inside=0.04)

    (at, sigma, _, misfit), _ = _fine(cut, back, PROFILES[0], ramp=np.array([0.004, -0.003, 0.002, 1e6]))

    assert bool(np.isfinite(at)) is is_found
    assert bool(np.isfinite(sigma)) is bool(np.isfinite(misfit)) is is_found
    assert not is_found or at == pytest.approx(START * STEP + away_px, abs=0.1)


def _told_ramps(n, seed=3):
    """What cuts say of their ramps, of three sides of which one is not asked for, and how each looks."""
    rng = np.random.default_rng(seed)
    ramps = np.column_stack([rng.normal([0.011, -0.006, 0.008], [0.01, 0.008, 0.007], (n, 3)),
                             rng.uniform(2e4, 6e4, n)])
    return ramps, rng.uniform(0.1, 0.3, n), rng.random(n) < 0.7


def _shared(ramps, half_travel, inside, lighter):
    """Of every second cut, by the formulas of normal distributions: means known to so much, combined by their
    information; the James-Stein shrinkage of what may be nothing (a positive part rule, textbook)."""
    at = np.arange(0, len(ramps), 2)
    light, n = np.median(inside[at]), len(at)
    usual, usual_sigma = np.array([-0.04 * light * np.mean(lighter[at]), 0, 0]), 0.03 * light
    own = 1 / np.median(ramps[at, 3])
    excess = max(np.mean(median_abs_deviation(ramps[at, :3], scale=1 / 1.4826)**2) - own, 0)
    sigma = 1.25 * np.sqrt((own + excess) / n)
    middle = np.median(ramps[at, :3], 0)
    if np.median(half_travel[at]) >= 0.5:
        weights = np.array([sigma**-2, usual_sigma**-2])
        return np.average([middle, usual], 0, weights), 1 / max(min(excess, usual_sigma**2), 1e-8)
    return middle * max(0, 1 - 12 / ((middle / sigma) ** 2).sum()), 1 / max(excess, 1e-8)


@pytest.mark.parametrize("half_travel_px", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("n", [11, 12, 51])
@pytest.mark.parametrize("share", [1.0, 0.01])  # of the scatter
def test_cuts_of_a_side_share_what_they_agree_on(half_travel_px, n, share):
    ramps, inside, lighter = _told_ramps(n)
    ramps[:, :3] = np.median(ramps[:, :3], 0) + share * (ramps[:, :3] - np.median(ramps[:, :3], 0))
    half_travel, told = np.full(n, half_travel_px), ramps.copy()
    sides = np.where(np.arange(n) % 2, 5, 1)

    _share_ramps(told, sides, 2, half_travel, inside, lighter)

    middle, information = _shared(ramps, half_travel, inside, lighter)
    assert_allclose(told[::2], np.tile([*middle, information], (len(told[::2]), 1)), rtol=1e-9)
    assert_allclose(told[1::2], ramps[1::2], atol=0.0)  # of no side that is asked for


@pytest.mark.parametrize("half_travel_px, share", [(0.25, 0.0), (0.5, 0.5), (2.0, 0.5)])
def test_few_cuts_of_a_side_share_what_is_usual(half_travel_px, share):
    ramps, inside, lighter = _told_ramps(11)
    sides = np.where(np.arange(11) % 2 == 1, 0, -1)  # five

    _share_ramps(ramps, sides, 1, np.full(11, half_travel_px), inside, lighter)

    light = np.median(inside[1::2])
    expected = [-0.04 * light * lighter[1::2].mean(), 0.0, 0.0, share / (0.03 * light) ** 2]
    assert_allclose(ramps[1::2], np.tile(expected, (5, 1)), rtol=1e-9)


@pytest.mark.parametrize("offset_px, profile", [(0.37, PROFILES[0]), (-2.3, (0.8, 3.0)), (1.6, (0.8, 5.0))])
def test_the_misfit_of_each_way_is_the_least_near_where_the_edge_was_seen(offset_px, profile):
    cut, back = _scene(11, offset_px, profile)
    travels = np.array([1.0, 3.0, 5.0])
    fine = (offset_px + 9.0) / STEP * FINE
    start = round(fine / FINE)
    place = round(fine - start * FINE)

    found = misfits_by_softness(lone_cuts(cut[None], back[None]), np.array([offset_px]), travels[None] ** 2, TOLERANCE,
                                TABLES)

    expected = [min(_misfit(cut, back, place + k, (BLUR_PX, way), np.zeros(4), start=start, half_travel=2.5)[0]
                    for k in range(-FINE, FINE + 1)) for way in travels]
    assert_allclose(found[0], expected, rtol=2e-5)


def _several(n=9):
    scenes = [_scene(20 + k, 0.1 * k - 0.4, noise=0.004, inside=0.1 if k % 3 else 0.5) for k in range(n - 1)]
    away = _scene(40, 15.0)  # no edge
    return (np.stack([scene[part] for scene in (*scenes, away)]) for part in (0, 1))


def _edges(cuts, back, lines, shares_ramps, misfit_limit=6.0):
    n = len(cuts)
    return edges_along(Cuts(cuts, back, lines, 0 * lines, 1, shares_ramps),
                       Softness(np.full(n, PROFILES[0][0]), np.zeros(n)), 3.0,
                       TOLERANCE._replace(misfit_limit=misfit_limit), TABLES)


@pytest.mark.parametrize("misfit_limit", [6.0, 0.5])
def test_edges_are_those_of_each_cut_where_they_share_nothing(misfit_limit):
    cuts, back = _several()
    lines = np.arange(1, 10)

    offset, sigma, gain, lighter = _edges(cuts, back, lines, False, misfit_limit)

    for i in range(len(cuts)):
        (start, place, its_gain), _ = _rough(cuts[i], back[i], PROFILES[0])
        (at, its_sigma, contrast, misfit), _ = (_fine(cuts[i], back[i], PROFILES[0], start=start, ramp=np.zeros(4),
                                                      place=place) if start >= 0 else ((np.nan,) * 4, None))
        if misfit < misfit_limit:
            assert_allclose([offset[i], sigma[i], gain[i]], [at - 9.0, its_sigma / np.sqrt(lines[i]), its_gain])
            assert lighter[i] == (contrast > 0)
        else:
            assert np.isnan(offset[i]) and np.isinf(sigma[i]) and gain[i] == 0 and not lighter[i]


def test_edges_of_a_side_are_found_with_the_ramp_that_they_share():
    cuts, back = _several(13)
    n, one = len(cuts), np.ones(13, np.int64)
    alone = _edges(cuts, back, one, False)
    seen, ramps = np.isfinite(alone[0]), np.zeros((n, 4))
    starts, places, _ = np.array([_rough(cuts[i], back[i], PROFILES[0])[0] for i in range(n)]).T.astype(int)
    for i in np.flatnonzero(seen):
        ramps[i] = _fine(cuts[i], back[i], PROFILES[0], True, starts[i], ramps[i], place=places[i])[1]
    _share_ramps(ramps, np.where(seen, 0, -1), 1, np.zeros(n), np.float64(cuts[:, 0, :M // 4]).mean(1), alone[3])

    offset = _edges(cuts, back, one, True)[0]

    expected = [_fine(cuts[i], back[i], PROFILES[0], False, starts[i], ramps[i])[0][0] - 9.0
                for i in np.flatnonzero(seen)]
    assert_allclose(offset[seen], expected, atol=1e-9)
