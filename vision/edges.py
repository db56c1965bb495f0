"""Sub-pixel edges across cuts of the picture, against a known or a flat background, each with its sigma."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from scipy.special import ndtr

from vision.types import FloatArray

__all__ = ["LINEAR", "CutGrid", "noise_sigma", "linear_light", "sample_cuts", "edge_gain", "pick_edges", "refine_edges", "EdgeCurves", "EdgeSet"]

_INNER_PX, _OUTER_PX = 2.5, 2.5  # alike on both sides: a lopsided window favours edges away from the truth
_BACK_PX, _FORE_PX = 4.5, 6.5  # the window that stays put while the edge is tried within it
_TRY_IN_PX, _TRY_OUT_PX = 3.0, 4.0
_FINE = 4  # edges are tried at this part of the samples' distance
_SHADE_LOW, _SHADE_HIGH = 0.3, 1.2  # a shadow may darken the bench this far; anything darker is another thing
_BLUR_STEP_PX = 0.25
_SHADE_PRIOR = 0.5  # sigma of the shade about 1
_VEIL = 0.01  # sigma of a veil's brightness: what stray light does; smoke does more
_NOISE_FLOOR, _NOISE_SHARE = 0.006, 0.045  # sigma of a pixel in linear light: floor, and at value 1 (about 5 of 255 levels)


@dataclass(frozen=True)
class CutGrid:
    """Sample positions along each cut: from -reach_px (inside) to +reach_px (outside) in steps of step_px."""

    reach_px: float
    step_px: float = 0.5

    @property
    def offsets_px(self) -> FloatArray:
        """Positions, shape (m,) [px]."""
        n = int(round(self.reach_px / self.step_px))
        return np.arange(-n, n + 1) * self.step_px


@dataclass(frozen=True)
class EdgeSet:
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


@dataclass(frozen=True)
class EdgeCurves:
    """What each edge position along each cut would explain; all arrays (n, k) over positions_px (k,).

    gain: drop of chi-square against background alone; misfit: mean square beyond the edge, in sigmas;
    contrast: outside less inside level.
    """

    positions_px: FloatArray
    gain: FloatArray
    misfit: FloatArray
    contrast: FloatArray


def _tone_table() -> np.ndarray:
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


LINEAR = _tone_table()  # IEC 61966-2-1 (sRGB): a camera's real curve is near it


def linear_light(image: np.ndarray) -> np.ndarray:
    """Picture in linear light, float32 in 0..1; blur mixes light, not grey levels, so edges are fitted here."""
    return cv2.LUT(image, LINEAR)


def sample_cuts(image: np.ndarray, centre_px: FloatArray, normal_px: FloatArray, offsets_px: FloatArray) -> np.ndarray:
    """Linear light along cuts, shape (n, channels, m), float32; beyond the picture its border goes on.

    Parameters
    ----------
    image : array, shape (h, w, channels)
        uint8 as the camera gives it, or float32 already in linear light.
    centre_px, normal_px : array, shape (n, 2)
    offsets_px : array, shape (m,)
        Positions along the normal.
    """
    table = LINEAR if image.dtype == np.uint8 else np.zeros(0, np.float32)
    return _sample(image, table, centre_px, normal_px, offsets_px)


@njit(cache=True)
def _sample(image, table, centre, normal, offsets):
    h, w, channels = image.shape
    n, m = len(centre), len(offsets)
    out = np.empty((n, channels, m), np.float32)
    for i in range(n):
        for j in range(m):
            x = min(max(centre[i, 0] + offsets[j] * normal[i, 0], 0.0), w - 1.001)
            y = min(max(centre[i, 1] + offsets[j] * normal[i, 1], 0.0), h - 1.001)
            x0, y0 = int(x), int(y)
            fx, fy = np.float32(x - x0), np.float32(y - y0)
            for c in range(channels):
                a, b = image[y0, x0, c], image[y0, x0 + 1, c]
                d, e = image[y0 + 1, x0, c], image[y0 + 1, x0 + 1, c]
                if len(table):
                    upper = table[int(a)] * (1 - fx) + table[int(b)] * fx
                    lower = table[int(d)] * (1 - fx) + table[int(e)] * fx
                else:
                    upper = np.float32(a) * (1 - fx) + np.float32(b) * fx
                    lower = np.float32(d) * (1 - fx) + np.float32(e) * fx
                out[i, c, j] = upper * (1 - fy) + lower * fy
    return out


def edge_gain(cuts: np.ndarray, background: np.ndarray, offsets_px: FloatArray, blur_px, veil: float = _VEIL, noise: float = 1.0):
    """How much better "tool inside, background outside" explains each cut than background alone, per edge position.

    The background's brightness is free, one factor for all channels (a shadow), and so is a grey veil over it (smoke)
    within its prior; each channel's inside level is free.

    Parameters
    ----------
    cuts, background : array, shape (n, channels, m), float32
        Linear light.
    offsets_px : array, shape (m,)
    blur_px : float or array, shape (n,)
        Sigma of the edges' blur; rounded to quarters of a pixel.
    veil : float
        Sigma of the veil's brightness [-].
    noise : float
        Scatter of the picture as a share of `noise_sigma` [-].

    Returns
    -------
    EdgeCurves
    """
    step = float(offsets_px[1] - offsets_px[0])
    inner, outer = int(round(_INNER_PX / step)), int(round(_OUTER_PX / step))
    n, _, m = cuts.shape
    k = m - inner - outer
    gain, misfit, contrast = (np.zeros((n, k)) for _ in range(3))
    blurs, level = _levels(blur_px, n)
    inside, _ = _edge_tables(step, -inner, outer, blurs)
    # from here outward the edge's blur no longer reaches
    clear = np.minimum(inner + np.round(1.5 * blurs / step).astype(np.int64), inner + outer - 1)
    _curves(cuts, background, step, inside, clear, level, float(veil), float(noise), gain, misfit, contrast)
    return EdgeCurves(offsets_px[inner: inner + k], gain, misfit, contrast)


def _levels(blur_px, n: int) -> tuple[FloatArray, np.ndarray]:
    """The distinct blurs, and which of them each cut has."""
    rounded = np.maximum(np.round(np.broadcast_to(blur_px, (n,)) / _BLUR_STEP_PX), 2).astype(np.int64)
    blurs, level = np.unique(rounded, return_inverse=True)
    return blurs * _BLUR_STEP_PX, level


def _edge_tables(step: float, first: int, last: int, blurs_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A blurred edge at 0, for each blur: share of inside, and depth into the inside [px], at first..last steps."""
    x, blur = np.arange(first, last + 1) * step, blurs_px[:, None]
    inside = ndtr(-x / blur)
    return inside, -x * inside + blur * np.exp(-0.5 * (x / blur) ** 2) / np.sqrt(2 * np.pi)


