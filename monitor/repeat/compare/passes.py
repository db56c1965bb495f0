"""Reads the passes of many recordings of one job: a few numbers each, and the height trace."""

from __future__ import annotations

import contextlib
import hashlib
import math
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import InputError
from monitor.heat.alloy import find_alloy
from monitor.job import Job, parse_job
from monitor.recording.melting import COLDEST, joint_margin_k, melt_s
from monitor.recording.reader import JOB, TRACE, open_recording, own_text, read_meta
from monitor.recording.trace_file import open_trace_file
from vision.types import FloatArray

__all__ = ["JUDGED", "MEASURES", "Measure", "Pass", "column", "expand", "open_trace", "read_job", "read_passes",
           "short_names", "spread",
           "without_copies", "Z90"]

Z90 = 1.645


@dataclass(frozen=True)
class Measure:
    """One number per pass.

    Attributes
    ----------
    key, label, short, unit : str
    digits : int
        After the point, as shown.
    estimated : bool
        Whether it rests on the heat model and not on the camera alone.
    most : float
        The largest value that can be.
    words : tuple of str
        What a pass is that has less of it than the others, and one that has more.
    least : float
        The smallest value that can be.
    """

    key: str
    label: str
    short: str
    unit: str
    digits: int = 1
    estimated: bool = False
    most: float = math.inf
    words: tuple[str, str] = ("less", "more")
    least: float = 0.0

    def show(self, value: float, unit: bool = True) -> str:
        """The value as people read it."""
        if not math.isfinite(value):
            return "unknown"
        value = min(max(value, self.least), self.most)  # a limit from normal theory may lie where no value can
        text = f"{100 * value:.0f}" if self.unit == "%" else f"{value:.{self.digits}f}"
        return f"{text} {self.unit}" if unit and self.unit else text


MEASURES: dict[str, Measure] = {m.key: m for m in (
    Measure("height_mean_mm", "mean height", "height", "mm", words=("low", "high")),
    Measure("height_sd_mm", "wander of the height (SD)", "wander", "mm", 2, words=("steadier", "unsteady")),
    Measure("height_drift_mm", "drift of the height from entry to leaving", "drift", "mm", words=("sinking", "rising"),
            least=-math.inf),
    Measure("dwell_s", "dwell", "dwell", "s", words=("short", "long")),
    Measure("coverage", "target swept", "swept", "%", most=1.0, words=("swept too little", "swept more")),
    Measure("energy_j", "heat into the part (estimate)", "heat", "J", 1, True, words=("cool", "hot")),
    Measure("energy_even_j", "heat from an equal start (estimate)", "heat", "J", 1, True, words=("cool", "hot")),
    Measure("tilt_mean_deg", "mean tilt", "tilt", "degrees", 0, words=("upright", "tilted")),
    Measure("melt_s", "time to the seen melt", "melt", "s", words=("early", "late")),
    Measure("joint_margin_k", "coldest joint over its liquidus, at its hottest (estimate)", "margin", "K", 0, True,
            words=("cool", "hot"), least=-math.inf),
)}
# heat is judged from an equal start alone; what comes of it, the melt, is shown beside
JUDGED = tuple(key for key in MEASURES if key not in ("energy_j", "melt_s", "joint_margin_k"))


@dataclass(frozen=True)
class Pass:
    """One pass over the target.

    Attributes
    ----------
    folder : Path
        Of its recording.
    number : int
        Within the recording, from 1.
    started_utc, operator : str
    t_start_s, t_end_s : float
        In the recording.
    values, sigmas : dict of measure key to float
        nan where not known; the sigma is that of the measurement, or of the estimate.
    t_s, height_mm, sigma_mm : array, shape (n,)
        Trace from the entry on, t from 0; nan where the nozzle was not measured.
    warnings : tuple of str
        Kinds that stood during the pass.
    below_s, above_s : float
        Time under the lowest and over the highest allowed height.
    setup : str
        Which camera and nozzle calibration it rests on.
    extra : dict
        What else the recording says of the pass, such as how the trainee was coached.
    recording : str
        Its recording's name among those compared; the folder's own when empty.
    """

    folder: Path
    number: int
    started_utc: str
    operator: str
    t_start_s: float
    t_end_s: float
    values: dict[str, float]
    sigmas: dict[str, float]
    t_s: FloatArray
    height_mm: FloatArray
    sigma_mm: FloatArray
    warnings: tuple[str, ...]
    below_s: float
    above_s: float
    setup: str = ""
    extra: dict[str, Any] = field(default_factory=dict)
    recording: str = ""

    @property
    def label(self) -> str:
        """Short and unambiguous: the recording's name and the pass's number."""
        return f"{self.recording or self.folder.name}/{self.number}"

    @property
    def has_trace(self) -> bool:
        """Whether enough was measured to lay it over others."""
        return int(np.isfinite(self.height_mm).sum()) >= 2


