"""Writes a recording's track, warnings and passes as CSV files."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from monitor.files import write_text_whole
from monitor.recording import Recording

__all__ = ["export_csv", "safe_cell", "TRACK_COLUMNS"]

TRACK_COLUMNS = (
    "t_s", "seen", "status", "state", "tip_x_mm", "tip_y_mm", "tip_z_mm", "height_mm", "height_sigma_mm",
    "standoff_mm", "standoff_sigma_mm", "aim_x_mm", "aim_y_mm", "aim_sigma_mm", "aim_board_x_mm", "aim_board_y_mm",
    "tilt_deg", "tilt_sigma_deg", "speed_mm_s", "axis_x", "axis_y", "axis_z", "smooth_tip_x_mm", "smooth_tip_y_mm",
    "smooth_tip_z_mm", "in_pass", "reason",
)
HEAT_SITES = ("package top", "joint centre", "joint corner", "board top", "underside")


def export_csv(recording: Recording, folder: Path) -> tuple[Path, ...]:
    """Write track.csv, warnings.csv and passes.csv; times count from the clip's first frame.

    Parameters
    ----------
    recording : Recording
    folder : Path
        Where the files go; made if it is not there.

    Returns
    -------
    tuple of Path
    """
    tables = {"track.csv": _track(recording), "warnings.csv": _warnings(recording), "passes.csv": _passes(recording)}
    for name, (header, rows) in tables.items():
        write_text_whole(folder / name, _csv_text(header, rows))
    return tuple(folder / name for name in tables)


def safe_cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: text that starts like one gets a leading apostrophe.

    Numbers stay numbers; what is not known stays empty.
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r", "\n"):
        return "'" + value
    return value


def _csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([safe_cell(v) for v in row] for row in rows)
    return out.getvalue()


def _track(recording: Recording) -> tuple[list[str], list[list[Any]]]:
    frames = recording.frames
    derived = {"tilt_deg": np.degrees(frames["tilt_rad"]), "tilt_sigma_deg": np.degrees(frames["tilt_sigma_rad"]),
               "reason": frames["track_reason"]}
    columns = [derived[n] if n in derived else frames[n] for n in TRACK_COLUMNS]
    heat = {row["frame"]: row for row in recording.heat}
    header = [*TRACK_COLUMNS, *_heat_header()]
    rows = [[*(_cell(column[i]) for column in columns), *_heat_cells(heat.get(int(frames["frame"][i])))]
            for i in range(len(frames["t_s"]))]
    return header, rows


def _heat_header() -> list[str]:
    named = [f"{site.replace(' ', '_')}_{end}c" for site in HEAT_SITES for end in ("", "low_", "high_")]
    return ["power_w", "energy_low_j", "energy_j", "energy_high_j", *named, "joint"]


def _heat_cells(row: dict[str, Any] | None) -> list[Any]:
    """The target's heat; the target's region is the first that the heat model lists."""
    if row is None:
        return [None] * len(_heat_header())
    power, energy = (next(iter(row[key].values()), None) or [None] * 3 for key in ("power_w", "energy_j"))
    sites = [row["temp_c"].get(site) or [None] * 3 for site in HEAT_SITES]
    return [power[1], *energy, *(v for low, mid, high in sites for v in (mid, low, high)), row["joint"]]


def _warnings(recording: Recording) -> tuple[list[str], list[list[Any]]]:
    header = ["t_start_s", "t_end_s", "kind", "region", "priority", "action", "t_first_s", "past_s", "value", "limit",
              "unit", "low", "high", "text"]
    rows = [[w["limit_" if name == "limit" else name] for name in header] for w in recording.warnings]
    return header, rows


def _passes(recording: Recording) -> tuple[list[str], list[list[Any]]]:
    header = ["number", "t_start_s", "t_end_s", "dwell_s", "unseen_s", "height_mean_mm", "height_sigma_mm",
              "height_sd_mm", "height_low_mm", "height_high_mm", "tilt_mean_deg", "in_limits", "coverage", "evenness",
              "energy_low_j", "energy_j", "energy_high_j"]
    rows = [[math.degrees(p["tilt_mean_rad"]) if name == "tilt_mean_deg" else p[name] for name in header]
            for p in recording.passes]
    return header, rows


def _cell(value: Any) -> Any:
    """Short but exact enough: a micrometre, a microsecond."""
    if isinstance(value, str):
        return value
    value = float(value)
    if not math.isfinite(value):
        return None
    return int(value) if value.is_integer() else float(f"{value:.7g}")
