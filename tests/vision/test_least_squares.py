"""The fit's least squares against its covariance written out (numpy) and a robust cost minimised (SciPy)."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import block_diag
from scipy.optimize import brentq, minimize

from vision.fit.least_squares import (
    CUT_SIGMA_PX,
    Edges,
    Known,
    Rows,
    Solved,
    _Design,
    _normal,
    _Prior,
    _reweighted,
    _scatter_of_groups,
    _scatter_px,
    _Seen,
    _shared,
    _spread_of_cut,
    solve_steps,
    spread_of,
)
from vision.nozzle.body import PoseArrays

# as plain Python: else both are compiled anew for these tests alone
solve, reweighted = (getattr(function, "py_func", function) for function in (solve_steps, _reweighted))
N, GROUPS = 90, np.array([1, 3, 5])  # of six
ALONG = np.linspace(-1, 1, N)[np.random.default_rng(9).permutation(N)]
# of the pose, and by how much the readout is longer than it was taken to be
STEPS = np.array([0.4, -0.3, 0.8, 0.02, -0.015, 0.03, 0.005])
READOUT_VAR = 0.008**2


@pytest.fixture(autouse=True)
def _plain(monkeypatch):
    monkeypatch.setattr("vision.fit.least_squares._reweighted", reweighted)


def _data(seed=1):
    rng = np.random.default_rng(seed)
    jacobian = rng.normal(0, 1, (N, 7)) * [2.5, 2.6, 0.5, 60.0, 50.0, 20.0, 90.0]
    return jacobian, rng.integers(0, 3, N), rng.uniform(1.0, 30.0, N), rng.normal(0, 0.5, N)


def _design(jacobian, group):
    return np.hstack([jacobian, np.eye(3)[group]])


def _cov(weight, group, group_var, along=ALONG):
    """Of what edges are wrong by: each on its own, what those of a group share, and what they share along their side.
    """
    alike = group_var[group, 0] + group_var[group, 1] * along[:, None] * along
    return np.diag(1 / weight) + np.where(group[:, None] == group, alike, 0.0)


GROUP_VAR = np.array([[0.02, 0.05], [0.0, 0.1], [0.3, 0.0]])
SLOPE_VAR = np.array([0.9, 0.04, 0.9, 0.0, 0.9, 0.1])
TRAVEL_VAR = np.array([0.7, 0.005, 0.7, 0.02, 0.7, 0.01])
TRAVEL_PX = np.random.default_rng(10).uniform(0.0, 5.0, N)


def test_normal_equations_are_those_of_edges_that_are_wrong_alike():
    jacobian, group, weight, values = _data()
    design, information = _design(jacobian, group), np.linalg.inv(_cov(weight, group, GROUP_VAR))

    data, right = _normal(_Design(jacobian, group, ALONG), weight, values, GROUP_VAR)

    assert_allclose(data, design.T @ information @ design, rtol=1e-8, atol=1e-8)
    assert_allclose(right, design.T @ information @ values, rtol=1e-8, atol=1e-8)


def test_edges_without_weight_say_nothing():
    jacobian, group, weight, values = _data()
    some = np.arange(N) % 4 > 0

    whole, part = (_normal(_Design(jacobian[at], group[at], ALONG[at]), (weight * some)[at], values[at], GROUP_VAR)
                   for at in (slice(None), some))

    assert_allclose(whole[0], part[0], rtol=1e-12, atol=1e-9)
    assert_allclose(whole[1], part[1], rtol=1e-12, atol=1e-9)


def test_what_a_group_shares_is_the_conditional_mean_of_its_line():
    _, group, weight, residual_px = _data(3)

    shared = _shared(_Design(np.zeros((N, 7)), group, ALONG), weight, residual_px, GROUP_VAR)

    whole = _cov(weight, group, GROUP_VAR)
    assert_allclose(shared, (whole - np.diag(1 / weight)) @ np.linalg.solve(whole, residual_px), rtol=1e-8, atol=1e-10)


@pytest.mark.parametrize(("sigma", "mm", "expected"), [(0.3, 2.4, 0.5), (0.3, 9.0, 0.5), (0.3, 0.6, np.hypot(0.3, 0.8)),
                                                       (7.0, 5.0, np.hypot(5.0, 0.4)),
                                                       (0.3, 0.0, np.sqrt(0.09 + 0.16 * 2400))])
def test_cuts_nearer_than_a_codec_s_blocks_count_less(sigma, mm, expected):
    assert _spread_of_cut(sigma, 0.4, mm) == pytest.approx(expected)  # 2.4 mm share one scatter


@pytest.mark.parametrize("scatter_px", [0.01, 0.07, 0.25])
def test_scatter_is_what_brings_the_median_of_all_edges_to_that_of_a_normal_distribution(scatter_px):
    rng = np.random.default_rng(2)
    sigma = rng.uniform(0.005, 0.1, 200)
    residual_px = rng.normal(0, np.hypot(sigma, scatter_px))

    found = _scatter_px(residual_px, sigma, CUT_SIGMA_PX)

    expected = brentq(lambda s: np.median(np.abs(residual_px) / np.hypot(sigma, s)) - 1 / 1.4826, 1e-4, 1.0)
    assert found == pytest.approx(max(expected, 0.002), rel=0.012)


@pytest.mark.parametrize(("share", "expected"), [(0.01, 0.002), (100.0, 0.35)])
def test_scatter_stays_within_what_edges_do(share, expected):
    residual_px = share * np.random.default_rng(3).normal(0, 0.1, 100)

    assert _scatter_px(residual_px, np.full(100, 0.1), CUT_SIGMA_PX) == pytest.approx(expected, rel=0.012)


def test_groups_have_scatters_of_their_own_where_those_are_told():
    rng = np.random.default_rng(4)
    group = np.repeat([0, 1, 2, 3], [40, 9, 2, 3])
    residual_px = rng.normal(0, np.array([0.04, 0.5, 0.5, 0.5])[group]) + 0.3 * (group == 1)
    sigma, good = np.full(54, 0.01), np.arange(54) % 7 != 0

    scatter = _scatter_of_groups(residual_px, sigma, good, group, 4)

    of_all = _scatter_px(residual_px[good], sigma[good], 0.35)
    for k, is_told in enumerate((False, True, False, True)):
        at = good & (group == k)
        n, of_group = at.sum(), _scatter_px(residual_px[at] - np.median(residual_px[at]), sigma[at], 0.6)
        told = np.sqrt((n**2 / max(n - 1, 1) * of_group**2 + 10 * of_all**2) / (n + 10))  # a median of its own
        assert scatter[k] == pytest.approx(told if is_told else of_all)


def _prior(seed=5):
    rng = np.random.default_rng(seed)
    root = rng.normal(0, 0.1, (12, 12))
    scale = np.array([3.0, 3.0, 6.0, 0.1, 0.1, 0.3, *np.full(6, 0.4)])
    return scale[:, None] * (root @ root.T + np.eye(12)) * scale, rng.normal(0, 0.2, 6)


ROW, REST = np.array([0.5, -0.7, 1.1]), 0.9
EXPECTED = np.array([0.2, 0.1, -0.4, 0.01, 0.02, -0.01, 0.003])


def _edges(seed=6, noise=0.1):
    jacobian, group, _, _ = _data(seed)
    rng = np.random.default_rng(seed)
    sigma, mm, gain = rng.uniform(0.02, 0.5, N), rng.uniform(0.6, 5.0, N), rng.uniform(14.0, 90.0, N)
    sigma[group == 2] += 0.6  # faint
    offset = jacobian @ STEPS + np.array([0.3, -0.5, 0.1])[group] + rng.normal(0, noise, N)
    offset[:5], gain[5:10] = np.nan, 11.9
    offset[5:10] += 3.0  # chance
    return jacobian, group, mm, offset, sigma, gain


TIP = np.array([3.0, -2.0, 5.0])


def _solve(jacobian, group, mm, offset, sigma, gain, spread=1e6, is_exact=False, crowding=0.0):
    cov, prior_offset = _prior()
    known = Known(PoseArrays(np.zeros(3), np.zeros(3), 0.0), prior_offset, cov, False, READOUT_VAR, SLOPE_VAR,
                  TRAVEL_VAR, ROW, REST + ROW @ TIP)
    edges = Edges(jacobian, ALONG[:len(group)], GROUPS[group], mm, offset, sigma, gain, np.full(len(offset), crowding),
                  TRAVEL_PX[:len(group)])
    return solve(edges, known, EXPECTED, TIP, spread, is_exact)


def _usable_spread(sigma, mm):
    return np.sqrt(np.minimum(sigma, 5) ** 2 + 0.35**2 * np.maximum(2.4 / mm, 1.0))


def _group_var(sigma, group, usable):
    """What a group's edges share: when faint their mean variance beyond what is known of its offset, at least 0.2 px;
    and that of how far they travel."""
    known = np.diag(_prior()[0])[6 + GROUPS]
    alike = [max((sigma[usable & (group == k)] ** 2).mean() - max(known[k], 0.04), 0.0)
             + TRAVEL_VAR[GROUPS[k]] * (TRAVEL_PX[:len(group)][usable & (group == k)] ** 2).mean() for k in range(3)]
    return np.stack([alike, SLOPE_VAR[GROUPS]], 1)


def _whole(jacobian, group, offset, usable, cov):
    """Least squares of steps, readout and offsets with the prior and the plane as more equations, all whitened."""
    prior, prior_offset = _prior()
    sites = np.concatenate([np.arange(6), 6 + GROUPS])
    with_readout = np.insert(np.insert(prior[np.ix_(sites, sites)], 6, 0.0, 0), 6, 0.0, 1)
    with_readout[6, 6] = READOUT_VAR
    roots = [np.linalg.cholesky(c) for c in (cov, with_readout)]
    plane = np.concatenate([ROW, np.zeros(7)])[None]
    design = np.vstack([np.linalg.solve(roots[0], _design(jacobian, group)[usable]),
                        np.linalg.solve(roots[1], np.eye(10)), plane])
    right = np.concatenate([np.linalg.solve(roots[0], offset[usable]),
                            np.linalg.solve(roots[1], np.concatenate([EXPECTED, prior_offset[GROUPS]])), [REST]])
    return np.linalg.lstsq(design, right, rcond=None)[0], np.linalg.inv(with_readout) + plane.T @ plane


def test_steps_readout_and_offsets_are_those_of_all_equations_at_once():
    jacobian, group, mm, offset, sigma, gain = edges = _edges()
    usable = np.arange(N) >= 10
    group_var = _group_var(sigma, group, usable)
    cov = _cov(_usable_spread(sigma, mm) ** -2.0, group, group_var)[np.ix_(usable, usable)]
    x, information = _whole(jacobian, group, offset, usable, cov)

    solved = _solve(*edges)

    assert_allclose(solved.step, x[:6], rtol=1e-6, atol=1e-8)
    assert solved.later_s == pytest.approx(x[6], rel=1e-6)
    assert_allclose(solved.offset_px, x[7:], rtol=1e-6, atol=1e-8)
    assert solved.groups.tolist() == GROUPS.tolist()
    assert_allclose(solved.group_var, group_var, rtol=1e-9)
    assert_allclose(solved.information, information, rtol=1e-7, atol=1e-9)
    residual_px = offset[usable] - _design(jacobian, group)[usable] @ x
    assert_allclose(solved.residual_px[usable], residual_px, atol=1e-6)
    assert not solved.residual_px[~usable].any()
    of_each = np.diag(_usable_spread(sigma, mm)[usable] ** 2)
    away = of_each @ np.linalg.solve(cov, residual_px) / np.hypot(np.minimum(sigma, 5), 0.35)[usable]
    assert_allclose(solved.good[usable], np.abs(away) < 3)
    chi2 = (away[np.abs(away) < 3] ** 2).sum() / (solved.good.sum() - 6)
    assert solved.chi2_dof == pytest.approx(chi2, rel=1e-5)
    assert_allclose(solved.weight, solved.good * _usable_spread(sigma, mm) ** -2.0 / max(1, chi2), rtol=1e-5)


def test_edges_that_scatter_beyond_their_sigmas_count_less():
    solved = _solve(*_edges(noise=0.9))

    assert solved.chi2_dof > 1.2
    mm, sigma = _edges()[2], _edges()[4]
    assert_allclose(solved.weight[solved.good], (_usable_spread(sigma, mm) ** -2.0 / solved.chi2_dof)[solved.good],
                    rtol=1e-9)


@pytest.mark.parametrize("crowding", [0.03, 0.3])
def test_a_quiet_picture_s_edges_are_weighed_by_how_they_scatter(crowding):
    jacobian, group, mm, offset, sigma, gain = _edges(noise=0.03)
    sigma = 0.03 * sigma
    edges = jacobian, group, mm, offset, sigma, gain
    first = _solve(*edges)
    usable = first.good
    group_var = _group_var(sigma, group, np.arange(N) >= 10)
    usual, residual_px = _usable_spread(sigma, mm), np.zeros(N)
    residual_px[usable] = np.diag(usual[usable] ** 2) @ np.linalg.solve(  # beyond what the group shares
        _cov(usual**-2.0, group, group_var)[np.ix_(usable, usable)], first.residual_px[usable])
    scatter = _scatter_of_groups(residual_px, np.hypot(sigma, crowding), usable, group, 3)[group]
    spread = np.sqrt(sigma**2 + scatter**2 * np.maximum(2.4 / mm, 1.0) + crowding**2)
    x, _ = _whole(jacobian, group, offset, usable, _cov(spread**-2.0, group, group_var)[np.ix_(usable, usable)])

    solved = _solve(*edges, is_exact=True, crowding=crowding)

    assert_allclose(solved.step, x[:6], rtol=1e-5, atol=1e-7)
    assert_allclose(solved.weight[usable], spread[usable] ** -2.0, rtol=1e-5)


@pytest.mark.parametrize(("n", "is_enough"), [(7, False), (8, True)])
def test_fewer_than_eight_cuts_fix_nothing(n, is_enough):
    edges = [part[20:20 + n] for part in _edges()]
    solved = _solve(*edges)

    assert (len(solved.step) == 6) is is_enough
    assert is_enough or solved.offset_px.tolist() == _prior()[1][GROUPS[np.unique(edges[1])]].tolist()


@pytest.mark.parametrize(("n", "is_enough"), [(5, False), (6, True)])
def test_fewer_than_six_edges_fix_nothing(n, is_enough):
    jacobian, group, mm, offset, sigma, gain = (part[20:40] for part in _edges())
    gain[n:] = 12.0  # at which an edge is chance

    assert (len(_solve(jacobian, group, mm, offset, sigma, gain).step) == 6) is is_enough


def test_edges_count_the_less_the_further_they_are_beyond_reach():
    jacobian, group, mm, offset, sigma, gain = _edges(noise=0.3)
    offset[40:52] += 5.0
    x, usable = np.zeros(10), np.arange(N) >= 10
    spread, reach = _usable_spread(sigma, mm), np.full(N, 0.9)
    information, seen = np.diag(np.array([3.0, 3, 6, 0.1, 0.1, 0.3, 0.1, 0.4, 0.4, 0.4]) ** -2.0), np.nan_to_num(offset)
    pull = information @ np.full(10, 0.01)

    def cost(z):  # Geman and McClure's, of which these weights are the slopes
        r2 = ((seen - _design(jacobian, group) @ (scale * z)) / reach)[usable] ** 2
        away = scale * z - 0.01
        return 0.5 * (reach[usable] ** 2 / spread[usable] ** 2 * r2 / (1 + r2)).sum() + 0.5 * away @ information @ away

    scale = np.array([0.1, 0.1, 0.3, 3e-3, 3e-3, 1e-2, 2e-3, 0.1, 0.1, 0.1])
    start = np.concatenate([STEPS, [0.3, -0.5, 0.1]])
    x[:] = start
    residual_px, shared = reweighted(_Design(jacobian, group, ALONG), _Seen(seen, usable, spread, reach),
                                     _Prior(information, pull, np.zeros((3, 2))), x)

    best = scale * minimize(cost, start / scale, method="BFGS", options={"gtol": 1e-7}).x
    assert_allclose(x / scale, best / scale, atol=0.06)
    assert_allclose(residual_px[usable], (seen - _design(jacobian, group) @ x)[usable], atol=1e-9)
    assert not shared.any()


def test_what_a_picture_says_alone_is_least_squares_with_the_offsets_prior():
    jacobian, group, weight, residual_px = _data(7)
    rng = np.random.default_rng(8)
    offset_px, base_offset = rng.normal(0, 0.4, 3), rng.normal(0, 0.4, 6)
    root = rng.normal(0, 0.2, (6, 6))
    base_cov, information = root @ root.T + 0.1 * np.eye(6), np.asfortranarray(np.diag(rng.uniform(0.5, 4.0, 10)))
    moving = jacobian + rng.normal(0, 0.1, jacobian.shape)  # with rates that go with the pose

    solved = Solved(np.zeros(6), 0.0, GROUPS, offset_px, weight > 0, 1.0, residual_px, weight, GROUP_VAR, information)
    cov, readout_var, step, alone_cov, offsets_cov = spread_of(Rows(moving, jacobian, ALONG, GROUPS[group]), solved,
                                                               base_offset, base_cov, 0.004, READOUT_VAR)

    design, of_edges = _design(jacobian, group), np.linalg.inv(_cov(weight, group, GROUP_VAR))
    data = design.T @ of_edges @ design
    base = base_cov[np.ix_(GROUPS, GROUPS)]
    weak = block_diag(np.diag(np.array([40, 40, 40, 0.4, 0.4, 0.4, 0.008]) ** -2.0), np.linalg.inv(base))
    whole = np.linalg.inv(data + weak)
    known = np.concatenate([np.zeros(6), [0.004], base_offset[GROUPS] - offset_px])
    of_moving = _design(moving, group)
    of_all, kept = np.linalg.inv(of_moving.T @ of_edges @ of_moving + information), np.r_[:6, 7:10]
    assert_allclose(cov, of_all[np.ix_(kept, kept)], rtol=1e-7, atol=1e-12)
    assert readout_var == pytest.approx(of_all[6, 6], rel=1e-7)
    assert_allclose(step, (whole @ (design.T @ of_edges @ residual_px + weak @ known))[:6], rtol=1e-7, atol=1e-9)
    assert_allclose(alone_cov, whole[:6, :6], rtol=1e-7, atol=1e-12)
    through = whole[:6, 7:] @ np.linalg.inv(base)  # how the steps follow the offsets
    assert_allclose(offsets_cov, through @ base @ through.T, rtol=1e-7, atol=1e-12)
