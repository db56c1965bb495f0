"""Writes a recording: one folder with the trace, the exact job and calibrations, and the video or a link to it.

It is written under NAME.part and gets its own name when it is whole, so nothing half-written stands under a final
name. The trace is SQLite: write-ahead log while recording, one plain file after closing. A live recording lives on when
the disk refuses: rows wait in memory.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import logging
import math
import os
import shutil
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from monitor.errors import EnvironmentFault, MonitorError
from monitor.files import write_bytes_whole, write_text_whole
from monitor.heat.melt import Lesson
from monitor.heat.types import Band
from monitor.judging.alerts import TechniqueWarning
from monitor.judging.marks import JointMark
from monitor.judging.pipeline import FrameResult
from monitor.judging.technique import PassSummary
from monitor.recording import schema
from monitor.recording.attribution import Attribution
from monitor.recording.claim import claim_folder
from monitor.recording.folder import (
    BENCH_PICTURE,
    CAMERA,
    JOB,
    META,
    NOZZLE,
    PICTURE,
    RESERVE,
    TRACE,
    make_private,
    remove_own,
)
from monitor.recording.folder_lock import FolderLock
from monitor.recording.manifest import entries_of, write_manifest
from monitor.recording.rows import blob, frame_row, heat_row, motions, num, png
from monitor.version import code_version
from vision.types import FloatArray, PartEvent

__all__ = ["Origin", "PassNote", "Recorder"]

COMMIT_EVERY_S = 0.4  # a crash loses at most this and one frame
RESERVE_BYTES = 16 << 20  # more than a minute of trace, freed when the disk is full
MOST_WAITING = 60_000  # statements kept in memory while the disk refuses: some ten minutes
log = logging.getLogger("plumeline.recording")
_FRAME_SQL = "INSERT INTO frames ({}) VALUES ({})".format(
    ", ".join(n for n, _ in schema.FRAME_COLUMNS), ", ".join(f":{n}" for n, _ in schema.FRAME_COLUMNS))


@dataclass(frozen=True)
class Origin:
    """Where a recording comes from: the files whose exact copies it keeps.

    Attributes
    ----------
    job_text, camera_text, nozzle_text : str
    video : Path or None
        The clip; None for a rerun without one.
    copy_video : bool
        Copy it into the folder instead of linking to it.
    operator : str
        A code, never a name.
    bench_picture : Path or None
        The picture that goes with the nozzle calibration.
    video_name : str
        Of a video that is written into the folder meanwhile.
    by : Attribution
        Who, when and as what, where that was told; its operator goes before the other.
    source : Path or None
        The recording that it is judged anew from.
    meta : mapping of str to str
        What else to say of it; a start of its own, for one.
    """

    job_text: str
    camera_text: str
    nozzle_text: str
    video: Path | None = None
    copy_video: bool = False
    operator: str = ""
    bench_picture: Path | None = None
    video_name: str = ""
    by: Attribution = Attribution()
    source: Path | None = None
    meta: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class PassNote:
    """How a pass was coached, kept with it so that ways of coaching can be compared.

    Attributes
    ----------
    feedback : str
        The mode's name.
    band_share : float
        Half width of the silent band as a share of the aimed-at height [-].
    audible_share : float
        Share of passes that are coached audibly at this level of fading [-].
    coached, is_probe : bool
        Whether this pass was; whether it was a muted probe.
    """

    feedback: str
    band_share: float
    audible_share: float
    coached: bool
    is_probe: bool


class Recorder:
    """Writes a recording; use as a context manager. On a fault what was begun is removed, unless it is live.

    Parameters
    ----------
    folder : path
        Final name.
    origin : Origin
    force : bool
        Replace a recording that is there.
    live : bool
        Never lose what was measured: rows wait in memory while the disk refuses, and a fault leaves all there is.

    Attributes
    ----------
    trouble : str
        What the disk refuses at the moment; empty while all is well.
    n_lost : int
        Rows that could not even wait in memory.
    """

    def __init__(self, folder: str | Path, origin: Origin, *, force: bool = False, live: bool = False,
                 reserve_bytes: int = RESERVE_BYTES) -> None:
        self.folder, self._origin, self._live = Path(folder), origin, live
        self._claim = claim_folder(folder, force, origin.video, origin.source)
        self.part = self._claim.part
        self._lock = FolderLock(self.part)
        self._n_frames, self._n_seen, self._t_first_s, self._t_last_s = 0, 0, math.nan, math.nan
        self._waiting: list[tuple[str, Any]] = []
        self.trouble, self.n_lost = "", 0
        try:
            self._begin(reserve_bytes)
        except BaseException:
            self._lock.free()
            remove_own(self.part)
            raise

    def _begin(self, reserve_bytes: int) -> None:
        """Lay out what is there from the start."""
        origin = self._origin
        for name, text in ((JOB, origin.job_text), (CAMERA, origin.camera_text), (NOZZLE, origin.nozzle_text)):
            _make_private(self.part / name)
            (self.part / name).write_text(text, encoding="utf-8")
        if origin.bench_picture is not None:
            _make_private(self.part / BENCH_PICTURE)
            shutil.copyfile(origin.bench_picture, self.part / BENCH_PICTURE)
        self._video = _bring_video(origin, self.part)
        # before the trace, so that a kill in between leaves no doubt what may be thrown away
        write_text_whole(self.part / META, json.dumps({"state": "recording", "live": self._live}) + "\n")
        _make_private(self.part / TRACE)
        # a live recording is begun by one thread and written by another, never by both at once
        self._db = sqlite3.connect(self.part / TRACE, isolation_level=None, check_same_thread=not self._live,
                                   timeout=5.0)
        schema.create(self._db)  # before the log is used, so that the file itself carries our mark from the start
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")
        self._started = datetime.datetime.now(datetime.UTC)
        self._write_meta("recording")
        if self._live:
            _make_reserve(self.part / RESERVE, reserve_bytes)
        self._t_commit_s = -math.inf

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, kind: object, fault: object, trace: object) -> None:
        if kind is None or self._live:
            self.close()
        else:
            self.abandon()

    @property
    def key(self) -> str:
        """What the recording is called elsewhere: when it was begun, and its name."""
        return f"{self._started.isoformat(timespec='seconds')} {self.folder.name}"

    def add(self, result: FrameResult, note: PassNote | None = None, *, has_frame: bool = True) -> None:
        """Append one frame with all that it started, ended and concluded; the note goes with a pass that ended.

        Without a frame (a source that gives none) only what was concluded is kept: the gap stays a gap.
        """
        if has_frame:
            self._do(_FRAME_SQL, frame_row(result))
        if has_frame and result.heat is not None:
            self._do(f"INSERT INTO heat VALUES ({','.join('?' * 13)})", heat_row(result.frame_index, result.heat))
        if has_frame and result.vision.parts:
            self._do("INSERT INTO parts VALUES (?, ?)", (result.frame_index, motions(result.vision.parts)))
        for part_event in result.vision.part_events:
            self.add_part_event(part_event)
        for lesson in result.lessons:
            self.add_lesson(lesson)
        for warning in (*result.started, *result.ended):
            self.add_warning(warning)
        if result.pass_ended is not None:
            self.add_pass(result.pass_ended, note)
        for event in result.events:
            self.add_event(event.t_s, event.kind, event.detail)
        self._n_frames += has_frame
        self._n_seen += result.exposure.observed
        self._t_first_s = result.t_s if self._n_frames == 1 else self._t_first_s
        self._t_last_s = result.t_s
        if result.t_s - self._t_commit_s >= COMMIT_EVERY_S:
            self.commit()
            self._t_commit_s = result.t_s

    def add_warning(self, warning: TechniqueWarning) -> None:
        """Store a warning, or its later state."""
        low, high = warning.band or (None, None)
        self._do(f"INSERT OR REPLACE INTO warnings VALUES ({','.join('?' * 15)})", (
            warning.number, warning.kind, warning.region, warning.priority.name.lower(), warning.action,
            num(warning.t_first_s), num(warning.t_start_s), num(warning.t_end_s), num(warning.past_s),
            num(warning.value), num(warning.limit), warning.unit, num(low), num(high), warning.text))

    def add_pass(self, done: PassSummary, note: PassNote | None = None) -> None:
        """Store a finished pass."""
        energy = done.energy_j or Band(math.nan, math.nan, math.nan)
        coaching = (None,) * 5 if note is None else (note.feedback, note.band_share, note.audible_share,
                                                     int(note.coached), int(note.is_probe))
        self._do(f"INSERT INTO passes VALUES ({','.join('?' * 22)})", [*(num(v) for v in (
            done.number, done.t_start_s, done.t_end_s, done.dwell_s, done.unseen_s, done.height_mean_mm,
            done.height_sd_mm, done.height_low_mm, done.height_high_mm, done.height_sigma_mm, done.tilt_mean_rad,
            done.in_limits, done.coverage, done.evenness, energy.low, energy.mid, energy.high)), *coaching])

    def add_station(self, t_s: float, setpoint_c: float | None, airflow_l_min: float | None) -> None:
        """Note that the station's knobs were turned; None for the one that was not."""
        self._do("INSERT INTO station (t_s, setpoint_c, airflow_l_min) VALUES (?, ?, ?)",
                 (t_s, num(setpoint_c), num(airflow_l_min)))

    def add_event(self, t_s: float, kind: str, detail: str) -> None:
        """Note something that happened beside the nozzle."""
        self._do("INSERT INTO events (t_s, kind, detail) VALUES (?, ?, ?)", (t_s, kind, detail))

    def add_part_event(self, event: PartEvent) -> None:
        """Store what happened to a part, with its pictures before and after."""
        self._do("INSERT INTO part_events (t_s, t_start_s, part, kind, dx_mm, dy_mm, turn_rad, sigma_mm, before, "
                 "after) "
                 f"VALUES ({','.join('?' * 10)})", (
                     event.t_s, event.t_start_s, event.name, event.kind, *map(num, event.shift_mm),
                     num(event.turn_rad), num(event.sigma_mm), png(event.before), png(event.after)))

    def add_mark(self, mark: JointMark) -> None:
        """Store how a person saw the joints."""
        self._do("INSERT INTO marks (t_s, kind, author, made_utc, undone_utc) VALUES (?, ?, ?, ?, ?)",
                 (mark.t_s, mark.kind, mark.author, mark.made_utc, mark.undone_utc or None))

    def add_lesson(self, lesson: Lesson) -> None:
        """Store what a melt taught."""
        self._do("INSERT INTO lessons (t_s, kind, told_by, before_c, before_sigma_k, after_c, after_sigma_k, "
                 "liquidus_c, wrong, "
                 f"slope_k_s, at_zero_c, per_score_k, input_sigma_k, form_sigma_k) VALUES ({','.join('?' * 14)})", (
                     lesson.sight.t_s, lesson.sight.kind, lesson.sight.told_by,
                     *map(num, (*lesson.before_c, *lesson.after_c)),
                     num(lesson.liquidus_c), num(lesson.wrong), num(lesson.slope_k_s), num(lesson.at_zero_c),
                     json.dumps([float(v) for v in lesson.per_score_k]), num(lesson.input_sigma_k),
                     num(lesson.form_sigma_k)))

    def undo_mark(self, mark: JointMark, undone_utc: str) -> None:
        """Take a mark back; it stays in the trace as taken back."""
        self._do("UPDATE marks SET undone_utc = ? WHERE t_s = ? AND kind = ? AND made_utc = ?",
                 (undone_utc, mark.t_s, mark.kind, mark.made_utc))
        self._do("DELETE FROM lessons WHERE t_s = ? AND kind = ?", (mark.t_s, mark.kind))

    def add_drop(self, t_s: float, count: int, reason: str) -> None:
        """Note frames that were not analysed."""
        self._do("INSERT INTO drops (t_s, count, reason) VALUES (?, ?, ?)", (t_s, count, reason))

    def add_smoothed(self, frame: int, tip_mm: FloatArray, axis: FloatArray, cov: FloatArray) -> None:
        """Store the two-sided estimate of one frame beside the live one."""
        names = [f"smooth_tip_{a}_mm" for a in "xyz"] + [f"smooth_axis_{a}" for a in "xyz"] + ["smooth_cov"]
        self._do(f"UPDATE frames SET {', '.join(f'{n} = ?' for n in names)} WHERE frame = ?",
                         (*map(num, tip_mm), *map(num, axis), blob(cov), frame))

    def add_map(self, name: str, unit: str, left_mm: float, bottom_mm: float, step_mm: float,
                cells: FloatArray) -> None:
        """Store a map over the board, rows from the bottom."""
        cells = np.ascontiguousarray(cells, dtype="<f8")
        self._do("INSERT OR REPLACE INTO maps VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (
            name, unit, float(left_mm), float(bottom_mm), float(step_mm), *cells.shape, cells.tobytes()))

    def add_picture(self, png: bytes, extent_mm: tuple[float, float, float, float]) -> None:
        """Store the straightened picture of the board; extent is left, right, bottom, top."""
        write_bytes_whole(self.part / PICTURE, png)
        self._do("INSERT OR REPLACE INTO meta VALUES (?, ?)",
                 ("picture_extent_mm", json.dumps([float(v) for v in extent_mm])))

    def commit(self) -> bool:
        """Make what was added so far safe; False when the disk refuses and the rows wait.

        Raises
        ------
        EnvironmentFault
            When the disk refuses a recording that is not live.
        """
        try:
            self._write_waiting()
        except sqlite3.OperationalError as fault:
            if not self._live:
                raise EnvironmentFault(f"{self.part / TRACE}: cannot be written ({fault})") from None
            if not self._try_with_reserve():
                self._note_trouble(str(fault))
                return False
        if self.trouble:
            log.warning("%s: written again", self.part)
        self.trouble = ""
        return True

    def close(self) -> Path:
        """Finish the trace as one plain file and give the folder its final name.

        Returns
        -------
        Path
            Where it is: still NAME.part when the disk refused; it is then finished when it is next opened.
        """
        (self.part / RESERVE).unlink(missing_ok=True)
        try:
            if not self.commit():
                raise sqlite3.OperationalError(self.trouble)
            self._claim.carry_over(self._db, _hash(self._origin.job_text))
            self._write_meta("closed")
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._db.execute("PRAGMA journal_mode = DELETE")
            self._db.close()
            make_private(self.part)
            write_manifest(self.part, entries_of(self._origin.source) if self._origin.source is not None else None)
        except (sqlite3.OperationalError, OSError, MonitorError) as fault:
            self._db.close()
            self._lock.free()
            if not self._live:
                raise EnvironmentFault(f"{self.part}: cannot be finished ({fault})") from None
            self._note_trouble(str(fault))
            return self.part
        self._lock.free()
        return self._claim.settle()

    def abandon(self) -> None:
        """Throw the unfinished recording away."""
        self._db.close()
        self._lock.free()
        remove_own(self.part)

    def _do(self, sql: str, values: Any = ()) -> None:
        if len(self._waiting) >= MOST_WAITING:
            self.n_lost += 1
            return
        self._waiting.append((sql, values))

    def _write_waiting(self) -> None:
        """All waiting statements in one transaction, or none of them."""
        self._db.execute("BEGIN")
        try:
            for sql, values in self._waiting:
                self._db.execute(sql, values)
            self._db.execute("COMMIT")
        except sqlite3.Error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
        self._waiting.clear()

    def _try_with_reserve(self) -> bool:
        """Free the reserve and write once more."""
        reserve = self.part / RESERVE
        if not reserve.exists():
            return False
        reserve.unlink(missing_ok=True)
        try:
            self._write_waiting()
        except sqlite3.OperationalError:
            return False
        return True

    def _note_trouble(self, text: str) -> None:
        if not self.trouble:
            log.error("%s: cannot be written (%s); rows wait in memory", self.part, text)
        self.trouble = text

    def _set(self, key: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    def _write_meta(self, state: str) -> None:
        texts = self._origin
        meta = {
            "state": state, "started_utc": texts.by.recorded_utc or self._started.isoformat(timespec="seconds"),
            "operator": texts.by.operator or texts.operator, "recorded_from": texts.by.recorded_from,
            "kind": texts.by.kind,
            "code_version": code_version(), "video": self._video,
            "live": self._live, "hashes": {name: _hash(text) for name, text in (
                (JOB, texts.job_text), (CAMERA, texts.camera_text), (NOZZLE, texts.nozzle_text))},
            "frames": self._n_frames, "frames_seen": self._n_seen,
            "duration_s": self._t_last_s - self._t_first_s if self._n_frames else 0.0,
        }
        meta |= texts.meta
        for key, value in meta.items():
            self._set(key, value if isinstance(value, str) else json.dumps(value))
        write_text_whole(self.part / META, json.dumps(meta, indent=1) + "\n")


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _make_private(path: Path) -> None:
    """An empty file that only its owner may read; what is written into it keeps these rights."""
    os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))


def _make_reserve(path: Path, n_bytes: int) -> None:
    """Claim space that is freed for the trace when the disk is full; a disk without it is full already."""
    try:
        with path.open("wb") as file:
            if hasattr(os, "posix_fallocate"):
                os.posix_fallocate(file.fileno(), 0, n_bytes)
            else:
                for _ in range(n_bytes >> 16):
                    file.write(bytes(1 << 16))
    except OSError as fault:
        log.warning("%s: no reserve (%s)", path, fault.strerror or fault)
        path.unlink(missing_ok=True)


def _bring_video(origin: Origin, part: Path) -> str:
    """Copy the clip or link to it; gives its name in the folder."""
    if origin.video is None:
        return origin.video_name
    name = "video" + origin.video.suffix.lower()
    target = part / name
    if not origin.copy_video:
        try:
            target.symlink_to(origin.video.resolve())
            return name
        except OSError:
            pass  # a file system without links: copy instead
    try:
        _make_private(target)
        shutil.copyfile(origin.video, target)
    except OSError as fault:
        raise EnvironmentFault(f"{origin.video}: cannot be copied to {target}: {fault.strerror or fault}") from None
    return name
