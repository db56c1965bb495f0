"""A job while it is being written: may be incomplete, every change can be undone, and is kept across a crash."""

from __future__ import annotations

import copy
import json
import logging
import math
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import EllipsisType
from typing import Any

from PyQt6.QtCore import QObject, pyqtSignal
from PyQt6.QtGui import QUndoCommand, QUndoStack

from monitor.errors import JobError
from monitor.files import read_json, write_text_whole
from monitor.job import Job, job_text, parse_job, write_job
from monitor.ui.bench_state import tr

__all__ = ["JobDraft", "Mark", "NEW_JOB", "same_job"]

MOST_UNDO = 200
log = logging.getLogger("plumeline.bench")
# a tube of 8 mm and a plain two-layer board: something to start from, every value is shown and meant to be changed
NEW_JOB: dict[str, Any] = {
    "title": "",
    "board": {"top_height_mm": 6.0, "thickness_mm": 1.6, "copper_um": [35.0, 35.0]},
    "solder": {"alloy": "SAC305"},
    "nozzle": {"outer_diameter_mm": 8.0, "bore_diameter_mm": 6.8, "tube_length_mm": 28.0,
               "profile_mm": [[4.0, 0.0], [4.0, 28.0], [9.0, 36.0]], "handle_mm": [[13.0, 50.0], [14.5, 58.0]]},
    "station": {"setpoint_c": 350.0, "airflow_l_min": 30.0},
    "limits": {"height_mm": [5.0, 25.0], "dwell_s": 90.0},
}


@dataclass(frozen=True)
class Mark:
    """A marked region; index -1 is the target, others count the neighbours. Corners in mm on the bench."""

    index: int
    name: str
    corners_mm: tuple[tuple[float, float], ...]
    height_mm: float
    limit_c: float | None
    is_below: bool = False
    keep_solid: bool = False

    @property
    def is_target(self) -> bool:
        """Whether it is the part to be worked on."""
        return self.index < 0


