"""Finds the tool when nothing is known of where it is: from what differs from the bench to poses worth fitting."""

from __future__ import annotations

import cv2
import numpy as np

from vision.edges import CutGrid, edge_gain, pick_edges
from vision.fit import DEFAULT_BIAS, Picture, PoseFit, fit_pose, inside_picture, loose_prior, picture_cuts
from vision.nozzle import Hold, NozzleBody, ToolPose
from vision.silhouette import moved_pose, outline
from vision.types import FloatArray

__all__ = ["tool_masks", "tip_candidates", "find_tool", "distance_field", "settle_on_mask", "search_near"]

_TRIES = 6
_HIGHEST_MM = 70.0  # a tool held higher is not at work; it is found when it comes down
_LEAST_EDGES = 24
_HOLD_RAD = 0.22  # a hand comes back to a hold within about this
_SPECK = 25  # quarter-size pixels below which a piece of the mask is noise
_SCALE = 4  # masks are judged at a quarter of the size
_HEIGHTS_MM = (4.0, 22.0, 45.0)
_TILTS_RAD = np.deg2rad([3.0, 15.0, 27.0, 40.0])


def tool_masks(light: np.ndarray, background: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the picture is neither the bench nor the bench in shadow: a strict and a loose answer, quarter size, 0 or 255.

    A shadow scales all channels alike, not below about a third, and its strength changes slowly across the picture; what
    does more than that is a thing. The strict mask goes by colour alone and misses grey metal over a white mat; the loose
    one also takes what is darker or lighter than its surroundings and may take sharp shadows.
    """
    small = lambda im: cv2.resize(im, None, fx=1 / _SCALE, fy=1 / _SCALE, interpolation=cv2.INTER_AREA)
    a, b = small(light), small(background)
    ok = small(known) > 250
    bb = np.einsum("ijk,ijk->ij", b, b) + 1e-6
    g = np.einsum("ijk,ijk->ij", a, b) / bb
    own = np.clip(g, 0.4, 1.1)
    around = cv2.medianBlur((np.clip(g, 0.0, 1.25) * 200).astype(np.uint8), 25).astype(np.float32) / 200
    around = np.clip(around, 0.3, 1.15)
    by_colour = np.abs(a - own[..., None] * b).max(2)
    by_level = np.abs(a - around[..., None] * b).max(2)
    scale = 0.002 + 0.025 * np.maximum(a, b).max(2) ** 0.6
    strict = (by_colour > 2.5 * scale) & ok
    return _cleaned(strict), _cleaned(strict | ((by_level > 3.5 * scale) & ok))


def _cleaned(mask: np.ndarray) -> np.ndarray:
    m = mask.astype(np.uint8) * 255
    m = cv2.morphologyEx(m, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    m = cv2.morphologyEx(m, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(m)
    return np.where((stats[:, cv2.CC_STAT_AREA] >= _SPECK)[labels] & (labels > 0), 255, 0).astype(np.uint8)


def tip_candidates(mask: np.ndarray, most: int = 3) -> list[tuple[FloatArray, FloatArray]]:
    """Ends of thin limbs of the mask's larger pieces: (tip [px], unit direction in the picture towards the tip).

    Positions are in full-size pixels.
    """
    # a limb that looks like the bench somewhere along its length leaves gaps: pieces that nearly touch belong together
    joined = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(joined)
    order = [i for i in np.argsort(-stats[1:, cv2.CC_STAT_AREA]) + 1 if stats[i, cv2.CC_STAT_AREA] > 60][:3]
    found: list[tuple[float, FloatArray, FloatArray]] = []
    for i in order:
        piece = (labels == i).astype(np.uint8)
        root = _root(piece)
        contours, _ = cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        line = max(contours, key=len).reshape(-1, 2).astype(float)
        h, w = mask.shape
        free = (line[:, 0] > 1) & (line[:, 1] > 1) & (line[:, 0] < w - 2) & (line[:, 1] < h - 2)
        far = np.hypot(line[:, 0] - root[0], line[:, 1] - root[1]) * free
        n = len(line)
        reach = max(3, n // 25)
        smooth = np.array([far[np.arange(k - reach, k + reach + 1) % n].max() for k in range(n)])
        peaks = np.flatnonzero((far >= smooth) & (far > 8))
        ys, xs = np.nonzero(piece)
        for k in peaks[np.argsort(-far[peaks])][:3]:
            tip = line[k]
            near = np.hypot(xs - tip[0], ys - tip[1]) < 18
            back = np.array([xs[near].mean(), ys[near].mean()])
            d = tip - back
            if np.linalg.norm(d) < 1:
                continue
            found.append((far[k], (tip + 0.5) * _SCALE - 0.5, d / np.linalg.norm(d)))
    found.sort(key=lambda f: -f[0])
    return [(tip, d) for _, tip, d in found[:most]]


def find_tool(
    camera, body: NozzleBody, picture: Picture, cam_from_bench: FloatArray, board_top_mm: float,
    masks: tuple[np.ndarray, ...], bias=DEFAULT_BIAS, least_quality: float = 0.5, *,
    heights_mm: tuple[float, ...] = _HEIGHTS_MM, holds: tuple[Hold, ...] = (), starts: tuple[ToolPose, ...] = (), plane=None,
) -> PoseFit | None:
    """The best pose over all ends of the mask, heights and tilts, or None when none is convincing.

    Parameters
    ----------
    masks : arrays, uint8
        From `tool_masks`.
    heights_mm : tuple
        Heights over the board to start from.
    holds : tuple of Hold
        Ways in which this tool is known to be held; without any, all tilts and turns are tried.
    starts : tuple of ToolPose
        Poses to try besides, in the camera frame.
    plane
        As in `fit_pose`.
    """
    trials = []
    for mask in masks:
        field = distance_field(mask)
        poses = [
            pose
            for tip, d in tip_candidates(mask)
            for pose in _start_poses(camera, body, cam_from_bench, board_top_mm, tip, d, heights_mm, holds)
        ]
        trials += [settle_on_mask(camera, body, field, pose) for pose in [*poses, *starts]]
    trials = [t for t in trials if t is not None and _plausible(t[1], cam_from_bench, board_top_mm)]
    trials.sort(key=lambda t: t[0])
    best, best_merit, tried = None, 0.0, []
    for _, pose in trials:
        if any(_alike(pose, other) for other in tried):
            continue
        tried.append(pose)
        if len(tried) > _TRIES:
            break
        prior = _as_held(body, bias, pose, holds, cam_from_bench)
        fit = fit_pose(camera, body, picture, pose, bias, prior=prior, plane=plane)
        if fit is None or not _plausible(fit.pose, cam_from_bench, board_top_mm):
            continue
        if fit.quality > least_quality and fit.n_edges >= _LEAST_EDGES and fit.merit > best_merit:
            best, best_merit = fit, fit.merit
        if fit.quality > 0.8:
            break
    return best


def _as_held(body, bias, pose: ToolPose, holds: tuple[Hold, ...], cam_from_bench):
    """A prior of the pose that knows how the tool was held before; none without holds."""
    if not holds:
        return None
    ways = [hold.pose_at(pose.tip_mm, cam_from_bench) for hold in holds]
    return loose_prior(body, bias, max(ways, key=lambda p: p.axis @ pose.axis), turn_rad=_HOLD_RAD)


def distance_field(mask: np.ndarray) -> np.ndarray:
    """Signed distance to the mask's border, quarter-size pixels scaled to full-size ones, positive outside."""
    outside = cv2.distanceTransform(255 - mask, cv2.DIST_L2, 3)
    inside = cv2.distanceTransform(mask, cv2.DIST_L2, 3)
    return np.clip(_SCALE * (outside - inside + np.where(mask > 0, 0.5, -0.5)), -1e4, 1e4).astype(np.float32)


def settle_on_mask(camera, body: NozzleBody, field: np.ndarray, pose: ToolPose, rounds: int = 5):
    """Move a pose so that its outline lies on the mask's border: (robust cost, pose), or None when it leaves the picture."""
    shape = (field.shape[0] * _SCALE, field.shape[1] * _SCALE)
    cost = np.inf
    for _ in range(rounds):
        out = inside_picture(outline(camera, body, pose, step_mm=2.5), shape)
        if len(out.px) < 12:
            return None
        at = ((out.px + 0.5) / _SCALE - 0.5).astype(np.float32)
        r = -cv2.remap(field, at[:, 0], at[:, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).ravel()
        is_handle = np.array([p >= 0 and body.frusta[p].kind == "handle" for p in out.part])
        trust = np.where(is_handle, 0.3, 1.0)
        w = trust / (1.0 + (r / 8.0) ** 2)
        cost = float((trust * np.minimum(np.abs(r), 16.0)).sum() / trust.sum())
        n = 6 if body.is_bent else 5
        jac = out.jacobian[:, :n]
        ridge = np.diag([1 / 40.0**2] * 3 + [1 / 0.3**2] * (n - 3)) * 16.0
        step = np.zeros(6)
        step[:n] = np.linalg.solve(jac.T @ (w[:, None] * jac) + ridge, jac.T @ (w * r))
        size = max(np.abs(step[:3]).max() / 25.0, np.abs(step[3:]).max() / 0.3, 1.0)
        pose = moved_pose(pose, step / size)
    return cost, pose


def search_near(camera, body: NozzleBody, picture: Picture, start: ToolPose, spread: FloatArray, n: int = 40, keep: int = 3):
    """The most promising of n poses drawn around start: those whose coarse outline meets most edges.

    Parameters
    ----------
    spread : array, shape (6,)
        Sigma of each of the six steps of `moved_pose`.

    Returns
    -------
    list of ToolPose
        Best first, at most `keep`.
    """
    rng = np.random.default_rng(1)  # the same picture must always give the same answer
    poses = [start] + [moved_pose(start, step) for step in rng.normal(0.0, spread, (n, 6))]
    scored = [(_edge_score(camera, body, picture, pose), k) for k, pose in enumerate(poses)]
    scored.sort(key=lambda s: (-s[0], s[1]))
    return [poses[k] for _, k in scored[:keep]]


def _edge_score(camera, body, picture, pose) -> float:
    out = inside_picture(outline(camera, body, pose, step_mm=3.0), picture.image.shape)
    if len(out.px) < 8:
        return -1.0
    grid = CutGrid(5.0)
    cuts, back = picture_cuts(picture, out, grid)
    edges = pick_edges(edge_gain(cuts, back, grid.offsets_px, 1.2), np.full(len(out.px), -0.4), 1.2)
    near = np.isfinite(edges.offset_px) & (np.abs(edges.offset_px + 0.4) < 2.0)
    return float(np.sum(near * np.log1p(np.minimum(edges.gain, 200.0))))


def _plausible(pose: ToolPose, cam_from_bench: FloatArray, board_top_mm: float) -> bool:
    """Above the board or barely into it, below the camera's half way, and pointing down."""
    r, t = cam_from_bench[:3, :3], cam_from_bench[:3, 3]
    height = float(r[:, 2] @ (pose.tip_mm - t)) - board_top_mm
    camera_height = float(-r[:, 2] @ t) - board_top_mm
    return -15.0 < height < min(_HIGHEST_MM, 0.5 * camera_height) and float(r[:, 2] @ pose.axis) < -0.25


def _alike(a: ToolPose, b: ToolPose) -> bool:
    return bool(np.linalg.norm(a.tip_mm - b.tip_mm) < 6.0 and a.axis @ b.axis > 0.99 and abs(a.roll_rad - b.roll_rad) < 0.3)


def _root(piece: np.ndarray) -> FloatArray:
    """Where the arm comes in: the middle of the piece's contact with the picture's border, else its thickest point."""
    h, w = piece.shape
    ys, xs = np.nonzero(piece)
    border = (xs < 2) | (ys < 2) | (xs >= w - 2) | (ys >= h - 2)
    if border.sum() >= 4:
        return np.array([xs[border].mean(), ys[border].mean()])
    depth = cv2.distanceTransform(cv2.copyMakeBorder(piece, 1, 1, 1, 1, cv2.BORDER_CONSTANT), cv2.DIST_L2, 3)[1:-1, 1:-1]
    y, x = np.unravel_index(depth.argmax(), depth.shape)
    return np.array([float(x), float(y)])


def _start_poses(camera, body, cam_from_bench, board_top_mm, tip_px, direction, heights_mm, holds):
    """Poses whose outlet lies at tip_px and whose axis points along `direction` in the picture."""
    r, t = cam_from_bench[:3, :3], cam_from_bench[:3, 3]
    ray = camera.rays(tip_px[None])[0]
    origin, ray_b = -r.T @ t, r.T @ ray
    azimuth = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    rolls = np.linspace(0, 2 * np.pi, 8, endpoint=False) if body.is_bent else [0.0]
    for height in heights_mm:
        scale = (board_top_mm + height - origin[2]) / ray_b[2]
        tip = r @ (origin + scale * ray_b) + t
        for hold in holds:
            pose = hold.pose_at(tip, cam_from_bench)
            px = camera.project((tip - 20.0 * pose.axis)[None])[0] - tip_px
            if -(px @ direction) > np.cos(np.deg2rad(60)) * np.linalg.norm(px):
                yield pose
        for tilt in () if holds else _TILTS_RAD:
            up_b = np.stack([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.full(36, np.cos(tilt))], 1)
            up = up_b @ r.T
            px = camera.project(tip + 20.0 * up) - tip_px
            px /= np.linalg.norm(px, axis=1, keepdims=True) + 1e-9
            match = -(px @ direction)
            k = int(match.argmax())
            if match[k] > np.cos(np.deg2rad(25)):
                for roll in rolls:
                    yield ToolPose(tip, -up[k], float(roll))
