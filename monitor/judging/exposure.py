"""The seam: turns the nozzle's track in mm, with the job, into height, tilt and aim, then into SI for the heat model.

No other module converts between the two worlds. While the nozzle is unseen the heat input is unknown, not zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.heat.limits import plastic_limit_c
from monitor.heat.types import BoardSetup, HeatInput, HeatSetup, Layer, PartSetup, Protection, RegionSetup, StationSetup
from monitor.job import Job, ProtectionMeasure, Region
from vision.types import FloatArray, NozzleTrack, TrackStatus

__all__ = ["Exposure", "expose", "heat_setup", "heat_input", "onto_start", "onto_now", "angle_onto_start"]

LEVEL_AXIS = -0.17  # an axis within 10 degrees of level meets the board too far away to be called an aim


@dataclass(frozen=True)
class Exposure:
    """What the nozzle does to the board at one instant; nan where not known.

    Attributes
    ----------
    t_s, dt_s : float
        Time and the interval since the frame before [s].
    observed : bool
        Whether this frame itself measured the nozzle.
    age_s : float
        Time since the last frame that measured it [s]; 0 when observed, inf before the first.
    height_mm : float
        Vertical distance from the board's top face to the outlet's centre.
    standoff_mm : float
        Distance along the axis from the outlet's centre to the board's top plane.
    tilt_rad : float
        Between the axis and straight down.
    azimuth_rad : float
        Direction on the board towards which the jet leans, from +x towards +y, bench frame.
    aim_mm : array, shape (2,)
        Where the axis meets the board's top plane, bench frame.
    aim_cov_mm2 : array, shape (2, 2)
    aim_board_mm : array, shape (2,)
        The same point on the board as it lay at the start: the coordinates of the job's outlines.
    speed_mm_s : float
        Of the outlet's centre.
    """

    t_s: float
    dt_s: float
    observed: bool
    age_s: float
    tip_mm: FloatArray
    axis: FloatArray
    height_mm: float
    height_sigma_mm: float
    standoff_mm: float
    standoff_sigma_mm: float
    tilt_rad: float
    tilt_sigma_rad: float
    azimuth_rad: float
    aim_mm: FloatArray
    aim_cov_mm2: FloatArray
    aim_board_mm: FloatArray
    speed_mm_s: float
    reason: str = ""
    is_gone: bool = False  # the bench was seen without the nozzle since that was last told

    @property
    def aim_sigma_mm(self) -> float:
        """Spread of the aim along its worst direction [mm]."""
        if not np.isfinite(self.aim_cov_mm2).all():
            return math.nan
        return float(np.sqrt(max(np.linalg.eigvalsh(self.aim_cov_mm2)[-1], 0.0)))


def expose(track: NozzleTrack, board_top_mm: float, dt_s: float, board_shift: FloatArray) -> Exposure:
    """Height, standoff, tilt and aim of a track over a board, each with its spread.

    Parameters
    ----------
    track : NozzleTrack
        In the bench frame; z up out of the mat.
    board_top_mm : float
        Height of the board's top face over the mat's.
    dt_s : float
        Time since the frame before.
    board_shift : array, shape (3,)
        As in VisionResult: x, y [mm] and turn [rad] of the board since the start.

    Notes
    -----
    Spreads are first order in the track's covariance. The tilt's direction is not defined for a vertical axis;
    there the spread of its steeper component is given.
    """
    known = track.status in (TrackStatus.TRACKING, TrackStatus.COASTING) and np.isfinite(track.tip_mm).all()
    age_s = max(0.0, track.t_s - track.t_seen_s) if math.isfinite(track.t_seen_s) else math.inf
    if not known:
        return _unknown(track, dt_s, age_s)
    height = float(track.tip_mm[2] - board_top_mm)
    height_sigma = _root(track.cov[2, 2])
    tilt, tilt_sigma, azimuth = _tilt(track.axis, track.cov)
    standoff, standoff_sigma, aim, aim_cov = _meet(track, height)
    return Exposure(
        t_s=track.t_s, dt_s=dt_s, observed=track.is_seen, age_s=0.0 if track.is_seen else age_s,
        tip_mm=track.tip_mm, axis=track.axis, height_mm=height, height_sigma_mm=height_sigma,
        standoff_mm=standoff, standoff_sigma_mm=standoff_sigma, tilt_rad=tilt, tilt_sigma_rad=tilt_sigma,
        azimuth_rad=azimuth, aim_mm=aim, aim_cov_mm2=aim_cov, aim_board_mm=onto_start(aim, board_shift),
        speed_mm_s=float(np.linalg.norm(track.velocity_mm_s)), reason=track.reason)


def onto_start(point_mm: FloatArray, board_shift: FloatArray) -> FloatArray:
    """A bench point as it lay on the board before the board moved; undoes p_now = R(turn) p_start + (x, y)."""
    x, y = np.asarray(point_mm, float) - board_shift[:2]
    c, s = math.cos(board_shift[2]), math.sin(board_shift[2])
    return np.array([c * x + s * y, c * y - s * x])


def onto_now(points_mm: FloatArray, board_shift: FloatArray) -> FloatArray:
    """Outline corners (n, 2) of the job, where they lie on the bench now."""
    c, s = math.cos(board_shift[2]), math.sin(board_shift[2])
    return np.asarray(points_mm, float) @ np.array([[c, s], [-s, c]]) + board_shift[:2]


def angle_onto_start(angle_rad: float, board_shift: FloatArray) -> float:
    """A direction on the bench as it would read on the board before it turned."""
    return angle_rad - float(board_shift[2])


def heat_setup(job: Job) -> HeatSetup:
    """The part of a job that the heat model needs, in SI."""
    board, station = job.board, job.station
    cover = board.copper_cover or (1.0,) * len(board.copper_um)
    neighbours = tuple(_neighbour(name, region) for name, region in zip(job.neighbour_names, job.neighbour,
                                                                        strict=True))
    return HeatSetup(
        board=BoardSetup(
            board.thickness_mm * 1e-3, tuple(Layer(t * 1e-6, c) for t, c in zip(board.copper_um, cover, strict=False)),
            None if board.size_mm is None else (board.size_mm[0] * 1e-3, board.size_mm[1] * 1e-3),
            None if board.centre_mm is None else (board.centre_mm[0] * 1e-3, board.centre_mm[1] * 1e-3),
            board.start_c, board.start_top_c, board.start_below_c, tuple(_metres(hole) for hole in board.cutout_mm)),
        part=_part(job), neighbours=neighbours,
        station=StationSetup(station.setpoint_c, station.airflow_l_min / 6e4, station.airflow_reference_c,
                             job.nozzle.bore_diameter_mm * 1e-3, station.ambient_c,
                             tuple((set_c, flow / 6e4, outlet_c) for set_c, flow, outlet_c in station.outlet_c)),
        protections=tuple(_protection(p) for p in job.protection),
        underside_limit_c=job.limits.underside_c, ramp_k_s=job.limits.ramp_k_s)


def heat_input(now: Exposure, last_seen: Exposure | None, board_shift: FloatArray) -> HeatInput:
    """The jet over the interval that ends now; the last known numbers, marked unobserved, while it is unseen."""
    is_usable = now.observed and bool(np.isfinite(now.aim_mm).all())
    source = now if is_usable else last_seen
    if source is None:
        nan = math.nan
        return HeatInput(now.t_s, now.dt_s, False, nan, nan, (nan, nan), nan, nan, nan)
    return HeatInput(
        t_s=now.t_s, dt_s=now.dt_s, observed=is_usable,
        height_m=source.height_mm * 1e-3, height_sigma_m=source.height_sigma_mm * 1e-3,
        aim_m=(float(source.aim_board_mm[0]) * 1e-3, float(source.aim_board_mm[1]) * 1e-3),
        aim_sigma_m=source.aim_sigma_mm * 1e-3, tilt_rad=source.tilt_rad,
        azimuth_rad=angle_onto_start(source.azimuth_rad, board_shift))


def _meet(track: NozzleTrack, height: float) -> tuple[float, float, FloatArray, FloatArray]:
    """Standoff and aim with their spread, first order in (tip, axis)."""
    ax, ay, az = track.axis
    if az > LEVEL_AXIS:
        return math.nan, math.nan, np.full(2, math.nan), np.full((2, 2), math.nan)
    standoff = -height / az
    along = np.array([0.0, 0.0, -1.0 / az, 0.0, 0.0, height / az**2])
    aim = track.tip_mm[:2] + standoff * track.axis[:2]
    jac = np.zeros((2, 6))
    jac[0, 0] = jac[1, 1] = 1.0
    jac[0, 3] = jac[1, 4] = standoff
    jac += np.outer([ax, ay], along)
    return standoff, _root(along @ track.cov @ along), aim, jac @ track.cov @ jac.T


def _tilt(axis: FloatArray, cov: FloatArray) -> tuple[float, float, float]:
    """Tilt from straight down, its spread, and the direction of lean."""
    flat = math.hypot(axis[0], axis[1])
    tilt, azimuth = math.atan2(flat, -axis[2]), math.atan2(axis[1], axis[0])
    part = cov[3:, 3:]
    if flat < 1e-6:
        return tilt, _root(max(np.linalg.eigvalsh(part)[-1], 0.0)), azimuth
    norm2 = flat**2 + axis[2] ** 2
    grad = np.array([-axis[2] * axis[0] / flat, -axis[2] * axis[1] / flat, flat]) / norm2
    return tilt, _root(grad @ part @ grad), azimuth


def _unknown(track: NozzleTrack, dt_s: float, age_s: float) -> Exposure:
    nan, nan2, nan3 = math.nan, np.full(2, math.nan), np.full(3, math.nan)
    reason = track.reason or "the nozzle was not measured"
    return Exposure(track.t_s, dt_s, False, age_s, nan3, nan3, nan, nan, nan, nan, nan, nan, nan,
                    nan2, np.full((2, 2), nan), nan2, nan, reason, track.status is TrackStatus.GONE)


def _part(job: Job) -> PartSetup:
    target = job.target
    limit = target.limit_c if target.limit_c is not None else job.limits.part_c
    region = RegionSetup(target.name, _metres(target.outline_mm), target.height_mm * 1e-3, limit,
                         "the job file" if limit is not None else "")
    return PartSetup(region, target.kind, None if target.mass_g is None else target.mass_g * 1e-3, job.solder.alloy,
                     job.solder.alloy_before, job.work,
                     None if target.pad_mm is None else (target.pad_mm[0] * 1e-3, target.pad_mm[1] * 1e-3),
                     target.vias, target.via_drill_mm * 1e-3, target.via_barrel_um * 1e-6, target.ceramic)


def _neighbour(name: str, region: Region) -> RegionSetup:
    """The user's own limit comes before that of its material."""
    limit, source = region.limit_c, "the job file"
    if limit is None and region.material is not None:
        limit, source = plastic_limit_c(region.material), f"{region.material} begins to suffer (handbooks, from memory)"
    return RegionSetup(name, _metres(region.outline_mm), region.height_mm * 1e-3, limit,
                       "" if limit is None else source, region.side == "below", region.keep_solid)


def _protection(measure: ProtectionMeasure) -> Protection:
    values = {"gap_m": (measure.gap_mm, 1e-3), "mass_kg": (measure.mass_g, 1e-3), "temp_c": (measure.temp_c, 1.0),
              "contact_w_m2k": (measure.contact_w_m2k, 1.0)}
    return Protection(measure.kind, None if measure.outline_mm is None else _metres(measure.outline_mm),
                      {key: value * scale for key, (value, scale) in values.items() if value is not None})


def _metres(outline_mm: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    return tuple((x * 1e-3, y * 1e-3) for x, y in outline_mm)


def _root(value: float) -> float:
    return math.sqrt(max(float(value), 0.0))
