"""What one cut says of an edge in it: how much better an edge at a place explains its light than the bench alone does,
roughly at every sample, then to a fraction of a pixel; compiled.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from vision.compiled import Apart, njit, put
from vision.edges.profiles import FINE, SAMPLING_PX
from vision.types import FloatArray

__all__ = ["PLAIN_SUMS", "Cut", "Profile", "Start", "Workspace", "fine_edge", "misfit_of_edge", "noise_sigma",
           "profile_at", "rough_edge", "stretch_about", "sum_up", "weigh"]


class _Window(NamedTuple):
    """Pixels inwards and outwards of an edge [convention]: of the window that stays put while the edge is tried within
    it, and of the places that are tried."""

    back: float = 4.5
    fore: float = 6.5
    try_in: float = 3.0
    try_out: float = 4.0


class _Shade(NamedTuple):
    """How far a shadow may darken the bench, or light brighten it, as factors, and their sigma about 1 [convention]:
    anything darker is another thing."""

    low: float = 0.3
    high: float = 1.2
    sigma: float = 0.5


class _Noise(NamedTuple):
    """Sigma of a pixel in linear light: floor, and at value 1 (about 5 of 255 levels), whose square grows with that
    power of the light [common practice, no source]."""

    floor: float = 0.006
    share: float = 0.045
    power: float = 1.17


PLAIN_SUMS = 6  # that `sum_up` makes [derived]
_WINDOW_PX, _SHADE, _NOISE = _Window(), _Shade(), _Noise()
_compiled = njit(cache=True, nogil=True, error_model="numpy", pipeline_class=Apart)
_inlined = njit(cache=True, nogil=True, error_model="numpy", inline="always", pipeline_class=Apart)


class Profile(NamedTuple):
    """One of the edges that `EdgeTables` has, and the distance of its samples [px]."""

    step_px: float
    flank: int
    rough: np.ndarray
    clear: int
    fine: np.ndarray
    blur_px: float
    half_travel_px: float


class Cut(NamedTuple):
    """One of the cuts, (3, m), and what is known of how its inside grows with depth (4,): of each channel, and the
    information."""

    light: np.ndarray
    background: np.ndarray
    ramp: np.ndarray


class Start(NamedTuple):
    """Where a fine edge is sought: a sample, about which its window stays put, and fine steps beyond it."""

    sample: int
    beyond: int


class Workspace(NamedTuple):
    """What is written to again and again: what the samples of a cut carry (m, LANES), sums up to each of them (m + 1,
    PLAIN_SUMS), the gains of the rough search (m,), and sums for a fine and for a rough edge."""

    samples: np.ndarray
    until: np.ndarray
    gains: np.ndarray
    sums: np.ndarray
    flat_sums: np.ndarray


class _Stretch(NamedTuple):
    """The part of a cut in which an edge is tried: what its samples carry, first and last of them, the one next to the
    edge, and the sum of their weights."""

    samples: np.ndarray
    first: int
    last: int
    start: int
    weight: float


class _Optimum(NamedTuple):
    """Where an edge explains most: fine steps from the start, what it lies beyond them, the misfit's curvature there,
    and the bench's shade and veil; and whether there is one within reach."""

    place: np.int64
    beyond: float
    curve: float
    shade: float
    veil: float
    is_found: bool


def noise_sigma(level: FloatArray) -> FloatArray:
    """Sigma of a pixel of that linear light: about 5 of 255 grey levels, a webcam indoors."""
    return np.sqrt(_NOISE.floor**2 + _NOISE.share**2 * np.maximum(level, 0.0) ** _NOISE.power)


_INFORMATION = noise_sigma((np.arange(1280) + 0.5) / 1024) ** -2.0  # of a pixel, by its level


@_compiled
def _information(level):
    """1 / noise_sigma^2."""
    return _INFORMATION[min(max(int(level * 1024), 0), 1279)]


@_inlined
def profile_at(tables, number):
    """One of the tables' edges."""
    return Profile(tables.step_px, tables.flank[number], tables.rough[number], tables.clear[number],
                   tables.fine[number], tables.blurs[number], tables.half_travels_px[number])


