"""Which registration holds: ours, OpenCV's ECC, or scikit-image's phase correlation.

usage: python -m tests.benchmarks.registration [N]

A part of 10 mm and a chip of 0.8 x 1.6 mm are shifted by up to 0.4 mm and turned by up to 1 degree; each method
registers the straightened patch against its first looks, with the same blur, under disturbances that come at a bench.
Prints for each the rms error of the shift where the method claims an answer, the share of pictures in which it claims
one that is wrong by more than 0.1 mm, the share in which it claims none, and processor time. "Claims": ours by its
share of fitting points and correlation as the watch has it, ECC by converging to a correlation of 0.75, phase
correlation by an error below 0.66 (a correlation of 0.75).
"""

from __future__ import annotations

import math
import sys
import time

import cv2
import numpy as np
from skimage.registration import phase_cross_correlation

from tests.benchmarks.command import command
from tests.benchmarks.parts_drawn import disturbed
from tests.vision.drawn_parts import CAMERA, CHIP, DRAWN, PHOTOGRAPHED, POSE, TARGET, Lie, Scene, draw
from vision.parts.motion import _is_seen
from vision.parts.patch import blurred, grey_at, make_patch, register
from vision.parts.place import make_place, windows_of

WRONG_MM, ALIKE = 0.1, 0.75
PX_MM = 4.0  # of the straightened patch
KINDS = ("nothing", "hard shadow", "soft shadow", "smoke", "exposure", "third covered", "sharpened", "MJPEG")


class Bench:
    """One part's reference, and what each method makes of a picture."""

    def __init__(self, spec, faces: str) -> None:
        self.place = make_place(spec, [], 3.8)
        self.window = windows_of(CAMERA, POSE, [self.place], 0.0, np.zeros(3))[0]
        off = 0.5 / self.window.px_per_mm
        pictures = [self.cut(draw(Scene(faces=faces), seed=i)) for i in range(8)]
        looks = np.stack([self.look(p) for p in pictures])
        slopes = [np.mean([self.look(p, *way) - self.look(p, *-way) for p in pictures], 0) / (2 * off)
                  for way in off * np.eye(2)]
        self.patch = make_patch(self.place.top_mm, looks, np.array(slopes), self.window.px_per_mm)
        half = np.ptp(spec.outline_mm, axis=0) / 2 + 1.5 / PX_MM
        x, y = (np.arange(-h, h + 1e-9, 1 / PX_MM) for h in half)
        self.grid = np.stack(np.meshgrid(x, y), -1)
        self.flat = np.mean([self.straight(p) for p in pictures], 0).astype(np.float32)

    def cut(self, grey):
        x, y, w, h = self.window.box
        return blurred(grey[y : y + h, x : x + w])

    def look(self, picture, x=0.0, y=0.0):
        return grey_at(picture, self.window.top_px, self.place.top_mm, np.array([x, y, 0.0]))

    def straight(self, picture):
        points = self.grid.reshape(-1, 2)
        return grey_at(picture, self.window.top_px, points, np.zeros(3)).reshape(self.grid.shape[:2]).astype(np.float32)

    def ours(self, picture):
        fit = register(picture, self.window.top_px, self.patch, np.zeros(3))
        return fit.shift[:2] if _is_seen(fit) else None

    def ecc(self, picture):
        """Turn and shift, about the patch's centre."""
        warp, now = np.eye(2, 3, dtype=np.float32), self.straight(picture)
        try:
            alike, warp = cv2.findTransformECC(self.flat, now, warp, cv2.MOTION_EUCLIDEAN,
                                               (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-4))
        except cv2.error:
            return None
        middle = (np.array(self.flat.shape[::-1]) - 1) / 2
        return (warp[:, :2] @ middle + warp[:, 2] - middle) / PX_MM if alike >= ALIKE else None

    def phase(self, picture):
        shift, error, _ = phase_cross_correlation(self.flat, self.straight(picture), upsample_factor=50,
                                                  normalization=None)
        return -shift[::-1] / PX_MM if error < math.sqrt(1 - ALIKE**2) else None


def scene_of(kind: str, rng: np.random.Generator, spec, faces: str) -> Scene:
    """One disturbance over one part."""
    if kind == "third covered":
        px = CAMERA.project(POSE[:3, :3] @ np.array([*spec.outline_mm.mean(0), 0.0]) + POSE[:3, 3])
        width = 3.8 * float(np.ptp(spec.outline_mm, axis=0).max())
        return Scene(rod=((px[0] + 0.7 * width, px[1] - 60), (px[0] + 0.7 * width, px[1] + 90), width), faces=faces)
    state = {"x": rng.uniform(120, 280), "y": rng.uniform(80, 220), "v": 0.0, "r": rng.uniform(20, 90),
             "deep": rng.uniform(0.2, 0.7), "a": 0.0, "b": 0.0, "seed": int(rng.integers(1 << 30))}
    scene = disturbed(kind, int(rng.integers(61, 300)), state)[0]
    scene.faces = faces
    return scene


def main(arguments: list[str]) -> int:
    """Print a table for each part."""
    cv2.setNumThreads(1)
    n, methods = int(arguments[0]) if arguments else 30, ("ours", "ecc", "phase")
    for spec, words in ((TARGET, "part of 10 mm"), (CHIP, "chip of 0.8 x 1.6 mm")):
        spent = {m: [] for m in methods}
        print(f"{words}: rms error [mm] / claimed and wrong [%] / no claim [%]")
        for kind in KINDS:
            told = {m: [] for m in methods}
            for k in range(n):
                rng = np.random.default_rng(k)
                faces = (DRAWN, *PHOTOGRAPHED)[k % 3]
                bench, scene = _bench(spec, faces), scene_of(kind, rng, spec, faces)
                true = rng.uniform(-0.4, 0.4, 2)
                scene.lies = {spec.name: Lie(tuple(true), float(rng.uniform(-0.0175, 0.0175)))}
                grey = draw(scene, seed=k, sharpen=0.8 * (kind == "sharpened"), jpeg=70 * (kind == "MJPEG"))
                picture = bench.cut(grey)
                for m in methods:
                    begin = time.thread_time()
                    got = getattr(bench, m)(picture)
                    spent[m].append(time.thread_time() - begin)
                    told[m].append(math.nan if got is None else float(np.hypot(*(got - true))))
            print(f"  {kind:13}" + "".join(f"  {m} {_words(np.array(told[m]))}" for m in methods), flush=True)
        print("  time [ms]    " + "".join(f"  {m} {1e3 * np.median(spent[m]):.2f}" for m in methods), flush=True)
    return 0


_benches: dict = {}


def _bench(spec, faces: str) -> Bench:
    key = spec.name, faces
    if key not in _benches:
        _benches[key] = Bench(spec, faces)
    return _benches[key]


def _words(errors) -> str:
    claims = errors[np.isfinite(errors)]
    rms = float(np.sqrt(np.mean(claims**2))) if len(claims) else math.nan
    wrong, silent = (100 * n / len(errors) for n in ((claims > WRONG_MM).sum(), len(errors) - len(claims)))
    return f"{rms:.3f} / {wrong:3.0f} / {silent:3.0f}"


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
