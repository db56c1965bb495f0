"""How the tool was led: dwell per region, sweep of the target, and passes that begin and end by themselves."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry import Polygon

from monitor.heat.types import Band
from monitor.job import Job
from monitor.judging.exposure import Exposure
from vision.types import FloatArray

__all__ = ["Grid", "PassRules", "PassSummary", "Technique", "work_grid", "footprint"]

GRID_MARGIN_MM = 25.0
GRID_STEP_MM = 0.5
LONGEST_STEP_S = 0.3  # a longer gap between frames is a gap in knowledge, not dwell


@dataclass(frozen=True)
class Grid:
    """Square cells over the board around the regions.

    Attributes
    ----------
    x_mm, y_mm : array, shape (nx,), (ny,)
        Cell centres in the job's board coordinates.
    """

    x_mm: FloatArray
    y_mm: FloatArray

    @property
    def extent_mm(self) -> tuple[float, float, float, float]:
        """Left, right, bottom and top edge of the whole grid."""
        half = GRID_STEP_MM / 2
        return (self.x_mm[0] - half, self.x_mm[-1] + half, self.y_mm[0] - half, self.y_mm[-1] + half)

    def mesh(self) -> tuple[FloatArray, FloatArray]:
        """Cell centres as two arrays (ny, nx)."""
        x_mm, y_mm = np.meshgrid(self.x_mm, self.y_mm)
        return x_mm, y_mm


@dataclass(frozen=True)
class PassRules:
    """When a pass begins and ends; times in s, lengths in mm.

    A pass begins when the aim enters the target below the upper height limit and stays for `confirm_s`. It ends
    when the aim has been out for `away_s`, or above the limit for `lifted_s`, or when a nozzle that was lost over the
    target, behind a hand or smoke, has not come back for `hidden_s`; all these moments are dated back.
    """

    confirm_s: float = 0.12
    away_s: float = 1.5
    hidden_s: float = 4.0
    lifted_s: float = 0.4
    edge_mm: float = 0.7  # hysteresis: once inside, a pass goes on this far outside; dwell does not count there
    shortest_s: float = 0.3


@dataclass(frozen=True)
class PassSummary:
    """One pass over the target.

    Attributes
    ----------
    number : int
        From 1.
    t_start_s, t_end_s : float
        The aim's first entry into and last leaving of the target below the height limit.
    dwell_s : float
        Time for which the aim was seen inside the outline, within that span.
    unseen_s : float
        Time in that span for which the nozzle was not measured.
    height_mean_mm, height_sd_mm, height_low_mm, height_high_mm : float
        Over the dwell.
    height_sigma_mm : float
        Of the mean; taken as the mean of the frames' sigmas, since their errors share their cause.
    tilt_mean_rad : float
    in_limits : float
        Share of the dwell with the height inside its limits [-].
    coverage : float
        Share of the target's area that the jet's footprint swept [-].
    evenness : float
        Share of the target's area that got at least half of the mean sweep time [-].
    energy_j : Band or None
        Estimated heat into the part over the pass; None without an estimate.
    """

    number: int
    t_start_s: float
    t_end_s: float
    dwell_s: float
    unseen_s: float
    height_mean_mm: float
    height_sd_mm: float
    height_low_mm: float
    height_high_mm: float
    height_sigma_mm: float
    tilt_mean_rad: float
    in_limits: float
    coverage: float
    evenness: float
    energy_j: Band | None = None


@dataclass
class _Held:
    """How the tool was held over the dwell of a pass, as sums over its frames, each weighed by its time."""

    dwell_s: float = 0.0
    weight: float = 0.0
    height_mm: float = 0.0  # mean so far
    spread_mm2: float = 0.0  # weighted sum of squares about the mean
    low_mm: float = math.inf
    high_mm: float = -math.inf
    sigma_mm: float = 0.0
    tilt_rad: float = 0.0
    in_limits: float = 0.0

    def take(self, now: Exposure, dt: float, in_limits: bool) -> None:
        """Add a frame; mean and squares as by West 1979 (Communications of the ACM 22, 532), which loses no digits."""
        weight = max(dt, 1e-6)
        self.dwell_s += dt
        self.weight += weight
        share, off_mm = weight / self.weight, now.height_mm - self.height_mm
        self.height_mm += share * off_mm
        self.spread_mm2 += weight * off_mm * (now.height_mm - self.height_mm)
        self.low_mm, self.high_mm = min(self.low_mm, now.height_mm), max(self.high_mm, now.height_mm)
        self.sigma_mm += share * (now.height_sigma_mm - self.sigma_mm)
        self.tilt_rad += share * (now.tilt_rad - self.tilt_rad)
        self.in_limits += share * (in_limits - self.in_limits)


@dataclass
class _Span:
    """A pass under way, or one that may become one: everything since its first entry."""

    t_start_s: float
    t_inside_s: float  # last moment inside
    swept_s: FloatArray
    held: _Held = field(default_factory=_Held)
    confirmed: bool = False
    unseen_s: float = 0.0
    pending_unseen_s: float = 0.0  # since the last moment inside
    is_out: bool = False  # seen outside since then
    lifted_s: float = 0.0
    energy_start: Band | None = None
    energy_inside: Band | None = None

    def take(self, now: Exposure, dt: float, energy: Band | None, in_limits: bool, in_outline: bool) -> None:
        """Add a frame whose aim lies inside, be it by the margin; dwell counts what lies inside the outline."""
        self.t_inside_s, self.energy_inside = now.t_s, energy
        self.unseen_s, self.pending_unseen_s = self.unseen_s + self.pending_unseen_s, 0.0
        self.is_out = False
        if in_outline:
            self.held.take(now, dt, in_limits)


class Technique:
    """Adds up what the tool did, frame by frame.

    Attributes
    ----------
    dwell_s : dict of region name to float
        Time for which the aim was seen inside below the upper height limit.
    dwell_map_s : array, shape (ny, nx)
        Time for which the jet's footprint (the bore's circle along the axis) lay over each cell, below the limit.
    """

    def __init__(self, job: Job, rules: PassRules = PassRules()) -> None:
        self.grid = work_grid(job)
        self.dwell_map_s = np.zeros((len(self.grid.y_mm), len(self.grid.x_mm)))
        self._regions = {job.target.name: Polygon(job.target.outline_mm)}
        self._regions |= {n: Polygon(r.outline_mm) for n, r in zip(job.neighbour_names, job.neighbour, strict=False)}
        self._wide = Polygon(job.target.outline_mm).buffer(rules.edge_mm)
        self.dwell_s = dict.fromkeys(self._regions, 0.0)
        self._n_passes = 0
        self._target, self._rules = job.target.name, rules
        self._low, self._high = job.limits.height_mm
        self._bore_radius_mm = job.nozzle.bore_diameter_mm / 2
        self._mesh = self.grid.mesh()
        self._target_cells = shapely.contains_xy(self._regions[self._target], *self._mesh)
        self._span: _Span | None = None

    @property
    def pass_open(self) -> bool:
        """Whether a pass is under way."""
        return self._span is not None and self._span.confirmed

    def pass_time_s(self, t_s: float) -> float:
        """How long the pass under way has lasted; 0 between passes."""
        return t_s - self._span.t_start_s if self._span is not None and self._span.confirmed else 0.0

    def step(self, now: Exposure, energy: Band | None = None) -> PassSummary | None:
        """Take one frame in; give back the pass that this frame showed to be over, if any.

        Parameters
        ----------
        now : Exposure
        energy : Band, optional
            Estimated heat into the part since the start [J].
        """
        dt = min(now.dt_s, LONGEST_STEP_S)
        low_enough = now.observed and now.height_mm < self._high and bool(np.isfinite(now.aim_board_mm).all())
        self._add_dwell(now, dt, low_enough)
        footprint = self._sweep(now, dt) if low_enough else None
        return self._follow_pass(now, dt, low_enough, footprint, energy)

    def finish(self) -> PassSummary | None:
        """End the pass that is still under way when the recording ends, if there is one."""
        return self._close(self._span) if self._span is not None and self._span.confirmed else None

    def _add_dwell(self, now: Exposure, dt: float, low_enough: bool) -> None:
        for name, shape in self._regions.items():
            if low_enough and shapely.contains_xy(shape, *now.aim_board_mm):
                self.dwell_s[name] += dt

    def _sweep(self, now: Exposure, dt: float) -> FloatArray:
        """Add the jet's footprint to the map; cells under it now."""
        under = footprint(*self._mesh, now.aim_board_mm, now.azimuth_rad, now.tilt_rad, self._bore_radius_mm)
        self.dwell_map_s[under] += dt
        return under

    def _follow_pass(self, now: Exposure, dt: float, low_enough: bool, footprint: FloatArray | None,
                     energy: Band | None) -> PassSummary | None:
        shape = self._wide if self._span else self._regions[self._target]
        inside = low_enough and bool(shapely.contains_xy(shape, *now.aim_board_mm))
        if self._span is None:
            if not inside:
                return None
            self._span = _Span(now.t_s, now.t_s, swept_s=np.zeros(self.dwell_map_s.shape), energy_start=energy)
        span = self._span
        if footprint is not None:
            span.swept_s[footprint] += dt
        if inside:
            in_outline = bool(shapely.contains_xy(self._regions[self._target], *now.aim_board_mm))
            span.take(now, dt, energy, self._low <= now.height_mm <= self._high, in_outline)
        elif not now.observed and not now.is_gone:
            span.pending_unseen_s += dt
        else:
            span.is_out = True
        if not span.confirmed and (span.is_out or span.pending_unseen_s > LONGEST_STEP_S):
            self._span = None  # one glimpse inside is no pass, and dates none back
            return None
        span.confirmed |= inside and now.t_s - span.t_start_s >= self._rules.confirm_s
        span.lifted_s = span.lifted_s + dt if now.observed and now.height_mm > self._high else 0.0
        patience_s = self._rules.away_s if span.is_out else self._rules.hidden_s
        is_over = now.t_s - span.t_inside_s > patience_s or span.lifted_s > self._rules.lifted_s
        return self._close(span) if is_over else None

    def _close(self, current: _Span) -> PassSummary | None:
        self._span = None
        if current.t_inside_s - current.t_start_s < self._rules.shortest_s:
            return None
        held, swept = current.held, current.swept_s[self._target_cells]
        self._n_passes += 1
        return PassSummary(
            number=self._n_passes, t_start_s=current.t_start_s, t_end_s=current.t_inside_s,
            dwell_s=held.dwell_s, unseen_s=current.unseen_s, height_mean_mm=held.height_mm,
            height_sd_mm=math.sqrt(held.spread_mm2 / held.weight), height_low_mm=held.low_mm,
            height_high_mm=held.high_mm,
            height_sigma_mm=held.sigma_mm, tilt_mean_rad=held.tilt_rad, in_limits=held.in_limits,
            coverage=_share(swept > 0), evenness=_share(swept >= 0.5 * swept.mean()) if swept.any() else 0.0,
            energy_j=_difference(current.energy_inside, current.energy_start))


