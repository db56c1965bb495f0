"""What a reviewer looks at: the traces of a recording, its events in order, and maps of any span of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon

from monitor.engine.rerun import calibration_of, stored_inputs
from monitor.heat.estimate import HeatEstimator
from monitor.job import Job
from monitor.judging.exposure import heat_setup
from monitor.judging.marks import MARK_WORDS
from monitor.judging.technique import LONGEST_STEP_S, Grid, footprint, work_grid
from monitor.recording.comments import Comment
from monitor.recording.reader import Recording
from monitor.review.machine import skipped_words
from monitor.review.verdict import WARNING_WORDS
from vision.types import FloatArray

__all__ = ["Traces", "Happening", "BoardMap", "Cancelled", "traces_of", "happenings_of", "after", "before", "dwell_in",
           "heating_in", "part_title"]

Z90 = 1.645
Progress = Callable[[float], None]  # takes the share done; raises Cancelled to stop


class Cancelled(Exception):
    """The user did not want to wait."""


@dataclass(frozen=True)
class Traces:
    """Measured and estimated quantities against time; nan where not known.

    Attributes
    ----------
    t_s : array, shape (n,)
    height_mm, tilt_deg, speed_mm_s : array, shape (n, 3)
        Lower end of the 90 % band, value, upper end; the speed has no spread of its own and three times its value.
    off_target_mm : array, shape (n, 3)
        How far outside the target the aim lies; 0 inside.
    heat_t_s : array, shape (m,)
    temp_c : dict of site to array, shape (m, 3)
        Estimated, with its 90 % band.
    energy_j : array, shape (m, 3)
        Estimated heat into the target so far.
    """

    t_s: FloatArray
    height_mm: FloatArray
    tilt_deg: FloatArray
    speed_mm_s: FloatArray
    off_target_mm: FloatArray
    heat_t_s: FloatArray
    temp_c: dict[str, FloatArray]
    energy_j: FloatArray


@dataclass(frozen=True)
class Happening:
    """Something worth jumping to.

    Attributes
    ----------
    t_s, t_end_s : float
        Equal for a moment.
    kind : str
        "pass", "warning", "event", "part", "gap" or "comment".
    title : str
        For a person.
    detail : str
        A pass's number, a warning's kind, an event's kind.
    """

    t_s: float
    t_end_s: float
    kind: str
    title: str
    detail: str = ""


@dataclass(frozen=True)
class BoardMap:
    """A quantity over the board; cells (ny, nx) from the bottom, nan where not known."""

    extent_mm: tuple[float, float, float, float]
    cells: FloatArray
    unit: str


def traces_of(recording: Recording, job: Job) -> Traces:
    """The traces of a recording, only where the frame itself measured."""
    f = recording.frames
    seen = f["seen"] > 0

    def measured(value: FloatArray, sigma: FloatArray) -> FloatArray:
        banded = np.stack([value - Z90 * sigma, value, value + Z90 * sigma], -1)
        banded[~seen] = np.nan
        return banded
    off = _off_target(job, f["aim_board_x_mm"], f["aim_board_y_mm"])
    off_band = measured(off, f["aim_sigma_mm"])
    at = np.searchsorted(f["frame"], [row["frame"] for row in recording.heat]) if recording.heat else np.empty(0, int)
    heat_t = f["t_s"][np.minimum(at, len(seen) - 1)]
    sites = list(recording.heat[-1]["temp_c"]) if recording.heat else []
    return Traces(f["t_s"], measured(f["height_mm"], f["height_sigma_mm"]),
                  measured(np.degrees(f["tilt_rad"]), np.degrees(f["tilt_sigma_rad"])),
                  measured(f["speed_mm_s"], np.zeros(len(seen))), np.maximum(off_band, 0.0), heat_t,
                  {site: bands(recording.heat, "temp_c", site) for site in sites},
                  bands(recording.heat, "energy_j", job.target.name))


def bands(rows: Sequence[dict[str, Any]], key: str, name: str) -> FloatArray:
    """Low, middle and high of one named estimate, shape (n, 3); nan where there is none."""
    unknown = (math.nan,) * 3
    return np.array([row[key].get(name) or unknown for row in rows], float).reshape(-1, 3)  # None becomes nan


def happenings_of(recording: Recording, comments: Iterable[Comment] = ()) -> tuple[Happening, ...]:
    """Passes, warnings, events, gaps and comments in order of time."""
    end = float(recording.frames["t_s"][-1]) if len(recording.frames["t_s"]) else 0.0
    found = [Happening(p["t_start_s"], p["t_end_s"], "pass", f"pass {p['number']}", str(p["number"]))
             for p in recording.passes]
    found += [Happening(w["t_start_s"], end if w["t_end_s"] is None else w["t_end_s"], "warning",
                        f"{WARNING_WORDS.get(w['kind'], w['kind'])}: {w['text']}", w["kind"])
                        for w in recording.warnings]
    found += [Happening(e["t_s"], e["t_s"], "event", e["detail"], e["kind"]) for e in recording.events]
    found += [Happening(e["t_start_s"], e["t_s"], "part", part_title(e), e["kind"]) for e in recording.part_events]
    found += [Happening(m["t_s"], m["t_s"], "part",
                        f"{MARK_WORDS.get(m['kind'], m['kind'])}, said {m['author'] or 'a person'}", m["kind"])
              for m in recording.marks if m["undone_utc"] is None]
    found += [Happening(s["t_s"], s["t_s"], "event", _turned(s), "station") for s in recording.station]
    if recording.drops:
        at = [d["t_s"] for d in recording.drops]
        found.append(Happening(min(at), max(at), "gap", skipped_words(recording)))
    found += [Happening(c.t_s, c.t_s if c.t_end_s is None else c.t_end_s, "comment", c.text, c.author)
              for c in comments]
    return tuple(sorted(found, key=lambda h: (h.t_s, h.kind)))


def after(found: Sequence[Happening], t_s: float) -> Happening | None:
    """The first that begins after a moment; frames left out are no destination."""
    return next((h for h in found if h.t_s > t_s + 1e-3 and h.kind != "gap"), None)


def before(found: Sequence[Happening], t_s: float) -> Happening | None:
    """The last that begins before a moment; frames left out are no destination."""
    return next((h for h in reversed(found) if h.t_s < t_s - 1e-3 and h.kind != "gap"), None)


def dwell_in(recording: Recording, job: Job, start_s: float, end_s: float) -> BoardMap:
    """How long the jet's footprint lay over each spot between two moments, below the upper height limit [s]."""
    f, grid = recording.frames, work_grid(job)
    cells = np.zeros((len(grid.y_mm), len(grid.x_mm)))
    radius = job.nozzle.bore_diameter_mm / 2
    use = ((f["seen"] > 0) & (f["height_mm"] < job.limits.height_mm[1]) & np.isfinite(f["aim_board_x_mm"])
           & (f["t_s"] > start_s) & (f["t_s"] <= end_s))
    for i in np.flatnonzero(use):
        aim = np.array([f["aim_board_x_mm"][i], f["aim_board_y_mm"][i]])
        rows, columns = _near(grid, aim, radius / max(math.cos(f["tilt_rad"][i]), 0.1))
        x, y = np.meshgrid(grid.x_mm[columns], grid.y_mm[rows])
        under = footprint(x, y, aim, f["azimuth_rad"][i], f["tilt_rad"][i], radius)
        cells[rows, columns][under] += min(f["dt_s"][i], LONGEST_STEP_S)
    return BoardMap(grid.extent_mm, cells, "s")