def expand(folders: Iterable[str | Path]) -> list[Path]:
    """Recordings among the folders, and in folders that hold recordings at any depth (those by name); in the order
    given.

    Raises
    ------
    InputError
        When one is neither.
    """
    found: dict[Path, Path] = {}
    for folder in map(Path, folders):
        inside = [folder] if (folder / TRACE).is_file() else sorted(
            p.parent for p in folder.rglob(TRACE) if not any(
                part.startswith(".") or part.endswith((".part", ".old"))
                for part in p.parent.relative_to(folder).parts))
        if not inside:
            raise InputError(f"{folder}: no recording there and none in it; name folders that "
                             "`plumeline analyse` wrote")
        for path in inside:
            found.setdefault(path.resolve(), path)
    return list(found.values())


def without_copies(paths: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """The recordings without those whose trace is a copy of an earlier one's, and a note on each of these."""
    sizes = [(path / TRACE).stat().st_size for path in paths]
    kept: dict[str, Path] = {}
    notes = []
    for path, size in zip(paths, sizes, strict=True):
        key = str(path)
        if sizes.count(size) > 1 and (path / TRACE).is_file():  # a pipe is named where it is opened
            with (path / TRACE).open("rb") as file:
                key = hashlib.file_digest(file, "sha256").hexdigest()
        if key in kept:
            notes.append(f"{path}: is a copy of {kept[key]}; its passes are taken once")
        kept.setdefault(key, path)
    return list(kept.values()), notes


def short_names(paths: Sequence[Path]) -> list[str]:
    """The shortest names that tell recordings apart: their folders' own, else the parts of the path that differ."""
    parts = [path.resolve().parts for path in paths]
    ends = 0
    while len({p[-1 - ends] for p in parts}) == 1 and len(parts) > 1 and min(map(len, parts)) > ends + 1:
        ends += 1  # all end alike: mon/rec, tue/rec
    rest = [p[:len(p) - ends] for p in parts]
    for n in range(1, max(map(len, rest)) + 1):
        names = ["/".join(p[-n:]) for p in rest]
        if len(set(names)) == len(names):
            return names
    return [str(path) for path in paths]


@contextlib.contextmanager
def open_trace(folder: Path, tables: tuple[str, ...] | None = None) -> Iterator[sqlite3.Connection]:
    """A recording's trace for reading only what is needed; one that was cut off is put right first.

    Parameters
    ----------
    folder : Path
    tables : tuple of str, optional
        Those that will be read, so that only their cells are checked; all by default.

    Raises
    ------
    InputError, EnvironmentFault
        As `open_recording`.
    """
    path = folder / TRACE
    with open_trace_file(path, tables) as db:
        is_open = db.execute("SELECT value FROM meta WHERE key = 'state'").fetchone()
        if is_open is not None and is_open[0] != "recording":
            db.row_factory = sqlite3.Row
            yield db
            return
    open_recording(folder)
    with open_trace_file(path, tables) as db:
        db.row_factory = sqlite3.Row
        yield db


def read_job(folder: Path) -> Job:
    """The job that a recording was judged by."""
    return parse_job(own_text(folder, JOB), str(folder / JOB))


def read_passes(folder: Path, job: Job) -> list[Pass]:
    """The passes of one recording, in order of time.

    Raises
    ------
    InputError
    """
    with open_trace(folder, ("meta", "passes", "warnings", "frames", "heat", "part_events", "marks")) as db:
        meta = read_meta(db, folder)
        rows = [dict(row) for row in db.execute("SELECT * FROM passes ORDER BY t_start_s")]
        warned = db.execute("SELECT kind, t_start_s, t_end_s FROM warnings ORDER BY t_start_s").fetchall()
        passes = [_one(folder, meta, row, warned, _trace(db, row), job) for row in rows]
        for found in passes:
            _add_melt(db, found, job)
        return passes


def column(passes: Sequence[Pass], key: str) -> FloatArray:
    """One measure of all passes."""
    return np.array([p.values.get(key, math.nan) for p in passes], dtype=float)


def spread(values: Sequence[float] | FloatArray) -> tuple[int, float, float]:
    """How many are known, their mean and their standard deviation (nan from fewer than two)."""
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    return (len(known), float(known.mean()) if len(known) else math.nan,
            float(known.std(ddof=1)) if len(known) > 1 else math.nan)


def _trace(db: sqlite3.Connection, row: dict[str, Any]) -> FloatArray:
    """Time, height and its sigma of the frames of one pass; columns."""
    rows = db.execute("SELECT t_s, CASE WHEN seen THEN height_mm END, CASE WHEN seen THEN height_sigma_mm END "
                      "FROM frames WHERE t_s BETWEEN ? AND ? ORDER BY t_s",
                      (row["t_start_s"], row["t_end_s"])).fetchall()
    return np.array([[math.nan if v is None else v for v in r] for r in rows], dtype=float).reshape(-1, 3).T


def _add_melt(db: sqlite3.Connection, found: Pass, job: Job) -> None:
    """Put the measures of the melt into a pass."""
    events, marks = (db.execute(f"SELECT * FROM {table}").fetchall() for table in ("part_events", "marks"))
    found.values["melt_s"] = melt_s(found.t_start_s, found.t_end_s, job.target.name, events, marks)
    ends = ", ".join(f"json_extract(temp_c, '$.\"{COLDEST}\"[{k}]')" for k in range(3))
    hottest = db.execute(f"SELECT {ends} FROM heat JOIN frames USING (frame) WHERE t_s BETWEEN ? AND ? "
                         "ORDER BY 2 DESC LIMIT 1", (found.t_start_s, found.t_end_s)).fetchall()
    low, found.values["joint_margin_k"], high = joint_margin_k(map(tuple, hottest),
                                                               find_alloy(job.solder.alloy).liquidus_c)
    found.sigmas["joint_margin_k"] = (high - low) / (2 * Z90)


def _drift_mm(t_s: FloatArray, height_mm: FloatArray) -> float:
    """How much the height changes from entry to leaving, by a straight line through all that was measured."""
    known = np.isfinite(height_mm)
    if known.sum() < 3:
        return math.nan
    return float(np.polyfit(t_s[known], height_mm[known], 1)[0] * (t_s[-1] - t_s[0]))


def _one(folder: Path, meta: dict[str, Any], row: dict[str, Any], warned: Sequence[sqlite3.Row], trace: FloatArray,
         job: Job) -> Pass:
    known = {key: math.nan if value is None else value for key, value in row.items()}
    values = {key: float(known[key]) for key in MEASURES if key in known}
    values["tilt_mean_deg"] = math.degrees(known["tilt_mean_rad"])
    values["height_drift_mm"] = _drift_mm(*trace[:2])
    sigmas = dict.fromkeys(MEASURES, math.nan)
    sigmas["height_mean_mm"] = float(known["height_sigma_mm"])
    sigmas["energy_j"] = (known["energy_high_j"] - known["energy_low_j"]) / (2 * Z90)
    start, end = row["t_start_s"], row["t_end_s"]
    kinds = {w["kind"] for w in warned if w["t_start_s"] <= end and (w["t_end_s"] is None or w["t_end_s"] >= start)}
    t, height, sigma = trace
    low, high = job.limits.height_mm
    dt = np.minimum(np.diff(t, append=t[-1] if len(t) else 0.0), 0.3)
    hashes = meta.get("hashes", {})
    setup = "/".join(hashes.get(name, "")[:8] for name in ("camera.toml", "nozzle.toml"))
    own = {"number", "t_start_s", "t_end_s"}
    return Pass(folder, row["number"], meta.get("started_utc", ""), meta.get("operator", ""), start, end, values,
                sigmas, t - start, height, sigma, tuple(sorted(kinds)), float(dt[height < low].sum()),
                float(dt[height > high].sum()), setup,
                {k: v for k, v in row.items() if k not in own and k not in MEASURES})
