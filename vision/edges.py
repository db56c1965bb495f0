"""Sub-pixel edges across cuts of the picture, against a known or a flat background, each with its sigma."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit

from vision.types import FloatArray

__all__ = ["CutGrid", "linear_light", "sample_cuts", "edge_gain", "pick_edges", "refine_edges", "EdgeCurves", "EdgeSet"]

_INNER_PX, _OUTER_PX = 2.5, 2.5  # alike on both sides: a lopsided window favours edges away from the truth
_BACK_PX, _FORE_PX = 4.5, 6.5  # the window that stays put while the edge is tried within it
_TRY_IN_PX, _TRY_OUT_PX, _TRY_STEP_PX = 2.5, 4.0, 0.5
_SHADE_LOW, _SHADE_HIGH = 0.3, 1.2  # a shadow may darken the bench this far; anything darker is another thing
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
    contrast: outside less inside level; shade: brightness of the outside against the background.
    """

    positions_px: FloatArray
    gain: FloatArray
    misfit: FloatArray
    contrast: FloatArray
    shade: FloatArray


def _tone_table() -> np.ndarray:
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


_LINEAR = _tone_table()  # IEC 61966-2-1 (sRGB): a camera's real curve is near it


def linear_light(image: np.ndarray) -> np.ndarray:
    """Picture in linear light, float32 in 0..1; blur mixes light, not grey levels, so edges are fitted here."""
    return cv2.LUT(image, _LINEAR)