class JobDraft(QObject):
    """The job's tables as plain values, with undo.

    Parameters
    ----------
    data : dict, optional
        As `tomllib` gives it; a new job when absent.
    path : Path, optional
        Where it was read from, and is saved to.
    keep_at : Path, optional
        File that holds unsaved changes.
    """

    changed = pyqtSignal()

    def __init__(self, data: dict[str, Any] | None = None, path: Path | None = None,
                 keep_at: Path | None = None) -> None:
        super().__init__()
        self.data = copy.deepcopy(NEW_JOB if data is None else data)
        self.path, self._keep_at = path, keep_at
        self.undo_stack = QUndoStack()
        self.undo_stack.setUndoLimit(MOST_UNDO)
        self.faults = ""

    def load(self, text: str, path: Path | None, *, as_first: bool = False) -> None:
        """Take a job's text in place of the present one; JobError when it is none.

        It can be undone, unless it is what the work begins with (`as_first`).
        """
        parse_job(text, str(path or "job"))
        data = tomllib.loads(text)
        if as_first:
            self.data, self.path = data, path
            self.undo_stack.clear()
        else:
            self._set(data, tr("open a job"), path)
        self.undo_stack.setClean()
        self.forget()
        self.changed.emit()

    def start_anew(self) -> None:
        """Begin a new job; undo brings the one before back."""
        self._set(copy.deepcopy(NEW_JOB), tr("new job"), None)

    @property
    def is_changed(self) -> bool:
        """Whether there is something that is not saved."""
        return not self.undo_stack.isClean()

    def job(self) -> Job | None:
        """The job, when it is complete and right; else None with the reasons in `faults`, each with its key."""
        try:
            made = parse_job(_toml(self.data), tr("job"))
        except JobError as fault:
            self.faults = str(fault)
            return None
        self.faults = ""
        return made

    def save(self, path: Path | None = None) -> None:
        """Write the job; JobError when it is not complete, OSError when the disk refuses."""
        job = self.job()
        if job is None:
            raise JobError(self.faults)
        self.path = path or self.path
        write_job(job, self.path)
        self.undo_stack.setClean()
        self.forget()
        self.changed.emit()

    def recover(self) -> bool:
        """Take up changes that were never saved, if there are any."""
        try:
            kept = read_json(self._keep_at, "draft of a job", JobError) if self._keep_at is not None else None
        except JobError:
            return False
        if not isinstance(kept, dict) or not isinstance(kept.get("data"), dict):
            return False
        self._set(kept["data"], tr("changes of last time"), Path(kept["path"]) if kept.get("path") else None)
        return True

    def get(self, table: str, key: str) -> Any:
        """A value, None when it is not given."""
        return self.data.get(table, {}).get(key) if table else self.data.get(key)

    def put(self, table: str, key: str, value: Any) -> None:
        """Set a value; None takes it away."""
        after = copy.deepcopy(self.data)
        holder = after.setdefault(table, {}) if table else after
        if value is None:
            holder.pop(key, None)
        else:
            holder[key] = value
        if after != self.data:
            self._set(after, f"{table}.{key}" if table else key)

    def marks(self) -> list[Mark]:
        """The target first, if there is one, then the neighbours."""
        found = []
        target = self.data.get("target")
        if target and target.get("outline_mm"):
            found.append(_mark(-1, target, "target"))
        for i, region in enumerate(self.data.get("neighbour", [])):
            found.append(_mark(i, region, f"neighbour {i + 1}"))
        return found

    def add_mark(self, corners_mm: list[tuple[float, float]], as_target: bool) -> None:
        """Mark the target (in place of the present one) or one more neighbour."""
        after, outline = copy.deepcopy(self.data), _rounded(corners_mm)
        if as_target:
            after["target"] = {"name": "target", "kind": "leadless", **after.get("target", {}), "outline_mm": outline}
        else:
            names = {m.name for m in self.marks()}
            number = next(n for n in range(1, 1000) if f"neighbour {n}" not in names)
            after.setdefault("neighbour", []).append({"name": f"neighbour {number}", "outline_mm": outline})
        self._set(after, tr("mark the target") if as_target else tr("mark a neighbour"))

    def change_mark(self, index: int, **values: Any) -> None:
        """Change a mark: name, outline_mm, height_mm, limit_c, side, keep_solid; None takes a value away."""
        after = copy.deepcopy(self.data)
        holder = after.setdefault("target", {}) if index < 0 else after["neighbour"][index]
        for key, value in values.items():
            if value is None:
                holder.pop(key, None)
            else:
                holder[key] = _rounded(value) if key == "outline_mm" else value
        if after != self.data:
            self._set(after, tr("change a mark"))

    def move_marks(self, moved: Callable[[Any], Any], text: str) -> None:
        """Give every mark, the board's middle and its slots the place that a function says; one change."""
        after = copy.deepcopy(self.data)
        for region in ([after["target"]] if after.get("target", {}).get("outline_mm") else []) + after.get("neighbour",
                                                                                                           []):
            region["outline_mm"] = _rounded(moved(region["outline_mm"]))
        if after.get("board", {}).get("centre_mm"):
            after["board"]["centre_mm"] = _rounded(moved([after["board"]["centre_mm"]]))[0]
        if isinstance(after.get("board", {}).get("cutout_mm"), list):
            after["board"]["cutout_mm"] = [_rounded(moved(outline)) for outline in after["board"]["cutout_mm"]]
        self._set(after, text)

    def remove_mark(self, index: int) -> None:
        """Take a mark away."""
        after = copy.deepcopy(self.data)
        if index < 0:
            after.pop("target", None)
        else:
            del after["neighbour"][index]
        self._set(after, tr("remove a mark"))

    def _set(self, after: dict[str, Any], text: str, path: Path | EllipsisType | None = ...) -> None:
        """Change the data, and where the job is from when a path (or None) is given."""
        self.undo_stack.push(_Change(self, (self.data, self.path), (after, self.path if path is ... else path), text))

    def _become(self, data: dict[str, Any], path: Path | None) -> None:
        self.data, self.path = data, path
        if self._keep_at is not None:
            try:
                write_text_whole(self._keep_at, json.dumps({"path": str(self.path or ""), "data": data}))
            except OSError as fault:
                log.warning("%s: not kept: %s", self._keep_at, fault)
        self.changed.emit()

    def forget(self) -> None:
        """Let go of what was kept across a crash."""
        if self._keep_at is not None:
            self._keep_at.unlink(missing_ok=True)


class _Change(QUndoCommand):
    """From one state of the job to the next."""

    def __init__(self, draft: JobDraft, before: tuple, after: tuple, text: str) -> None:
        super().__init__(text)
        self._draft, self._before, self._after = draft, before, after

    def redo(self) -> None:
        self._draft._become(*self._after)

    def undo(self) -> None:
        self._draft._become(*self._before)


def _mark(index: int, region: dict[str, Any], name: str) -> Mark:
    corners = tuple((float(x), float(y)) for x, y in region.get("outline_mm", []))
    return Mark(index, region.get("name") or name, corners, float(region.get("height_mm", 1.0)), region.get("limit_c"),
                region.get("side") == "below", bool(region.get("keep_solid")))


def _rounded(corners_mm) -> list[list[float]]:
    return [[round(float(x), 2), round(float(y), 2)] for x, y in corners_mm if math.isfinite(x) and math.isfinite(y)]


def _toml(data: dict[str, Any]) -> str:
    import tomli_w

    return tomli_w.dumps(data)


def same_job(draft: JobDraft, job: Job | None) -> bool:
    """Whether the draft says just what a job says."""
    made = draft.job()
    return made is not None and job is not None and job_text(made) == job_text(job)