@_compiled
def weigh(cut, lo, hi, border, scale, samples):
    """What samples lo..hi carry. Light is that of the cut before the border and of the background behind it; without a
    border (-1), that of the brighter one."""
    light, back = cut.light, cut.background
    for j in range(lo, hi):
        b, b1, b2, v, v1, v2 = back[0, j], back[1, j], back[2, j], light[0, j], light[1, j], light[2, j]
        w = scale * _information(v if j < border else b if border >= 0 else max(b, v))
        samples[j, 1] = samples[j, 3] = samples[j, 10] = samples[j, 13] = w
        samples[j, 18] = samples[j, 19] = samples[j, 20] = samples[j, 25] = samples[j, 26] = w
        samples[j, 0] = samples[j, 5] = samples[j, 16] = w * b
        samples[j, 2] = samples[j, 7] = samples[j, 17] = w * v
        samples[j, 4], samples[j, 6] = w * b * b, w * b * v
        samples[j, 8] = samples[j, 21] = w * b1
        samples[j, 9] = samples[j, 22] = w * b2
        samples[j, 11] = samples[j, 23] = w * v1
        samples[j, 12] = samples[j, 24] = w * v2
        samples[j, 14], samples[j, 15] = w * (b1 * b1 + b2 * b2), w * (b1 * v1 + b2 * v2)
        samples[j, 27] = w * (v * v + v1 * v1 + v2 * v2)


@_inlined
def sum_up(samples, until):
    """What samples carry without an edge, summed up to each of them, in place: w, w b b, w b, w b v, w v, w v v."""
    for j in range(len(samples)):
        before, after, one = until[j], until[j + 1], samples[j]
        after[0], after[2], after[4] = before[0] + one[1], before[2] + one[5], before[4] + one[7]
        after[1], after[3] = before[1] + one[4] + one[14], before[3] + one[6] + one[15]
        after[5] = before[5] + one[27]


@_compiled
def rough_edge(profile, expected, tolerance, work):
    """The sample at which an edge explains most, how many fine steps beyond it the edge is, and how much it explains;
    the sample is -1 when none does with true background outside."""
    until, gains, flank = work.until, work.gains, profile.flank
    n, best, most = len(gains) - 2 * flank, -1, -np.inf
    for i in range(n):  # from the middle outwards: further out many cannot be better, and need not be tried
        k = n // 2 + ((i + 1) // 2 if i % 2 else -(i // 2))
        ww, bb, b1, bv, v1, vv = _plain(until, k, k + 2 * flank + 1)
        _, _, bare = _shade_and_veil(bb, bv, b1, v1, ww, tolerance.veil)
        gains[k] = np.nan
        if (1.0 + vv + _SHADE.sigma ** -2 - bare) * expected[k + flank] > most:
            gains[k], is_clear = _gain_at(profile, k, bare, tolerance, work)
            score = (1.0 + max(gains[k], 0.0)) * expected[k + flank]
            if is_clear and score > most:
                best, most = k, score
    if best < 1 or best > n - 2 or gains[best] <= 0:
        return -1, np.int64(0), 0.0
    for k in (best - 1, best + 1):
        if np.isnan(gains[k]):
            ww, bb, b1, bv, v1, _ = _plain(until, k, k + 2 * flank + 1)
            gains[k], _ = _gain_at(profile, k, _shade_and_veil(bb, bv, b1, v1, ww, tolerance.veil)[2], tolerance, work)
    curve = 2 * gains[best] - gains[best - 1] - gains[best + 1]
    if curve <= 1e-9:
        return -1, np.int64(0), 0.0
    shift = min(max(0.5 * (gains[best + 1] - gains[best - 1]) / curve, -1.0), 1.0)
    return best + flank + round(shift), round(FINE * (shift - round(shift))), gains[best]


