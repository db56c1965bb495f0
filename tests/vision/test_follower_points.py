"""Sides of the mat's markers by finite differences and least squares, and planes seen from two places."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import ndtr

from tests.vision.drawn import CAMERA, frame, looking_down, picture
from vision import rigid
from vision.bench.board import BoardFollower, rigid_shift
from vision.bench.follower import BenchFollower, _edge_offsets, _Fit, _rows, _solve, seen_before
from vision.bench.mat import load_mat, standard_mat
from vision.bench.warp import BenchRelief, bench_now
from vision.errors import CalibrationError

POSE = rigid.moved(looking_down(12, -186, 334, 5.0), np.array([0.05, -0.03, 0.02, 1.0, -2.0, 3.0]))
OTHER = rigid.moved(POSE, np.array([0.02, 0.03, -0.05, 8.0, -5.0, 6.0]))


def _points(n=20, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform([-100, -70, 0], [100, 70, 0], (n, 3))


def _sides():
    """Points of the mat's sides: there, along the side, and outwards, of any length."""
    turn = np.random.default_rng(2).uniform(0, 2 * np.pi, 20)
    along = np.stack([np.cos(turn), np.sin(turn), 0 * turn], 1)
    outward = np.stack([np.sin(turn), -np.cos(turn), 0 * turn], 1) * 9.0 + 3.0 * along
    outward[::3] -= 18 * np.stack([np.sin(turn), -np.cos(turn), 0 * turn], 1)[::3]
    return _points() + np.linspace(-6, 9, 20)[:, None] * [0, 0, 1], along, outward


def test_rows_are_how_edges_move_along_their_normals_with_the_camera():
    points, along, outward = _sides()

    rows, px, normal = _rows(points, along, outward, POSE, CAMERA.lens)

    def seen(pose, points=points):
        return CAMERA.project(rigid.apply(pose, points))
    assert_allclose(px, seen(POSE), atol=1e-9)
    along_px, outward_px = (seen(POSE, points + 1e-4 * shift) - seen(POSE, points - 1e-4 * shift)
                            for shift in (along, outward))
    assert_allclose((normal * along_px).sum(1), 0.0, atol=1e-9)
    assert_allclose(np.linalg.norm(normal, axis=1), 1.0)
    assert ((normal * outward_px).sum(1) > 0).all()
    for k, step in enumerate(1e-5 * np.eye(6)):
        moved = (seen(rigid.moved(POSE, step)) - seen(rigid.moved(POSE, -step))) / 2e-5
        assert_allclose(rows[:, k], (moved * normal).sum(1), rtol=1e-5, atol=1e-5)
    assert_allclose(rows[:, 6], 1.0)  # black that shrinks: all edges alike


def test_a_mat_behind_the_camera_has_no_rows():
    behind = POSE @ rigid.transform(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 900.0]))

    assert not np.concatenate(_rows(*_sides(), behind, CAMERA.lens), axis=1).any()


X_PX = np.arange(-3.0, 4.01, 0.5)


def _cuts(at_px, black=40.0, white=200.0):
    return black + (white - black) * ndtr((X_PX - np.asarray(at_px)[:, None]) / 0.5)


def test_a_black_square_s_edge_is_where_the_area_under_the_rise_says():
    at_px = np.array([-0.8, -0.3, 0.0, 0.47, 1.2])

    offset, seen = _edge_offsets(_cuts(at_px))

    assert seen.all()
    assert_allclose(offset, at_px, atol=0.03)


def test_faint_uneven_and_far_edges_are_not_seen():
    cuts = _cuts(np.full(9, 0.1))
    cuts[1] = 40 + 0.33 * (cuts[1] - 40)  # of the usual contrast
    cuts[2] = 40 + 0.42 * (cuts[2] - 40)
    cuts[3, 1] += 50.0  # beyond 0.3 of 160
    cuts[4, 1] += 20.0
    cuts[5, -2] -= 50.0
    cuts[6, -2] -= 20.0
    cuts[7] = _cuts([2.2])
    cuts[8] = _cuts([1.8])

    _, seen = _edge_offsets(cuts)

    assert seen.tolist() == [True, False, True, False, True, False, True, False, True]


def _equations(n_markers=4, noise=0.0):
    """Rows of markers of four sides of eight cuts, and what they are off by."""
    rng = np.random.default_rng(3)
    rows = rng.normal(0, 1, (n_markers * 32, 7)) * [300.0, 280.0, 120.0, 2.5, 2.6, 0.4, 1.0]
    step = np.array([0.001, -0.002, 0.003, 0.2, -0.1, 0.5, 0.3])
    return rows, rows @ step + rng.normal(0, noise, len(rows)) if noise else rows @ step, step


