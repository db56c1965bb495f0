"""Finds a board of a kind seen before, wherever it lies on the mat: the marks follow from features of its picture.

A reference is the straightened picture round the marks. SIFT features of it are looked for in the straightened bench
(D. Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60 (2004) 91-110, with his ratio test), a
turn and a shift are fitted by RANSAC, and the homography of the same points says by its difference whether board and
mat are still parallel. What is not sure is refused.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from monitor.files import write_bytes_whole
from monitor.job import SHEET_MM
from vision import rigid
from vision.types import FloatArray

__all__ = ["Placement", "Reference", "load_reference", "place_marks", "reference_of", "save_reference"]

PX_PER_MM = 4.0
ROUND_MM = 22.0  # of board kept round the marks
RATIO = 0.75
NEAR_PX = 3.0
LEAST_POINTS, LEAST_SHARE = 20, 0.25
SCALE_TOLERANCE = 0.03
MOST_RESIDUAL_MM, MOST_BEND_MM = 0.5, 1.0
RIVAL_SHARE = 0.5  # of the points that a second place may have


@dataclass(frozen=True)
class Reference:
    """A grey straightened picture, row 0 at the top, and where it lay: left, right, bottom, top on the bench [mm]."""

    picture: np.ndarray
    extent_mm: tuple[float, float, float, float]


@dataclass(frozen=True)
class Placement:
    """Where the board lies now.

    Attributes
    ----------
    turn : array, shape (2, 2)
    shift_mm : array, shape (2,)
        A place of the reference is now at ``turn @ place + shift_mm``.
    n_points : int
    residual_mm : float
        Root mean square of the points' distances after the fit.
    refused : str
        Why it is not sure; empty when it is.
    """

    turn: FloatArray
    shift_mm: FloatArray
    n_points: int
    residual_mm: float
    refused: str = ""

    def moved(self, outline_mm: FloatArray) -> FloatArray:
        """An outline of the reference, where it lies now."""
        return np.asarray(outline_mm, float) @ self.turn.T + self.shift_mm

    def words(self) -> str:
        """The outcome in a sentence."""
        if self.refused:
            return f"marks not placed: {self.refused}"
        turn_deg = math.degrees(math.atan2(self.turn[1, 0], self.turn[0, 0]))
        return (f"board found from {self.n_points} points, residual {self.residual_mm:.2f} mm, turned by "
                f"{turn_deg:.0f} "
                "degrees against the reference")


def reference_of(sheet: np.ndarray, outlines_mm: list[FloatArray]) -> Reference:
    """The part of a straightened sheet (grey, PX_PER_MM) round the marks."""
    corners = np.concatenate([np.asarray(o, float) for o in outlines_mm])
    half = np.array(SHEET_MM) / 2
    low, high = np.maximum(corners.min(0) - ROUND_MM, -half), np.minimum(corners.max(0) + ROUND_MM, half)
    left, right = (round((x + half[0]) * PX_PER_MM) for x in (low[0], high[0]))
    top, bottom = (round((half[1] - y) * PX_PER_MM) for y in (high[1], low[1]))
    extent = (left / PX_PER_MM - half[0], right / PX_PER_MM - half[0], half[1] - bottom / PX_PER_MM,
              half[1] - top / PX_PER_MM)
    return Reference(sheet[top:bottom, left:right].copy(), extent)


def place_marks(reference: Reference, sheet: np.ndarray) -> Placement:
    """Look for the reference in a straightened sheet (grey, PX_PER_MM, the whole mat)."""
    here, there = _features(reference.picture), _features(sheet)
    if len(here[0]) < LEAST_POINTS:
        return _refused("the reference picture shows too little to go by")
    if len(there[0]) < LEAST_POINTS:
        return _refused("no board like it is seen")
    pairs = _matched(here[1], there[1])
    ours = _to_mm(here[0][pairs[:, 0]], reference.extent_mm[0], reference.extent_mm[3])
    theirs = _to_mm(there[0][pairs[:, 1]], -SHEET_MM[0] / 2, SHEET_MM[1] / 2)
    found, inside = _fit(ours, theirs)
    if found is None or inside.sum() < max(LEAST_POINTS, LEAST_SHARE * len(pairs)):
        return _refused(f"only {0 if inside is None else int(inside.sum())} points agree; is it the same kind of "
                        f"board, in the same light?")
    scale = float(np.sqrt(abs(np.linalg.det(found[:, :2]))))
    if abs(scale - 1) > SCALE_TOLERANCE:
        return _refused(f"it looks {100 * abs(scale - 1):.0f} % {'larger' if scale > 1 else 'smaller'} than it was: "
                        f"does it lie at another height?")
    rival, also = _fit(ours[~inside], theirs[~inside])
    if rival is not None and also.sum() > RIVAL_SHARE * inside.sum():
        return _refused("it fits two places: two boards, or a pattern that repeats")
    return _judged(ours[inside], theirs[inside], reference.extent_mm)


def save_reference(path: Path, reference: Reference) -> None:
    """Keep it beside a job file."""
    done, data = cv2.imencode(".png", reference.picture)
    if done:
        out = io.BytesIO()
        np.savez(out, picture=data, extent_mm=np.array(reference.extent_mm))
        write_bytes_whole(path, out.getvalue())


def load_reference(path: Path) -> Reference | None:
    """The one kept there; None when there is none that can be read."""
    try:
        with np.load(path, allow_pickle=False) as kept:
            picture = cv2.imdecode(kept["picture"], cv2.IMREAD_GRAYSCALE)
            extent = tuple(float(v) for v in kept["extent_mm"])
    except (OSError, ValueError, KeyError, cv2.error):
        return None
    return Reference(picture,
                     extent) if picture is not None and len(extent) == 4 and np.isfinite(extent).all() else None


def _refused(why: str) -> Placement:
    return Placement(np.eye(2), np.zeros(2), 0, math.nan, why)


def _features(picture: np.ndarray) -> tuple[FloatArray, np.ndarray]:
    points, described = cv2.SIFT.create(4000).detectAndCompute(picture, None)
    return np.array([p.pt for p in points], float).reshape(-1, 2), described


def _matched(ours: np.ndarray, theirs: np.ndarray) -> np.ndarray:
    """Pairs of numbers that pass the ratio test, each of theirs used once."""
    best: dict[int, tuple[float, int]] = {}
    for pair in cv2.BFMatcher(cv2.NORM_L2).knnMatch(ours, theirs, k=2):
        if len(pair) == 2 and pair[0].distance < RATIO * pair[1].distance:
            near = pair[0]
            if near.trainIdx not in best or near.distance < best[near.trainIdx][0]:
                best[near.trainIdx] = (near.distance, near.queryIdx)
    return np.array([(query, train) for train, (_, query) in best.items()], int).reshape(-1, 2)


def _to_mm(px: FloatArray, left_mm: float, top_mm: float) -> FloatArray:
    return np.column_stack([left_mm + (px[:, 0] + 0.5) / PX_PER_MM, top_mm - (px[:, 1] + 0.5) / PX_PER_MM])


def _fit(ours: FloatArray, theirs: FloatArray) -> tuple[FloatArray | None, np.ndarray]:
    """Turn, scale and shift by RANSAC, and which pairs follow them."""
    nobody = np.zeros(len(ours), bool)
    if len(ours) < 4:
        return None, nobody
    cv2.setRNGSeed(1)
    found, inside = cv2.estimateAffinePartial2D(np.ascontiguousarray(ours), np.ascontiguousarray(theirs),
                                                method=cv2.RANSAC,
                                                ransacReprojThreshold=NEAR_PX / PX_PER_MM, maxIters=4000,
                                                confidence=0.999)
    return (None, nobody) if found is None else (np.asarray(found, float), inside.ravel().astype(bool))


def _judged(ours: FloatArray, theirs: FloatArray, extent_mm: tuple[float, float, float, float]) -> Placement:
    """The rigid fit to the pairs that agree, and whether a homography says the same."""
    turn, shift = rigid.aligned(ours, theirs)
    rest = theirs - (ours @ turn.T + shift)
    residual = float(np.sqrt(np.mean(np.sum(rest**2, axis=1))))
    placed = Placement(turn, shift, len(ours), residual)
    flat, _ = cv2.findHomography(ours, theirs, 0)
    left, right, bottom, top = extent_mm
    corners = np.array([(left, bottom), (right, bottom), (right, top), (left, top)])
    bent = cv2.perspectiveTransform(corners[None],
                                    flat)[0] - placed.moved(corners) if flat is not None else np.full((4, 2), np.inf)
    worst = float(np.max(np.linalg.norm(bent, axis=1)))
    if residual > MOST_RESIDUAL_MM:
        return Placement(turn, shift, len(ours), residual, f"the points agree to {residual:.1f} mm only")
    if worst > MOST_BEND_MM:
        return Placement(turn, shift, len(ours), residual,
                         f"the board is not flat on its supports, or at another height ({worst:.1f} mm off)")
    return placed
