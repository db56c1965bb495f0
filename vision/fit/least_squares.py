"""Re-weighted least squares on edges for a pose and where edges appear, compiled."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from vision.compiled import njit, put

__all__ = ["CORRELATION_MM", "CUT_SIGMA_PX", "LEAST_GAIN", "Solved", "solve_steps", "spread_of"]

CUT_SIGMA_PX = 0.35  # scatter of one cut about a straight edge, measured on rendered and photographed edges
CORRELATION_MM = 2.4  # cuts nearer than this share pixels and codec blocks
LEAST_GAIN = 12.0  # drop of chi-square below which an edge is chance
_LEAST_CUTS, _LEAST_EDGES = 8, 6
_LEAST_TO_MEASURE = 60  # edges by which a picture's own scatter can be told
_LEAST_SCATTER_PX, _TOLD_SCATTER_PX, _MOST_SCATTER_PX = 0.002, 0.1, 0.6  # a group's own counts from the second on
# cuts by which a group's own scatter can be told; and for how many all others count there
_FEW_OF_GROUP, _CUTS_OF_ALL = 3, 10.0
_FAINT_PX = 0.2  # sigma of a cut from which on its side is faint
_SHARED = 1.0  # of the sigma of a cut: what all cuts of a faint edge are wrong by alike


class Solved(NamedTuple):
    """What was solved for, and what is needed for its covariance.

    Attributes
    ----------
    step : array, shape (6,)
        As `moved_pose` takes it; empty when there were too few edges.
    groups : array, shape (m,), int
        Those that edges belong to; offset_px their offsets.
    good : array, shape (n,), bool
        Which edges agree.
    chi2_dof : float
    left : array, shape (n,)
        What each edge is away from where the solution puts it [px]; weight, what it counted for.
    loose : array, shape (m, 2)
        Variance of what the edges of a group share in this picture alone [px^2]: all alike, and in proportion to where
        along their side they lie.
    held : array, shape (6 + m, 6 + m)
        Information of what was known before.
    """

    step: np.ndarray
    groups: np.ndarray
    offset_px: np.ndarray
    good: np.ndarray
    chi2_dof: float
    left: np.ndarray
    weight: np.ndarray
    loose: np.ndarray
    held: np.ndarray


@njit(cache=True, nogil=True, inline="always")
def solve_steps(jacobian, mm_per_sample, along, offset, sigma, crowding, gain, label, prior_cov, expected, prior_offset,
                slope_var, row, rest, spread, is_exact):
    """Re-weighted least squares for the six steps of the pose and one offset a group.

    Parameters
    ----------
    jacobian : array, shape (n, 6)
    mm_per_sample, offset, sigma, gain : arrays, shape (n,)
        As in `Outline` and `EdgeSet`.
    along : array, shape (n,)
        Where each edge lies along its side, -1 to 1 from end to end; 0 on rims.
    crowding : array, shape (n,)
        Sigma of what edges near by do to each [px].
    label : array, shape (n,), int
        Group of each edge.
    prior_cov : array, shape (6 + g, 6 + g)
    expected, prior_offset : arrays, shapes (6,), (g,)
        The prior's mean.
    slope_var : array, shape (g,)
        Variance with which a group's edges may seem turned, in one picture, by so much at the ends of their side
        [px^2].
    row, rest : array, shape (3,), and float
        One more equation for the outlet, row . step = rest, of sigma 1; zeros when there is none.
    spread : float
        How far edges may be from where they are expected [px].
    is_exact : bool
        Weigh the edges by how they scatter in this picture, where that is less than they usually do.

    Returns
    -------
    Solved
        Without a step when there are too few edges.
    """
    n, n_groups = len(label), len(prior_offset)
    usable = np.isfinite(offset) & (gain > LEAST_GAIN)
    place, groups = np.full(n_groups, -1), np.empty(n_groups, np.int64)
    m = np.int64(0)  # a plain 0 would have what it is given to compiled once more, for that number alone
    for g in range(n_groups):
        if (label == g).any():
            place[g], groups[m] = m, g
            m += 1
    groups = groups[:m]
    sites = np.concatenate((np.arange(6), 6 + groups))
    inner, x, known = np.empty((6 + m, 6 + m)), np.zeros(6 + m), np.zeros(6 + m)
    for i in range(6 + m):
        for j in range(6 + m):
            inner[i, j] = prior_cov[sites[i], sites[j]]
    put(expected, known[:6])
    for k in range(m):
        x[6 + k] = known[6 + k] = prior_offset[groups[k]]
    held = np.linalg.inv(inner)
    pull = held @ known
    for i in range(3):
        pull[i] += row[i] * rest
        for j in range(3):
            held[i, j] += row[i] * row[j]
    group, seen, own, far, weight = place[label], np.zeros(n), np.empty(n), np.empty(n), np.zeros(n)
    for i in range(n):
        own[i] = math.hypot(min(sigma[i], 5.0), CUT_SIGMA_PX)
        far[i], weight[i] = max(2.0 * own[i], 0.5 * spread), _spread_of_cut(sigma[i], CUT_SIGMA_PX, mm_per_sample[i])
        seen[i] = offset[i] if usable[i] else 0.0
    # what the eye cannot tell from the bench blurs alike along a whole edge: a faint edge may be anywhere within its
    # blur
    loose, count = np.zeros((m, 2)), np.zeros(m)
    for i in range(n):
        if usable[i]:
            loose[group[i], 0] += (_SHARED * min(sigma[i], 5.0)) ** 2
            count[group[i]] += 1.0
    for k in range(m):
        loose[k, 0] = max(loose[k, 0] / max(count[k], 1.0) - max(inner[6 + k, 6 + k], _FAINT_PX ** 2), 0.0)
        loose[k, 1] = slope_var[groups[k]]
    if n < _LEAST_CUTS or usable.sum() < _LEAST_EDGES:
        return Solved(np.empty(0), groups, x[6:].copy(), usable, 0.0, seen, weight, loose, held)
    left, shared = _reweighted(jacobian, group, along, seen, usable, weight, far, loose, held, pull, x)
    good = usable & (np.abs(left - shared) < 3 * own)
    chi2_dof = (((left - shared) / own) ** 2 * good).sum() / max(1.0, good.sum() - 6.0)
    if is_exact and good.sum() >= _LEAST_TO_MEASURE:
        scatter = _scatter_of_groups(left - shared, np.hypot(sigma, crowding), good, group, m)
        for i in range(n):
            weight[i] = math.hypot(_spread_of_cut(sigma[i], scatter[group[i]], mm_per_sample[i]), crowding[i])
        left, shared = _reweighted(jacobian, group, along, seen, good, weight, far, loose, held, pull, x)
    weight = good * weight ** -2.0 / max(1.0, chi2_dof)
    return Solved(x[:6].copy(), groups, x[6:].copy(), good, chi2_dof, left, weight, loose, held)


@njit(cache=True, nogil=True)
def _spread_of_cut(sigma, scatter, mm_per_sample):
    """What one cut counts for, as a sigma. A part's cuts stand for its length: what a codec does to it is alike within
    a block, so that cutting it more densely adds nothing; a sensor's noise is not."""
    return math.sqrt(min(sigma, 5.0) ** 2 + scatter ** 2 * max(CORRELATION_MM / max(mm_per_sample, 1e-3), 1.0))


