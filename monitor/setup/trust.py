"""Says in words how far a nozzle's heights can be trusted at a bench, and what would help."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vision.calibrate.nozzle_file import NozzleCalibration
from vision.camera.model import CameraModel
from vision.fit.bias import EdgeBias
from vision.fit.expected import ExpectedEdges, expected_spread
from vision.nozzle.body import Hold, NozzleBody, ToolPose
from vision.types import FloatArray

__all__ = ["OTHER_LOOK", "Verdict", "gauge_verdict", "trust_sentence", "trust_words"]

HEIGHT_MM = 15.0  # over the board: a usual working height
STANDING_MM = 0.15  # 1 sigma of a gauge block and of how level a nozzle stands on it; practice, no source
MATT_SIGMA_PX = 0.15  # how sure an edge of a matt nozzle is after touch photographs
WORTH_TELLING = 0.85  # a measure is named when it brings the spread below this share
UNSURE_MM, SURE_Z, FAR_Z = 2.0, 1.645, 3.0
OTHER_LOOK = ("the metal looks unlike itself in the touch photographs (painted, tinted by heat, sooted, or other "
              "light): take "
              "touch photographs again, or a nozzle coming into view is passed over at first")
_UPRIGHT = Hold(np.array([0.0, 0.0, -1.0]), np.array([1.0, 0.0, 0.0]))


@dataclass(frozen=True)
class Verdict:
    """Outcome of a check with a gauge block: difference and its 1 sigma [mm], whether it agrees, and the sentence."""

    difference_mm: float
    sigma_mm: float
    agrees: bool
    sentence: str


def gauge_verdict(heights_mm: FloatArray, sigmas_mm: FloatArray, known_mm: float) -> Verdict:
    """Compare readings of one block with its height.

    Where edges appear is alike in all photographs, so their mean is given the spread of one of them.
    """
    measured, one = float(np.mean(heights_mm)), float(np.mean(sigmas_mm))
    sigma = float(np.hypot(one, STANDING_MM))
    difference = measured - known_mm
    told = (f"measured {measured:.2f} mm where the gauge says {known_mm:.2f} mm: {difference:+.2f} mm "
            f"(1 sigma {sigma:.2f} mm, {len(heights_mm)} photograph{'s' if len(heights_mm) > 1 else ''})")
    off = abs(difference) / sigma
    if off > FAR_Z:
        return Verdict(difference, sigma, False,
                       f"{told}. Clearly off: calibrate the nozzle again; if it stays, check the nozzle's "
                       "measures, the gauge, and that camera and focus were not moved since their calibration.")
    if off > SURE_Z:
        return Verdict(difference, sigma, False,
                       f"{told}. Doubtful: take another photograph at another place; if it is off "
                       "again, calibrate the nozzle again.")
    if sigma > UNSURE_MM:
        return Verdict(difference, sigma, False,
                       f"{told}. Too unsure to judge: this set-up cannot tell heights better.")
    return Verdict(difference, sigma, True, f"{told}. Agrees: heights can be trusted to about {SURE_Z * sigma:.1f} mm "
                   "(90 %).")


def trust_sentence(found: NozzleCalibration, camera: CameraModel, body: NozzleBody, cam_from_bench: FloatArray,
                   place_mm: FloatArray) -> str:
    """How good heights are at a place, and what would halve their spread, in one sentence; arguments as
    `trust_words`.
    """
    now = _spreads(camera, body, cam_from_bench, place_mm, _hold(found), found.bias)
    worst = max(now)
    if not np.isfinite(worst):
        return "heights here cannot be told: look more from the side"
    told = f"heights here are good to {SURE_Z * worst:.1f} mm (90 %, one frame, estimate from geometry); "
    better = sorted((max(spread()), what)
                    for what, spread in _measures(found, camera, body, cam_from_bench, place_mm, now))
    spread, what = better[0]
    if spread <= worst / 2:
        return f"{told}what would halve it: {what}"
    if spread < WORTH_TELLING * worst:
        return f"{told}nothing alone would halve it, most would help: {what} ({SURE_Z * spread:.1f} mm)"
    return f"{told}no single measure would make it much better"


def trust_words(found: NozzleCalibration, camera: CameraModel, body: NozzleBody, cam_from_bench: FloatArray,
                place_mm: FloatArray, measured_sigma_mm: float = 0.0) -> list[str]:
    """How well heights will be known at a place of the bench, and what would help most, best first.

    Parameters
    ----------
    place_mm : array, shape (3,)
        On the board's top where the work is, bench frame.
    measured_sigma_mm : float
        What a photograph gave; told when geometry alone would give much less.
    """
    now = _spreads(camera, body, cam_from_bench, place_mm, _hold(found), found.bias)
    told = (f"heights at the work: 1 sigma {_mm(now[1])} over something lighter than the tube, {_mm(now[0])} over "
            f"something "
            "darker, one frame (estimate from geometry)")
    lines = [told]
    worst = max(now)
    if not np.isfinite(worst):
        return [*lines, "the tool would point at the camera or leave the picture there: look more from the side"]
    if measured_sigma_mm > 1.5 * worst:
        lines.append(f"the photographs give only {_mm(measured_sigma_mm)}: shadows, highlights, a veil or hidden edges "
                     f"cost the "
                     "rest; soften the lamp, keep hand and cable off the metal")
    if np.isfinite(found.height_error_rms_mm) and found.height_error_rms_mm > 2 * worst:
        lines.append(f"the photographs' own heights were missed by {found.height_error_rms_mm:.2f} mm (rms), more than "
                     f"that: "
                     "check the gauge heights and the nozzle's measures")
    if found.n_photos < 6:
        lines.append(f"only {found.n_photos} photographs speak: take some at other heights and places")
    better = [(max(spread()), what)
              for what, spread in _measures(found, camera, body, cam_from_bench, place_mm, now)]
    useful = sorted((s, what) for s, what in better if s < WORTH_TELLING * worst)
    return lines + [f"  {what}: {_mm(s)} instead of {_mm(worst)}" for s, what in useful]


def _measures(found: NozzleCalibration, camera: CameraModel, body: NozzleBody, cam_from_bench: FloatArray,
              place_mm: FloatArray, now: tuple[float, float]) -> list[tuple[str, Callable[[], tuple[float, ...]]]]:
    """What could be changed, each with the spreads that would follow; they go with the size of a pixel."""
    rest = (place_mm, _hold(found))
    matt = {key: EdgeBias(b.offset_px, min(b.sigma_px, MATT_SIGMA_PX)) for key, b in found.bias.items()}
    place_cam = (cam_from_bench @ np.array([*place_mm, 1.0]))[:3]
    nearer = cam_from_bench.copy()
    nearer[:3, 3] -= 0.3 * place_cam
    return [
        ("matt the nozzle with heat-proof paint and take touch photographs again",
         lambda: _spreads(camera, body, cam_from_bench, *rest, matt)),
        ("bring the camera nearer by a third", lambda: _spreads(camera, body, nearer, *rest, found.bias)),
        ("record with half again as many pixels (1080p instead of 720p)",
         lambda: tuple(s / 1.5 for s in now)),
        ("look 15 degrees more from the side",
         lambda: _spreads(camera, body, _lowered(cam_from_bench, place_mm, 15.0), *rest, found.bias))]


def _hold(found: NozzleCalibration) -> Hold:
    """The way in which it is held most, as far as is known."""
    return found.holds[0] if found.holds else _UPRIGHT


def _spreads(camera: CameraModel, body: NozzleBody, cam_from_bench: FloatArray, place_mm: FloatArray, hold: Hold,
             bias: dict[tuple[str, bool], EdgeBias]) -> tuple[float, float]:
    """Sigma of the height over a darker and over a lighter scene [mm]."""
    tip = (cam_from_bench @ np.array([*place_mm[:2], place_mm[2] + HEIGHT_MM, 1.0]))[:3]
    pose: ToolPose = hold.pose_at(tip, cam_from_bench)
    dark, light = (expected_spread(camera, body, pose, cam_from_bench[:3, 2], ExpectedEdges(bias, x)).height_mm
                   for x in (False, True))
    return dark, light


def _lowered(cam_from_bench: FloatArray, place_mm: FloatArray, degrees: float) -> FloatArray:
    """The camera swung about a place of the bench, down towards it at the same distance, still looking at it alike."""
    eye = -cam_from_bench[:3, :3].T @ cam_from_bench[:3, 3] - place_mm
    out = np.array([eye[0], eye[1], 0.0])
    out = out / np.linalg.norm(out) if np.linalg.norm(out) > 1e-6 else np.array([0.0, -1.0, 0.0])
    axis = np.cross(np.array([0.0, 0.0, 1.0]), out)
    a = np.radians(degrees)
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    turn = np.eye(3) + np.sin(a) * k + (1 - np.cos(a)) * k @ k
    swung = np.eye(4)
    swung[:3, :3] = turn.T  # turning the bench back is the same as swinging the camera
    swung[:3, 3] = place_mm - turn.T @ place_mm
    return cam_from_bench @ swung


def _mm(value: float) -> str:
    return f"{value:.1f} mm" if np.isfinite(value) else "unknown"
