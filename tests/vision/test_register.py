"""Registration of a patch beside independent computations, on a picture seen at a slant."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.spatial.transform import Rotation

from vision.parts.patch import Spots, grey_at, make_patch, register, register_all, search_shift, shown

H_SLANT = np.array([[3.7, 0.4, 21.3], [-0.3, 4.1, 18.6], [0.002, -0.003, 1.0]])
RNG = np.random.default_rng(12)
ROUGH = gaussian_filter(RNG.normal(120.0, 60.0, (44, 53)), 1.6).astype(np.float32) * 2 - 100
SPREAD_MM = RNG.uniform(-2.4, 2.4, (60, 2))
MOVE = np.array([0.3, -0.2, 0.15])


def pixels_of(points_mm, shift):
    turned = points_mm @ Rotation.from_rotvec([0, 0, shift[2]]).as_matrix()[:2, :2].T + shift[:2]
    x = np.column_stack([turned, np.ones(len(turned))]) @ H_SLANT.T
    return x[:, :2] / x[:, 2:]


def test_grey_levels_are_read_between_pixels_as_scipy_reads_them():
    u, v = pixels_of(SPREAD_MM, MOVE).T

    np.testing.assert_allclose(grey_at(ROUGH, H_SLANT, SPREAD_MM, MOVE),
                               map_coordinates(ROUGH.astype(float), [v, u], order=1), rtol=1e-9)


@pytest.mark.parametrize(("place", "is_read"), [
    ((0.0, 0.0), True), ((-0.01, 3.0), False), ((3.0, -0.01), False), ((51.9, 42.9), True), ((52.0, 5.0), False),
    ((5.0, 43.0), False)])
def test_only_what_lies_between_four_pixels_is_read(place, is_read):
    assert np.isfinite(grey_at(ROUGH, np.eye(3), np.array([place]), np.zeros(3)))[0] == is_read


def test_rows_are_how_grey_levels_change():
    views = np.stack([grey_at(ROUGH, H_SLANT, SPREAD_MM, np.array([dx, dy, 0.0])) for dx, dy in
                      ((0.0, 0.0), (0.02, 0.01), (-0.02, 0.02))])
    h = 1e-3

    def change(k):
        return (grey_at(ROUGH, H_SLANT, SPREAD_MM, h * np.eye(3)[k])
                - grey_at(ROUGH, H_SLANT, SPREAD_MM, -h * np.eye(3)[k])) / (2 * h)
    patch = make_patch(SPREAD_MM, views, np.stack([change(0), change(1)]), 4.0)

    # what a point shows when the patch moves one way is what lies the other way
    np.testing.assert_allclose(patch.rows[0], -change(0))
    np.testing.assert_allclose(patch.rows[1], -change(1))
    np.testing.assert_allclose(patch.rows[2], -change(2), rtol=0.03, atol=1.5)
    np.testing.assert_allclose(patch.rows[3], views.mean(0))
    far = np.abs(SPREAD_MM).max()
    np.testing.assert_allclose(patch.rows[4:6], SPREAD_MM.T / far * views.mean(0))
    noise = max(1.5 * views.std(0).mean(), 1.5)
    edges = 0.12 / 4.0 * np.hypot(change(0), change(1))
    np.testing.assert_allclose(patch.scatter, np.sqrt(noise**2 + edges**2 + (0.03 * views.mean(0)) ** 2))


def slanted_patch():
    h = 0.12
    slopes = np.stack([(grey_at(ROUGH, H_SLANT, SPREAD_MM, h * np.eye(3)[k])
                        - grey_at(ROUGH, H_SLANT, SPREAD_MM, -h * np.eye(3)[k])) / (2 * h) for k in (0, 1)])
    return make_patch(SPREAD_MM, grey_at(ROUGH, H_SLANT, SPREAD_MM, np.zeros(3))[None], slopes, 4.0)


def changed(shift, gain, slope, offset):
    """A picture in which the patch has moved, and its light changed by a factor, a slope of it along y, and an offset;
    brightness is a plane, so that reading between pixels errs nowhere."""
    v, u = np.mgrid[:44, :53].astype(float)
    x = np.stack([u, v, np.ones_like(u)], -1) @ np.linalg.inv(H_SLANT).T
    now = (x[..., :2] / x[..., 2:] - shift[:2]) @ Rotation.from_rotvec([0, 0, shift[2]]).as_matrix()[:2, :2]
    back = np.concatenate([now, np.ones_like(now[..., :1])], -1) @ H_SLANT.T
    seen = map_coordinates(ROUGH.astype(float), [back[..., 1] / back[..., 2], back[..., 0] / back[..., 2]], order=3,
                           mode="nearest")
    far = np.abs(SPREAD_MM).max()
    return ((gain + slope * now[..., 1] / far) * seen + offset).astype(np.float32)


def test_shift_turn_and_light_are_found_together():
    fit = register(changed(np.array([0.22, -0.31, 0.06]), 1.2, 0.15, 9.0), H_SLANT, slanted_patch(),
                   np.array([0.1, -0.1, 0.0]))

    np.testing.assert_allclose(fit.shift, [0.22, -0.31, 0.06], atol=0.02)
    assert fit.gain == pytest.approx(1.2, abs=0.08) and fit.is_settled and fit.share == 1.0
    assert fit.alike > 0.9


def test_the_answer_is_the_reweighted_least_squares_one_with_its_covariance():
    # Geman and McClure's weight at 2.5 scatters; priors of turn, gain, slopes and offset as the module states them
    patch, start = slanted_patch(), np.array([0.1, -0.1, 0.0])
    picture = changed(np.array([0.22, -0.31, 0.06]), 1.2, 0.15, 9.0)
    fit = register(picture, H_SLANT, patch, start)
    now = grey_at(picture, H_SLANT, SPREAD_MM, fit.shift)
    np.testing.assert_allclose(fit.now, now)

    sigma = np.array([0.1, 0.5, 0.25, 0.25, 25.0])
    light = np.linalg.lstsq(  # gain, slopes and offset at that shift, weights held
        *_weighted(patch, now, fit.gain, sigma), rcond=None)[0]
    assert light[0] == pytest.approx(fit.gain, abs=0.01)
    miss = now - light @ patch.rows[3:]
    rest = np.abs(miss) / patch.scatter
    w = (1 / (1 + (rest / 2.5) ** 2)) ** 2
    design = patch.rows.T / patch.scatter[:, None] * np.sqrt(w)[:, None]
    info = design.T @ design + np.diag([0, 0, *sigma**-2.0])
    scale = max((w * np.minimum(rest, 10) ** 2).sum() / w.sum(), 0.05)
    expected = np.linalg.inv(info)[:3, :3] * scale * 4 * np.pi * 0.8**2 / fit.gain**2
    np.testing.assert_allclose(fit.cov, expected, rtol=0.05)
    assert fit.alike == pytest.approx(np.corrcoef(now, patch.rows[3])[0, 1])
    assert (fit.fits == (rest < 3)).all()


def _weighted(patch, now, gain, sigma):
    miss = now - gain * patch.rows[3]
    w = 1 / (1 + ((miss - np.median(miss)) / patch.scatter / 2.5) ** 2) / patch.scatter
    design = patch.rows[3:].T * w[:, None]
    return np.vstack([design, np.diag(1 / sigma[1:])]), np.r_[now * w, 1 / sigma[1], 0, 0, 0]


def test_a_patch_is_sought_over_the_whole_square_around_a_start():
    patch, start = slanted_patch(), np.array([0.2, -0.1, 0.0])
    for shift in ((0.2 + 0.9, -0.1 - 0.9), (0.2 - 0.9, -0.1 + 0.6)):
        picture = changed(np.array([*shift, 0.0]), 1.0, 0.0, 0.0)
        found = search_shift(picture, H_SLANT, patch, start, 0.9, 0.3)
        np.testing.assert_allclose(found, [*shift, 0.0], atol=1e-9)


def test_each_small_patch_is_registered_from_its_own_centre():
    centres = np.array([[0.9, -0.4], [-0.7, 0.5]])
    small = RNG.uniform(-1.2, 1.2, (40, 2))
    patches = []
    for centre in centres:
        at = small + centre
        slopes = np.stack([(grey_at(ROUGH, H_SLANT, at, 0.12 * np.eye(3)[k])
                            - grey_at(ROUGH, H_SLANT, at, -0.12 * np.eye(3)[k])) / 0.24 for k in (0, 1)])
        patches.append(make_patch(small, grey_at(ROUGH, H_SLANT, at, np.zeros(3))[None], slopes, 4.0))
    picture = changed(np.array([0.15, -0.12, 0.0]), 1.1, 0.0, 0.0)

    found = register_all(picture, H_SLANT, Spots(centres, small, np.stack([p.rows for p in patches]),
                                                 np.stack([p.scatter for p in patches])), np.zeros((2, 2)))

    np.testing.assert_allclose(found.shift_mm, [[0.15, -0.12]] * 2, atol=0.03)
    np.testing.assert_allclose(found.gain, 1.1, atol=0.1)
    for i, (patch, centre) in enumerate(zip(patches, centres, strict=True)):
        now = grey_at(picture, H_SLANT, small + centre, np.array([*found.shift_mm[i], 0.0]))
        assert found.alike[i] == pytest.approx(np.corrcoef(now, patch.rows[3])[0, 1], abs=0.01)
    assert (found.share == 1.0).all() and ((found.variance_mm2 > 0) & (found.variance_mm2 < 0.05)).all()


def test_pieces_without_points_show_nothing_that_is_known():
    patch = slanted_patch()
    fit = register(ROUGH, H_SLANT, patch, np.zeros(3))
    piece = np.where(SPREAD_MM[:, 0] > 0, 2, 0)

    found = shown(patch, fit, piece, 4)

    assert np.isnan(found[[1, 3]]).all() and (found[[0, 2]] == 1.0).all()