def test_a_step_and_its_covariance_are_those_of_least_squares():
    rows, offset, step = _equations()
    seen = np.ones(len(rows), bool)
    seen[::5] = False

    found, (cov, shared, n_markers, rms_px, inset_px, sigma_px) = _solve(rows, offset, seen)

    inverse = np.linalg.inv(rows[seen].T @ rows[seen])
    sides = np.kron(np.eye(16), np.ones((8, 8)))[np.ix_(seen, seen)]  # 0.06 px that all cuts of a side are off by
    whole = 0.06**2 * inverse @ rows[seen].T @ sides @ rows[seen] @ inverse
    assert_allclose(found, step, rtol=1e-9)
    assert_allclose(cov, 0.12**2 * inverse[:6, :6], rtol=1e-6)  # 0.12 px of a cut at least
    assert_allclose(shared, whole[:6, :6], rtol=1e-6, atol=1e-15)
    assert (n_markers, inset_px) == (4, pytest.approx(0.3))
    assert rms_px < 1e-9
    spread = rows[:, :6] @ (0.12**2 * inverse + whole)[:6, :6] @ rows[:, :6].T
    assert sigma_px == pytest.approx(np.sqrt(np.trace(spread) / len(rows)), rel=1e-6)


def test_cuts_that_scatter_more_make_a_pose_less_sure():
    rows, offset, step = _equations(12, noise=0.3)
    rest = offset - rows @ np.linalg.lstsq(rows, offset, rcond=None)[0]

    found, (cov, _, _, rms_px, _, _) = _solve(rows, offset, np.ones(len(rows), bool))

    sigma = np.sqrt(np.diag(0.3**2 * np.linalg.inv(rows.T @ rows)))[:6]
    assert np.all(np.abs(found - step)[:6] < 4 * sigma)
    assert_allclose(np.sqrt(np.diag(cov)), sigma, rtol=0.25)  # far-off cuts count less
    assert rms_px == pytest.approx(np.sqrt(np.mean(rest**2)), rel=0.05)


def test_far_off_cuts_hardly_pull():
    rows, offset, _ = _equations(12, noise=0.1)
    wrong = np.arange(len(rows)) % 7 == 3
    expected = np.linalg.lstsq(rows[~wrong], offset[~wrong], rcond=None)[0]
    sigma = 0.1 * np.sqrt(np.diag(np.linalg.inv(rows[~wrong].T @ rows[~wrong])))

    found, _ = _solve(rows, offset + 3.0 * wrong, np.ones(len(rows), bool))

    assert np.all(np.abs(found - expected) < 1.5 * sigma)


def test_a_camera_at_rest_is_averaged_over_a_second_or_so():
    camera = CAMERA.scaled(0.6)
    follower, grey = BenchFollower(camera, standard_mat()), picture(POSE, camera=camera, noise=0)

    covs = [follower.step(frame(grey, t_s))[0].cov for t_s in (0.0, 0.01, 30.0)]

    sigmas = np.sqrt([np.diag(cov) for cov in covs])
    assert (sigmas[1] < 0.95 * sigmas[0]).all()
    assert (sigmas[1] > 0.5 * sigmas[0]).all()  # what a print and the lens are wrong by stays
    assert_allclose(sigmas[2], sigmas[0], rtol=0.25)  # of long ago nothing counts


def _covered(n_sides, n_cuts):
    """Of four markers: two whole, one of so many sides, each of so many cuts, one hidden."""
    seen = np.zeros((4, 4, 8), bool)
    seen[:2], seen[2, :n_sides, :n_cuts] = True, True
    return seen.ravel()


@pytest.mark.parametrize(("n_sides", "n_cuts", "is_enough"), [(2, 4, True), (1, 8, False), (4, 3, False), (3, 5, True)])
def test_three_markers_of_two_sides_of_four_cuts_carry_a_pose(n_sides, n_cuts, is_enough):
    rows, offset, _ = _equations()

    assert (_solve(rows, offset, _covered(n_sides, n_cuts)) is not None) is is_enough