def footprint(x_mm: FloatArray, y_mm: FloatArray, aim_mm: FloatArray, azimuth_rad: float, tilt_rad: float,
              bore_radius_mm: float) -> FloatArray:
    """Which points of the board the bore's circle, drawn out along the axis, lies over; same shape as x_mm, bool."""
    x, y = x_mm - aim_mm[0], y_mm - aim_mm[1]
    along = x * math.cos(azimuth_rad) + y * math.sin(azimuth_rad)
    return x**2 + y**2 - along**2 * math.sin(tilt_rad) ** 2 <= bore_radius_mm**2


def work_grid(job: Job) -> Grid:
    """Cells that cover all regions of a job and some of the board round them."""
    corners = np.array([p for outline in job.outlines_mm for p in outline])
    low, high = corners.min(0) - GRID_MARGIN_MM, corners.max(0) + GRID_MARGIN_MM
    first = np.floor(low / GRID_STEP_MM) * GRID_STEP_MM
    counts = np.ceil((high - first) / GRID_STEP_MM).astype(int)
    return Grid(*(first[i] + GRID_STEP_MM * (np.arange(counts[i]) + 0.5) for i in (0, 1)))


def _share(mask: FloatArray) -> float:
    return float(np.mean(mask)) if mask.size else math.nan


def _difference(later: Band | None, earlier: Band | None) -> Band | None:
    """Heat between two moments; both ends of the band share their cause, so they are taken apart end by end."""
    if later is None or earlier is None:
        return None
    ends = sorted((later.low - earlier.low, later.high - earlier.high))
    return Band(ends[0], later.mid - earlier.mid, ends[1])
