"""Sub-pixel edges across cuts of the picture, against a known or a flat background, each with its sigma."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from vision.compiled import njit, put
from vision.edges.cuts import CutGrid, to_opponent
from vision.edges.profiles import BLUR_PX, FINE, FLAT_LANES, LANES, SAMPLING_PX, profile_of, tables_of
from vision.types import FloatArray

__all__ = ["STRAY_LIGHT", "USUAL_NOISE", "PICK_LIMIT", "MISFIT_LIMIT", "Cuts", "EdgeSet", "Softness", "Tolerance",
           "noise_sigma", "lone_cuts", "find_edges", "edges_along", "misfits_by_travel"]

PICK_LIMIT, MISFIT_LIMIT = 5.0, 6.0  # as in `Tolerance` [trial]
STRAY_LIGHT = 0.01  # sigma of the brightness that it lays over the bench; smoke lays more [convention]
USUAL_NOISE = 0.6, 0.6, 0.6  # as in `Tolerance`, of a webcam indoors [trial]
_MEDIAN_SPREAD = 1.25  # of a median, in those of a mean: root of pi / 2 [derived]


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


class _Ramp(NamedTuple):
    """How a tool shines near its limb, before something lighter, as shares of its light per px inwards [measured: on
    rendered clips] with a sigma, and from which half travel on that counts [px]; how many cuts share one, the least
    scatter of that [1 / px], and up to which chi-square of 3 degrees of freedom there is none, 99.3 % [convention]."""

    usual: float = -0.04
    sigma: float = 0.03
    half_travel: float = 0.5
    cuts: int = 6
    scatter: float = 1e-4
    chi2: float = 12.0


class _Noise(NamedTuple):
    """Sigma of a pixel in linear light: floor, and at value 1 (about 5 of 255 levels), whose square grows with that
    power of the light [common practice, no source]."""

    floor: float = 0.006
    share: float = 0.045
    power: float = 1.17


_WINDOW_PX, _SHADE, _RAMP, _NOISE = _Window(), _Shade(), _Ramp(), _Noise()


class Tolerance(NamedTuple):
    """How far a picture and the bench may differ where no tool is.

    Attributes
    ----------
    pick_limit, misfit_limit : float
        Mean square of (picture - background) outside, in sigmas, above which something covers the cut: at first of all
        channels, refined of the brightness.
    veil : float
        Sigma of the veil's brightness [-].
    noise : tuple of float
        Scatter of the picture's brightness and of two differences of its colours, as in `to_opponent`, as shares of
        `noise_sigma` [-].
    """

    pick_limit: float = PICK_LIMIT
    misfit_limit: float = MISFIT_LIMIT
    veil: float = STRAY_LIGHT
    noise: tuple[float, float, float] = USUAL_NOISE


class Cuts(NamedTuple):
    """Cuts across the outline of a tool.

    Attributes
    ----------
    light, background : array, shape (n, 3, m), float32
        Of the picture and of the bench behind it, as `to_opponent` gives them.
    lines : array, shape (n,), int
        Of how many parallel lines each is the mean.
    sides : array, shape (n,), int
        Which side of the tool each lies on.
    n_sides : int
    shares_ramps : bool
        Whether those of one side share how the inside grows with depth; else it is even.
    """

    light: np.ndarray
    background: np.ndarray
    lines: np.ndarray
    sides: np.ndarray
    n_sides: int
    shares_ramps: bool


class Softness(NamedTuple):
    """How soft edges are in the picture.

    Attributes
    ----------
    blur_px : float or array, shape (n,)
        Sigma of their blur, 0.5 to 4.
    travel_px : float or array, shape (n,)
        Their way across themselves while the shutter is open; one that travels is of blur BLUR_PX otherwise.
    """

    blur_px: float | FloatArray
    travel_px: float | FloatArray = 0.0


class EdgeSet(NamedTuple):
    """One edge per cut.

    Attributes
    ----------
    offset_px : array, shape (n,)
        Outward distance from the cut's centre [px]; nan where no edge stands out.
    sigma_px : array, shape (n,)
        From the sharpness of the fit's optimum [px].
    gain : array, shape (n,)
        Drop of chi-square that the edge brings [-].
    lighter : array, shape (n,), bool
        Whether the outside is lighter than the inside.
    """

    offset_px: FloatArray
    sigma_px: FloatArray
    gain: FloatArray
    lighter: np.ndarray


class _Profile(NamedTuple):
    """One of the edges that `EdgeTables` has, and the distance of its samples [px]."""

    step_px: float
    flank: int
    rough: np.ndarray
    clear: int
    fine: np.ndarray
    blur_px: float
    half_travel_px: float


class _Cut(NamedTuple):
    """One of the cuts, (3, m), and what is known of how its inside grows with depth (4,): of each channel, and the
    information."""

    light: np.ndarray
    background: np.ndarray
    ramp: np.ndarray


class _Starts(NamedTuple):
    """From where each cut's edge is refined: the sample (n,), -1 where there is no edge; the number of its profile
    (n,); and what is known of its ramp (n, 4), as in `_Cut`."""

    sample: np.ndarray
    profile: np.ndarray
    ramps: np.ndarray


class _Workspace(NamedTuple):
    """What is written to again and again: what the samples of a cut carry (m, LANES), that summed up to each of them
    (m + 1, LANES), the gains of the rough search (m,), and sums for a fine and for a rough edge."""

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


_USUAL = Tolerance()


def lone_cuts(light: np.ndarray, background: np.ndarray) -> Cuts:
    """Cuts of one line each that share nothing."""
    n = len(light)
    return Cuts(light, background, np.ones(n, np.int64), np.zeros(n, np.int64), 1, False)


def find_edges(cuts: np.ndarray, background: np.ndarray, grid: CutGrid, softness: Softness, spread_px: float,
               tolerance: Tolerance = _USUAL) -> EdgeSet:
    """The most likely edge of each cut: tool inside, the background, perhaps in shadow or behind a veil, outside.

    Each edge position is judged by how much better it explains the cut than the background alone: the background's
    brightness is free, one factor for all channels (a shadow), and so is a grey veil over it (smoke) within its prior;
    the inside's brightness and colour are free. The best gain with true background outside, near the middle of the cut,
    is then refined by maximum likelihood on a window that stays put while the edge moves, so that no window is
    favoured; there the inside may grow or fall with depth (a rounded, shiny limb).

    Parameters
    ----------
    cuts, background : array, shape (n, 3, m), float32
        Linear light along cuts of that grid.
    spread_px : float
        How far edges may be from the middle of their cut, 1 sigma [px].
    """
    each = Softness(*(np.broadcast_to(np.asarray(px, float), (len(cuts),)).copy() for px in softness))
    light, behind = (to_opponent(np.array(light, np.float32), tolerance.noise) for light in (cuts, background))
    return edges_along(lone_cuts(light, behind), each, spread_px, tolerance, tables_of(grid))


@njit(cache=True, nogil=True, error_model="numpy")
def edges_along(cuts, softness, spread_px, tolerance, tables):
    """`find_edges` for compiled code.

    Parameters
    ----------
    cuts : Cuts
    softness : Softness
        Of each cut's edge.
    spread_px : float
        As in `find_edges`.
    tolerance : Tolerance
    tables : EdgeTables

    Returns
    -------
    EdgeSet
    """
    n = len(cuts.light)
    starts = _Starts(np.empty(n, np.int64), np.empty(n, np.int64), np.zeros((n, 4)))
    for i in range(n):
        starts.profile[i] = profile_of(softness.blur_px[i], softness.travel_px[i])
    found = EdgeSet(np.full(n, np.nan), np.full(n, np.inf), np.zeros(n), np.zeros(n, np.bool_))
    m = cuts.light.shape[2]
    work = _Workspace(np.zeros((m, LANES)), np.zeros((m + 1, LANES)), np.empty(m), np.empty(LANES),
                      np.empty(FLAT_LANES))
    expected = np.exp(-0.25 * ((np.arange(m) - 0.5 * (m - 1)) * tables.step_px / spread_px) ** 2)
    for i in range(n):
        cut = _Cut(cuts.light[i], cuts.background[i], starts.ramps[i])
        # plain numbers here: compiled once more for them, it is a twentieth of a whole fit faster
        _weigh(cut, 0, m, -1, tables.step_px / tolerance.noise[0] ** 2, work.samples)
        _sum_up(work.samples, work.until)
        starts.sample[i], found.gain[i] = _rough_edge(_profile(tables, starts.profile[i]), expected, tolerance, work)
    _refine(cuts, starts, tolerance, tables, work, found)
    for i in range(n):
        if not np.isfinite(found.offset_px[i]):
            found.gain[i] = 0.0
    return found


def noise_sigma(level: FloatArray) -> FloatArray:
    """Sigma of a pixel of that linear light: about 5 of 255 grey levels, a webcam indoors."""
    return np.sqrt(_NOISE.floor**2 + _NOISE.share**2 * np.maximum(level, 0.0) ** _NOISE.power)


_INFORMATION = noise_sigma((np.arange(1280) + 0.5) / 1024) ** -2.0  # of a pixel, by its level


@njit(cache=True, nogil=True, error_model="numpy")
def _information(level):
    """1 / noise_sigma^2."""
    return _INFORMATION[min(max(int(level * 1024), 0), 1279)]


@njit(cache=True, nogil=True, error_model="numpy")
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


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh(cut, lo, hi, border, scale, samples):
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


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _sum_up(samples, until):
    """The sums up to each sample, in place."""
    for j in range(len(samples)):
        before, after, one = until[j], until[j + 1], samples[j]
        for s in range(len(one)):
            after[s] = before[s] + one[s]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _profile(tables, number):
    """One of the tables' edges."""
    return _Profile(tables.step_px, tables.flank[number], tables.rough[number], tables.clear[number],
                    tables.fine[number], tables.blurs[number], tables.half_travels_px[number])


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _refine(cuts, starts, tolerance, tables, work, found):
    """The edges from where the rough search put them, in place; with ramps that are shared, once more."""
    n, _, m = cuts.light.shape
    for turn in range(2 if cuts.shares_ramps else 1):
        if turn == 1:
            _share_ramps(starts.ramps, np.where(np.isfinite(found.offset_px), cuts.sides, -1), cuts.n_sides,
                         tables.half_travels_px[starts.profile], _inside_light(cuts.light), found.lighter)
        for i in range(n):
            if starts.sample[i] < 0 or (turn == 1 and not np.isfinite(found.offset_px[i])):
                continue
            cut = _Cut(cuts.light[i], cuts.background[i], starts.ramps[i])
            at, sigma, contrast, misfit = _fine_edge(cut, starts.sample[i], _profile(tables, starts.profile[i]),
                                                     tolerance, cuts.shares_ramps and turn == 0, work)
            if misfit < tolerance.misfit_limit:
                # a sensor's noise is less in the mean of some lines
                found.offset_px[i] = at - 0.5 * (m - 1) * tables.step_px
                found.sigma_px[i] = sigma / math.sqrt(cuts.lines[i])
                found.lighter[i] = contrast > 0
            else:
                found.offset_px[i], found.sigma_px[i], found.lighter[i] = np.nan, np.inf, False


