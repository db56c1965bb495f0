"""Rows of a trace: what a frame, a band or a picture comes to as values that SQLite keeps."""

from __future__ import annotations

import json
import math
from typing import Any

import cv2
import numpy as np

from monitor.heat.types import HeatReading
from monitor.judging.pipeline import FrameResult
from monitor.recording import schema
from vision.types import BenchPose, FloatArray, NozzleMiss, NozzleObservation, PartMotion, PoseMiss

__all__ = ["blob", "frame_row", "heat_row", "motions", "num", "png"]


def frame_row(result: FrameResult) -> dict[str, Any]:
    """What one frame says, by column of the table of frames."""
    seen, now = result.vision, result.exposure
    track = seen.track
    row: dict[str, Any] = dict.fromkeys(name for name, _ in schema.FRAME_COLUMNS)
    row |= {"frame": result.frame_index, "t_s": float(result.t_s), "dt_s": float(now.dt_s),
            "status": track.status.value, "t_seen_s": num(track.t_seen_s), "track_reason": track.reason,
            "track_cov": blob(track.cov), "seen": int(now.observed), "state": result.state.value,
            "in_pass": int(result.in_pass), "aim_sigma_mm": num(now.aim_sigma_mm)}
    row |= dict(zip(("board_dx_mm", "board_dy_mm", "board_turn_rad"), map(float, seen.board_shift), strict=True))
    row |= _bench_row(seen.bench) | _observation_row(seen.observation)
    for axis, tip, speed, direction in zip("xyz", track.tip_mm, track.velocity_mm_s, track.axis, strict=True):
        row |= {f"tip_{axis}_mm": num(tip), f"velocity_{axis}_mm_s": num(speed), f"axis_{axis}": num(direction)}
    for name in ("age_s", "height_mm", "height_sigma_mm", "standoff_mm", "standoff_sigma_mm", "tilt_rad",
                 "tilt_sigma_rad", "azimuth_rad", "speed_mm_s"):
        row[name] = num(getattr(now, name))
    for i, axis in enumerate("xy"):
        row |= {f"aim_{axis}_mm": num(now.aim_mm[i]), f"aim_board_{axis}_mm": num(now.aim_board_mm[i])}
    return row


def _bench_row(bench: BenchPose | PoseMiss) -> dict[str, Any]:
    if not isinstance(bench, BenchPose):
        return {"bench_reason": bench.reason}
    turn = np.ravel(cv2.Rodrigues(bench.cam_from_bench[:3, :3])[0])
    row = {"bench_n_markers": int(bench.n_markers), "bench_rms_px": num(bench.rms_px), "bench_cov": blob(bench.cov)}
    for i, axis in enumerate("xyz"):
        row |= {f"bench_r{axis}_rad": float(turn[i]), f"bench_t{axis}_mm": float(bench.cam_from_bench[i, 3])}
    return row


def _observation_row(seen: NozzleObservation | NozzleMiss) -> dict[str, Any]:
    if not isinstance(seen, NozzleObservation):
        return {"obs_reason": seen.reason}
    row: dict[str, Any] = {"obs_cov": blob(seen.cov), "obs_chi2_dof": num(seen.chi2_dof)}
    for i, axis in enumerate("xyz"):
        row |= {f"obs_tip_{axis}_mm": num(seen.tip_bench_mm[i]), f"obs_axis_{axis}": num(seen.axis_bench[i])}
    return row


def heat_row(frame: int, heat: HeatReading) -> tuple[Any, ...]:
    """The estimate after one frame, in the order of the table of heat."""
    return (frame, int(heat.observed), num(heat.ramp_k_s.low), num(heat.ramp_k_s.mid), num(heat.ramp_k_s.high),
            num(heat.above_liquidus_s), heat.joint.value, heat.joint_reason, _bands(heat.power_w),
            _bands(heat.energy_j), _bands(heat.temp_c), _bands(heat.limit_in_s), json.dumps(list(heat.flags)))


def motions(parts: tuple[PartMotion, ...]) -> str:
    """Of all parts in one frame, as JSON."""
    return json.dumps({p.name: [*(_short(float(v)) for v in (*p.shift_mm, p.turn_rad, p.sigma_mm, p.turn_sigma_rad,
                                                             p.seen)),
                                None if p.is_present is None else int(p.is_present)] for p in parts})


def png(picture: np.ndarray | None) -> bytes | None:
    """A picture as PNG; None where there is none, or it cannot be packed."""
    if picture is None:
        return None
    done, data = cv2.imencode(".png", picture)
    return data.tobytes() if done else None


def _bands(named: Any) -> str:
    rounded = {name: None if band is None else [_short(band.low), _short(band.mid), _short(band.high)]
               for name, band in named.items()}
    return json.dumps(rounded)


def _short(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None


def num(value: Any) -> Any:
    """A number for SQLite; NULL where not known."""
    if value is None or not math.isfinite(value):
        return None
    return int(value) if isinstance(value, (int, np.integer)) else float(value)


def blob(cov: FloatArray) -> bytes:
    """An array as the bytes of little-endian doubles."""
    return np.ascontiguousarray(cov, dtype="<f8").tobytes()