@njit(cache=True, fastmath=True, nogil=True)
def noise_sigma(level):
    """Sigma of a pixel of that linear light: about 5 of 255 grey levels, a webcam indoors."""
    return np.sqrt(_NOISE_FLOOR ** 2 + (_NOISE_SHARE ** 2) * max(level, 0.0) ** 1.17)


@njit(cache=True, fastmath=True, nogil=True)
def _weigh(level, step, noise):
    """Information of a sample: 1 / sigma^2 of a pixel, shared among the samples that fall on one pixel."""
    return step / (noise * noise_sigma(level)) ** 2


@njit(cache=True, fastmath=True, nogil=True)
def _shade_and_veil(a, y, ao, yo, oo, veil):
    """Least squares of (shade, veil): matrix [[a, ao], [ao, oo]], right side (y, yo), priors; and the drop of chi-square."""
    a, y = a + _SHADE_PRIOR ** -2, y + _SHADE_PRIOR ** -2
    oo = oo + veil ** -2
    det = a * oo - ao * ao
    g = (y * oo - yo * ao) / det
    if g < _SHADE_LOW or g > _SHADE_HIGH:
        g = min(max(g, _SHADE_LOW), _SHADE_HIGH)
        o = (yo - g * ao) / oo
    else:
        o = (a * yo - ao * y) / det
    return g, o, 2 * (g * y + o * yo) - g * g * a - 2 * g * o * ao - o * o * oo