@_compiled
def _gain_at(profile, k, bare, tolerance, work):
    """How much more an edge in the middle of the window from sample k on explains than the bench, which explains so
    much; and whether the bench is what lies outside of it."""
    sums, clear, width = work.flat_sums, profile.clear, 2 * profile.flank + 1
    _sum_products(work.samples, k, profile.rough, 0, width, sums)
    # each channel's inside level is eliminated; shade and veil are shared
    qq, oq = sums[3] - sums[1], sums[1]
    per_qq, per_cqq = 1.0 / qq, 1.0 / (sums[13] - sums[10])
    pq, qi = sums[0], sums[2] * per_qq
    cross1, cross2, qi1, qi2 = sums[8], sums[9], sums[11] * per_cqq, sums[12] * per_cqq
    a = sums[4] + sums[14] - pq * pq * per_qq - (cross1 * cross1 + cross2 * cross2) * per_cqq
    y = sums[6] + sums[15] - pq * qi - cross1 * qi1 - cross2 * qi2
    ao, yo = sums[5] - pq * oq * per_qq, sums[7] - qi * oq
    explained = qi * sums[2] + qi1 * sums[11] + qi2 * sums[12]
    oo = work.until[k + width, 0] - work.until[k, 0] - sums[3] - oq - oq * oq * per_qq
    g, o, drop = _shade_and_veil(a, y, ao, yo, oo, tolerance.veil)
    ww, bb, b1, bv, v1, vv = _plain(work.until, k + clear, k + width)
    bad = vv - 2 * (g * bv + o * v1) + g * g * bb + 2 * g * o * b1 + o * o * ww
    return explained + drop - bare, bad <= tolerance.pick_limit * profile.step_px * 3 * (width - clear)


@_compiled
def fine_edge(cut, start, profile, tolerance, tells_ramp, work):
    """Where the edge near a start lies along the cut [px], its sigma, outside less inside level, and the misfit
    outside; the misfit is infinite when there is no edge within reach. The ramp that was found, when it is to be told,
    takes the place of what was known of it."""
    stretch = stretch_about(cut, start.sample, profile, tolerance.noise[0], work.samples)
    best = _best_place(stretch, profile, start.beyond, tolerance.veil, cut.ramp, work.sums)
    if not best.is_found:
        return np.nan, np.inf, 0.0, np.inf
    if tells_ramp:
        _tell_ramp(stretch, profile.fine, best, tolerance.veil, cut.ramp, work.sums)
    tiny, blur = profile.step_px / FINE, profile.blur_px
    at = start.sample * profile.step_px + tiny * (best.place + best.beyond)
    contrast, misfit = _beside(cut, stretch, profile, best, at)
    # reading between pixels smooths their noise too: the flanks scatter less than as many readings each on its own
    calm = (blur * blur / (blur * blur + SAMPLING_PX * SAMPLING_PX)) ** 0.25
    return at, tiny * np.sqrt(2.0 / best.curve) * calm, contrast, misfit


@_inlined
def stretch_about(cut, start, profile, noise, samples):
    """The part of a cut in which an edge near sample start is tried, its samples weighed."""
    lo, hi = _window(start, profile.step_px, profile.half_travel_px, cut.light.shape[1])
    weigh(cut, lo, hi, start, profile.step_px / noise ** 2, samples)
    return _Stretch(samples, lo, hi, start, samples[lo:hi, 1].sum())


