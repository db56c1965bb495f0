"""Re-weighted least squares on edges for a pose, how fast rows are read and where edges appear, compiled."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from vision.compiled import njit, put
from vision.nozzle.body import PoseArrays

__all__ = ["CORRELATION_MM", "CUT_SIGMA_PX", "LEAST_GAIN", "N_SHARED", "Edges", "Known", "Rows", "Solved",
           "solve_steps", "spread_of"]

N_SHARED = 7  # unknowns that all edges share: six steps of the pose, and the readout [derived]
CUT_SIGMA_PX = 0.35  # scatter of one cut about a straight edge [measured: on rendered and photographed edges]
# cuts nearer than this share pixels and codec blocks: 8 px at 3.3 px a mm [trial]
CORRELATION_MM = 2.4
LEAST_GAIN = 12.0  # drop of chi-square below which an edge is chance [convention]
_LEAST_CUTS, _LEAST_EDGES = 8, 6  # for six unknowns [derived]
_LEAST_TO_MEASURE = 60  # edges by which a picture's own scatter can be told [trial]
# within which scatter is looked for; a group's own counts from the second on [convention]
_LEAST_SCATTER_PX, _OWN_SCATTER_PX, _MOST_SCATTER_PX = 0.002, 0.1, 0.6
# cuts by which a group's own scatter can be told; and for how many all others count there [trial]
_FEW_OF_GROUP, _CUTS_OF_ALL = 3, 10.0
_FAINT_PX = 0.2  # sigma of a cut from which on its side is faint [trial]


class Known(NamedTuple):
    """What is known before looking.

    Attributes
    ----------
    pose : PoseArrays
        About which the prior's steps are.
    offset_px : array, shape (g,)
        Where the edges of each group appear.
    cov : array, shape (6 + g, 6 + g)
        Of the steps of `moved_pose`, then of the offsets.
    is_free : bool
        As in `PosePrior`.
    readout_var : float
        Of the time from the first row's exposure to the last row's [s^2].
    slope_var : array, shape (g,)
        Variance with which a group's edges may seem turned, or a rim's bowed, in one picture: at the ends of their side
        [px^2].
    travel_var : array, shape (g,)
        As `travel_variances` has it.
    normal, distance : array, shape (3,), and float
        A plane that the outlet is near, normal . tip = distance with sigma 1; zeros without one.
    """

    pose: PoseArrays
    offset_px: np.ndarray
    cov: np.ndarray
    is_free: bool
    readout_var: float
    slope_var: np.ndarray
    travel_var: np.ndarray
    normal: np.ndarray
    distance: float


class Edges(NamedTuple):
    """Edges seen across an outline.

    Attributes
    ----------
    jacobian : array, shape (n, 7)
        As in `Outline`; and by the readout [px / s].
    along : array, shape (n,)
        Where on its side each edge lies: `Outline.place`.
    label : array, shape (n,), int
        Group of each edge.
    length_mm, offset_px, sigma_px, gain : arrays, shape (n,)
        As in `Outline` and `EdgeSet`.
    crowding_px : array, shape (n,)
        Sigma of what edges near by do to each.
    travel_px : array, shape (n,)
        How far each goes while the shutter is open.
    """

    jacobian: np.ndarray
    along: np.ndarray
    label: np.ndarray
    length_mm: np.ndarray
    offset_px: np.ndarray
    sigma_px: np.ndarray
    gain: np.ndarray
    crowding_px: np.ndarray
    travel_px: np.ndarray


class _Design(NamedTuple):
    """How edges depend on what is solved for: on what all share (n, 7), on the offset of their group (n,), and on how
    much that group seems turned in this picture (n,)."""

    jacobian: np.ndarray
    group: np.ndarray
    along: np.ndarray


class Rows(NamedTuple):
    """How edges depend on what is solved for.

    Attributes
    ----------
    design, jacobian : array, shape (n, 7)
        On the steps and the readout, as `Edges.jacobian`; and the same for rates that do not go with the pose.
    along, label : array, shape (n,)
        As in `Edges`.
    """

    design: np.ndarray
    jacobian: np.ndarray
    along: np.ndarray
    label: np.ndarray


class _Seen(NamedTuple):
    """Where edges are seen [px], which of them are used, the sigma with which each counts [px], and how far one may be
    away before it counts less [px]; each (n,)."""

    offset_px: np.ndarray
    usable: np.ndarray
    sigma_px: np.ndarray
    reach_px: np.ndarray


class _Prior(NamedTuple):
    """What was known before: the information matrix (7 + m, 7 + m) of steps, readout and offsets, that times their mean
    (7 + m,), and the variances `Solved.group_var` (m, 2)."""

    information: np.ndarray
    information_mean: np.ndarray
    group_var: np.ndarray


class Solved(NamedTuple):
    """What was solved for, and what is needed for its covariance.

    Attributes
    ----------
    step : array, shape (6,)
        As `moved_pose` takes it; empty when there were too few edges.
    later_s : float
        By how much the readout is longer than it was taken to be.
    groups : array, shape (m,), int
        Those that edges belong to; offset_px their offsets.
    good : array, shape (n,), bool
        Which edges agree.
    chi2_dof : float
    residual_px : array, shape (n,)
        What each edge is away from where the solution puts it [px]; weight, what it counted for.
    group_var : array, shape (m, 2)
        Variance of what the edges of a group share in this picture alone [px^2]: all alike, and in proportion to where
        along their side they lie.
    information : array, shape (7 + m, 7 + m)
        Information of what was known before.
    """

    step: np.ndarray
    later_s: float
    groups: np.ndarray
    offset_px: np.ndarray
    good: np.ndarray
    chi2_dof: float
    residual_px: np.ndarray
    weight: np.ndarray
    group_var: np.ndarray
    information: np.ndarray


@njit(cache=True, nogil=True, inline="always")
def solve_steps(edges, known, expected, tip, spread_px, is_exact):
    """Re-weighted least squares for the six steps of the pose, the readout and one offset a group.

    Parameters
    ----------
    edges : Edges
    known : Known
    expected : array, shape (7,)
        Steps from here to the prior's pose, and from the readout that is taken here to the prior's.
    tip : array, shape (3,)
        The outlet here, for the plane.
    spread_px : float
        How far edges may be from where they are expected.
    is_exact : bool
        Weigh the edges by how they scatter in this picture, where that is less than they usually do.

    Returns
    -------
    Solved
        Without a step when there are too few edges.
    """
    n, sigma, mm = len(edges.label), edges.sigma_px, edges.length_mm
    usable = np.isfinite(edges.offset_px) & (edges.gain > LEAST_GAIN)
    place, groups = _groups_of(edges.label, len(known.offset_px))
    m = len(groups)
    x = np.zeros(N_SHARED + m)
    for k in range(m):
        x[N_SHARED + k] = known.offset_px[groups[k]]
    design = _Design(edges.jacobian, place[edges.label], edges.along)
    own, far, spread, seen = np.empty(n), np.empty(n), np.empty(n), np.zeros(n)
    for i in range(n):
        own[i] = math.hypot(min(sigma[i], 5.0), CUT_SIGMA_PX)
        far[i], spread[i] = max(2.0 * own[i], 0.5 * spread_px), _spread_of_cut(sigma[i], CUT_SIGMA_PX, mm[i])
        seen[i] = edges.offset_px[i] if usable[i] else 0.0
    prior = _prior_of(known, groups, expected, tip, _group_var(design.group, edges, usable, known, groups))
    if n < _LEAST_CUTS or usable.sum() < _LEAST_EDGES:
        return Solved(np.empty(0), 0.0, groups, x[N_SHARED:].copy(), usable, 0.0, seen, np.zeros(n), prior.group_var,
                      prior.information)
    residual_px, shared = _reweighted(design, _Seen(seen, usable, spread, far), prior, x)
    good = usable & (np.abs(residual_px - shared) < 3 * own)
    chi2_dof = (((residual_px - shared) / own) ** 2 * good).sum() / max(1.0, good.sum() - 6.0)
    if is_exact and good.sum() >= _LEAST_TO_MEASURE:
        scatter = _scatter_of_groups(residual_px - shared, np.hypot(sigma, edges.crowding_px), good, design.group, m)
        for i in range(n):
            spread[i] = math.hypot(_spread_of_cut(sigma[i], scatter[design.group[i]], mm[i]), edges.crowding_px[i])
        residual_px, shared = _reweighted(design, _Seen(seen, good, spread, far), prior, x)
    weight = good * spread ** -2.0 / max(1.0, chi2_dof)
    return Solved(x[:6].copy(), x[6], groups, x[N_SHARED:].copy(), good, chi2_dof, residual_px, weight,
                  prior.group_var, prior.information)


@njit(cache=True, nogil=True)
def _groups_of(label, n_groups):
    """The groups that edges belong to, and the place of each group among them, -1 of others."""
    place, groups = np.full(n_groups, -1), np.empty(n_groups, np.int64)
    m = np.int64(0)  # a plain 0 would have what it is given to compiled once more, for that number alone
    for g in range(n_groups):
        if (label == g).any():
            place[g], groups[m] = m, g
            m += 1
    return place, groups[:m]


@njit(cache=True, nogil=True)
def _group_var(group, edges, usable, known, groups):
    """What the edges of each group may share in this picture alone, as `Solved` has it. What the eye cannot tell from
    the bench blurs alike along a whole edge: a faint edge may be anywhere within its blur; and a moving one is
    blurred."""
    m = len(groups)
    group_var, travel2, count = np.zeros((m, 2)), np.zeros(m), np.zeros(m)
    for i in range(len(group)):
        if usable[i]:
            group_var[group[i], 0] += min(edges.sigma_px[i], 5.0) ** 2
            travel2[group[i]] += edges.travel_px[i] ** 2
            count[group[i]] += 1.0
    for k in range(m):
        g = groups[k]
        n = max(count[k], 1.0)
        offset_var = known.cov[6 + g, 6 + g]
        group_var[k, 0] = max(group_var[k, 0] / n - max(offset_var, _FAINT_PX ** 2), 0.0)
        group_var[k, 0] += known.travel_var[g] * travel2[k] / n
        group_var[k, 1] = known.slope_var[g]
    return group_var


@njit(cache=True, nogil=True)
def _prior_of(known, groups, expected, tip, group_var):
    """What was known of what all edges share and of these groups' offsets."""
    size = N_SHARED + len(groups)
    inner, mean = np.zeros((size, size)), np.empty(size)
    inner[6, 6] = known.readout_var
    for i in range(size):
        mean[i] = expected[i] if i < N_SHARED else known.offset_px[groups[i - N_SHARED]]
        for j in range(size):
            if i != 6 and j != 6:
                inner[i, j] = known.cov[i if i < 6 else 6 + groups[i - N_SHARED],
                                        j if j < 6 else 6 + groups[j - N_SHARED]]
    information = np.linalg.inv(inner)
    information_mean = information @ mean
    rest = known.distance - (known.normal * tip).sum()
    for i in range(3):
        information_mean[i] += known.normal[i] * rest
        for j in range(3):
            information[i, j] += known.normal[i] * known.normal[j]
    return _Prior(information, information_mean, group_var)