@njit(cache=True, fastmath=True, nogil=True)
def _curves(cuts, background, step, tables, clears, level, veil, noise, gain, misfit, contrast):
    n, channels, m = cuts.shape
    width = tables.shape[1]
    weight, bright = np.empty(m), np.empty(m)
    for i in range(n):
        inside, clear = tables[level[i]], clears[level[i]]
        bright[:] = 0.0
        for c in range(channels):
            for j in range(m):
                bright[j] += max(cuts[i, c, j], background[i, c, j]) / channels
        for j in range(m):
            weight[j] = _weigh(bright[j], step, noise)
        for k in range(m - width + 1):
            oq = qq = o2 = ww = 0.0
            for j in range(width):
                w, q = weight[k + j], inside[j]
                qq += w * q * q
                oq += w * q * (1.0 - q)
                o2 += w * (1.0 - q) * (1.0 - q)
                ww += w
            a = y = ao = yo = explained = b2 = bv = b1 = v1 = 0.0
            for c in range(channels):
                pp = pq = po = pi = qi = oi = 0.0
                for j in range(width):
                    w, q = weight[k + j], inside[j]
                    b = background[i, c, k + j]
                    v = cuts[i, c, k + j]
                    p = b * (1.0 - q)
                    pp += w * p * p
                    pq += w * p * q
                    po += w * p * (1.0 - q)
                    pi += w * p * v
                    qi += w * q * v
                    oi += w * (1.0 - q) * v
                    b2 += w * b * b
                    bv += w * b * v
                    b1 += w * b
                    v1 += w * v
                # each channel's inside level is eliminated; shade and veil are shared
                a += pp - pq * pq / qq
                y += pi - pq * qi / qq
                ao += po - pq * oq / qq
                yo += oi - oq * qi / qq
                explained += qi * qi / qq
            g, o, drop = _shade_and_veil(a, y, ao, yo, channels * (o2 - oq * oq / qq), veil)
            _, _, bare = _shade_and_veil(b2, bv, b1, v1, channels * ww, veil)
            gain[i, k] = explained + drop - bare
            bad = difference = 0.0
            for c in range(channels):
                f = 0.0
                for j in range(width):
                    w, q = weight[k + j], inside[j]
                    d = cuts[i, c, k + j] - (g * background[i, c, k + j] + o) * (1.0 - q)
                    f += w * q * d
                    if j >= clear:
                        bad += w * (cuts[i, c, k + j] - g * background[i, c, k + j] - o) ** 2
                difference += g * background[i, c, k + clear] + o - f / qq
            misfit[i, k] = bad / (step * channels * (width - clear))
            contrast[i, k] = difference / channels


