"""What a thermocouple run taught: its file, and which boards and nozzles it holds for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from monitor.errors import EnvironmentFault, InputError
from monitor.files import read_toml, write_text_whole
from monitor.heat.types import HeatSetup
from monitor.heat.uncertainty import PARAMETERS, Knowledge

ANY_HEIGHT_M = (0.0, 1.0)  # of one that rests on no thermocouple run

__all__ = ["ANY_HEIGHT_M", "Calibration", "load_calibration", "save_calibration"]

LEAST_SCORE_VARIANCE, LARGEST_SCORE = 1e-8, 20.0  # of scores whose spread before a run is 1


@dataclass(frozen=True)
class Calibration:
    """What a thermocouple run taught, and the board, nozzle and airflow it holds for."""

    knowledge: Knowledge
    thickness_m: float
    layers: tuple[tuple[float, float], ...]
    bore_m: float
    airflow_m3_s: float
    height_range_m: tuple[float, float]
    rms_k: float
    identified: tuple[str, ...]

    def mismatch(self, setup: HeatSetup) -> str | None:
        """Why it does not hold for a job, in words; None when it does."""
        board, station = setup.board, setup.station
        layers = tuple((layer.thickness_m, layer.coverage) for layer in board.layers)
        if abs(board.thickness_m / self.thickness_m - 1) > 0.1:
            return f"made for a board of {self.thickness_m * 1e3:.2f} mm"
        if layers != self.layers:
            return "made for other copper layers"
        if abs(station.bore_m / self.bore_m - 1) > 0.05:
            return f"made for a bore of {self.bore_m * 1e3:.1f} mm"
        if abs(station.airflow_m3_s / self.airflow_m3_s - 1) > 0.1:
            return f"made for {self.airflow_m3_s * 60000:.0f} L/min"
        return None


def save_calibration(calibration: Calibration, path: Path) -> None:
    """Write a calibration as TOML; nothing half-written keeps the final name."""
    k = calibration.knowledge
    data = {
        "kind": "heat calibration", "version": 1, "note": k.note, "has_thermocouple": k.is_calibrated,
        "rms_k": calibration.rms_k,
        "identified": list(calibration.identified), "form_share": k.form_share,
        "board": {"thickness_m": calibration.thickness_m, "layers": [list(x) for x in calibration.layers]},
        "nozzle": {"bore_m": calibration.bore_m, "airflow_m3_s": calibration.airflow_m3_s,
                   "height_range_m": list(calibration.height_range_m)},
        "scores": {"names": list(PARAMETERS), "mean": k.mean.tolist(), "cov": k.cov.tolist()}}
    try:
        write_text_whole(path, tomli_w.dumps(data))
    except OSError as fault:
        raise EnvironmentFault(f"{path}: cannot write the calibration ({fault.strerror})") from fault


def load_calibration(path: Path) -> Calibration:
    """Read a calibration; InputError names the file and the key at fault."""
    data = read_toml(path, "heat calibration", InputError)
    if data.get("kind") != "heat calibration":
        raise InputError(f"{path}: kind: expected 'heat calibration'; make one with a thermocouple run")
    try:
        return _from_data(data)
    except KeyError as fault:
        raise InputError(f"{path}: key {fault} is missing; make the calibration again") from fault
    except (TypeError, ValueError, AttributeError, np.linalg.LinAlgError) as fault:
        raise InputError(f"{path}: {fault}; make the calibration again") from fault


def _from_data(data: dict[str, Any]) -> Calibration:
    scores, board, nozzle = data["scores"], data["board"], data["nozzle"]
    if tuple(scores["names"]) != PARAMETERS:
        raise ValueError("scores.names: made for another version of the heat chain")
    mean, cov = np.array(scores["mean"], float), np.array(scores["cov"], float)
    n = len(PARAMETERS)
    if mean.shape != (n,) or cov.shape != (n, n) or not np.isfinite(cov).all() or not np.isfinite(mean).all():
        raise ValueError(f"scores: expected {n} finite means and a {n} x {n} covariance")
    if np.linalg.eigvalsh(0.5 * (cov + cov.T)).min() <= 0:
        raise ValueError("scores.cov: not a covariance (an eigenvalue is not positive)")
    if not np.allclose(cov, cov.T, rtol=1e-6, atol=1e-12):
        raise ValueError("scores.cov: not a covariance (not symmetric)")
    if np.diag(cov).min() < LEAST_SCORE_VARIANCE or np.abs(mean).max() > LARGEST_SCORE:
        raise ValueError("scores: surer, or farther from what is usual, than a run can teach")
    low, high = (float(h) for h in nozzle["height_range_m"])
    numbers = {"nozzle.height_range_m": (low, 0.0, high), "height_range_m (2)": (high, low, 1.0),
               "rms_k": (data["rms_k"], 0.0, 100.0),
               "form_share": (data["form_share"], 0.0, 10.0), "board.thickness_m": (board["thickness_m"], 1e-4, 0.02),
               "nozzle.bore_m": (nozzle["bore_m"], 1e-4, 0.1),
               "nozzle.airflow_m3_s": (nozzle["airflow_m3_s"], 1e-6, 0.1)}
    for name, (value, least, most) in numbers.items():
        if not least <= float(value) <= most:
            raise ValueError(f"{name}: must lie between {least:g} and {most:g}, got {value:g}")
    has_run = bool(data.get("has_thermocouple", True))
    knowledge = Knowledge(mean, cov, has_run, str(data["note"]), float(data["form_share"]), (low, high) if has_run
                          else None)
    return Calibration(knowledge, float(board["thickness_m"]), tuple((float(t), float(c)) for t, c in board["layers"]),
                       float(nozzle["bore_m"]), float(nozzle["airflow_m3_s"]), (low, high),
                       float(data["rms_k"]), tuple(data["identified"]))