def sample_cuts(image: np.ndarray, centre_px: FloatArray, normal_px: FloatArray, offsets_px: FloatArray) -> np.ndarray:
    """Values along cuts, shape (n, m, channels), float32; beyond the picture the border is repeated."""
    x = centre_px[:, None, 0] + offsets_px[None] * normal_px[:, None, 0]
    y = centre_px[:, None, 1] + offsets_px[None] * normal_px[:, None, 1]
    out = cv2.remap(image, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out[..., None] if out.ndim == 2 else out


def edge_gain(cuts: np.ndarray, background: np.ndarray, offsets_px: FloatArray, blur_px: float):
    """How much better "tool inside, background outside" explains each cut than background alone, per edge position.

    The background's brightness is free, one factor for all channels (a shadow), each channel's inside level is free.

    Parameters
    ----------
    cuts, background : array, shape (n, m, 3), float32
        Linear light.
    offsets_px : array, shape (m,)
    blur_px : float
        Sigma of the edge's blur.

    Returns
    -------
    EdgeCurves
    """
    step = float(offsets_px[1] - offsets_px[0])
    inner, outer = int(round(_INNER_PX / step)), int(round(_OUTER_PX / step))
    n, m, _ = cuts.shape
    k = m - inner - outer
    gain, misfit, contrast, shade = (np.zeros((n, k)) for _ in range(4))
    _curves(cuts, background, step, inner, outer, float(blur_px), gain, misfit, contrast, shade)
    return EdgeCurves(offsets_px[inner: inner + k], gain, misfit, contrast, shade)


@njit(cache=True, fastmath=True)
def _curves(cuts, background, step, inner, outer, blur, gain, misfit, contrast, shade):
    n, m, channels = cuts.shape
    width = inner + outer + 1
    inside = np.empty(width)
    for j in range(width):
        inside[j] = 0.5 - 0.5 * _erf((j - inner) * step / (blur * 1.4142135623730951))
    clear = inner + int(round(1.5 * blur / step))  # from here outward the edge's blur no longer reaches
    weight = np.empty(m)
    for i in range(n):
        for j in range(m):
            v = 0.0
            for c in range(channels):
                v += max(cuts[i, j, c], background[i, j, c])
            weight[j] = step / (_NOISE_FLOOR ** 2 + (_NOISE_SHARE ** 2) * (v / channels) ** 1.17)
        for k in range(m - inner - outer):
            a = y = bb = bi = explained = 0.0
            for c in range(channels):
                pp = pq = qq = pi = qi = 0.0
                for j in range(width):
                    w = weight[k + j]
                    b = background[i, k + j, c]
                    v = cuts[i, k + j, c]
                    q = inside[j]
                    p = b * (1.0 - q)
                    pp += w * p * p
                    pq += w * p * q
                    qq += w * q * q
                    pi += w * p * v
                    qi += w * q * v
                    bb += w * b * b
                    bi += w * b * v
                # each channel's inside level is eliminated; the shade g is shared
                a += pp - pq * pq / qq
                y += pi - pq * qi / qq
                explained += qi * qi / qq
            if a < 1e-9 or bb < 1e-9:
                continue
            g = min(max(y / a, _SHADE_LOW), _SHADE_HIGH)
            g0 = min(max(bi / bb, _SHADE_LOW), _SHADE_HIGH)
            gain[i, k] = explained + 2 * g * y - g * g * a - (2 * g0 * bi - g0 * g0 * bb)
            shade[i, k] = g
            bad = 0.0
            difference = 0.0
            for c in range(channels):
                f = pq = qq = 0.0
                for j in range(width):
                    w = weight[k + j]
                    q = inside[j]
                    d = cuts[i, k + j, c] - g * background[i, k + j, c] * (1.0 - q)
                    f += w * q * d
                    qq += w * q * q
                    if j >= clear:
                        bad += w * (cuts[i, k + j, c] - g * background[i, k + j, c]) ** 2
                difference += g * background[i, k + clear, c] - f / qq
            misfit[i, k] = bad / (step * channels * (width - clear) + 1e-9) / 1.0
            contrast[i, k] = difference / channels


def refine_edges(
    cuts: np.ndarray, background: np.ndarray, offsets_px: FloatArray, rough: EdgeSet, blur_px: float,
    misfit_limit: float = 6.0,
) -> EdgeSet:
    """Edges by maximum likelihood on a window that stays put while the edge moves, so that no window is favoured.

    Inside, the level may grow or fall with depth (a rounded, shiny limb), outside it is the background times a shade.

    Parameters
    ----------
    rough : EdgeSet
        Where to look, to about 2 px.
    misfit_limit : float
        Mean square of (picture - shaded background) outside, in sigmas, above which something covers the cut.
    """
    step = float(offsets_px[1] - offsets_px[0])
    n = len(cuts)
    shift, sigma, contrast, misfit = np.zeros(n), np.full(n, np.inf), np.zeros(n), np.zeros(n)
    start = np.where(np.isfinite(rough.offset_px), rough.offset_px, 0.0)
    first = np.clip(np.round((start - offsets_px[0] - _BACK_PX) / step), 0, None).astype(np.int64)
    _refine(cuts, background, offsets_px, first, start, float(blur_px), shift, sigma, contrast, misfit)
    ok = np.isfinite(rough.offset_px) & np.isfinite(sigma) & (misfit < misfit_limit)
    return EdgeSet(np.where(ok, start + shift, np.nan), np.where(ok, sigma, np.inf), np.where(ok, rough.gain, 0.0), contrast > 0)


@njit(cache=True, fastmath=True)
def _refine(cuts, background, offsets, first, start, blur, shift, sigma, contrast, misfit):
    n, m, channels = cuts.shape
    step = offsets[1] - offsets[0]
    width = int(round((_BACK_PX + _FORE_PX) / step)) + 1
    n_try = int(round((_TRY_IN_PX + _TRY_OUT_PX) / _TRY_STEP_PX)) + 1
    sse = np.empty(n_try)
    shade = np.empty(n_try)
    weight, inside, ramp = np.empty(width), np.empty(width), np.empty(width)
    for i in range(n):
        lo = first[i]
        hi = min(lo + width, m)
        for j in range(lo, hi):
            v = 0.0
            for c in range(channels):
                v += cuts[i, j, c] if offsets[j] < start[i] else background[i, j, c]
            weight[j - lo] = step / (_NOISE_FLOOR ** 2 + (_NOISE_SHARE ** 2) * max(v / channels, 0.0) ** 1.17)
        for t in range(n_try):
            e = start[i] - _TRY_IN_PX + t * _TRY_STEP_PX
            for j in range(lo, hi):
                x = offsets[j] - e
                inside[j - lo] = 0.5 - 0.5 * _erf(x / (blur * 1.4142135623730951))
                ramp[j - lo] = -x * inside[j - lo] + blur * 0.3989422804014327 * np.exp(-0.5 * (x / blur) ** 2)
            a = y = explained = total = 0.0
            for c in range(channels):
                pp = pq = pr = qq = qr = rr = pi = qi = ri = 0.0
                for j in range(lo, hi):
                    w = weight[j - lo]
                    q = inside[j - lo]
                    r = ramp[j - lo]
                    v = cuts[i, j, c]
                    p = background[i, j, c] * (1.0 - q)
                    pp += w * p * p
                    pq += w * p * q
                    pr += w * p * r
                    qq += w * q * q
                    qr += w * q * r
                    rr += w * r * r
                    pi += w * p * v
                    qi += w * q * v
                    ri += w * r * v
                    total += w * v * v
                rr2 = rr - qr * qr / qq
                pr2 = pr - pq * qr / qq
                ri2 = ri - qi * qr / qq
                a += pp - pq * pq / qq - pr2 * pr2 / rr2
                y += pi - pq * qi / qq - pr2 * ri2 / rr2
                explained += qi * qi / qq + ri2 * ri2 / rr2
            g = min(max(y / max(a, 1e-12), _SHADE_LOW), _SHADE_HIGH)
            sse[t] = total - explained - 2 * g * y + g * g * a
            shade[t] = g
        best = 0
        for t in range(n_try):
            if sse[t] < sse[best]:
                best = t
        if best == 0 or best == n_try - 1:
            continue
        curve = sse[best - 1] - 2 * sse[best] + sse[best + 1]
        if curve <= 1e-9:
            continue
        shift[i] = -_TRY_IN_PX + _TRY_STEP_PX * (best + 0.5 * (sse[best - 1] - sse[best + 1]) / curve)
        sigma[i] = _TRY_STEP_PX * np.sqrt(2.0 / curve)
        e = start[i] + shift[i]
        inner = outer = bad = 0.0
        ni = no = nb = 0
        for j in range(lo, hi):
            for c in range(channels):
                if offsets[j] < e - blur and offsets[j] > e - blur - 2.0:
                    inner += cuts[i, j, c]
                    ni += 1
                if offsets[j] > e + blur and offsets[j] < e + blur + 2.5:
                    outer += cuts[i, j, c]
                    no += 1
                if offsets[j] > e + 1.5 * blur:
                    bad += weight[j - lo] / step * (cuts[i, j, c] - shade[best] * background[i, j, c]) ** 2
                    nb += 1
        if ni > 0 and no > 0:
            contrast[i] = outer / no - inner / ni
        misfit[i] = bad / max(nb, 1)


@njit(cache=True, fastmath=True)
def _erf(x):
    # Abramowitz and Stegun 7.1.26, |error| < 1.5e-7
    s = 1.0 if x >= 0 else -1.0
    x = abs(x)
    t = 1.0 / (1.0 + 0.3275911 * x)
    y = 1.0 - (((((1.061405429 * t - 1.453152027) * t) + 1.421413741) * t - 0.284496736) * t + 0.254829592) * t * np.exp(-x * x)
    return s * y


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