@pytest.mark.parametrize("scatter_px", [0.3, 2.0])
def test_markers_that_are_not_where_they_were_printed_give_a_step_alone(scatter_px):
    rows, offset, _ = _equations(8, noise=scatter_px)

    _, result = _solve(rows, offset, np.ones(len(rows), bool))

    assert (result is None) is (scatter_px > 0.6)


@pytest.mark.parametrize("height_mm", [0.0, 11.0])
def test_a_plane_s_points_were_seen_where_the_camera_then_projected_them(height_mm):
    points = _points() + [0, 0, height_mm]
    now, then = (CAMERA.project(rigid.apply(pose, points)) for pose in (OTHER, POSE))

    assert_allclose(seen_before(CAMERA, POSE, OTHER, now, height_mm), then, atol=1e-6)


def test_what_looks_over_the_horizon_was_seen_nowhere():
    flat = rigid.transform(rigid.exp_rotation(np.array([-1.0, 0.0, 0.0])), np.zeros(3)) @ POSE

    before = seen_before(CAMERA, POSE, flat, np.array([[640.0, 20.0], [640.0, 700.0]]))

    assert np.isnan(before).any(1).tolist() != [False, False]


SMALL = CAMERA.scaled(0.2)


def _grid():
    x, y = np.meshgrid(np.arange(20.0, 236, 9), np.arange(20.0, 124, 9))
    return x.ravel().astype(int), y.ravel().astype(int)


def test_every_pixel_of_mat_and_board_was_seen_where_its_plane_says():
    board = BoardFollower(SMALL, 11.0, np.array([10.0, -5.0]), 30.0)
    x, y = _grid()

    seen = BenchRelief(SMALL, 11.0, board).seen_before_px(POSE, OTHER)[y, x]

    px = np.stack([x, y], 1).astype(float)
    on_board = board.region(OTHER, (144, 256))[y, x] > 0
    assert 5 < on_board.sum() < 200
    for height_mm, which in ((0.0, ~on_board), (11.0, on_board)):
        assert_allclose(seen[which], seen_before(SMALL, POSE, OTHER, px, height_mm)[which], atol=0.02)


def test_a_nudged_board_s_pixels_were_seen_where_it_lay():
    before, after = np.array([1.0, -2.0, 0.03]), np.array([4.0, 1.5, -0.04])
    x, y = _grid()

    seen = BenchRelief(SMALL, 11.0).slid_before_px(POSE, before, after)

    def lying(points, shift):
        c, s = np.cos(shift[2]), np.sin(shift[2])
        return np.column_stack([points[:, :2] @ np.array([[c, s], [-s, c]]) + shift[:2], points[:, 2]])
    board = _points(40) * 0.5 + [0, 0, 11.0]
    then, now = (SMALL.project(rigid.apply(POSE, lying(board, shift))) for shift in (before, after))
    at = np.round(now).astype(int)
    assert_allclose(seen[at[:, 1], at[:, 0]] - at, then - now, atol=0.15)


@pytest.mark.parametrize(("shift_px", "is_elsewhere"), [(0.25, False), (0.35, True)])
def test_a_bench_is_elsewhere_when_it_is_seen_a_third_of_a_pixel_away(shift_px, is_elsewhere):
    moved = rigid.transform(np.eye(3), np.array([shift_px * 334 / 900, 0.0, 0.0])) @ looking_down(0, -5, 334)

    assert BenchRelief(CAMERA).is_elsewhere(looking_down(0, -5, 334), moved) is is_elsewhere


def test_a_stored_bench_is_shown_from_where_the_camera_stands_in_the_light_of_now():
    light = np.random.default_rng(4).uniform(0.2, 0.5, (144, 256, 3)).astype(np.float32)
    relief, image = BenchRelief(SMALL), np.full((144, 256, 3), 128, np.uint8)

    shown, cast = bench_now(relief, light, POSE, image, OTHER)
    alone, own_cast = bench_now(relief, light, None, image, OTHER)

    warped = relief.warped(light, POSE, OTHER)
    assert np.abs(warped - light).max() > 0.1
    for found, bare, (blue, red, green) in ((shown, warped, cast), (alone, light, own_cast)):
        assert_allclose(found, bare * np.exp([blue + green, green, red + green]), rtol=1e-5)


@pytest.mark.parametrize("light", [None, np.ones((10, 20, 3), np.float32)])
def test_a_stored_bench_of_another_size_is_left_alone(light):
    shown, cast = bench_now(BenchRelief(SMALL), light, POSE, np.zeros((144, 256, 3), np.uint8), OTHER)

    assert shown is light and not cast.any()