@njit(cache=True, nogil=True)
def _scatter_of_groups(left, sigma, good, group, m):
    """Scatter of the cuts of each of m groups [px]: a rim before clutter scatters more than a limb. Of few cuts it is
    hardly told, and all cuts say more."""
    of_all = _scatter_px(left[good], sigma[good], CUT_SIGMA_PX)
    out = np.full(m, of_all)
    for k in range(m):
        at = np.flatnonzero(good & (group == k))
        n = len(at)
        if n >= _FEW_OF_GROUP:
            of_group = _scatter_px(left[at] - np.median(left[at]), sigma[at], _MOST_SCATTER_PX)
            if of_group > _TOLD_SCATTER_PX:
                out[k] = math.sqrt((n * n / (n - 1.0) * of_group ** 2 + _CUTS_OF_ALL * of_all ** 2)
                                   / (n + _CUTS_OF_ALL))
    return out


@njit(cache=True, nogil=True)
def _scatter_px(left, sigma, most_px):
    """Scatter of cuts about the outline beyond what the picture's noise explains; no more than that."""
    low, high = _LEAST_SCATTER_PX, most_px
    for _ in range(9):
        middle = math.sqrt(low * high)
        if 1.4826 * np.median(np.abs(left) / np.sqrt(sigma ** 2 + middle ** 2)) > 1.0:
            low = middle
        else:
            high = middle
    return high


@njit(cache=True, nogil=True)
def _reweighted(jacobian, group, along, seen, usable, sigma, reach, loose, held, pull, x):
    """Solve for x in place, from where it is; what each edge is away from it then, and what of that its group shares.
    An edge counts the less the further it is beyond its reach."""
    n = len(seen)
    left, weight, shared = np.zeros(n), np.zeros(n), np.zeros(n)
    for _ in range(6):
        for i in range(n):
            if usable[i]:
                r = _left(jacobian, group, seen, x, i) - shared[i]
                weight[i] = (sigma[i] * (1.0 + (r / reach[i]) ** 2)) ** -2.0
        data, right = _normal(jacobian, group, along, weight, seen, loose, len(x))
        new = np.linalg.solve(data + held, right + pull)
        moved = np.abs(new - x)
        put(new, x)
        for i in range(n):
            left[i] = _left(jacobian, group, seen, x, i) if usable[i] else 0.0
        put(_shared(group, along, weight, left, loose), shared)
        if moved[:3].max() < 1e-2 and moved[3:6].max() < 1e-4:
            break
    return left, shared


