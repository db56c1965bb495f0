"""How far an edge lies elsewhere when the tool travels while the shutter is open: what `TRAVEL_SHARE` rests on.

usage: python -m tests.benchmarks.smear CLIPS OUT [NAME ...]

OUT as tests.benchmarks.clips wrote it. Every touch photograph, and the bench behind it, is blurred in linear light as
if the tool had gone 2, 4 or 6 px across its tube; where the tube's edges are seen then is set beside where they were,
the pose held fast. Prints the root of the mean square of what each limb is off by, and that over the way, by whether it
is lighter outside.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.command import command
from tests.benchmarks.scene import touch_pictures
from tests.vision.drawn_tool import as_camera
from vision.edges.cuts import linear_light
from vision.fit.bias import DEFAULT_BIAS, group_key
from vision.fit.pose import Picture, PosePrior, Rounds, fit_pose, weak_prior
from vision.fit.rounds import Travel
from vision.track.find import find_tool

ROUNDS = Rounds((2.0, 1.0))
TRAVELS_PX, MOMENTS = (2.0, 4.0, 6.0), 9
LEAST_CUTS, TUBE_MM = 8, 20.0
HELD = np.diag([1e-4] * 3 + [1e-8] * 3)  # of a pose that is held fast


def main(arguments: list[str]) -> int:
    """Print one line a way and kind of edge."""
    clips, out = map(Path, arguments[:2])
    found: dict[tuple[float, bool], list[float]] = {}
    for folder in sorted(job.parent for job in out.glob("*/job.toml")):
        if not arguments[2:] or folder.name in arguments[2:]:
            for travel_px, is_lighter, off_px in _shifts(clips / folder.name, folder):
                found.setdefault((travel_px, is_lighter), []).append(off_px)
            print(folder.name, flush=True)
    for (travel_px, is_lighter), off in sorted(found.items()):
        rms = float(np.sqrt(np.mean(np.square(off))))
        print(f"{travel_px:.0f} px, {'lighter' if is_lighter else 'darker'} outside: {rms:.2f} px, "
              f"{rms / travel_px:.3f} a pixel, from {len(off)} limbs")
    return 0


def _shifts(clip: Path, folder: Path) -> Iterator[tuple[float, bool, float]]:
    for photo, picture, plane, sought in touch_pictures(clip, folder):
        start = find_tool(sought, picture, 0.3, heights_mm=(photo.height_mm,), plane=plane, most=12)
        fit = start and fit_pose(sought.camera, sought.body, picture, start.pose, DEFAULT_BIAS, rounds=ROUNDS,
                                 prior=replace(weak_prior(sought.body, DEFAULT_BIAS, start.pose), plane=plane))
        if fit is None:
            continue
        prior = weak_prior(sought.body, DEFAULT_BIAS, fit.pose)
        prior.cov[:6, :6] = HELD
        still = _limbs(sought, picture, prior)
        ends_px = sought.camera.project(np.stack([fit.pose.tip_mm, fit.pose.tip_mm - TUBE_MM * fit.pose.axis]))
        along = (ends_px[1] - ends_px[0]) / np.linalg.norm(ends_px[1] - ends_px[0])
        mm_per_px = fit.pose.tip_mm[2] / sought.camera.focal_px
        for travel_px in TRAVELS_PX:
            way = travel_px * np.array([-along[1], along[0]])
            moved = Picture(as_camera(_smeared(linear_light(picture.image), way)), _smeared(picture.background, way),
                            picture.known)
            travel = Travel(np.append(mm_per_px * way, np.zeros(4)), np.zeros((6, 6)), 1.0, 0.0, 1e-12)
            for group, offset_px in _limbs(sought, moved, replace(prior, travel=travel)).items():
                if group in still:
                    yield travel_px, bool(group % 2), offset_px - still[group]


def _limbs(sought, picture: Picture, prior: PosePrior) -> dict[int, float]:
    """Of each of the tube's limbs, where its edges are seen [px]."""
    fit = fit_pose(sought.camera, sought.body, picture, prior.pose, DEFAULT_BIAS, prior=prior, rounds=ROUNDS)
    if fit is None:
        return {}
    groups = [int(g) for g in np.unique(fit.label) if group_key(sought.body, g)[0] == "tube"]
    good = {g: (fit.label == g) & fit.good for g in groups}
    return {g: float(np.median(fit.edge_px[at])) for g, at in good.items() if at.sum() >= LEAST_CUTS}


def _smeared(light: np.ndarray, way_px: np.ndarray) -> np.ndarray:
    """The mean of a picture (h, w, 3) over a way (2,)."""
    h, w = light.shape[:2]
    total = np.zeros_like(light)
    for share in (np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5:
        shift = np.array([[1.0, 0.0, share * way_px[0]], [0.0, 1.0, share * way_px[1]]])
        total += cv2.warpAffine(light, shift, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return total / MOMENTS


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
