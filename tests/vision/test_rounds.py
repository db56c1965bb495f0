"""What a round of the fit is made of: steps, bends, what disturbs edges, cuts before what is not known."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from vision.edges.cuts import LINEAR, NO_TONE, is_inside, sample_along, to_opponent
from vision.edges.search import Tolerance
from vision.fit.bias import DEFAULT_BIAS, EdgeBias, edge_offsets, group_key, group_of, n_groups
from vision.fit.least_squares import Solved
from vision.fit.pose import free_limbs, weak_prior
from vision.fit.rounds import (
    MARGIN_PX,
    Scene,
    _along,
    _crowding_px,
    _keep_offsets,
    _steps_to,
    cut_through,
    tool_of,
)
from vision.nozzle.body import ToolPose, body_from_measures, pose_arrays
from vision.nozzle.silhouette import STEP, moved_pose

BENT = body_from_measures([(4.0, 0.0), (4.2, 21.0), (9.0, 30.0)], [(13.0, 46.0), (15.0, 80.0)], bend_deg=35.0)
POSE = ToolPose(np.array([4.0, -7.0, 310.0]), np.array([0.48, -0.6, 0.64]), 0.7)


def test_the_steps_from_one_pose_to_a_near_one_are_those_that_led_there():
    step = np.array([0.7, -0.4, 1.1, 3e-4, -2e-4, 5e-4])
    goal = moved_pose(POSE, step)

    found = _steps_to(pose_arrays(POSE), pose_arrays(goal))

    assert_allclose(found, step, atol=1e-6)


def test_edges_are_seen_four_pixels_inside_a_picture():
    px = np.array([[4.0, 50], [4.25, 50], [94.75, 50], [95.0, 50], [50, 4.0], [50, 4.25], [50, 74.75], [50, 75.0]])

    assert is_inside(px, (80, 100), MARGIN_PX).tolist() == [False, True, True, False, False, True, True, False]


def _arc(n, radius_px, spacing_px, labels):
    angle = np.arange(n) * spacing_px / radius_px + 0.4
    normal = np.stack([np.cos(angle), np.sin(angle)], 1)
    lines, bend = np.ones(n, np.int64), np.zeros(n)
    _along(np.array([200.0, 100.0]) + radius_px * normal, normal, np.array(labels), lines, bend)
    return lines, bend


@pytest.mark.parametrize(("spacing_px", "lines"), [(0.9, 1), (1.6, 2), (2.4, 2), (2.6, 3), (9.0, 4)])
def test_lines_fill_the_way_to_the_next_cut_and_a_circle_bends_by_its_radius(spacing_px, lines):
    found, bend = _arc(7, 150.0, spacing_px, [[2, 1, 0]] * 7)

    assert found.tolist() == [lines] * 7
    assert_allclose(bend, 1 / 150, rtol=1e-3)


def test_lines_and_bends_are_told_within_one_side_of_one_part():
    lines, bend = _arc(6, 150.0, 3.0, [[1, 1, 0], [2, 1, 0], [2, 1, 0], [2, -1, 0], [2, -1, 0], [3, -1, 0]])

    assert lines.tolist() == [1, 3, 3, 3, 3, 1]
    assert (bend > 0).tolist() == [False, True, True, True, True, False]


def _crowded(far_px, turn_deg, labels=((1, 1, 0), (2, 1, 0))):
    way = Rotation.from_euler("z", 25, degrees=True).as_matrix()[:2, :2] @ [far_px, 0.0]
    normals = np.array([[0.6, 0.8], Rotation.from_euler("z", turn_deg, degrees=True).as_matrix()[:2, :2] @ [0.6, 0.8]])
    return _crowding_px(np.array([[40.0, 30.0], [40.0, 30.0] + way]), normals, np.array(labels))


def test_edges_that_meet_at_a_corner_disturb_each_other_by_so_much_at_three_eighths_of_their_reach():
    assert_allclose(_crowded(6 * 3 / 8, 90), 0.2 * (5 / 8) ** 2 * 8 / 3, rtol=1e-9)  # 0.2 px, as tuned once


@pytest.mark.parametrize(("far_px", "turn_deg", "least", "most"), [
    (6.1, 90, 0.012, 0.012), (5.0, 90, 0.006, 0.0125), (4.0, 90, 0.02, 0.1), (2.25, 0, 0.012, 0.012),
    (0.05, 90, 1.6, 1.63), (2.25, 30, 0.1, 0.11), (2.25, 150, 0.2, 0.22), (2.25, -150, 0.2, 0.22)])
def test_edges_disturb_each_other_the_nearer_and_the_less_alike_they_run(far_px, turn_deg, least, most):
    crowding = _crowded(far_px, turn_deg)

    assert crowding[0] == crowding[1]
    assert least <= crowding[0] <= most


def test_an_edge_before_metal_is_off_by_more_and_one_side_does_not_disturb_itself():
    assert _crowded(2.25, 90, [(1, 1, 0), (1, 1, 0)]).tolist() == [0.012, 0.012]
    assert _crowded(2.25, 90, [(1, STEP, 0), (1, STEP, 0)]).tolist() == [0.1, 0.1]
    assert (_crowded(2.25, 90, [(1, 1, 0), (1, -1, 0)]) > 0.2).all()


OFFSETS_PX = np.arange(-18, 19) * 0.5
NOISE = 0.5, 0.7, 0.9


def _scene(unknown=None):
    rng = np.random.default_rng(3)
    known = np.full((60, 90), 255, np.uint8)
    if unknown is not None:
        known[unknown[1], unknown[0]] = 0
    return rng.integers(0, 256, (60, 90, 3)).astype(np.uint8), rng.random((60, 90, 3)).astype(np.float32), known


PX, NORMAL = np.array([[30.2, 25.7], [55.0, 31.0]]), np.array([[0.6, 0.8], [1.0, 0.0]])
LINES = np.array([1, 3])


def _seen(image, bench, known, gain=None):
    return Scene(image, bench, known, np.ones(60, np.float32) if gain is None else gain, Tolerance(noise=NOISE))


def test_cuts_go_through_the_picture_and_through_the_bench_behind_it():
    image, bench, known = _scene()

    cuts, back = cut_through(_seen(image, bench, known), PX, NORMAL, np.zeros(2, bool), LINES, OFFSETS_PX)

    assert_allclose(cuts, to_opponent(sample_along(image, LINEAR, PX, NORMAL, OFFSETS_PX, LINES), NOISE), atol=0.0)
    assert_allclose(back, to_opponent(sample_along(bench, NO_TONE, PX, NORMAL, OFFSETS_PX, LINES), NOISE), atol=0.0)


def test_the_bench_behind_a_cut_is_lit_row_by_row_as_the_picture_is():
    image, bench, known = _scene()
    gain = np.linspace(0.6, 1.7, 60).astype(np.float32)

    _, back = cut_through(_seen(image, bench, known, gain), PX, NORMAL, np.zeros(2, bool), LINES, OFFSETS_PX)

    even = to_opponent(sample_along(bench, NO_TONE, PX, NORMAL, OFFSETS_PX, LINES), NOISE)
    row = np.round(PX[:, 1, None] + OFFSETS_PX * NORMAL[:, 1, None]).astype(int)
    assert_allclose(back, even * gain[row][:, None], rtol=1e-4, atol=1e-6)


# pixels of the first cut: its edge, half way to its outer end and there, and beside those
@pytest.mark.parametrize(("unknown", "is_flat"), [((30, 26), True), ((33, 29), True), ((36, 33), True),
                                                  ((31, 26), False), ((28, 22), False),
                                                  ((38, 37), False), (None, False)])
def test_the_outer_end_of_a_cut_stands_for_what_is_not_known_behind_it(unknown, is_flat):
    image, bench, known = _scene(unknown)
    bare = cut_through(_seen(image, bench, np.full_like(known, 255)), PX, NORMAL, np.zeros(2, bool), LINES, OFFSETS_PX)

    cuts, back = cut_through(_seen(image, bench, known), PX, NORMAL, np.zeros(2, bool), LINES, OFFSETS_PX)

    outer = cuts[0, :, -10:].mean(1)  # a quarter of 37
    assert_allclose(back[0], np.tile(outer[:, None], 37) if is_flat else bare[1][0], rtol=1e-6)
    assert_allclose(back[1], bare[1][1], atol=0.0)


def test_the_outer_end_of_a_cut_stands_for_metal_behind_it():
    image, bench, known = _scene()

    cuts, back = cut_through(_seen(image, bench, known), PX, NORMAL, np.array([False, True]), LINES, OFFSETS_PX)

    assert_allclose(back[1], np.tile(cuts[1, :, -10:].mean(1)[:, None], 37), rtol=1e-6)
    assert np.ptp(back[0, 0]) > 0.1


def test_the_offset_of_a_side_is_that_of_most_of_its_edges():
    label = np.array([0, 0, 1, 4, 4, 5, 5, 7, 9, 9, 8])
    good = np.array([1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0], bool)
    groups, seen_px = np.array([0, 1, 4, 5, 7, 8, 9]), np.full(5, 9.0)
    none = np.zeros(0)
    solved = Solved(none, 0.0, groups, 0.1 * groups + 0.05, good, 0.0, none, none, none, np.zeros((0, 0)))

    _keep_offsets(label, solved, seen_px)

    assert_allclose(seen_px, [0.05, 0.0, 0.55, 0.75, 0.95])  # of two alike, the one that is lighter outside


def test_a_group_s_number_tells_its_part_its_side_and_what_lies_behind():
    assert n_groups(BENT) == 2 * 4 * 4
    keys = [group_key(BENT, group_of(part, side, lighter)) for part, side, lighter in
            ((-1, 0, 1), (0, -1, 0), (0, 1, 1), (1, 1, 0), (2, -1, 1), (2, STEP, 0), (1, STEP, 1))]

    assert keys == [("rim", True), ("tube", False), ("tube", True), ("cone", False), ("handle", True), ("step", False),
                    ("step", True)]
    groups = {group_of(part, side, lighter) for part in range(-1, 3) for side in (-1, 0, 1, STEP) for lighter in (0, 1)}
    assert groups == set(range(n_groups(BENT)))


def _bias():
    return {key: EdgeBias(0.1 * k - 0.4, 0.2 + 0.05 * k) for k, key in enumerate(DEFAULT_BIAS)}


def test_offsets_of_groups_are_those_of_their_kinds():
    offset, cov = edge_offsets(BENT, _bias())

    expected = [_bias()[group_key(BENT, g)] for g in range(n_groups(BENT))]
    assert_allclose(offset, [b.offset_px for b in expected])
    assert_allclose(cov, np.diag([b.sigma_px**2 for b in expected]))


def test_a_loose_prior_knows_the_pose_by_so_much_and_the_offsets_as_calibrated():
    prior = weak_prior(BENT, _bias(), POSE, tip_mm=20.0, turn_rad=0.3, roll_rad=0.6)

    offset, cov = edge_offsets(BENT, _bias())
    assert_allclose(np.diag(prior.cov)[:6], [400, 400, 400, 0.09, 0.09, 0.36])
    assert_allclose(prior.cov[6:, 6:], cov)
    assert not prior.cov[:6, 6:].any() and not prior.is_free
    assert_allclose(prior.offset_px, offset)


def test_free_limbs_of_tube_and_cone_may_be_seen_two_pixels_away():
    prior = weak_prior(BENT, _bias() | {("cone", True): EdgeBias(0.0, 3.0)}, POSE)

    free = free_limbs(BENT, prior)

    sigma_px = np.sqrt(np.diag(free.cov)[6:])
    for group in range(n_groups(BENT)):
        kind, lighter = group_key(BENT, group)
        limb_px = 3.0 if (kind, lighter) == ("cone", True) else 2.0
        known_px = np.sqrt(prior.cov[6 + group, 6 + group])
        assert sigma_px[group] == pytest.approx(limb_px if kind in ("tube", "cone") else known_px)
    assert free.is_free and free.cov[0, 0] == prior.cov[0, 0]


def test_a_tool_is_its_body_s_numbers():
    tool = tool_of(BENT)

    assert_allclose(tool.slices, [[0, 21, 4, 4.2], [21, 30, 4.2, 9], [46, 80, 13, 15]])
    assert tool.kinds.tolist() == [[0, 0], [0, 0], [1, 1]]
    assert tool.coarseness.tolist() == [1.0, 1.0, 1.5]
    assert (tool.bend_rad, tool.bend_at_mm) == (pytest.approx(np.radians(35)), 21.0)