def refine_edges(
    cuts: np.ndarray, background: np.ndarray, offsets_px: FloatArray, rough: EdgeSet, blur_px,
    misfit_limit: float = 6.0, veil: float = _VEIL, noise: float = 1.0,
) -> EdgeSet:
    """Edges by maximum likelihood on a window that stays put while the edge moves, so that no window is favoured.

    Inside, the level may grow or fall with depth (a rounded, shiny limb); outside it is the background times a shade,
    under a grey veil.

    Parameters
    ----------
    rough : EdgeSet
        Where to look, to about 2 px.
    blur_px : float or array, shape (n,)
        Sigma of the edges' blur; rounded to quarters of a pixel.
    misfit_limit : float
        Mean square of (picture - shaded background) outside, in sigmas, above which something covers the cut.
    """
    step = float(offsets_px[1] - offsets_px[0])
    n, _, m = cuts.shape
    known = np.isfinite(rough.offset_px)
    start = np.where(known, np.round((rough.offset_px - offsets_px[0]) / step), 0).astype(np.int64)
    blurs, level = _levels(blur_px, n)
    inside, depth = _edge_tables(step / _FINE, -_FINE * m, _FINE * m, blurs)
    offset, sigma, contrast, misfit = np.full(n, np.nan), np.full(n, np.inf), np.zeros(n), np.zeros(n)
    _refine(cuts, background, step, start, known, inside, depth, blurs, level, float(veil), float(noise), offset, sigma, contrast, misfit)
    ok = np.isfinite(offset) & (misfit < misfit_limit)
    return EdgeSet(
        np.where(ok, offset + offsets_px[0], np.nan), np.where(ok, sigma, np.inf), np.where(ok, rough.gain, 0.0), contrast > 0
    )


@njit(cache=True, fastmath=True, nogil=True)
def _misfit_of_edge(cut, back, weight, lo, hi, zero, inside, depth, veil):
    """Least misfit over inside levels, ramps, shade and veil when the edge lies at sample (len(inside) // 2 - zero) / _FINE."""
    channels = len(cut)
    qq = qr = rr = oq = our = o2 = 0.0
    for j in range(lo, hi):
        w, q, r = weight[j], inside[_FINE * j + zero], depth[_FINE * j + zero]
        qq += w * q * q
        qr += w * q * r
        rr += w * r * r
        oq += w * q * (1.0 - q)
        our += w * r * (1.0 - q)
        o2 += w * (1.0 - q) * (1.0 - q)
    rr2 = rr - qr * qr / qq
    or2 = our - oq * qr / qq
    a = y = ao = yo = explained = 0.0
    for c in range(channels):
        pp = pq = pr = po = pi = qi = ri = oi = 0.0
        for j in range(lo, hi):
            w, q, r = weight[j], inside[_FINE * j + zero], depth[_FINE * j + zero]
            p = back[c, j] * (1.0 - q)
            wp, wv = w * p, w * cut[c, j]
            pp += wp * p
            pq += wp * q
            pr += wp * r
            po += wp * (1.0 - q)
            pi += wp * cut[c, j]
            qi += wv * q
            ri += wv * r
            oi += wv * (1.0 - q)
        pr2 = pr - pq * qr / qq
        ri2 = ri - qi * qr / qq
        a += pp - pq * pq / qq - pr2 * pr2 / rr2
        y += pi - pq * qi / qq - pr2 * ri2 / rr2
        ao += po - pq * oq / qq - pr2 * or2 / rr2
        yo += oi - oq * qi / qq - or2 * ri2 / rr2
        explained += qi * qi / qq + ri2 * ri2 / rr2
    g, o, drop = _shade_and_veil(a, y, ao, yo, channels * (o2 - oq * oq / qq - or2 * or2 / rr2), veil)
    return -explained - drop, g, o