@njit(cache=True, nogil=True)
def _spread_of_cut(sigma, scatter, mm_per_sample):
    """What one cut counts for, as a sigma. A part's cuts stand for its length: what a codec does to it is alike within
    a block, so that cutting it more densely adds nothing; a sensor's noise is not."""
    return math.sqrt(min(sigma, 5.0) ** 2 + scatter ** 2 * max(CORRELATION_MM / max(mm_per_sample, 1e-3), 1.0))


@njit(cache=True, nogil=True)
def _scatter_of_groups(residual_px, sigma, good, group, m):
    """Scatter of the cuts of each of m groups [px]: a rim before clutter scatters more than a limb. Of few cuts it is
    hardly told, and all cuts say more."""
    of_all = _scatter_px(residual_px[good], sigma[good], CUT_SIGMA_PX)
    out = np.full(m, of_all)
    for k in range(m):
        at = np.flatnonzero(good & (group == k))
        n = len(at)
        if n >= _FEW_OF_GROUP:
            of_group = _scatter_px(residual_px[at] - np.median(residual_px[at]), sigma[at], _MOST_SCATTER_PX)
            if of_group > _OWN_SCATTER_PX:
                out[k] = math.sqrt((n * n / (n - 1.0) * of_group ** 2 + _CUTS_OF_ALL * of_all ** 2)
                                   / (n + _CUTS_OF_ALL))
    return out


