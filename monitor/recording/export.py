"""Writes a recording's track, warnings, passes and comments as tables: CSV, or Parquet with the units in it."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from monitor.files import write_bytes_whole, write_text_whole
from monitor.heat.alloy import find_alloy
from monitor.job import parse_job
from monitor.plain import plain
from monitor.recording.columns import meaning_of, type_of
from monitor.recording.melting import COLDEST, joint_margin_k, melt_s
from monitor.recording.outputs import check_output
from monitor.recording.reader import JOB, Recording
from monitor.version import code_version
from vision.types import TrackStatus

__all__ = ["export_csv", "export_parquet", "about", "unit_of", "safe_cell", "TRACK_COLUMNS"]

TRACK_COLUMNS = (
    "t_s", "seen", "status", "state", "tip_x_mm", "tip_y_mm", "tip_z_mm", "height_mm", "height_sigma_mm",
    "standoff_mm", "standoff_sigma_mm", "aim_x_mm", "aim_y_mm", "aim_sigma_mm", "aim_board_x_mm", "aim_board_y_mm",
    "tilt_deg", "tilt_sigma_deg", "speed_mm_s", "axis_x", "axis_y", "axis_z", "smooth_tip_x_mm", "smooth_tip_y_mm",
    "smooth_tip_z_mm", "in_pass", "reason",
)
UNITS = (("_mm_s", "mm/s"), ("_k_s", "K/s"), ("_mm", "mm"), ("_s", "s"), ("_deg", "deg"), ("_j", "J"), ("_w", "W"),
         ("_c", "C"), ("_k", "K"))  # of column names, longest endings first
SHARES = frozenset({"axis_x", "axis_y", "axis_z", "in_limits", "coverage", "evenness", "band_share", "audible_share",
                    "seen_share"})
HEAT_SITES = ("package top", "joint centre", "joint corner", "board top", "underside")


def export_csv(recording: Recording, folder: Path) -> tuple[Path, ...]:
    """Write track.csv, warnings.csv, passes.csv, comments.csv, parts.csv, part_events.csv, columns.csv (what
    each column is) and about.json; times count from the first frame.

    Parameters
    ----------
    recording : Recording
    folder : Path
        Where the files go; made if it is not there.

    Returns
    -------
    tuple of Path
    """
    tables = _tables(recording)
    for name, (header, rows) in tables.items():
        write_text_whole(check_output(folder / f"{name}.csv"), _csv_text(header, rows))
    write_text_whole(check_output(folder / "about.json"), json.dumps(about(recording), indent=1) + "\n")
    write_text_whole(check_output(folder / "columns.csv"), _columns_page(tables))
    return (*(folder / f"{name}.csv" for name in tables), folder / "columns.csv", folder / "about.json")


def export_parquet(recording: Recording, folder: Path) -> tuple[Path, ...]:
    """Write the same tables as Parquet; each column's metadata names its unit and meaning, each file's where it
    comes from. Types are the same whatever the data.

    Parameters
    ----------
    recording : Recording
    folder : Path
        Where the files go; made if it is not there.

    Returns
    -------
    tuple of Path
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    origin = {key: json.dumps(value) for key, value in about(recording).items()}
    written = []
    for name, (header, rows) in _tables(recording).items():
        columns = list(zip(*rows, strict=True)) if rows else [()] * len(header)
        arrays = [_arrow(title, column) for title, column in zip(header, columns, strict=True)]
        fields = [pa.field(title, array.type, metadata={"unit": unit_of(title), "meaning": meaning_of(title)})
                  for title, array in zip(header, arrays, strict=True)]
        buffer = io.BytesIO()
        pq.write_table(pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=origin)), buffer)
        write_bytes_whole(check_output(folder / f"{name}.parquet"), buffer.getvalue())
        written.append(folder / f"{name}.parquet")
    return tuple(written)


def about(recording: Recording) -> dict[str, Any]:
    """What a table rests on: program, recording, hashes of job and calibrations."""
    meta = recording.meta
    return {"program": f"plumeline {code_version()}", "recorded_by": f"plumeline {meta.get('code_version', 'unknown')}",
            "recording": recording.folder.name, "started_utc": meta.get("started_utc", ""),
            "time_from": meta.get("recorded_from", ""),
            "operator": meta.get("operator", ""), "kind": meta.get("kind", ""),
            "state": meta.get("state", ""),
            "sha256": meta.get("hashes", {}), "altered_since_closed": list(recording.altered),
            "note": "heights, tilts and aims are measured; heat, energy and temperature are estimates with their 90 % "
                    "band"}


def unit_of(column: str) -> str:
    """The unit that a column's name carries; "-" for a share or a direction, "" for text and counts."""
    for ending, unit in UNITS:
        if column.endswith(ending):
            return unit
    return "-" if column in SHARES else ""