def heating_in(recording: Recording, job: Job, start_s: float, end_s: float,
               progress: Progress = lambda share: None) -> BoardMap:
    """Estimated rise of the board's top between two moments [K]; the heat model runs from the start of the recording.

    Raises
    ------
    Cancelled
        When `progress` raised it.
    """
    model = HeatEstimator(heat_setup(job), calibration_of(recording))
    inputs = [i for i in stored_inputs(recording, job) if i.t_s <= end_s]
    x_m, y_m, _ = model.field()
    begin_c = None
    for n, given in enumerate(inputs):
        if begin_c is None and given.t_s > start_s:
            begin_c = model.field()[2]
        model.step(given)
        progress((n + 1) / len(inputs))
    end_c = model.field()[2]
    rise_k = end_c - (end_c if begin_c is None else begin_c)
    half = 0.5e-3
    extent = tuple(1e3 * v for v in (x_m[0] - half, x_m[-1] + half, y_m[0] - half, y_m[-1] + half))
    return BoardMap(extent, rise_k, "K")


def part_title(row: dict[str, Any]) -> str:
    """What happened to a part, in one line."""
    said = {"settled": "settled", "sprang_back": "was nudged and swam back", "moved": "moved", "stood_up": "stood up",
            "removed": "is gone"}.get(row["kind"], row["kind"])
    if row["dx_mm"] is None:
        return f"{row['part']} {said}"
    shift_mm, turn_deg = math.hypot(row["dx_mm"], row["dy_mm"]), math.degrees(row["turn_rad"] or 0.0)
    return f"{row['part']} {said}: {shift_mm:.2f} mm, {turn_deg:+.1f} degrees"


def _off_target(job: Job, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    off = np.full(len(x_mm), np.nan)
    known = np.isfinite(x_mm) & np.isfinite(y_mm)
    off[known] = shapely.distance(Polygon(job.target.outline_mm), shapely.points(x_mm[known], y_mm[known]))
    return off


def _near(grid: Grid, aim_mm: FloatArray, reach_mm: float) -> tuple[slice, slice]:
    """Rows and columns within reach of a spot."""
    rows, columns = (slice(int(np.searchsorted(along, middle - reach_mm)),
                           int(np.searchsorted(along, middle + reach_mm, "right")))
                     for along, middle in ((grid.y_mm, aim_mm[1]), (grid.x_mm, aim_mm[0])))
    return rows, columns


def _turned(row: dict[str, Any]) -> str:
    parts = [f"setpoint to {row['setpoint_c']:g} C"] if row["setpoint_c"] is not None else []
    parts += [f"airflow to {row['airflow_l_min']:g} L/min"] if row["airflow_l_min"] is not None else []
    return " and ".join(parts) or "station turned"