@njit(cache=True, nogil=True)
def _scatter_px(residual_px, sigma, most_px):
    """Scatter of cuts about the outline beyond what the picture's noise explains; no more than that."""
    low, high = _LEAST_SCATTER_PX, most_px
    for _ in range(9):
        middle = math.sqrt(low * high)
        if 1.4826 * np.median(np.abs(residual_px) / np.sqrt(sigma ** 2 + middle ** 2)) > 1.0:
            low = middle
        else:
            high = middle
    return high


@njit(cache=True, nogil=True)
def _reweighted(design, seen, prior, x):
    """Solve for x in place, from where it is; what each edge is away from it then, and what of that its group shares.
    An edge counts the less the further it is beyond its reach."""
    offset_px, usable = seen.offset_px, seen.usable
    n = len(offset_px)
    residual_px, weight, shared = np.zeros(n), np.zeros(n), np.zeros(n)
    for _ in range(6):
        for i in range(n):
            if usable[i]:
                r = _residual_px(design, offset_px, x, i) - shared[i]
                weight[i] = (seen.sigma_px[i] * (1.0 + (r / seen.reach_px[i]) ** 2)) ** -2.0
        data, right = _normal(design, weight, offset_px, prior.group_var)
        new = np.linalg.solve(data + prior.information, right + prior.information_mean)
        moved = np.abs(new - x)
        put(new, x)
        for i in range(n):
            residual_px[i] = _residual_px(design, offset_px, x, i) if usable[i] else 0.0
        put(_shared(design, weight, residual_px, prior.group_var), shared)
        if moved[:3].max() < 1e-2 and moved[3:6].max() < 1e-4:
            break
    return residual_px, shared