@_inlined
def _best_place(stretch, profile, place, veil, ramp, sums):
    """The place about that one where an edge explains most, sought by steps that grow as long as they lead there."""
    tiny, fine = profile.step_px / FINE, profile.fine
    coarse = round(1.0 / tiny)
    lowest, highest = -round(_WINDOW_PX.try_in / tiny), round(_WINDOW_PX.try_out / tiny)
    misfits, zero = np.full(highest - lowest + 1, np.inf), -lowest
    best, size, way, failed = place, 2, 1, 0
    misfits[zero + best], shade, veiled = misfit_of_edge(stretch, fine, best, veil, ramp, sums)
    while size > 0:
        t = best + way * size
        if lowest <= t <= highest and misfits[zero + t] == np.inf:
            misfits[zero + t], g, o = misfit_of_edge(stretch, fine, t, veil, ramp, sums)
            if misfits[zero + t] < misfits[zero + best]:  # where it came from is worse
                best, size, failed, shade, veiled = t, min(2 * size, coarse), 1, g, o
                continue
        way, failed = -way, failed + 1
        if failed == 2:
            size, failed = size // 2, 0
    if best < lowest + coarse // 2 or best > highest - coarse // 2:
        return _Optimum(best, 0.0, 0.0, shade, veiled, False)
    before, least, after = misfits[zero + best - 1], misfits[zero + best], misfits[zero + best + 1]
    curve = before - 2 * least + after
    if not curve > 1e-9:
        return _Optimum(best, 0.0, 0.0, shade, veiled, False)
    stride = 1 if before > after else -1
    further, _, _ = misfit_of_edge(stretch, fine, best + 2 * stride, veil, ramp, sums)
    beyond, curve = _trough(max(before, after), least, min(before, after), further)  # of the best place, in these steps
    return _Optimum(best, beyond * stride, curve, shade, veiled, True)


@_inlined
def _tell_ramp(stretch, fine, best, veil, ramp, sums):
    """The ramp of an edge between two places, in place."""
    flat, here, there = np.zeros(4), np.empty(4), np.empty(4)
    for t, its in ((best.place, here), (best.place + (1 if best.beyond > 0 else -1), there)):
        _, g, o = misfit_of_edge(stretch, fine, t, veil, flat, sums)
        _ramp_of_edge(sums, g, o, its)
    put(here + abs(best.beyond) * (there - here), ramp)


@_inlined
def _beside(cut, stretch, profile, best, at):
    """Brightness outside less that inside an edge at that place [px], and how badly the bench explains the outside."""
    inside = outside = bad = 0.0
    n_inside = n_outside = n_bad = 0
    step, blur = profile.step_px, profile.blur_px
    for j in range(stretch.first, stretch.last):
        x = j * step - at
        if -blur - 2.0 < x < -blur:
            inside += cut.light[0, j]
            n_inside += 1
        if blur < x < blur + 2.5:
            outside += cut.light[0, j]
            n_outside += 1
        if x > 1.5 * blur:
            residual = cut.light[0, j] - best.shade * cut.background[0, j] - best.veil
            bad += stretch.samples[j, 1] / step * residual ** 2
            n_bad += 1
    contrast = outside / n_outside - inside / n_inside if n_inside > 0 and n_outside > 0 else 0.0
    return contrast, bad / max(n_bad, 1)


@_compiled
def misfit_of_edge(stretch, fine, t, veil, ramp, sums):
    """Least misfit over inside levels, ramps, shade and veil when the edge lies t fine steps beyond the start."""
    whole, lo = t // FINE, stretch.first
    _sum_products(stretch.samples, lo, fine[t - whole * FINE], lo + fine.shape[1] // 2 - stretch.start - whole,
                  stretch.last - lo, sums)
    qq, oq, qr, our = sums[3] - sums[1], sums[1], sums[19], sums[18]
    per_qq = 1.0 / qq
    rr, or2 = sums[20] - qr * qr * per_qq + ramp[3], our - oq * qr * per_qq
    per_rr = 1.0 / rr
    pq, qi = sums[0], sums[2] * per_qq
    pr, ri = sums[16] - pq * qr * per_qq, (sums[17] - qi * qr + ramp[3] * ramp[0]) * per_rr
    a, y = sums[4] + sums[14] - pq * pq * per_qq - pr * pr * per_rr, sums[6] + sums[15] - pq * qi - pr * ri
    ao, yo = sums[5] - pq * oq * per_qq - pr * or2 * per_rr, sums[7] - qi * oq - ri * or2
    explained = qi * qi * qq + ri * ri * rr
    oo = stretch.weight - sums[3] - oq - oq * oq * per_qq - or2 * or2 * per_rr
    qq, qr = sums[13] - sums[10], sums[25]
    per_qq = 1.0 / qq
    rr = sums[26] - qr * qr * per_qq + ramp[3]
    per_rr = 1.0 / rr
    for c in range(2):
        pq, qi = sums[8 + c], sums[11 + c] * per_qq
        pr, ri = sums[21 + c] - pq * qr * per_qq, (sums[23 + c] - qi * qr + ramp[3] * ramp[1 + c]) * per_rr
        a -= pq * pq * per_qq + pr * pr * per_rr
        y -= pq * qi + pr * ri
        explained += qi * qi * qq + ri * ri * rr
    g, o, drop = _shade_and_veil(a, y, ao, yo, oo, veil)
    return -explained - drop, g, o


