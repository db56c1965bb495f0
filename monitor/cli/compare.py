"""The work behind compare: passes of one job, or the gauge study of the camera."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.cli.output import progress_bar, say
from monitor.errors import InputError
from monitor.files import read_table, write_text_whole
from monitor.recording.export import safe_cell
from monitor.recording.outputs import check_output
from monitor.repeat.compare.baseline import (
    BEGUN_ANEW,
    LEFT_OUT,
    TAKEN_BACK,
    Decision,
    aside_of,
    decide,
    read_decisions,
    words_of,
)
from monitor.repeat.compare.comparison import (
    BASELINE,
    ChartDesign,
    Comparison,
    compare,
    compare_folders,
    find_pass,
)
from monitor.repeat.compare.gauge import GaugeStudy, crossed_anova, study
from monitor.repeat.compare.passes import open_trace
from monitor.repeat.compare.tables import as_json, gauge_json, gauge_lines, lines, pass_rows

__all__ = ["read_gauge_sheet", "run_compare"]

USAGE = 2
SHEET_HELP = "expected columns height_mm, setup, and reading_mm or recording (with t_start_s, t_end_s if not all of it)"


def run_compare(args: argparse.Namespace) -> int:
    """plumeline compare"""
    gauge = read_gauge_sheet(Path(args.gauge), args.limits_width) if args.gauge else None
    if not args.recordings:
        if gauge is None:
            print("plumeline compare: name recordings to compare, or --gauge SHEET for a gauge study", file=sys.stderr)
            return USAGE
        for line in [json.dumps(gauge_json(gauge), indent=1)] if args.json else gauge_lines(gauge):
            say(line)
        return 0
    found = _compare(args, gauge)
    if args.window:
        return _show(found, args, gauge)
    for line in [json.dumps(as_json(found), indent=1)] if args.json else lines(found):
        say(line)
    if args.out:
        _write(found, Path(args.out), quiet=args.json)
    return int(not found.is_quiet)


def _show(found: Comparison, args: argparse.Namespace, gauge: GaugeStudy | None) -> int:
    """In a window, where passes can be left out and the comparison be made anew."""
    from monitor.ui.compare_window import show_comparison

    others = [note for note in found.notes if not note.startswith(BASELINE)]

    def again(rules: tuple[int, ...], reference: int | None, decisions: Sequence[Decision]) -> Comparison:
        new = compare(found.passes, found.job, ChartDesign(rules, args.batch), reference=reference, gauge=gauge,
                      aside=aside_of(found.passes, decisions))
        notes = [*(BASELINE + line for line in words_of(decisions)), *others, *new.notes]
        return replace(new, notes=tuple(dict.fromkeys(notes)))
    return show_comparison(found, again, args.theme, args.language, Path(args.baseline) if args.baseline else None)


def read_gauge_sheet(path: Path, width_mm: float | None = None) -> GaugeStudy:
    """The study of a sheet of readings at known heights.

    Parameters
    ----------
    path : Path
        CSV: height_mm (known, over the board), setup (any word), and reading_mm, or recording (a folder, relative to
        the sheet, whose median height is the reading) with t_start_s and t_end_s where only a part of it counts.
    width_mm : float, optional
        Width of the job's limits.

    Raises
    ------
    InputError
        Names the line and what is wrong.
    """
    readings: dict[tuple[float, str], list[float]] = {}
    for number, row in enumerate(_rows(path), 2):
        try:
            height, setup = float(row["height_mm"]), row["setup"].strip()
        except (KeyError, TypeError, ValueError, AttributeError):
            raise InputError(f"{path}: line {number}: {SHEET_HELP}") from None
        readings.setdefault((height, setup), []).append(_reading(path, number, row))
    heights, setups = sorted({h for h, _ in readings}), sorted({s for _, s in readings})
    counts = {len(readings.get((h, s), ())) for h in heights for s in setups}
    if len(counts) != 1 or min(counts) < 2 or len(heights) < 2 or len(setups) < 2:
        raise InputError(f"{path}: not crossed: every height needs equally many readings, at least 2, in every one of "
                         f"at "
                         f"least 2 set-ups; found {len(heights)} heights, {len(setups)} set-ups and {sorted(counts)} "
                         f"readings "
                         "each (a full study: 10 heights, 3 set-ups, 3 readings)")
    x = np.array([[readings[h, s] for s in setups] for h in heights])
    return study(crossed_anova(x), width_mm or math.nan, x - np.array(heights)[:, None, None])


def _compare(args: argparse.Namespace, gauge: GaugeStudy | None) -> Comparison:
    options = {"by_time": args.by_time, "any_job": args.any_job, "gauge": gauge,
               "design": ChartDesign(tuple(args.rules), args.batch)}
    with progress_bar("replaying the heat") as progress:
        found = compare_folders(args.recordings, progress=progress, **options)
    if gauge is not None and not math.isfinite(gauge.share_of_limits):
        low, high = found.job.limits.height_mm
        return _compare(args, study(gauge.anova, high - low))
    if args.baseline:
        path = Path(args.baseline)
        for name, what in ((args.leave_out, LEFT_OUT), (args.begin_anew, BEGUN_ANEW), (args.take_back, TAKEN_BACK)):
            if name:
                option = {LEFT_OUT: "--leave-out", BEGUN_ANEW: "--begin-anew", TAKEN_BACK: "--take-back"}[what]
                decide(path, what, found.passes[find_pass(found.passes, name, option)], args.why, args.by)
        decisions = read_decisions(path)
        options |= {"aside": aside_of(found.passes, decisions), "decided": words_of(decisions)}
        found = compare_folders(args.recordings, **options)
    elif args.leave_out or args.begin_anew or args.take_back:
        raise InputError("--leave-out, --begin-anew and --take-back need --baseline FILE, where the decision is kept")
    if args.reference:
        return compare_folders(args.recordings, reference=find_pass(found.passes, args.reference), **options)
    return found


def _write(found: Comparison, folder: Path, quiet: bool) -> None:
    from monitor.repeat.compare.pictures import write_pictures

    header, rows = pass_rows(found)
    out = [",".join(header)] + [",".join(_cell(v) for v in row) for row in rows]
    write_text_whole(check_output(folder / "passes.csv"), "\n".join(out) + "\n")
    write_text_whole(check_output(folder / "comparison.json"), json.dumps(as_json(found), indent=1) + "\n")
    for path in [folder / "passes.csv", folder / "comparison.json", *write_pictures(found, folder)]:
        if not quiet:
            say(str(path))


def _cell(value: object) -> str:
    text = str(safe_cell(value))
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\n') else text


def _rows(path: Path) -> list[dict[str, str]]:
    return read_table(path, (), f"sheet (CSV); {SHEET_HELP}", InputError)


def _reading(path: Path, number: int, row: dict[str, str]) -> float:
    """The number on the sheet, or the median height of the recording that it names."""
    where = f"{path}: line {number}"
    text = (row.get("reading_mm") or "").strip()
    try:
        if text:
            value = float(text)
        else:
            span = [float(row[k]) if (row.get(k) or "").strip() else end
                    for k, end in (("t_start_s", -math.inf), ("t_end_s", math.inf))]
            value = _median_height(path.parent / (row.get("recording") or ""), *span)
    except ValueError:
        raise InputError(f"{where}: a number is not one; {SHEET_HELP}") from None
    except InputError as fault:
        raise InputError(f"{where}: {fault}") from None
    if not math.isfinite(value):
        raise InputError(f"{where}: no height was measured there")
    return value


def _median_height(folder: Path, start_s: float, end_s: float) -> float:
    with open_trace(folder) as db:
        rows = db.execute("SELECT height_mm FROM frames WHERE seen AND height_mm IS NOT NULL AND t_s >= ? AND t_s <= ?",
                          (max(start_s, -1e9), min(end_s, 1e9))).fetchall()
    return float(np.median([r[0] for r in rows])) if rows else math.nan