@njit(cache=True, nogil=True)
def _residual_px(design, seen, x, i):
    """What an edge is away from where x puts it."""
    r = seen[i] - x[N_SHARED + design.group[i]]
    for k in range(N_SHARED):
        r -= design.jacobian[i, k] * x[k]
    return r


@njit(cache=True, nogil=True)
def _shared(design, weight, residual_px, group_var):
    """What of each residual its group shares in this picture alone, as the residuals tell it: a straight line along the
    side, its middle and its slope known beforehand with the variances `group_var`."""
    m = len(group_var)
    # of each group: sums of the weights times 1, u, u^2, and of the weights times the residual times 1, u
    sums = np.zeros((m, 5))
    for i in range(len(residual_px)):
        w, u, own = weight[i], design.along[i], sums[design.group[i]]
        own[0] += w
        own[1] += w * u
        own[2] += w * u * u
        own[3] += w * residual_px[i]
        own[4] += w * u * residual_px[i]
    line = np.empty((m, 2))
    for g in range(m):
        a, b, v = 1.0 + group_var[g, 0] * sums[g, 0], group_var[g, 0] * sums[g, 1], group_var[g, 0] * sums[g, 3]
        c, d, t = group_var[g, 1] * sums[g, 1], 1.0 + group_var[g, 1] * sums[g, 2], group_var[g, 1] * sums[g, 4]
        line[g, 0], line[g, 1] = (d * v - b * t) / (a * d - b * c), (a * t - c * v) / (a * d - b * c)
    out = np.empty(len(residual_px))
    for i in range(len(residual_px)):
        out[i] = line[design.group[i], 0] + line[design.group[i], 1] * design.along[i]
    return out