@njit(cache=True, nogil=True)
def _shared(group, along, weight, left, loose):
    """What of each residual its group shares in this picture alone, as the residuals tell it: a straight line along the
    side, its middle and its slope known beforehand with the variances `loose`."""
    m = len(loose)
    total, turning, spread, value, turn = np.zeros(m), np.zeros(m), np.zeros(m), np.zeros(m), np.zeros(m)
    for i in range(len(left)):
        g, w, u = group[i], weight[i], along[i]
        total[g] += w
        turning[g] += w * u
        spread[g] += w * u * u
        value[g] += w * left[i]
        turn[g] += w * u * left[i]
    out = np.empty(len(left))
    middle, slope = np.empty(m), np.empty(m)
    for g in range(m):
        a, b = 1.0 + loose[g, 0] * total[g], loose[g, 0] * turning[g]
        c, d = loose[g, 1] * turning[g], 1.0 + loose[g, 1] * spread[g]
        v, t = loose[g, 0] * value[g], loose[g, 1] * turn[g]
        middle[g], slope[g] = (d * v - b * t) / (a * d - b * c), (a * t - c * v) / (a * d - b * c)
    for i in range(len(left)):
        out[i] = middle[group[i]] + slope[group[i]] * along[i]
    return out


@njit(cache=True, nogil=True)
def _left(jacobian, group, seen, x, i):
    """What an edge is away from where x puts it."""
    r = seen[i] - x[6 + group[i]]
    for k in range(6):
        r -= jacobian[i, k] * x[k]
    return r


@njit(cache=True, nogil=True)
def _normal(jacobian, group, along, weight, values, loose, size):
    """Normal equations, matrix and right side, of values = jacobian . steps + offset of the group + what its edges
    share in this picture alone, of variances `loose`, which is not solved for."""
    data, right = np.zeros((size, size)), np.zeros(size)
    m = size - 6
    turned, turned_right, turned_spread = np.zeros((m, size)), np.zeros(m), np.zeros(m)
    for i in range(len(weight)):
        w, k0, g = weight[i], group[i], 6 + group[i]
        if w > 0.0:
            data[g, g] += w
            right[g] += w * values[i]
            wu = w * along[i]
            turned[k0, g] += wu
            turned_right[k0] += wu * values[i]
            turned_spread[k0] += wu * along[i]
            for k in range(6):
                wj = w * jacobian[i, k]
                right[k] += wj * values[i]
                data[g, k] += wj
                turned[k0, k] += wu * jacobian[i, k]
                for l in range(k + 1):
                    data[k, l] += wj * jacobian[i, l]
    for k in range(size):
        for l in range(k + 1, size):
            data[k, l] = data[l, k]
    for g in range(m):
        _leave_out(data, right, turned[g], turned_right[g], loose[g, 1] / (1.0 + loose[g, 1] * turned_spread[g]))
        _leave_out(data, right, data[6 + g].copy(), right[6 + g], loose[g, 0] / (1.0 + loose[g, 0]
                                                                                 * data[6 + g, 6 + g]))
    return data, right


@njit(cache=True, nogil=True)
def _leave_out(data, right, row, value, less):
    """Take an unknown out of normal equations, in place: its row of them, its right side, and by how much."""
    if less > 0.0:
        for k in range(len(right)):
            right[k] -= less * row[k] * value
            for l in range(len(right)):
                data[k, l] -= less * row[k] * row[l]


@njit(cache=True, nogil=True)
def spread_of(jacobian, along, label, groups, offset_px, left, weight, loose, held, base_offset, base_cov):
    """Covariance of what was solved for; and what the picture says alone, with only the offsets' base values known."""
    m = len(groups)
    place, base, known = np.zeros(len(base_offset), np.int64), np.empty((m, m)), np.empty(m)
    for i in range(m):
        place[groups[i]], known[i] = i, base_offset[groups[i]]
        for j in range(m):
            base[i, j] = base_cov[groups[i], groups[j]]
    data, right = _normal(jacobian, place[label], along, weight, left, loose, 6 + m)
    weak = np.zeros_like(data)
    for k in range(6):
        weak[k, k] = 40.0 ** -2 if k < 3 else 0.4 ** -2
    alone = np.linalg.inv(base)
    for i in range(m):
        put(alone[i], weak[6 + i, 6:])
    alone_cov = np.linalg.inv(data + weak)
    away = np.concatenate((np.zeros(6), known - offset_px))
    alone_step = alone_cov @ (right + weak @ away)
    through = np.ascontiguousarray(alone_cov[:6, 6:])
    return (np.linalg.inv(data + held), alone_step[:6].copy(), alone_cov[:6, :6].copy(),
            through @ alone @ through.T)
