"""The least scatter that a picture's noise allows: that of edges, as the benchmark prints it, beside that of pixels."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from tests.benchmarks.bound import KNOWN, NOISES, _bound, _length_px, _pose
from tests.vision.drawn_tool import CAMERA, INSIDE, OUTSIDE, TOOL, drawn_exactly, independent
from vision.edges.likelihood import noise_sigma
from vision.fit.bias import group_key
from vision.fit.pose import inside_picture
from vision.nozzle.silhouette import STEP, moved_pose, outline

UP = np.array([0.0, -0.5, -0.866])
NEAR_PX = 3.5  # of the outline; what lies inside it, and the handle's far end, are nothing that is measured


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_edges_tell_the_height_as_well_as_the_pixels_along_them(seed, monkeypatch):
    """The information of pixels is the sum of (change of the drawing with the pose / noise)^2 (Kay, as in the
    benchmark), by differences of exact drawings: no edge, length or line spread comes into it."""
    monkeypatch.setattr("tests.benchmarks.bound.CHANGE_PX", {True: 1e-5, False: 1e-5})  # drawn edges are straight
    pose = _pose(np.random.default_rng(seed))
    out = inside_picture(outline(CAMERA, TOOL, pose, step_mm=0.2), (720, 1280))
    # of edges before metal the benchmark knows the place less well than a drawing does
    is_before_bench = out.side != STEP
    near = cKDTree(out.px[is_before_bench])
    changes = []
    for k, step in enumerate([0.02, 0.02, 0.1, 0.002, 0.002]):
        ahead, behind = (drawn_exactly(moved_pose(pose, way * step * np.eye(6)[k]))[..., 0].astype(float)
                         for way in (1, -1))
        changes.append((ahead - behind) / (2 * step))
    rows, columns = np.nonzero(np.abs(changes).max(0) > 0)
    is_near = near.query(np.c_[columns, rows])[0] < NEAR_PX
    rows, columns = rows[is_near], columns[is_near]
    sigma = independent(NOISES[2])[0] * noise_sigma(drawn_exactly(pose)[rows, columns, 0])
    design = np.array(changes)[:, rows, columns].T / sigma[:, None]

    by_pixels = float(np.sqrt(UP @ np.linalg.inv(design.T @ design)[:3, :3] @ UP))

    grey = np.array([1.0, 0.0, 0.0])
    by_edges = _bound(out, _length_px(out) * is_before_bench, INSIDE[np.maximum(out.part, 0), None] * grey,
                      np.full((len(out.px), 1), OUTSIDE) * grey, independent(NOISES[2])[0], UP,
                      lambda group: KNOWN[group_key(TOOL, group)])

    # pixels see a little more, of what lies just inside the outline
    assert 1.0 < by_edges / by_pixels < 1.1


def test_an_outline_is_as_long_as_its_picture():
    out = inside_picture(outline(CAMERA, TOOL, _pose(np.random.default_rng(0)), step_mm=0.2), (720, 1280))
    limb = (out.part == 0) & (out.side == 1)

    ends_px = out.px[limb][[0, -1]]

    assert _length_px(out)[limb].sum() == pytest.approx(np.hypot(*(ends_px[1] - ends_px[0])), rel=0.02)