@njit(cache=True, nogil=True)
def _normal(design, weight, values, group_var):
    """Normal equations, matrix and right side, of values = jacobian . shared + offset of the group + what its edges
    share in this picture alone, of variances `group_var`, which is not solved for."""
    m = len(group_var)
    size = N_SHARED + m
    data, right = np.zeros((size, size)), np.zeros(size)
    # of each group's slope: its products with what all share, the group's offset, itself and the values
    turned = np.zeros((m, N_SHARED + 3))
    for i in range(len(weight)):
        w, g = weight[i], design.group[i]
        if w > 0.0:
            wu = w * design.along[i]
            data[N_SHARED + g, N_SHARED + g] += w
            right[N_SHARED + g] += w * values[i]
            turned[g, N_SHARED] += wu
            turned[g, N_SHARED + 1] += wu * design.along[i]
            turned[g, N_SHARED + 2] += wu * values[i]
            for k in range(N_SHARED):
                wj = w * design.jacobian[i, k]
                right[k] += wj * values[i]
                data[N_SHARED + g, k] += wj
                turned[g, k] += wu * design.jacobian[i, k]
                for l in range(k + 1):
                    data[k, l] += wj * design.jacobian[i, l]
    alike = np.empty(N_SHARED + 1)
    for g in range(m):
        var, weight_of = group_var[g, 1], turned[g, N_SHARED + 1]
        _leave_out(data, right, g, turned[g, :N_SHARED + 1], turned[g, N_SHARED + 2], var / (1.0 + var * weight_of))
        put(data[N_SHARED + g, :N_SHARED], alike[:N_SHARED])
        var, weight_of = group_var[g, 0], data[N_SHARED + g, N_SHARED + g]
        alike[N_SHARED] = weight_of
        _leave_out(data, right, g, alike, right[N_SHARED + g], var / (1.0 + var * weight_of))
    for k in range(size):
        for l in range(k + 1, size):
            data[k, l] = data[l, k]
    return data, right


@njit(cache=True, nogil=True)
def _leave_out(data, right, g, row, value, variance):
    """Take an unknown of a group out of the lower half of normal equations, in place: its products with what all
    share and with the group's offset, with the values, and its variance given all others."""
    if variance > 0.0:
        for k in range(N_SHARED + 1):
            i = k if k < N_SHARED else N_SHARED + g
            right[i] -= variance * row[k] * value
            for l in range(k + 1):
                data[i, l if l < N_SHARED else N_SHARED + g] -= variance * row[k] * row[l]


@njit(cache=True, nogil=True)
def spread_of(rows, solved, base_offset, base_cov, known_later_s, known_later_var):
    """Covariance of the steps and offsets that were solved for, and variance of the readout; and what the picture says
    alone, with only the base values of the offsets and the readout known: step, its covariance, and what of that comes
    from not knowing where edges appear."""
    m = len(solved.groups)
    place, base, away = np.zeros(len(base_offset), np.int64), np.empty((m, m)), np.zeros(N_SHARED + m)
    for i in range(m):
        place[solved.groups[i]], away[N_SHARED + i] = i, base_offset[solved.groups[i]] - solved.offset_px[i]
        for j in range(m):
            base[i, j] = base_cov[solved.groups[i], solved.groups[j]]
    group = place[rows.label]
    data, _ = _normal(_Design(rows.design, group, rows.along), solved.weight, solved.residual_px, solved.group_var)
    whole, cov = np.linalg.inv(data + solved.information), np.empty((6 + m, 6 + m))
    for i in range(6 + m):
        put(whole[i if i < 6 else i + 1, :6], cov[i, :6])
        put(whole[i if i < 6 else i + 1, N_SHARED:], cov[i, 6:])
    data, right = _normal(_Design(rows.jacobian, group, rows.along), solved.weight, solved.residual_px,
                          solved.group_var)
    weak = np.zeros_like(data)
    for k in range(6):
        weak[k, k] = 40.0 ** -2 if k < 3 else 0.4 ** -2
    weak[6, 6], away[6] = 1.0 / known_later_var, known_later_s
    alone = np.linalg.inv(base)
    for i in range(m):
        put(alone[i], weak[N_SHARED + i, N_SHARED:])
    alone_cov = np.linalg.inv(data + weak)
    alone_step = alone_cov @ (right + weak @ away)
    through = np.ascontiguousarray(alone_cov[:6, N_SHARED:])
    return cov, whole[6, 6], alone_step[:6].copy(), alone_cov[:6, :6].copy(), through @ alone @ through.T
