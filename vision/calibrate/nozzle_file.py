"""The nozzle calibration on disk: a small readable file, and the picture of the bench that goes with it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from vision import rigid
from vision.camera.sources import read_photo
from vision.edges.cuts import linear_light
from vision.errors import CalibrationError
from vision.files import write_bytes_whole, write_text_whole
from vision.fit.bias import DEFAULT_BIAS, EdgeBias
from vision.loading import check_keys, number, read_toml
from vision.nozzle.body import Hold
from vision.types import FloatArray

__all__ = ["NozzleCalibration", "load_nozzle", "picture_path", "save_nozzle"]

# a rendered nozzle is met within 0.01 mm; nothing that was photographed is [convention]
_RANGES = {"outer_diameter_mm": (0.5, 100.0), "bend_deg": (0.0, 120.0), "height_error_rms_mm": (1e-3, 50.0),
           "n_photos": (1, 10_000)}
_EDGE_PX, _LEAST_EDGE_SIGMA_PX = 20.0, 0.005  # farther off it is another edge; common practice, no source
_APPEARANCE = "metal_look"
_POSE = "bench_turn_rad", "bench_shift_mm"  # camera from bench, of the bench's picture


@dataclass(frozen=True)
class NozzleCalibration:
    """What touch photographs taught about one nozzle before one camera.

    Attributes
    ----------
    camera_id : str
        Of the camera calibration that it was made with.
    outer_diameter_mm, bend_deg : float
        Of the nozzle, to notice a mix-up.
    bias : dict
        (kind of edge, whether the scene outside is lighter) -> EdgeBias.
    height_error_rms_mm : float
        How far the heights of the photographs were missed with these offsets.
    n_photos : int
        In which the nozzle was found.
    bench : array, shape (h, w, 3), uint8, or None
        BGR picture of the bench without the tool.
    bench_pose : array, shape (4, 4), or None
        Camera from bench, as that picture shows it; None in files of older versions: where the camera stood is not
        known.
    holds : tuple of Hold
        Ways in which the tool was held in the photographs: where to look first.
    metal_appearance : array, shape (3,), or None
        How the metal looks, as `vision.track.metal` tells it; None when not known, as in files of older versions.
    """

    camera_id: str
    outer_diameter_mm: float
    bend_deg: float
    bias: dict[tuple[str, bool], EdgeBias]
    height_error_rms_mm: float
    n_photos: int
    bench: np.ndarray | None = None
    bench_pose: FloatArray | None = None
    holds: tuple[Hold, ...] = ()
    metal_appearance: FloatArray | None = None

    def bench_light(self) -> np.ndarray | None:
        """The bench picture in linear light, float32."""
        return None if self.bench is None else linear_light(self.bench)


def save_nozzle(path: Path | str, calibration: NozzleCalibration) -> None:
    """Write the calibration, and its bench picture beside it as NAME.bench.jpg."""
    path = Path(path)
    lines = [f'camera_id = "{calibration.camera_id}"', f"outer_diameter_mm = {calibration.outer_diameter_mm!r}",
             f"bend_deg = {calibration.bend_deg!r}", f"height_error_rms_mm = {calibration.height_error_rms_mm:.4f}",
             f"n_photos = {calibration.n_photos}"]
    if calibration.bench_pose is not None:
        vectors = rigid.log_rotation(calibration.bench_pose[:3, :3]), calibration.bench_pose[:3, 3]
        lines += [f"{key} = [{', '.join(f'{v:.6f}' for v in vector)}]"
                  for key, vector in zip(_POSE, vectors, strict=True)]
    if calibration.metal_appearance is not None:
        lines.append(f"{_APPEARANCE} = [{', '.join(f'{v:.4f}' for v in calibration.metal_appearance)}]")
    for (kind, lighter), bias in calibration.bias.items():
        lines += ["", "[[edge]]", f'kind = "{kind}"', f"lighter_outside = {str(lighter).lower()}",
                  f"offset_px = {bias.offset_px:.4f}", f"sigma_px = {bias.sigma_px:.4f}"]
    for hold in calibration.holds:
        lines += ["", "[[hold]]"] + [f"{name} = [{', '.join(f'{v:.6f}' for v in getattr(hold, name))}]"
                                     for name in ("axis", "sideways")]
    if not calibration.holds:
        lines.insert(0, "hold = []")
    if calibration.bench is not None:
        done, data = cv2.imencode(".jpg", calibration.bench, [cv2.IMWRITE_JPEG_QUALITY, 93])
        if not done:
            raise CalibrationError(f"{picture_path(path)}: the bench picture cannot be encoded")
        write_bytes_whole(picture_path(path), data.tobytes())
    write_text_whole(path, "\n".join(lines) + "\n")


def load_nozzle(path: Path | str) -> NozzleCalibration:
    """Read what `save_nozzle` wrote; the picture may be missing.

    Raises
    ------
    CalibrationError
        One line naming the file and the key that is wrong.
    """
    path = Path(path)
    found = read_toml(path, "nozzle calibration")
    check_keys(path, found, {"camera_id", *_RANGES, "edge", "hold"}, {*_POSE, _APPEARANCE})
    numbers = {key: number(path, key, found[key], *_RANGES[key]) for key in _RANGES}
    if not isinstance(found["camera_id"], str) or not isinstance(found["edge"], list):
        raise CalibrationError(f"{path}: camera_id must be text, edge a list of tables")
    bias = dict(DEFAULT_BIAS)
    for i, row in enumerate(found["edge"], 1):
        key, value = _edge(path, i, row)
        bias[key] = value
    picture = picture_path(path)
    bench = read_photo(picture) if picture.exists() else None
    return NozzleCalibration(found["camera_id"], numbers["outer_diameter_mm"], numbers["bend_deg"], bias,
                             numbers["height_error_rms_mm"], int(numbers["n_photos"]), bench, _pose(path, found),
                             tuple(_hold(path, i, row) for i, row in enumerate(found["hold"], 1)),
                             _vector(path, _APPEARANCE, found[_APPEARANCE], 3) if _APPEARANCE in found else None)


def _edge(path: Path, i: int, row: object) -> tuple[tuple[str, bool], EdgeBias]:
    where = f"edge[{i}]"
    if not isinstance(row, dict) or set(row) != {"kind", "lighter_outside", "offset_px", "sigma_px"}:
        raise CalibrationError(f"{path}: {where}: needs exactly kind, lighter_outside, offset_px, sigma_px")
    key = (row["kind"], row["lighter_outside"])
    if not isinstance(key[0], str) or not isinstance(key[1], bool) or key not in DEFAULT_BIAS:
        raise CalibrationError(f"{path}: {where}: kind {row['kind']!r} is not one of "
                               f"{', '.join(sorted({k for k, _ in DEFAULT_BIAS}))}")
    offset = number(path, f"{where}.offset_px", row["offset_px"], -_EDGE_PX, _EDGE_PX)
    sigma = number(path, f"{where}.sigma_px", row["sigma_px"], _LEAST_EDGE_SIGMA_PX, _EDGE_PX)
    return key, EdgeBias(offset, sigma)


def _pose(path: Path, found: dict[str, Any]) -> FloatArray | None:
    if not any(key in found for key in _POSE):
        return None
    turn_rad, shift_mm = (_vector(path, key, found.get(key), 3) for key in _POSE)
    return rigid.transform(rigid.exp_rotation(turn_rad), shift_mm)


def _vector(path: Path, key: str, value: object, n: int) -> FloatArray:
    if not isinstance(value, list) or len(value) != n:
        raise CalibrationError(f"{path}: {key}: needs {n} numbers")
    return np.array([number(path, key, v) for v in value])


def _hold(path: Path, i: int, row: object) -> Hold:
    if not isinstance(row, dict) or set(row) != {"axis", "sideways"} or not all(
        isinstance(v, list) and len(v) == 3 for v in row.values()
    ):
        raise CalibrationError(f"{path}: hold[{i}]: needs exactly axis and sideways, three numbers each")
    vectors = {k: np.array([number(path, f"hold[{i}].{k}", x) for x in v]) for k, v in row.items()}
    if any(abs(np.linalg.norm(v) - 1) > 1e-3 for v in vectors.values()):
        raise CalibrationError(f"{path}: hold[{i}]: axis and sideways must have length 1")
    return Hold(**{k: v / np.linalg.norm(v) for k, v in vectors.items()})


def picture_path(path: Path) -> Path:
    """Where the bench picture of a nozzle calibration lies: beside it, as NAME.bench.jpg."""
    return path.with_suffix(".bench.jpg")