@_compiled
def _ramp_of_edge(sums, g, o, ramp):
    """The ramps of the edge that these sums are of, and their information; `ramp` is as yet flat of unknown slope."""
    qq, oq, qr = sums[3] - sums[1], sums[1], sums[19]
    info = sums[20] - qr * qr / qq
    pr = sums[16] - sums[0] * qr / qq
    ramp[0] = (sums[17] - sums[2] * qr / qq - g * pr - o * (sums[18] - oq * qr / qq)) / info
    ramp[3] = info
    qq, qr = sums[13] - sums[10], sums[25]
    info = sums[26] - qr * qr / qq
    for c in range(2):
        pr = sums[21 + c] - sums[8 + c] * qr / qq
        ramp[1 + c] = (sums[23 + c] - sums[11 + c] * qr / qq - g * pr) / info


@_compiled
def _trough(before, least, after, further):
    """Where the cubic through values at -1, 0, 1 and 2 has its least, and its curvature there.

    Noise goes by the light, so that the two flanks are not alike: a parabola would put every edge to its lighter side.
    """
    slope, curve, skew = 0.5 * (after - before), before - 2 * least + after, further - 3 * after + 3 * least - before
    parabola = -slope / curve
    slope -= skew / 6
    at = -(slope + 0.5 * skew * (slope / curve) ** 2) / curve
    if abs(at) > 1.0 or curve + skew * at < 0.25 * curve:
        return parabola, curve
    return at, curve + skew * at


@_compiled
def _shade_and_veil(a, y, ao, yo, oo, veil):
    """Least squares of (shade, veil): matrix [[a, ao], [ao, oo]], right side (y, yo), priors; and the drop of
    chi-square.
    """
    a, y = a + _SHADE.sigma ** -2, y + _SHADE.sigma ** -2
    oo = oo + veil ** -2
    inverse = 1.0 / (a * oo - ao * ao)
    g = (y * oo - yo * ao) * inverse
    if g < _SHADE.low or g > _SHADE.high:
        g = min(max(g, _SHADE.low), _SHADE.high)
        o = (yo - g * ao) / oo
    else:
        o = (a * yo - ao * y) * inverse
    return g, o, 2 * (g * y + o * yo) - g * g * a - 2 * g * o * ao - o * o * oo


@_compiled
def _sum_products(samples, first, edge, its_first, n_rows, sums):
    """Products of so many rows of two tables, summed lane by lane, for as many lanes as there are sums.

    Their number is read from the array: a loop of known length is unrolled, and takes one lane at a time.
    """
    n_lanes = len(sums)
    for s in range(n_lanes):
        sums[s] = 0.0
    for j in range(n_rows):
        one, other = samples[first + j], edge[its_first + j]
        for s in range(n_lanes):
            sums[s] += one[s] * other[s]


@_compiled
def _plain(until, first, last):
    """Sums over samples first..last without an edge, as `sum_up` orders them."""
    a, b = until[first], until[last]
    return b[0] - a[0], b[1] - a[1], b[2] - a[2], b[3] - a[3], b[4] - a[4], b[5] - a[5]


@_compiled
def _window(start, step, half_travel, m):
    """First and last sample of the window that stays put about one, where an edge goes half its way to either side."""
    before, after = round((_WINDOW_PX.back + half_travel) / step), round((_WINDOW_PX.fore + half_travel) / step)
    return max(start - before, 0), min(start + after + 1, m)
