"""What the warning rules look at: turns one frame's exposure, technique and heat into readings.

`not_seen` asks whether the tool should be there: it was last measured over the work and low. A tool that was led
away and left the picture is away, which is no fault.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import shapely
from shapely.geometry import MultiPoint, Polygon

from monitor.heat.limits import Limit
from monitor.heat.types import Band, HeatReading
from monitor.job import Job
from monitor.judging.alerts import STALE_S, Reading
from monitor.judging.exposure import Exposure
from monitor.judging.technique import Technique
from vision.types import BenchEvent, PartEvent

__all__ = ["WatchRules", "part_words"]

TARGET_RIM_MM = 6.0  # too far and too close are asked this near to the target
NEIGHBOUR_RIM_MM = 1.5  # the jet is wider than its axis: an aim this near heats the neighbour
WORK_RIM_MM = 15.0  # a tool lost this near to the regions should be there
DRIFT_DEADBAND_MM = 1.0
TEMP_DEADBAND_K = 5.0
SOON_S = 5.0  # a limit this near is worth a word: a hand needs one or two seconds to lift off calmly
SOON_DEADBAND_S = 2.0
_EVENT_RULES = {"board_moved": "bench_moved", "camera_moved": "camera_moved"}


class WatchRules:
    """Geometry of a job's regions, prepared once, and the readings of each frame."""

    def __init__(self, job: Job, site_limits: Mapping[str, Limit] | None = None) -> None:
        self._job = job
        self._limits_c = {name: limit.value_c for name, limit in (site_limits or {}).items()}
        self._low, self._high = job.limits.height_mm
        target = Polygon(job.target.outline_mm)
        others = {n: Polygon(r.outline_mm) for n, r in zip(job.neighbour_names, job.neighbour, strict=False)}
        self._near_target = target.buffer(TARGET_RIM_MM)
        self._near_others = {name: shape.buffer(NEIGHBOUR_RIM_MM).difference(target) for name, shape in others.items()}
        corners = [p for outline in job.outlines_mm for p in outline]
        self._work = MultiPoint(corners).convex_hull.buffer(WORK_RIM_MM)
        for shape in (self._near_target, self._work, *self._near_others.values()):
            shapely.prepare(shape)

    def readings(self, now: Exposure, last_seen: Exposure | None, technique: Technique, heat: HeatReading | None,
                 events: tuple[BenchEvent, ...] = (), part_events: tuple[PartEvent, ...] = ()) -> list[Reading]:
        """All that the rules need to know about this frame."""
        found = [self._unseen(now, last_seen)]
        found += [Reading(_EVENT_RULES[e.kind], "bench", 1.0, 0.0, math.nan, math.nan, detail=e.detail)
                  for e in events if e.kind in _EVENT_RULES]
        found += [Reading("part_moved", e.name, 1.0, 0.0, e.size_mm, math.nan, detail=part_words(e))
                  for e in part_events if e.name != self._job.target.name]
        if now.age_s <= STALE_S:
            found += self._heights(now) + self._drifts(now) + [self._dwell(now, technique)]
            found += self._heat_limits(heat) if heat is not None else []
        return found

    def is_at_work(self, seen: Exposure | None) -> bool:
        """Whether an exposure has the tool over the work and low enough to matter."""
        if seen is None or not np.isfinite(seen.aim_board_mm).all():
            return False
        low_enough = seen.height_mm < max(2 * self._high, self._high + 20)
        return low_enough and bool(shapely.contains_xy(self._work, *seen.aim_board_mm))

    def is_near_target(self, seen: Exposure) -> bool:
        """Whether the aim lies on the target or within its rim."""
        return bool(np.isfinite(seen.aim_board_mm).all()
                    and shapely.contains_xy(self._near_target, *seen.aim_board_mm))

    def _heights(self, now: Exposure) -> list[Reading]:
        depth = _depth(self._near_target, now.aim_board_mm)
        deadband = self._height_deadband(now)
        band = (now.height_mm - 1.645 * now.height_sigma_mm, now.height_mm + 1.645 * now.height_sigma_mm)
        over = {"too_far": (now.height_mm - self._high, self._high),
                "too_close": (self._low - now.height_mm, self._low)}
        return [Reading(kind, self._job.target.name, min(beyond, depth), deadband, now.height_mm, limit, band)
                for kind, (beyond, limit) in over.items()]

    def _height_deadband(self, now: Exposure) -> float:
        """1.7 standard deviations, at least 5 % of the band; at most 30 % of it, or nothing could ever end."""
        width = self._high - self._low
        sigma = now.height_sigma_mm if math.isfinite(now.height_sigma_mm) else 0.0
        return min(max(1.7 * sigma, 0.05 * width), 0.3 * width)

    def _drifts(self, now: Exposure) -> list[Reading]:
        low_by = self._high - now.height_mm
        depths = {name: _depth(shape, now.aim_board_mm) for name, shape in self._near_others.items()}
        return [Reading("drift", name, min(depth, low_by), DRIFT_DEADBAND_MM, depth, 0.0)
                for name, depth in depths.items()]

    def _dwell(self, now: Exposure, technique: Technique) -> Reading:
        time_s, limit = technique.pass_time_s(now.t_s), self._job.limits.dwell_s
        return Reading("long_dwell", self._job.target.name, time_s - limit, 0.0, time_s, limit)

    def _unseen(self, now: Exposure, last_seen: Exposure | None) -> Reading:
        age = now.age_s if self.is_at_work(last_seen) and not now.is_gone else 0.0
        return Reading("not_seen", "nozzle", age - STALE_S, 0.0, age, STALE_S, detail=now.reason or "nozzle not found")

    def limits_c(self) -> dict[str, float]:
        """Limit of each site [C]: the job's own, else the one that the heat model knows for such parts."""
        return {site: limit for _, _, site, limit in self._asked() if limit is not None}

    def _asked(self) -> list[tuple[str, str, str, float | None]]:
        """(kind, region, site, limit) of every temperature that has one."""
        job, limits = self._job, self._job.limits
        part_c = job.target.limit_c if job.target.limit_c is not None else limits.part_c
        asked = [("part_limit", job.target.name, "package top", part_c),
                 ("underside_limit", "underside", "underside", limits.underside_c)]
        asked += [("neighbour_limit", name, name, region.limit_c)
                  for name, region in zip(job.neighbour_names, job.neighbour, strict=True)]
        return [(kind, region, site, self._limits_c.get(site) if limit is None else limit)
                for kind, region, site, limit in asked]

    def _heat_limits(self, heat: HeatReading) -> list[Reading]:
        """Temperatures, the forecast of their limits, and the ramp."""
        found, limits = [], self._job.limits
        for kind, region, site, limit in self._asked():
            if limit is not None and site in heat.temp_c:
                found.append(_limit_reading(kind, region, heat.temp_c[site], limit, TEMP_DEADBAND_K))
                is_foreseen = heat.temp_c[site].mid < limit and self._limits_c.get(site) == limit
                ahead = heat.limit_in_s.get(site) if is_foreseen else None
                if ahead is not None and math.isfinite(ahead.mid):
                    found.append(Reading("limit_soon", region, SOON_S - ahead.mid, SOON_DEADBAND_S, ahead.mid, SOON_S,
                                         (ahead.low, ahead.high)))
        if limits.ramp_k_s is not None:
            found.append(_limit_reading("ramp", self._job.target.name, heat.ramp_k_s, limits.ramp_k_s,
                                        0.1 * limits.ramp_k_s))
        return found


def part_words(event: PartEvent) -> str:
    """What happened to a part, with its size, in a few words."""
    how = {"settled": "settled", "moved": "shifted", "sprang_back": "was nudged and swam back", "stood_up": "stood up",
           "removed": "is gone"}[event.kind]
    if not math.isfinite(event.size_mm):
        return how
    turn = math.degrees(event.turn_rad)
    turned = f", turned by {turn:+.0f} degrees" if abs(turn) >= 3.0 else ""
    return f"{how} by {event.size_mm:.2f} mm (90 % within {2.15 * event.sigma_mm:.2f} mm){turned}"


def _limit_reading(kind: str, region: str, band: Band, limit: float, deadband: float) -> Reading:
    """Trips on the estimate itself and carries its interval."""
    return Reading(kind, region, band.mid - limit, deadband, band.mid, limit, (band.low, band.high))


def _depth(shape: Polygon, point_mm: np.ndarray) -> float:
    """How deep a point lies inside [mm]; negative outside, -inf when not known."""
    if not np.isfinite(point_mm).all():
        return -math.inf
    point = shapely.Point(point_mm)
    distance = float(shape.boundary.distance(point))
    return distance if shape.contains(point) else -distance
