"""The file of a guide: one pass taken out of a recording, with what shows on loading that it is whole."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from monitor.errors import InputError
from monitor.files import read_text, toml_of, write_text_whole
from monitor.job import Job, parse_job
from monitor.judging.exposure import angle_onto_start
from monitor.judging.guide_pass import STEP_S, GuidePass, guide_from
from monitor.recording.folder import GUIDE
from monitor.recording.reader import JOB, Recording

__all__ = ["guide_of", "load_guide", "own_guide", "save_guide", "warnings_in"]

FORMAT, VERSION = "plumeline guide pass", 1
COLUMNS = ("height_mm", "height_sigma_mm", "aim_x_mm", "aim_y_mm", "aim_sigma_mm", "lean_x", "lean_y")
MOST_POINTS, LARGEST, LARGEST_BYTES = 36_000, 1e4, 5_000_000  # an hour; mm
DIGITS = 4
HINT = "make it again with `plumeline guide RECORDING --pass N`"


def guide_of(recording: Recording, number: int) -> GuidePass:
    """A pass of a recording as a guide.

    Raises
    ------
    InputError
        When there is no such pass, or too little of it was measured.
    """
    found = next((p for p in recording.passes if p["number"] == number), None)
    if found is None:
        raise InputError(f"{recording.folder}: has no pass {number}; it has {len(recording.passes)}")
    f, job = recording.frames, parse_job(recording.job_text, str(recording.folder / JOB))
    start_s, end_s = found["t_start_s"], found["t_end_s"]
    part = (f["t_s"] >= start_s - 1e-9) & (f["t_s"] <= end_s + 1e-9)
    lean, way = np.tan(f["tilt_rad"][part]), _ways(f, part)
    rows = np.stack([*(f[name][part] for name in ("height_mm", "height_sigma_mm", "aim_board_x_mm", "aim_board_y_mm",
                                                  "aim_sigma_mm")), lean * np.cos(way), lean * np.sin(way)], -1)
    rows[~(f["seen"][part] > 0)] = math.nan
    try:
        t_s, track = guide_from(f["t_s"][part] - start_s, rows, end_s - start_s)
    except InputError as fault:
        raise InputError(f"{recording.folder}: pass {number}: {fault}") from None
    return GuidePass(t_s, track, np.array(job.target.outline_mm), job.nozzle.bore_diameter_mm, _source(recording, job,
                                                                                                       number))


def warnings_in(recording: Recording, number: int) -> list[str]:
    """Kinds of warnings that stood during a pass: a reason to take another one for a guide."""
    p = next(p for p in recording.passes if p["number"] == number)
    return sorted({w["kind"] for w in recording.warnings if w["t_start_s"] <= p["t_end_s"]
                   and (w["t_end_s"] is None or w["t_end_s"] >= p["t_start_s"])})


def own_guide(recording: Recording) -> GuidePass | None:
    """The guide that a recording was made with; None without one.

    Raises
    ------
    InputError
        When it is damaged.
    """
    path = recording.folder / GUIDE
    return load_guide(path) if path.is_file() else None


def save_guide(guide: GuidePass, path: Path) -> None:
    """Write a guide's file (TOML); it appears whole or not at all."""
    rows = [[round(float(v), DIGITS) for v in row] if np.isfinite(row).all() else [] for row in guide.track]
    data: dict[str, Any] = {"made_from": guide.source, "bore_diameter_mm": float(guide.bore_diameter_mm),
            "target_mm": [[float(v) for v in corner] for corner in guide.target_mm], "step_s": STEP_S,
            "columns": list(COLUMNS), "rows": rows}
    head = {"format": FORMAT, "version": VERSION, "digest": _digest(data)}
    short = {key: value for key, value in data.items() if key not in ("rows", "target_mm", "made_from")}
    lists = "".join(f"{key} = [\n" + "".join(f"  {row},\n" for row in data[key]) + "]\n"
                    for key in ("target_mm", "rows"))
    write_text_whole(path, tomli_w.dumps(head | short) + lists + tomli_w.dumps({"made_from": data["made_from"]}))


def load_guide(path: Path) -> GuidePass:
    """Read a guide's file and check that it is whole.

    Raises
    ------
    InputError
        When it is none, of another version, changed since it was written, or holds what no pass can.
    """
    data = toml_of(read_text(path, "guide (TOML)", InputError, LARGEST_BYTES), path, "guide", InputError)
    if data.get("format") != FORMAT:
        raise InputError(f"{path}: is no guide; {HINT}")
    if data.get("version") != VERSION:
        raise InputError(f"{path}: version {data.get('version')}, this program reads {VERSION}; {HINT}")
    told = data.get("digest")
    content = {key: value for key, value in data.items() if key not in ("format", "version", "digest")}
    try:
        unknown = [math.nan] * len(COLUMNS)  # an empty row
        track, target = np.array([row or unknown for row in content["rows"]], float), np.array(content["target_mm"],
                                                                                               float)
        is_right = (told == _digest(content) and content["columns"] == list(COLUMNS) and content["step_s"] == STEP_S)
        is_sound = (track.ndim == 2 and track.shape[1] == len(COLUMNS) and 1 <= len(track) <= MOST_POINTS
                    and target.ndim == 2 and target.shape[1] == 2 and len(target) >= 3 and np.isfinite(target).all()
                    and not (np.abs(track) > LARGEST).any() and not (track[:, [1, 4]] < 0).any()
                    and 0 < float(content["bore_diameter_mm"]) < LARGEST)
        source = {str(key): str(value) for key, value in content["made_from"].items()}
        bore_mm = float(content["bore_diameter_mm"])
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(f"{path}: something is missing in it; {HINT}") from None
    if not is_right:
        raise InputError(f"{path}: was changed since it was written; {HINT}")
    if not is_sound:
        raise InputError(f"{path}: holds numbers that no pass can have; {HINT}")
    return GuidePass(STEP_S * np.arange(len(track), dtype=float), track, target, bore_mm, source)


def _ways(f: dict[str, np.ndarray], part: np.ndarray) -> np.ndarray:
    """Direction of lean on the board as it lay at the start."""
    return np.array([angle_onto_start(a, np.array([0.0, 0.0, turn]))
                     for a, turn in zip(f["azimuth_rad"][part], f["board_turn_rad"][part], strict=True)])


def _source(recording: Recording, job: Job, number: int) -> dict[str, str]:
    return {"recording": recording.folder.name, "recorded_utc": str(recording.meta.get("started_utc", "")),
            "pass": str(number), "operator": str(recording.meta.get("operator", "")),
            "job": job.title or job.target.name}


def _digest(data: dict[str, Any]) -> str:
    """Hash of all that counts, whatever the layout of the file."""
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()
