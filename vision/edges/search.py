"""Sub-pixel edges across cuts of the picture, against a known or a flat background, each with its sigma."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from vision.compiled import Apart, njit, put
from vision.edges.cuts import CutGrid, to_opponent
from vision.edges.likelihood import (
    PLAIN_SUMS,
    Cut,
    Start,
    Workspace,
    fine_edge,
    misfit_of_edge,
    profile_at,
    rough_edge,
    stretch_about,
    sum_up,
    weigh,
)
from vision.edges.profiles import BLUR_PX, FINE, FLAT_LANES, LANES, profile_of, tables_of
from vision.types import FloatArray

__all__ = ["STRAY_LIGHT", "USUAL_NOISE", "PICK_LIMIT", "MISFIT_LIMIT", "Cuts", "EdgeSet", "Softness", "Tolerance",
           "lone_cuts", "find_edges", "edges_along", "misfits_by_softness"]

PICK_LIMIT, MISFIT_LIMIT = 5.0, 6.0  # as in `Tolerance` [trial]
STRAY_LIGHT = 0.01  # sigma of the brightness that it lays over the bench; smoke lays more [convention]
USUAL_NOISE = 0.6, 0.6, 0.6  # as in `Tolerance`, of a webcam indoors [trial]
_MEDIAN_SPREAD = 1.25  # of a median, in those of a mean: root of pi / 2 [derived]


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


_RAMP = _Ramp()


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
        `likelihood.noise_sigma` [-].
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


class _Starts(NamedTuple):
    """From where each cut's edge is refined: the sample (n,), -1 where there is no edge, and fine steps beyond it (n,);
    the number of its profile (n,); and what is known of its ramp (n, 4), as in `Cut`."""

    sample: np.ndarray
    place: np.ndarray
    profile: np.ndarray
    ramps: np.ndarray


def lone_cuts(light: np.ndarray, background: np.ndarray) -> Cuts:
    """Cuts of one line each that share nothing."""
    n = len(light)
    return Cuts(light, background, np.ones(n, np.int64), np.zeros(n, np.int64), 1, False)


def find_edges(cuts: np.ndarray, background: np.ndarray, grid: CutGrid, softness: Softness, spread_px: float,
               tolerance: Tolerance | None = None) -> EdgeSet:
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
    tolerance = tolerance or Tolerance()
    each = Softness(*(np.broadcast_to(np.asarray(px, float), (len(cuts),)).copy() for px in softness))
    light, behind = (to_opponent(np.array(light, np.float32), tolerance.noise) for light in (cuts, background))
    return edges_along(lone_cuts(light, behind), each, spread_px, tolerance, tables_of(grid))


@njit(cache=True, nogil=True, error_model="numpy", pipeline_class=Apart)
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
    starts = _Starts(np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64), np.zeros((n, 4)))
    for i in range(n):
        starts.profile[i] = profile_of(softness.blur_px[i], softness.travel_px[i])
    found = EdgeSet(np.full(n, np.nan), np.full(n, np.inf), np.zeros(n), np.zeros(n, np.bool_))
    m = cuts.light.shape[2]
    work = Workspace(np.zeros((m, LANES)), np.zeros((m + 1, PLAIN_SUMS)), np.empty(m), np.empty(LANES),
                     np.empty(FLAT_LANES))
    expected = np.exp(-0.25 * ((np.arange(m) - 0.5 * (m - 1)) * tables.step_px / spread_px) ** 2)
    for i in range(n):
        cut = Cut(cuts.light[i], cuts.background[i], starts.ramps[i])
        # plain numbers here: compiled once more for them, it is a twentieth of a whole fit faster
        weigh(cut, 0, m, -1, tables.step_px / tolerance.noise[0] ** 2, work.samples)
        sum_up(work.samples, work.until)
        starts.sample[i], starts.place[i], found.gain[i] = rough_edge(profile_at(tables, starts.profile[i]), expected,
                                                                      tolerance, work)
    _refine(cuts, starts, tolerance, tables, work, found)
    for i in range(n):
        if not np.isfinite(found.offset_px[i]):
            found.gain[i] = 0.0
    return found


@njit(cache=True, nogil=True, error_model="numpy", inline="always", pipeline_class=Apart)
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
            cut = Cut(cuts.light[i], cuts.background[i], starts.ramps[i])
            at, sigma, contrast, misfit = fine_edge(cut, Start(starts.sample[i], starts.place[i]),
                                                    profile_at(tables, starts.profile[i]), tolerance,
                                                    cuts.shares_ramps and turn == 0, work)
            if misfit < tolerance.misfit_limit:
                starts.place[i] = round(FINE * (at / tables.step_px - starts.sample[i]))
                # a sensor's noise is less in the mean of some lines
                found.offset_px[i] = at - 0.5 * (m - 1) * tables.step_px
                found.sigma_px[i] = sigma / math.sqrt(cuts.lines[i])
                found.lighter[i] = contrast > 0
            else:
                found.offset_px[i], found.sigma_px[i], found.lighter[i] = np.nan, np.inf, False


@njit(cache=True, nogil=True, error_model="numpy", pipeline_class=Apart)
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


@njit(cache=True, nogil=True, error_model="numpy", pipeline_class=Apart)
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


@njit(cache=True, nogil=True, error_model="numpy", pipeline_class=Apart)
def misfits_by_softness(cuts, offset_px, travels2_px2, tolerance, tables):
    """How badly cuts are explained by edges near where they were seen that are so soft: least misfits, shape (n, k).

    Parameters
    ----------
    cuts : Cuts
    offset_px : array, shape (n,)
        Where each cut's edge was seen.
    travels2_px2 : array, shape (n, k)
        Squares of ways to try, of each cut; below 0 of an edge at rest that is sharper than one of blur BLUR_PX.
    tolerance : Tolerance
    tables : EdgeTables
    """
    (n, k), m = travels2_px2.shape, cuts.light.shape[2]
    samples, sums, flat, out = np.zeros((m, LANES)), np.empty(LANES), np.zeros(4), np.empty((n, k))
    found = np.empty(len(tables.fine))
    for i in range(n):
        start = round(offset_px[i] / tables.step_px) + (m - 1) // 2
        place = round((offset_px[i] / tables.step_px + (m - 1) // 2 - start) * FINE)
        longest = profile_at(tables, _profile_as_soft(travels2_px2[i].max()))
        stretch = stretch_about(Cut(cuts.light[i], cuts.background[i], flat), start, longest, tolerance.noise[0],
                                samples)
        found.fill(np.nan)
        for j in range(k):
            profile = _profile_as_soft(travels2_px2[i, j])
            if math.isnan(found[profile]):  # many that are tried are as soft as one another
                found[profile] = np.inf
                for t in range(place - FINE, place + FINE + 1):
                    misfit, _, _ = misfit_of_edge(stretch, tables.fine[profile], t, tolerance.veil, flat, sums)
                    found[profile] = min(found[profile], misfit)
            out[i, j] = found[profile]
    return out


@njit(cache=True, nogil=True)
def _profile_as_soft(travel2_px2):
    """Which of the tables' edges is as soft as one of blur BLUR_PX that goes so far, squared; sharper below 0."""
    if travel2_px2 > 0.0:
        return profile_of(BLUR_PX, math.sqrt(travel2_px2))
    return profile_of(math.sqrt(max(BLUR_PX**2 + travel2_px2 / 12.0, 0.0)), 0.0)