@njit(cache=True, nogil=True, error_model="numpy")
def _inside_light(light):
    """Brightness of the inner quarter of each cut, shape (n,)."""
    n, _, m = light.shape
    out = np.empty(n)
    for i in range(n):
        total = np.float32(0.0)
        for j in range(m // 4):
            total += light[i, 0, j]
        out[i] = total / (m // 4)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _share_ramps(ramps, sides, n_sides, half_travel, inside, lighter):
    """What all cuts of a side say of how the inside grows with depth, in place of what each says alone: (ramp of each
    channel, information) of each cut. Cuts of side -1 say nothing.

    Metal shines alike along an edge, or it does not: by as much as the ramps scatter more than the picture's noise
    explains. A ramp is hardly told apart from the place of an edge, all the less when that travels: then what is usual
    counts too.
    """
    middle, usual = np.empty(3), np.zeros(3)
    for s in range(n_sides):
        at = np.flatnonzero(sides == s)
        if len(at) == 0:
            continue
        light, travels = np.median(inside[at]), np.median(half_travel[at]) >= _RAMP.half_travel
        usual[0], usual2 = _RAMP.usual * light * lighter[at].mean(), (_RAMP.sigma * light) ** 2
        if len(at) < _RAMP.cuts:
            for i in at:
                put(usual, ramps[i, :3])
                ramps[i, 3] = 0.5 / usual2 if travels else 0.0
            continue
        own, excess = 1.0 / np.median(ramps[at, 3]), 0.0
        for c in range(3):
            middle[c] = np.median(ramps[at, c])
            excess += (1.4826 * np.median(np.abs(ramps[at, c] - middle[c]))) ** 2 - own
        excess = max(excess / 3, 0.0)
        var = _MEDIAN_SPREAD ** 2 * (own + excess) / len(at)
        if travels:
            for c in range(3):
                middle[c] = (middle[c] * usual2 + usual[c] * var) / (usual2 + var)
            excess = min(excess, usual2)
        else:  # without a sign of one, the inside is taken for even
            middle *= max(0.0, 1.0 - _RAMP.chi2 / max((middle ** 2).sum() / var, 1e-9))
        for i in at:
            put(middle, ramps[i, :3])
            ramps[i, 3] = 1.0 / max(excess, _RAMP.scatter ** 2)


@njit(cache=True, nogil=True, error_model="numpy")
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


@njit(cache=True, nogil=True, error_model="numpy")
def _plain(until, first, last):
    """Sums over samples first..last without an edge, from those up to each sample: w, w b b, w b, w b v, w v, w v v."""
    a, b = until[first], until[last]
    return (b[1] - a[1], b[4] + b[14] - a[4] - a[14], b[5] - a[5], b[6] + b[15] - a[6] - a[15], b[7] - a[7],
            b[27] - a[27])


@njit(cache=True, nogil=True, error_model="numpy")
def _rough_edge(profile, expected, tolerance, work):
    """The sample at which an edge explains most, and how much; -1 when none does with true background outside."""
    samples, until, edge, gains, sums = work.samples, work.until, profile.rough, work.gains, work.flat_sums
    clear, flank, veil = profile.clear, profile.flank, tolerance.veil
    width = 2 * flank + 1
    n, best, most = len(gains) - 2 * flank, -1, -np.inf
    for k in range(n):
        _sum_products(samples, k, edge, 0, width, sums)
        ww, bb, b1, bv, v1, _ = _plain(until, k, k + width)
        # each channel's inside level is eliminated; shade and veil are shared
        qq, oq = sums[3] - sums[1], sums[1]
        per_qq, per_cqq = 1.0 / qq, 1.0 / (sums[13] - sums[10])
        pq, qi = sums[0], sums[2] * per_qq
        cross1, cross2, qi1, qi2 = sums[8], sums[9], sums[11] * per_cqq, sums[12] * per_cqq
        a = sums[4] + sums[14] - pq * pq * per_qq - (cross1 * cross1 + cross2 * cross2) * per_cqq
        y = sums[6] + sums[15] - pq * qi - cross1 * qi1 - cross2 * qi2
        ao, yo = sums[5] - pq * oq * per_qq, sums[7] - qi * oq
        explained = qi * sums[2] + qi1 * sums[11] + qi2 * sums[12]
        g, o, drop = _shade_and_veil(a, y, ao, yo, ww - sums[3] - oq - oq * oq * per_qq, veil)
        _, _, bare = _shade_and_veil(bb, bv, b1, v1, ww, veil)
        gains[k] = explained + drop - bare
        ww, bb, b1, bv, v1, vv = _plain(until, k + clear, k + width)
        bad = vv - 2 * (g * bv + o * v1) + g * g * bb + 2 * g * o * b1 + o * o * ww
        if bad <= tolerance.pick_limit * profile.step_px * 3 * (width - clear):
            score = (1.0 + max(gains[k], 0.0)) * expected[k + flank]
            if score > most:
                best, most = k, score
    if best < 1 or best > n - 2 or gains[best] <= 0 or 2 * gains[best] - gains[best - 1] - gains[best + 1] <= 1e-9:
        return -1, 0.0
    shift = 0.5 * (gains[best + 1] - gains[best - 1]) / (2 * gains[best] - gains[best - 1] - gains[best + 1])
    return best + flank + round(min(max(shift, -1.0), 1.0)), gains[best]


@njit(cache=True, nogil=True, error_model="numpy")
def _misfit_of_edge(stretch, fine, t, veil, ramp, sums):
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


@njit(cache=True, nogil=True, error_model="numpy")
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


@njit(cache=True, nogil=True, error_model="numpy")
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


@njit(cache=True, nogil=True, error_model="numpy")
def _fine_edge(cut, start, profile, tolerance, tells_ramp, work):
    """Where the edge near sample start lies along the cut [px], its sigma, outside less inside level, and the misfit
    outside; the misfit is infinite when there is no edge within reach. The ramp that was found, when it is to be told,
    takes the place of what was known of it."""
    stretch = _stretch_about(cut, start, profile, tolerance.noise[0], work.samples)
    best = _best_place(stretch, profile, tolerance.veil, cut.ramp, work.sums)
    if not best.is_found:
        return np.nan, np.inf, 0.0, np.inf
    if tells_ramp:
        _tell_ramp(stretch, profile.fine, best, tolerance.veil, cut.ramp, work.sums)
    tiny, blur = profile.step_px / FINE, profile.blur_px
    at = start * profile.step_px + tiny * (best.place + best.beyond)
    contrast, misfit = _beside(cut, stretch, profile, best, at)
    # reading between pixels smooths their noise too: the flanks scatter less than as many readings each on its own
    calm = (blur * blur / (blur * blur + SAMPLING_PX * SAMPLING_PX)) ** 0.25
    return at, tiny * np.sqrt(2.0 / best.curve) * calm, contrast, misfit


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _stretch_about(cut, start, profile, noise, samples):
    """The part of a cut in which an edge near sample start is tried, its samples weighed."""
    lo, hi = _window(start, profile.step_px, profile.half_travel_px, cut.light.shape[1])
    _weigh(cut, lo, hi, start, profile.step_px / noise ** 2, samples)
    return _Stretch(samples, lo, hi, start, samples[lo:hi, 1].sum())


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _best_place(stretch, profile, veil, ramp, sums):
    """The place where an edge explains most: by whole pixels from the start on, then by ever smaller steps."""
    tiny, fine = profile.step_px / FINE, profile.fine
    coarse = round(1.0 / tiny)
    lowest, highest = -round(_WINDOW_PX.try_in / tiny), round(_WINDOW_PX.try_out / tiny)
    misfits, zero = np.full(highest - lowest + 1, np.inf), -lowest
    best = np.int64(0)  # a plain 0 would have what it is given to compiled once more, for that number alone
    misfits[zero], shade, veiled = _misfit_of_edge(stretch, fine, best, veil, ramp, sums)
    for stride in (-coarse, coarse):
        t = best + stride
        while lowest <= t <= highest:
            misfits[zero + t], g, o = _misfit_of_edge(stretch, fine, t, veil, ramp, sums)
            if misfits[zero + t] >= misfits[zero + best]:
                break
            best, shade, veiled = t, g, o
            t += stride
    if best < lowest + coarse or best > highest - coarse:
        return _Optimum(best, 0.0, 0.0, shade, veiled, False)
    for size in (coarse // 2, coarse // 4, 1):
        for t in (best - size, best + size):
            misfits[zero + t], g, o = _misfit_of_edge(stretch, fine, t, veil, ramp, sums)
            if misfits[zero + t] < misfits[zero + best]:
                best, shade, veiled = t, g, o
    before, least, after = misfits[zero + best - 1], misfits[zero + best], misfits[zero + best + 1]
    curve = before - 2 * least + after
    if not curve > 1e-9:
        return _Optimum(best, 0.0, 0.0, shade, veiled, False)
    stride = 1 if before > after else -1
    further, _, _ = _misfit_of_edge(stretch, fine, best + 2 * stride, veil, ramp, sums)
    beyond, curve = _trough(max(before, after), least, min(before, after), further)  # of the best place, in these steps
    return _Optimum(best, beyond * stride, curve, shade, veiled, True)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _tell_ramp(stretch, fine, best, veil, ramp, sums):
    """The ramp of an edge between two places, in place."""
    flat, here, there = np.zeros(4), np.empty(4), np.empty(4)
    for t, its in ((best.place, here), (best.place + (1 if best.beyond > 0 else -1), there)):
        _, g, o = _misfit_of_edge(stretch, fine, t, veil, flat, sums)
        _ramp_of_edge(sums, g, o, its)
    put(here + abs(best.beyond) * (there - here), ramp)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
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
            left = cut.light[0, j] - best.shade * cut.background[0, j] - best.veil
            bad += stretch.samples[j, 1] / step * left ** 2
            n_bad += 1
    contrast = outside / n_outside - inside / n_inside if n_inside > 0 and n_outside > 0 else 0.0
    return contrast, bad / max(n_bad, 1)


@njit(cache=True, nogil=True, error_model="numpy")
def misfits_by_travel(cuts, offset_px, travels_px, tolerance, tables):
    """How badly cuts are explained by edges near where they were seen that travel by so much: least misfits, shape (n,
    k).

    Parameters
    ----------
    cuts : Cuts
    offset_px : array, shape (n,)
        Where each cut's edge was seen.
    travels_px : array, shape (n, k)
        Ways to try, of each cut.
    tolerance : Tolerance
    tables : EdgeTables
    """
    (n, k), m = travels_px.shape, cuts.light.shape[2]
    samples, sums, flat, out = np.zeros((m, LANES)), np.empty(LANES), np.zeros(4), np.empty((n, k))
    for i in range(n):
        start = round(offset_px[i] / tables.step_px) + (m - 1) // 2
        place = round((offset_px[i] / tables.step_px + (m - 1) // 2 - start) * FINE)
        longest = _profile(tables, profile_of(BLUR_PX, travels_px[i].max()))
        stretch = _stretch_about(_Cut(cuts.light[i], cuts.background[i], flat), start, longest, tolerance.noise[0],
                                 samples)
        for j in range(k):
            fine, out[i, j] = tables.fine[profile_of(BLUR_PX, travels_px[i, j])], np.inf
            for t in range(place - FINE, place + FINE + 1):
                misfit, _, _ = _misfit_of_edge(stretch, fine, t, tolerance.veil, flat, sums)
                out[i, j] = min(out[i, j], misfit)
    return out


@njit(cache=True, nogil=True)
def _window(start, step, half_travel, m):
    """First and last sample of the window that stays put about one, where an edge goes half its way to either side."""
    before, after = round((_WINDOW_PX.back + half_travel) / step), round((_WINDOW_PX.fore + half_travel) / step)
    return max(start - before, 0), min(start + after + 1, m)