def safe_cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: text that starts like one gets a leading apostrophe.

    Numbers stay numbers; what is not known stays empty.
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, str):
        return ("'" if value[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") else "") + plain(value)
    return value


def _tables(recording: Recording) -> dict[str, tuple[list[str], list[list[Any]]]]:
    return {"track": _track(recording), "warnings": _warnings(recording), "passes": _passes(recording),
            "comments": _comments(recording), "parts": _parts(recording), "part_events": _part_events(recording)}


def _arrow(title: str, column: Sequence[Any]) -> Any:
    """A column of the type that its name has; unknown stays unknown."""
    import pyarrow as pa

    kind = type_of(title)
    known = [None if v is None or (isinstance(v, float) and not math.isfinite(v)) else v for v in column]
    if kind == "text":
        return pa.array([None if v is None else str(v) for v in known], pa.string())
    if kind == "whole":
        return pa.array([None if v is None else int(v) for v in known], pa.int64())
    return pa.array([None if v is None else float(v) for v in known], pa.float64())


def _columns_page(tables: dict[str, tuple[list[str], list[list[Any]]]]) -> str:
    """What each column of each table is: the page that goes with the files."""
    rows = [[table, title, type_of(title), unit_of(title), meaning_of(title)] for table, (header, _) in tables.items()
            for title in header]
    return _csv_text(["table", "column", "type", "unit", "meaning"], rows)


def _csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([safe_cell(v) for v in row] for row in rows)
    return out.getvalue()


def _track(recording: Recording) -> tuple[list[str], list[list[Any]]]:
    frames = recording.frames
    derived = {"tilt_deg": np.degrees(frames["tilt_rad"]), "tilt_sigma_deg": np.degrees(frames["tilt_sigma_rad"]),
               "seen": [int(seen or status == TrackStatus.VAGUE.value)
                        for seen, status in zip(frames["seen"], frames["status"], strict=True)],
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
              "energy_low_j", "energy_j", "energy_high_j", "feedback", "band_share", "audible_share", "coached",
              "is_probe"]
    by = [recording.meta.get(key, "") for key in ("operator", "started_utc", "kind")]
    rows = [[*(math.degrees(p["tilt_mean_rad"]) if name == "tilt_mean_deg" else p[name] for name in header), *by]
            for p in recording.passes]
    melts = [_melt_cells(recording, p) for p in recording.passes]
    return [*header, "operator", "recorded_utc", "pass_kind", "melt_s", "joint_margin_low_k", "joint_margin_k",
            "joint_margin_high_k"], [[*row, *melt] for row, melt in zip(rows, melts, strict=True)]


def _melt_cells(recording: Recording, one: dict[str, Any]) -> list[float]:
    """When the joints of a pass were seen to melt; the estimate's margin."""
    job = parse_job(recording.job_text, str(recording.folder / JOB))
    start, end = one["t_start_s"], one["t_end_s"]
    inside = (recording.frames["t_s"] >= start) & (recording.frames["t_s"] <= end)
    frames = set(recording.frames["frame"][inside].astype(int).tolist())
    bands = (tuple(row["temp_c"].get(COLDEST) or (None,) * 3) for row in recording.heat if row["frame"] in frames)
    return [melt_s(start, end, job.target.name, recording.part_events, recording.marks),
            *joint_margin_k(bands, find_alloy(job.solder.alloy).liquidus_c)]


def _comments(recording: Recording) -> tuple[list[str], list[list[Any]]]:
    header = ["t_s", "t_end_s", "author", "made_utc", "text"]
    return header, [[c[name] for name in header] for c in sorted(recording.comments, key=lambda c: c["t_s"])]


def _parts(recording: Recording) -> tuple[list[str], list[list[Any]]]:
    header = ["t_s", "part", "dx_mm", "dy_mm", "turn_deg", "sigma_mm", "turn_sigma_deg", "seen_share", "present"]
    times = dict(zip(recording.frames["frame"].astype(int).tolist(), recording.frames["t_s"].tolist(), strict=True))
    rows = [[times.get(row["frame"]), name, m[0], m[1], _degrees(m[2]), m[3], _degrees(m[4]), m[5], m[6]]
            for row in recording.parts for name, m in row["motions"].items()]
    return header, rows


def _part_events(recording: Recording) -> tuple[list[str], list[list[Any]]]:
    """What happened to the parts, and how people saw the joints."""
    header = ["t_s", "t_start_s", "part", "kind", "dx_mm", "dy_mm", "turn_deg", "sigma_mm", "told_by"]
    rows = [[e["t_s"], e["t_start_s"], e["part"], e["kind"], e["dx_mm"], e["dy_mm"], _degrees(e["turn_rad"]),
             e["sigma_mm"],
             "camera"] for e in recording.part_events]
    rows += [[m["t_s"], m["t_s"], "", m["kind"], None, None, None, None, m["author"] or "person"]
             for m in recording.marks if m["undone_utc"] is None]
    return header, sorted(rows, key=lambda row: row[0])


def _degrees(value: float | None) -> float | None:
    return None if value is None else math.degrees(value)


def _cell(value: Any) -> Any:
    """Short but exact enough: a micrometre, a microsecond."""
    if isinstance(value, str):
        return value
    value = float(value)
    if not math.isfinite(value):
        return None
    return int(value) if value.is_integer() else float(f"{value:.7g}")