def _shifted(points, shift):
    c, s = np.cos(shift[2]), np.sin(shift[2])
    return np.stack([c * points[:, 0] - s * points[:, 1] + shift[0], s * points[:, 0] + c * points[:, 1] + shift[1]], 1)


def test_a_rigid_shift_is_that_of_all_points_that_agree():
    start, shift = _points(40)[:, :2], np.array([2.0, -3.5, 0.21])
    now = _shifted(start, shift)
    now[:12] += np.array([3.0, 1.0])
    now[12:14] += np.array([0.3, 0.0])  # within reach

    found = rigid_shift(start, now, 0.4)

    assert found.n_agreeing == 28
    turn, move = rigid.aligned(start[12:], now[12:])
    assert_allclose(found.shift, [*move, np.arctan2(turn[1, 0], turn[0, 0])], atol=1e-9)


def test_points_of_which_no_two_agree_have_no_shift():
    start = _points(12)[:, :2]

    assert rigid_shift(start, start * np.array([3.0, 0.2]), 0.1) is None


def test_the_watched_square_is_where_the_board_is_seen():
    board = BoardFollower(SMALL, 11.0, np.array([10.0, -5.0]), 30.0)

    mask = board.region(POSE, (144, 256))

    x, y = np.meshgrid(np.arange(256.0), np.arange(144.0))
    rays = SMALL.rays(np.stack([x.ravel(), y.ravel()], 1))
    to_bench = rigid.inverse(POSE)
    ways = rays @ to_bench[:3, :3].T
    at = to_bench[:3, 3] + ways * ((11.0 - to_bench[2, 3]) / ways[:, 2])[:, None]
    inside = (np.abs(at[:, :2] - [10.0, -5.0]).max(1) < 30.0).reshape(144, 256)
    assert ((mask > 0) == inside).mean() > 0.995
    assert inside.sum() > 500


GOOD = ('dictionary = "DICT_APRILTAG_36h11"\nsheet_size = [100, 80]\nmarker_size = 10\n'
        'markers = [[0, -45, 35], [3, 20, -10]]\n')


def _mat(tmp_path, old="", new=""):
    (tmp_path / "mat.toml").write_text(GOOD.replace(old, new) if old else GOOD)
    return load_mat(tmp_path / "mat.toml")


def test_markers_may_lie_up_to_the_sheet_s_edge(tmp_path):
    mat = _mat(tmp_path)

    assert_allclose(mat.all_corners_mm[0], [[-50, 40, 0], [-40, 40, 0], [-40, 30, 0], [-50, 30, 0]])
    assert_allclose(mat.corners_mm(3), mat.all_corners_mm[1])
    with pytest.raises(KeyError, match="no marker 1"):
        mat.corners_mm(1)


@pytest.mark.parametrize(("old", "new"), [("-45", "-45.5"), ("35", "35.5"), ("[3,", "[-3,"), ("[3,", "[2.5,"),
                                          ("= 10\n", "= 0\n"), ("100", "0"), ("[[0, -45, 35], [3, 20, -10]]", "[]")])
def test_layouts_that_cannot_be_are_refused(tmp_path, old, new):
    with pytest.raises(CalibrationError, match="mat.toml: (markers|sheet_size)"):
        _mat(tmp_path, old, new)


def test_the_standard_mat_has_fourteen_markers_within_its_sheet():
    mat = standard_mat()

    assert len(mat.ids) == 14
    assert (np.abs(mat.all_corners_mm[..., :2]) <= np.array(mat.sheet_size_mm) / 2).all()


@pytest.mark.parametrize(("creeps_mm", "most_mm"), [(0.0, 0.02), (0.06, 0.15)])
def test_a_camera_that_creeps_is_followed_without_the_lag_of_the_average(creeps_mm, most_mm):
    follower, rng, true_mm = BenchFollower(CAMERA, standard_mat()), np.random.default_rng(3), 0.0
    sigma = np.array([1e-4, 1e-4, 1e-4, 0.02, 0.02, 0.02])
    for k in range(60):
        true_mm = creeps_mm * k
        seen = rigid.moved(looking_down(), rng.normal(0, sigma) + [0, 0, 0, true_mm, 0, 0])
        follower._average(_Fit(seen, np.diag(sigma**2), np.zeros((6, 6)), 14, 0.1, 0.0, 1.0), k / 30)

    off_mm = rigid.difference(follower._pose, looking_down())[3] - true_mm
    assert abs(off_mm) < most_mm
