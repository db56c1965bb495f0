"""Where this nozzle's edges appear with this camera: learned from photographs at known heights."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from vision.bench.background import compose_bench
from vision.bench.warp import BenchRelief
from vision.camera.model import CameraModel
from vision.edges.cuts import linear_light
from vision.errors import CalibrationError
from vision.fit.bias import CHANGE_PX, DEFAULT_BIAS, LEAST_CUTS, Biases, EdgeBias, group_key
from vision.fit.pose import Picture, Plane, PoseFit, Rounds, fit_pose, weak_prior
from vision.nozzle.body import Hold, NozzleBody, ToolPose, distinct_holds, hold_of
from vision.track.find import Sought, find_tool
from vision.track.metal import metal_appearance, usual_appearance
from vision.types import FloatArray

__all__ = ["TouchPhoto", "TouchResult", "calibrate_edges"]

# how far an edge offset may be from its default before the photographs speak, by whether it is lighter outside
# [convention]
_LEARN_SIGMA_PX = {True: 0.4, False: 1.5}
_SYSTEMATIC_PX = {True: 0.15, False: 0.35}  # what the photographs of one sitting share [trial]
_GATE_SIGMAS = 1.8  # beyond which a photograph's height, or a side's offset, is of another thing [trial]
_ROUNDS = Rounds((2.0, 1.0))  # of a photograph whose tool has been found [convention]
_FITS = 80  # there is time: metal over a white mat shows few edges [convention]
_CLEAREST = 4  # photographs whose holds help with the others [convention]
_LEAST_QUALITY = (0.55, 0.4)  # the second with ways to hold the tool that are known by then [trial]
_STEP_FLOOR_PX = 0.5  # and that of a step more: a ledge shades what lies ahead of it [trial]


@dataclass(frozen=True)
class TouchPhoto:
    """One photograph of the nozzle standing at a known height.

    Attributes
    ----------
    image : array, shape (h, w, 3), uint8
    cam_from_bench : array, shape (4, 4)
    surface_mm : float
        Height of the surface below the outlet over the mat [mm]: 0 over the mat, the board's top over the board.
    height_mm : float
        Outlet's centre over that surface [mm].
    name : str
    """

    image: np.ndarray
    cam_from_bench: FloatArray
    surface_mm: float
    height_mm: float
    name: str


@dataclass(frozen=True)
class TouchResult:
    """What the photographs taught.

    Attributes
    ----------
    bias : dict
        (kind of edge, whether the scene outside is lighter) -> EdgeBias.
    bench : array, shape (h, w, 3), float32
        The bench without the tool, linear light.
    bench_pose : array, shape (4, 4)
        Camera from bench, where the bench is seen so.
    used : tuple of str
        Photographs in which the nozzle was found.
    height_error_mm : array
        For each used photograph, height from its edges alone, with the new offsets, less the known height.
    metal_appearance : array, shape (3,), or None
        As `usual_appearance` tells it.
    """

    bias: dict[tuple[str, bool], EdgeBias]
    bench: np.ndarray
    bench_pose: FloatArray
    used: tuple[str, ...]
    height_error_mm: FloatArray
    height_sigma_mm: FloatArray
    holds: tuple[Hold, ...] = ()
    metal_appearance: FloatArray | None = None


def calibrate_edges(camera: CameraModel, body: NozzleBody, photos: list[TouchPhoto],
                    progress: Callable[[int, int], None] = lambda done, total: None,
                    relief: BenchRelief | None = None) -> TouchResult:
    """Edge offsets of a nozzle from photographs at known heights.

    Parameters
    ----------
    relief : BenchRelief, optional
        Of the bench, for a camera that moved between the photographs; without one all is taken for the mat.

    Raises
    ------
    CalibrationError
        When fewer than three photographs show the nozzle, or none of two different places.
    """
    relief = relief or BenchRelief(camera)
    bench = _bench_of(photos, relief)
    pictures = _pictures(photos, bench, relief)
    found = _find_all(camera, body, photos, pictures, progress)
    poses = {i: p for i, p in found.items() if _agrees(camera, body, photos[i], pictures[i], p)}
    if len(poses) < 3:
        raise CalibrationError(
            f"touch photographs: the nozzle was found in {len(poses)} of {len(photos)}, need 3; "
            "check the nozzle's measures and the heights, and take them with the whole tool in view"
        )
    bias = dict(DEFAULT_BIAS)
    for _ in range(2):
        wide = {k: EdgeBias(bias[k].offset_px, _LEARN_SIGMA_PX[k[1]]) for k in bias}
        fits = {i: _fit_at_height(camera, body, photos[i], pictures[i], p, wide) for i, p in poses.items()}
        bias = _learn(body, [fit for fit in fits.values() if fit is not None])
        poses |= {i: fit.pose for i, fit in fits.items() if fit is not None}
    holds = distinct_holds([hold_of(p, photos[i].cam_from_bench) for i, p in poses.items()])
    alone = [(photos[i], fit_pose(camera, body, pictures[i], p, bias, rounds=_ROUNDS)) for i, p in poses.items()]
    heights = np.array([_height_off(photo, fit) for photo, fit in alone if fit is not None]).reshape(-1, 2)
    appearance = usual_appearance([metal_appearance(camera, body, pictures[i], p) for i, p in poses.items()])
    return TouchResult(bias, bench, photos[0].cam_from_bench, tuple(photos[i].name for i in poses),
                       heights[:, 0].copy(), heights[:, 1].copy(), holds, appearance)


def _bench_of(photos: list[TouchPhoto], relief: BenchRelief) -> np.ndarray:
    """The bench without the tool, as seen from where the first photograph was taken, linear light."""
    groups: dict[float, list[np.ndarray]] = {}
    for p in photos:
        light = relief.warped(linear_light(p.image), p.cam_from_bench, photos[0].cam_from_bench)
        groups.setdefault(p.surface_mm, []).append(light)
    if len(groups) < 2:
        raise CalibrationError("touch photographs: need some over the board and some over the bare mat")
    return compose_bench(list(groups.values()))


def _height_off(photo: TouchPhoto, fit: PoseFit) -> tuple[float, float]:
    """Height of a fit over the known one, and its sigma [mm]."""
    up = photo.cam_from_bench[:3, 2]
    return _height(photo, fit.pose) - photo.height_mm, float(np.sqrt(up @ fit.cov[:3, :3] @ up))


def _height(photo: TouchPhoto, pose: ToolPose) -> float:
    r, t = photo.cam_from_bench[:3, :3], photo.cam_from_bench[:3, 3]
    return float(r[:, 2] @ (pose.tip_mm - t)) - photo.surface_mm


def _plane(photo: TouchPhoto) -> Plane:
    up, t = photo.cam_from_bench[:3, 2], photo.cam_from_bench[:3, 3]
    return Plane(up, float(up @ t) + photo.surface_mm + photo.height_mm, 0.1)


def _pictures(photos: list[TouchPhoto], bench: np.ndarray, relief: BenchRelief) -> list[Picture]:
    """Each photograph before the bench as seen from where it was taken."""
    known = np.full(bench.shape[:2], 255, np.uint8)
    then = photos[0].cam_from_bench
    return [Picture(p.image, relief.warped(bench, then, p.cam_from_bench), known) for p in photos]


def _find_all(camera: CameraModel, body: NozzleBody, photos: list[TouchPhoto], pictures: list[Picture],
              progress: Callable[[int, int], None]) -> dict[int, ToolPose]:
    """A pose for each photograph that shows one, by its index: first without help, then with the ways the tool was
    held in those that are clearest.
    """
    best: dict[int, PoseFit] = {}
    holds: tuple[Hold, ...] = ()
    for attempt, least in enumerate(_LEAST_QUALITY):
        for i, p in enumerate(photos):
            if attempt == 0 or holds:
                fit = find_tool(Sought(camera, body, p.cam_from_bench, p.surface_mm, holds=holds), pictures[i], least,
                                heights_mm=(p.height_mm,), plane=_plane(p), most=_FITS)
                if fit is not None and (i not in best or fit.score > best[i].score):
                    best[i] = fit
            progress(attempt * len(photos) + i + 1, len(_LEAST_QUALITY) * len(photos))
        clear = sorted(sorted(best), key=lambda i: -best[i].quality)
        holds = distinct_holds([hold_of(best[i].pose, photos[i].cam_from_bench) for i in clear[:_CLEAREST]])
    return {i: best[i].pose for i in sorted(best)}


def _agrees(camera: CameraModel, body: NozzleBody, photo: TouchPhoto, picture: Picture, pose: ToolPose) -> bool:
    """Whether the edges alone, as they usually appear, put the outlet near its known height: else it is another
    thing.
    """
    fit = fit_pose(camera, body, picture, pose, rounds=_ROUNDS)
    if fit is None:
        return False
    off_mm, sigma_mm = _height_off(photo, fit)
    return bool(abs(off_mm) < _GATE_SIGMAS * np.hypot(sigma_mm, 1.0))


def _fit_at_height(camera: CameraModel, body: NozzleBody, photo: TouchPhoto, picture: Picture, pose: ToolPose,
                   bias: Biases) -> PoseFit | None:
    prior = replace(weak_prior(body, bias, pose), plane=_plane(photo))
    return fit_pose(camera, body, picture, pose, bias, prior=prior, rounds=_ROUNDS)


def _learn(body: NozzleBody, fits: list[PoseFit]) -> dict[tuple[str, bool], EdgeBias]:
    """Per kind of edge: the middle of what the photographs show, and how much that varies between them."""
    seen: dict[tuple[str, bool], list[float]] = {}
    for fit in fits:
        for label in np.unique(fit.label):
            edges = fit.edge_px[(fit.label == label) & fit.good]
            if len(edges) >= LEAST_CUTS:
                key, middle = group_key(body, label), float(np.median(edges))
                # further from where such edges usually are it is another edge
                if abs(middle - DEFAULT_BIAS[key].offset_px) < _GATE_SIGMAS * np.hypot(DEFAULT_BIAS[key].sigma_px,
                                                                                 _LEARN_SIGMA_PX[key[1]]):
                    seen.setdefault(key, []).append(middle)
    out = {}
    for key, default in DEFAULT_BIAS.items():
        rows = np.array(seen.get(key, []))
        if not len(rows):
            out[key] = default
            continue
        middle = float(np.median(rows))
        floor = _STEP_FLOOR_PX if key[0] == "step" else CHANGE_PX[key[1]]
        # how far they scatter is hardly told by one or two of them
        spread2 = ((1.4826 * float(np.median(np.abs(rows - middle)))) ** 2 * len(rows) + floor**2) / (len(rows) + 1)
        variance = (spread2 + _SYSTEMATIC_PX[key[1]] ** 2) * 3 / len(rows)
        share = default.sigma_px**2 / (default.sigma_px**2 + variance)
        offset = default.offset_px + share * (middle - default.offset_px)
        # what photographs and habit do not agree upon stays uncertain
        sigma = np.sqrt(share * variance + floor**2 + spread2 * share**2 + (0.3 * (middle - offset)) ** 2)
        out[key] = EdgeBias(float(offset), float(sigma))
    return out
