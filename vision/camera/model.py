"""A calibrated camera: from points in front of it to pixels, and from pixels back to rays."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from vision.errors import CalibrationError
from vision.files import write_text_whole
from vision.loading import check_keys, number, read_toml
from vision.types import FloatArray

__all__ = ["CameraModel", "load_camera", "save_camera", "PARAMETERS"]

# What the optional covariance is about, in its order; one focal length, as sensors have square pixels.
PARAMETERS = ("f", "cx", "cy", "k1", "k2", "p1", "p2", "k3")

# half a kelvin lengthens an aluminium mount by this share (23e-6 per K, a handbook's value from memory [derived]): no
# focal length is known better, whatever a fit says
LEAST_FOCAL_SIGMA = 1e-5
MOST_READOUT_MS = 70.0  # of a picture at 15 a second [derived]
# mean and sigma where the file does not tell: webcams read their rows within 5 to 33 ms, from either end, some cameras
# at once [common practice, no source], but with more a tool that comes in is followed less well; and sigma of one that
# is given without [convention]
_UNKNOWN_READOUT_MS, _GIVEN_READOUT_SIGMA_MS = (0.0, 5.0), 0.5
LEAST_RMS_PX = 1e-3  # corners in drawn pictures are met so well, in photographs never


@dataclass(frozen=True)
class CameraModel:
    """Pinhole with radial and tangential distortion.

    Attributes
    ----------
    camera_matrix_px : array, shape (3, 3)
        (fx, 0, cx), (0, fy, cy), (0, 0, 1) [px]; the centre of the top left pixel is (0, 0).
    distortion : array, shape (5,)
        k1, k2, p1, p2, k3 [-].
    image_size_px : tuple of int
        Width and height of the pictures that it holds for.
    rms_px : float
        Root mean square distance of the calibration's corners [px]; nan when not known.
    focal_sigma_px : float
        Standard deviation of the focal length [px]; nan when not known.
    parameter_cov : array, shape (8, 8), or None
        Covariance of PARAMETERS.
    readout_ms, readout_sigma_ms : float
        From the first row's exposure to the last row's, and its standard deviation; nan when not known.
    calibration_id : str
        Follows from the numbers above, so equal cameras have equal ids.

    Notes
    -----
    Brown's model: D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855-866, in the
    order of coefficients used by OpenCV. It holds where the radial function rises; beyond that radius, far outside the
    picture, it is continued by a straight line, so that nothing folds back into view.
    """

    camera_matrix_px: FloatArray
    distortion: FloatArray
    image_size_px: tuple[int, int]
    rms_px: float = float("nan")
    focal_sigma_px: float = float("nan")
    parameter_cov: FloatArray | None = None
    readout_ms: float = float("nan")
    readout_sigma_ms: float = float("nan")
    calibration_id: str = field(init=False)
    _fold: tuple[float, float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        matrix = _read_only(self.camera_matrix_px, (3, 3), "camera_matrix_px")
        distortion = _read_only(self.distortion, (5,), "distortion")
        size = tuple(int(v) for v in self.image_size_px)
        if len(size) != 2 or min(size) < 1:
            raise CalibrationError(f"image_size_px: expected width and height, got {self.image_size_px}")
        if min(matrix[0, 0], matrix[1, 1]) <= 0 or np.any(matrix[[0, 1, 2, 2, 2], [1, 0, 0, 1, 2]] != [0, 0, 0, 0, 1]):
            raise CalibrationError("camera_matrix_px: expected [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] with fx, fy > 0")
        cov = self.parameter_cov
        cov = None if cov is None else _read_only(cov, (8, 8), "parameter_cov")
        text = repr([matrix.tolist(), distortion.tolist(), size])
        values = {"camera_matrix_px": matrix, "distortion": distortion, "image_size_px": size, "parameter_cov": cov,
                  "rms_px": float(self.rms_px), "focal_sigma_px": float(self.focal_sigma_px),
                  "readout_ms": float(self.readout_ms), "readout_sigma_ms": float(self.readout_sigma_ms),
                  "calibration_id": hashlib.sha256(text.encode()).hexdigest()[:12], "_fold": _fold_radius(distortion)}
        for name, value in values.items():
            object.__setattr__(self, name, value)

    @property
    def focal_px(self) -> float:
        """Mean focal length [px]."""
        return float(self.camera_matrix_px[0, 0] + self.camera_matrix_px[1, 1]) / 2

    @property
    def readout_s(self) -> float:
        """From the first row's exposure to the last row's [s]; 0 where it is not known, with a sigma that says so."""
        return 1e-3 * (_UNKNOWN_READOUT_MS[0] if np.isnan(self.readout_ms) else self.readout_ms)

    @property
    def readout_sigma_s(self) -> float:
        """Its standard deviation [s]."""
        if np.isnan(self.readout_ms):
            return 1e-3 * _UNKNOWN_READOUT_MS[1]
        return 1e-3 * (_GIVEN_READOUT_SIGMA_MS if np.isnan(self.readout_sigma_ms) else max(self.readout_sigma_ms, 1e-3))

    def row_share(self, y_px: FloatArray) -> FloatArray:
        """When rows are read, after the middle one, as shares of the readout: -0.5 to 0.5 [-]."""
        return (y_px + 0.5) / self.image_size_px[1] - 0.5

    @property
    def fold(self) -> tuple[float, float]:
        """Radius beyond which the model is continued straight, and the distorted radius there, both at z = 1 [-]."""
        return self._fold

    @cached_property
    def lens(self) -> FloatArray:
        """Two focal lengths, the centre, the distortion and the fold, shape (11,), for compiled code."""
        k = self.camera_matrix_px
        return np.array([k[0, 0], k[1, 1], k[0, 2], k[1, 2], *self.distortion, *self.fold])

    def project(self, points_cam_mm: FloatArray) -> FloatArray:
        """Pixels of points in the camera frame.

        Parameters
        ----------
        points_cam_mm : array, shape (n, 3) or (3,)
            x right, y down, z forward [mm].

        Returns
        -------
        array, shape (n, 2) or (2,)
            u, v [px]; nan where the point is not in front of the camera.
        """
        p = np.asarray(points_cam_mm, float)
        z = p[..., 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            iz = np.where(z > 0, 1.0 / z, np.nan)
        x, y = self._distorted(p[..., 0] * iz, p[..., 1] * iz)
        k = self.camera_matrix_px
        out = np.empty(p.shape[:-1] + (2,))
        out[..., 0] = k[0, 0] * x + k[0, 2]
        out[..., 1] = k[1, 1] * y + k[1, 2]
        return out

    def project_with_jacobian(self, points_cam_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Pixels (n, 2) of points (n, 3), and their change per mm, shape (n, 2, 3).

        The change is that of the model itself: meaningless beyond the radius where it stops rising.
        """
        p = np.asarray(points_cam_mm, float)
        iz = 1.0 / p[:, 2]
        x, y = p[:, 0] * iz, p[:, 1] * iz
        k, lens = self.camera_matrix_px, self._distortion_slopes(x, y)
        jac = np.empty((len(p), 2, 3))
        for row, focal in enumerate((k[0, 0], k[1, 1])):
            jac[:, row, 0] = focal * lens[row][0] * iz
            jac[:, row, 1] = focal * lens[row][1] * iz
            jac[:, row, 2] = -(jac[:, row, 0] * x + jac[:, row, 1] * y)
        return self.project(p), jac

    def rays(self, points_px: FloatArray) -> FloatArray:
        """Directions in which pixels look.

        Parameters
        ----------
        points_px : array, shape (n, 2) or (2,)

        Returns
        -------
        array, shape (n, 3) or (3,)
            Camera frame, z = 1 [-]; they project back to within 1e-9 of a focal length. nan where no ray of the model
            gives that pixel.
        """
        p = np.asarray(points_px, float)
        k = self.camera_matrix_px
        xd, yd = (p[..., 0] - k[0, 2]) / k[0, 0], (p[..., 1] - k[1, 2]) / k[1, 1]
        x, y = self._undistorted(xd, yd)
        return np.stack([x, y, np.ones_like(x)], axis=-1)

    def scaled(self, factor: float) -> CameraModel:
        """The camera whose pictures are those of this one resized by `factor` (0.5 for half size)."""
        k = self.camera_matrix_px.copy()
        k[:2, 2] += 0.5
        k[:2] *= factor
        k[:2, 2] -= 0.5
        w, h = self.image_size_px
        return CameraModel(k, self.distortion, (round(w * factor), round(h * factor)), self.rms_px * factor,
                           self.focal_sigma_px * factor, None, self.readout_ms, self.readout_sigma_ms)

    def check_picture(self, width_px: int, height_px: int, where: str = "picture") -> None:
        """Refuse a picture of another size than this camera was calibrated for."""
        if (width_px, height_px) != self.image_size_px:
            w, h = self.image_size_px
            raise CalibrationError(f"{where}: {width_px} x {height_px} px, but the camera was calibrated at {w} x {h}; "
                                   "record at that size or calibrate at this one")

    def _distorted(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        k1, k2, p1, p2, k3 = self.distortion.tolist()
        r2 = x * x + y * y
        if np.any(r2 > self._fold[0] ** 2):
            return self._distorted_far(x, y, r2)
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xy2 = 2.0 * x * y
        return x * radial + p1 * xy2 + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + p2 * xy2

    def _distorted_far(self, x: FloatArray, y: FloatArray, r2: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As _distorted, with what lies beyond the fold pushed on outwards."""
        edge, image_of_edge = self._fold
        r = np.sqrt(r2)
        beyond = r > edge
        shrink = np.where(beyond, edge / np.where(beyond, r, 1.0), 1.0)
        xd, yd = self._distorted(x * shrink * (1 - 1e-12), y * shrink * (1 - 1e-12))
        grow = np.where(beyond, 1.0 + (r - edge) / max(image_of_edge, 1e-6), 1.0)
        return xd * grow, yd * grow

    def _distortion_slopes(self, x: FloatArray, y: FloatArray) -> tuple[tuple[FloatArray, ...], ...]:
        """Change of the distorted point with the undistorted one: ((xx, xy), (yx, yy))."""
        k1, k2, p1, p2, k3 = self.distortion.tolist()
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))  # d radial / d r2, times 2
        cross = x * y * slope + 2.0 * (p1 * x + p2 * y)
        return ((radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x, cross),
                (cross, radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x))

    def _undistorted(self, xd: FloatArray, yd: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Newton's method on the distortion; nan where it does not arrive."""
        x, y = xd.copy(), yd.copy()
        with np.errstate(all="ignore"):
            for _ in range(20):
                fx, fy = self._distorted(x, y)
                ex, ey = xd - fx, yd - fy
                if max(np.abs(ex).max(initial=0.0), np.abs(ey).max(initial=0.0)) < 1e-13:
                    break
                (a, b), (c, d) = self._distortion_slopes(x, y)
                det = a * d - b * c
                x, y = x + (d * ex - b * ey) / det, y + (a * ey - c * ex) / det
            fx, fy = self._distorted(x, y)
            lost = ~(np.hypot(xd - fx, yd - fy) < 1e-9) | (x * x + y * y > self._fold[0] ** 2)
        return np.where(lost, np.nan, x), np.where(lost, np.nan, y)


def load_camera(path: Path | str) -> CameraModel:
    """Read a calibration written by `save_camera`.

    Raises
    ------
    CalibrationError
        One line naming the file and the key that is wrong.
    """
    path = Path(path)
    found = read_toml(path, "camera calibration")
    check_keys(path, found, {"camera_matrix_px", "distortion", "image_size_px"},
               {"rms_px", "focal_sigma_px", "parameter_cov", "readout_ms", "readout_sigma_ms"})
    try:
        camera = CameraModel(**found)
    except CalibrationError as error:
        raise CalibrationError(f"{path}: {error}") from error
    except (TypeError, ValueError, OverflowError, np.linalg.LinAlgError) as error:
        raise CalibrationError(f"{path}: a value is not a number: {error}") from error
    _check_ranges(path, found)
    return camera


def save_camera(path: Path | str, camera: CameraModel) -> None:
    """Write a calibration as a small readable file, whole or not at all."""
    def rows(matrix: FloatArray) -> str:
        return "[\n" + "".join(f"  {row.tolist()},\n" for row in matrix) + "]"

    lines = ["# Plumeline camera calibration. Pixels; the centre of the top left pixel is (0, 0).",
             f"image_size_px = {list(camera.image_size_px)}  # width, height: holds for pictures of this size only",
             f"camera_matrix_px = {rows(camera.camera_matrix_px)}",
             f"distortion = {camera.distortion.tolist()}  # k1, k2, p1, p2, k3",
             f"rms_px = {float(camera.rms_px)!r}  # of the corners in the photographs",
             f"focal_sigma_px = {float(camera.focal_sigma_px)!r}  # standard deviation of the focal length",
             f"readout_ms = {float(camera.readout_ms)!r}  # from the first row's exposure to the last row's",
             f"readout_sigma_ms = {float(camera.readout_sigma_ms)!r}  # its standard deviation"]
    lines = [line for line in lines if " = nan" not in line]  # not known: not said
    if camera.parameter_cov is not None:
        lines += [f"# covariance of {', '.join(PARAMETERS)}", f"parameter_cov = {rows(camera.parameter_cov)}"]
    write_text_whole(Path(path), "\n".join(lines) + "\n")


def _check_ranges(path: Path, found: dict[str, Any]) -> None:
    """Refuse what no camera has."""
    sizes = found["image_size_px"]
    if not isinstance(sizes, list) or len(sizes) != 2 or not all(isinstance(v, int) and not isinstance(v, bool)
                                                                 for v in sizes):
        raise CalibrationError(f"{path}: image_size_px: expected width and height, two whole numbers")
    largest = max(number(path, "image_size_px", v, 16, 20_000) for v in sizes)
    matrix = found["camera_matrix_px"]
    if not isinstance(matrix, list) or len(matrix) != 3 or not all(isinstance(row, list) and len(row) == 3
                                                                   for row in matrix):
        raise CalibrationError(f"{path}: camera_matrix_px: expected numbers of shape (3, 3)")
    for i, name in enumerate("xy"):
        number(path, f"camera_matrix_px: f{name}", matrix[i][i], 0.1 * largest, 100.0 * largest)
        number(path, f"camera_matrix_px: c{name}", matrix[i][2], -largest, 2.0 * largest)
    for value in found["distortion"] if isinstance(found["distortion"], list) else ():
        number(path, "distortion", value, -1000.0, 1000.0)
    if "rms_px" in found:
        number(path, "rms_px", found["rms_px"], LEAST_RMS_PX, 100.0)
    if "focal_sigma_px" in found:
        number(path, "focal_sigma_px", found["focal_sigma_px"], LEAST_FOCAL_SIGMA * matrix[0][0], matrix[0][0])
    if "readout_ms" in found:  # a picture that the driver turns upside down is read from below
        number(path, "readout_ms", found["readout_ms"], -MOST_READOUT_MS, MOST_READOUT_MS)
    if "readout_sigma_ms" in found:
        number(path, "readout_sigma_ms", found["readout_sigma_ms"], 0.0, MOST_READOUT_MS)
    if "parameter_cov" in found:
        _check_cov(path, found["parameter_cov"])


def _check_cov(path: Path, value: Any) -> None:
    cov = _read_only(value, (8, 8), f"{path}: parameter_cov")
    scale = np.sqrt(np.abs(np.diag(cov)))
    if scale.min() <= 0 or not np.allclose(cov, cov.T, rtol=1e-6, atol=1e-12 * scale.max() ** 2):
        raise CalibrationError(f"{path}: parameter_cov: not a covariance (not symmetric, or a variance is not above 0)")
    if np.linalg.eigvalsh(cov / np.outer(scale, scale)).min() < -1e-6:
        raise CalibrationError(f"{path}: parameter_cov: not a covariance (an eigenvalue is negative)")


def _read_only(value: ArrayLike, shape: tuple[int, ...], name: str) -> FloatArray:
    try:
        out = np.array(value, dtype=float)
    except (TypeError, ValueError) as error:
        raise CalibrationError(f"{name}: expected numbers of shape {shape}") from error
    if out.shape != shape or not np.all(np.isfinite(out)):
        raise CalibrationError(f"{name}: expected finite numbers of shape {shape}, got shape {out.shape}")
    out.flags.writeable = False
    return out


def _fold_radius(distortion: FloatArray) -> tuple[float, float]:
    """Radius at which the radial function stops rising, and its image there; infinite when it never does."""
    k1, k2, _, _, k3 = distortion
    roots = np.roots([7.0 * k3, 5.0 * k2, 3.0 * k1, 1.0])  # in r squared, of d/dr (r + k1 r^3 + k2 r^5 + k3 r^7)
    real = [r.real for r in roots if abs(r.imag) < 1e-12 and r.real > 0]
    if not real:
        return np.inf, np.inf
    r2 = min(real)
    return float(np.sqrt(r2)), float(np.sqrt(r2) * (1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))))