@njit(cache=True, fastmath=True, nogil=True)
def _refine(cuts, background, step, start, known, insides, depths, blurs, level, veil, noise, offset, sigma, contrast, misfit):
    n, channels, m = cuts.shape
    back, fore = int(round(_BACK_PX / step)), int(round(_FORE_PX / step))
    fine = step / _FINE
    coarse, close = int(round(1.0 / fine)), int(round(0.25 / fine))
    lowest, highest = -int(round(_TRY_IN_PX / fine)), int(round(_TRY_OUT_PX / fine))
    middle = insides.shape[1] // 2
    weight = np.empty(m)
    for i in range(n):
        if not known[i]:
            continue
        inside, depth, blur = insides[level[i]], depths[level[i]], blurs[level[i]]
        lo, hi = max(start[i] - back, 0), min(start[i] + fore + 1, m)
        for j in range(lo, hi):
            v = 0.0
            for c in range(channels):
                v += cuts[i, c, j] if j < start[i] else background[i, c, j]
            weight[j] = _weigh(v / channels, step, noise)
        zero = middle - _FINE * start[i]
        best, least = 0, np.inf
        for t in range(lowest, highest + 1, coarse):
            sse, _, _ = _misfit_of_edge(cuts[i], background[i], weight, lo, hi, zero - t, inside, depth, veil)
            if sse < least:
                best, least = t, sse
        if best == lowest or best > highest - coarse:
            continue
        around = best
        for t in range(around - coarse + close, around + coarse, close):
            sse, _, _ = _misfit_of_edge(cuts[i], background[i], weight, lo, hi, zero - t, inside, depth, veil)
            if sse < least:
                best, least = t, sse
        before, _, _ = _misfit_of_edge(cuts[i], background[i], weight, lo, hi, zero - best + close, inside, depth, veil)
        after, _, _ = _misfit_of_edge(cuts[i], background[i], weight, lo, hi, zero - best - close, inside, depth, veil)
        _, shade, veiled = _misfit_of_edge(cuts[i], background[i], weight, lo, hi, zero - best, inside, depth, veil)
        curve = before - 2 * least + after
        if curve <= 1e-9:
            continue
        at = start[i] * step + fine * (best + close * 0.5 * (before - after) / curve)
        offset[i] = at
        sigma[i] = fine * close * np.sqrt(2.0 / curve)
        inner = outer = bad = 0.0
        ni = no = nb = 0
        for j in range(lo, hi):
            x = j * step - at
            for c in range(channels):
                if -blur - 2.0 < x < -blur:
                    inner += cuts[i, c, j]
                    ni += 1
                if blur < x < blur + 2.5:
                    outer += cuts[i, c, j]
                    no += 1
                if x > 1.5 * blur:
                    bad += weight[j] / step * (cuts[i, c, j] - shade * background[i, c, j] - veiled) ** 2
                    nb += 1
        if ni > 0 and no > 0:
            contrast[i] = outer / no - inner / ni
        misfit[i] = bad / max(nb, 1)


def pick_edges(curves: EdgeCurves, expected_px: FloatArray, spread_px: float, misfit_limit: float = 5.0) -> EdgeSet:
    """The edge of each cut: the best gain among those with true background outside, near where it is expected.

    Parameters
    ----------
    curves : EdgeCurves
    expected_px : array, shape (n,)
    spread_px : float
        How far edges may be from where they are expected, 1 sigma [px].
    misfit_limit : float
        Mean square of (picture - background) outside, in sigmas, above which something covers the cut.
    """
    pos, gain = curves.positions_px, curves.gain
    step = pos[1] - pos[0]
    score = 2.0 * np.log1p(np.maximum(gain, 0.0)) - ((pos[None] - expected_px[:, None]) / spread_px) ** 2 / 2
    score -= np.where(curves.misfit > misfit_limit, 1e3, 0.0)
    best = np.clip(score.argmax(1), 1, len(pos) - 2)
    rows = np.arange(len(gain))
    g0, g1, g2 = gain[rows, best - 1], gain[rows, best], gain[rows, best + 1]
    curve = g0 - 2 * g1 + g2
    ok = (curve < -1e-9) & (g1 > 0) & (curves.misfit[rows, best] <= misfit_limit)
    shift = np.where(ok, np.clip(0.5 * (g0 - g2) / np.where(ok, curve, 1.0), -1.0, 1.0), 0.0)
    sigma = np.where(ok, step * np.sqrt(2.0 / np.maximum(-curve, 1e-9)), np.inf)
    return EdgeSet(
        np.where(ok, pos[best] + shift * step, np.nan), sigma, np.where(ok, g1, 0.0), curves.contrast[rows, best] > 0
    )
