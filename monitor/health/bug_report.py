"""Gathers what a bug report needs into one ZIP file: findings, logs, a recording's numbers; never a picture or a
remark.
"""

from __future__ import annotations

import csv
import io
import json
import tempfile
import zipfile
from pathlib import Path

from monitor.errors import MonitorError
from monitor.files import write_bytes_whole
from monitor.health.finding import Finding, as_lines
from monitor.health.log import KEPT
from monitor.places import log_file
from monitor.recording.export import export_csv
from monitor.recording.reader import CAMERA, JOB, NOZZLE, Recording, open_recording

__all__ = ["gather"]

PRIVATE = ("operator", "video")  # who worked, and what a file of theirs is called
REMARKS = "comments"
PERSONS = ("operator", "author", "told_by")  # columns


def gather(findings: list[Finding], out: Path, recording: Path | None = None) -> list[str]:
    """Write the ZIP file.

    Parameters
    ----------
    findings : list of Finding
    out : Path
    recording : Path, optional
        A recording whose tables, job and calibrations go along; not its pictures, video, comments or operator.

    Returns
    -------
    list of str
        Names of what is in it. The home folder is written as ~ in all of it.
    """
    texts = {"findings.txt": "\n".join(as_lines(findings)) + "\n", **_logs()}
    if recording is not None:
        texts |= _numbers(recording)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as bundle:
        for name, text in texts.items():
            bundle.writestr(name, text.replace(str(Path.home()), "~"))
    write_bytes_whole(out, packed.getvalue())
    return sorted(texts)


def _logs() -> dict[str, str]:
    newest = log_file()
    paths = [newest, *(newest.with_name(f"{newest.name}.{i}") for i in range(1, KEPT + 1))]
    return {f"log/{p.name}": p.read_text(encoding="utf-8", errors="replace") for p in paths if p.is_file()}


def _numbers(folder: Path) -> dict[str, str]:
    """Tables and settings of a recording; the fault in words when it cannot be read."""
    try:
        recording = open_recording(folder)
        texts = _tables(recording)
    except (MonitorError, OSError) as fault:
        return {"recording/unreadable.txt": f"{fault}\n"}
    kept = {name: value for name, value in recording.meta.items() if name not in PRIVATE}
    texts["recording/meta.json"] = json.dumps(kept, indent=1, default=str) + "\n"
    for name in (JOB, CAMERA, NOZZLE):
        path = recording.folder / name
        if path.is_file():
            texts[f"recording/{name}"] = path.read_text(encoding="utf-8", errors="replace")
    return texts


def _tables(recording: Recording) -> dict[str, str]:
    with tempfile.TemporaryDirectory() as place:
        export_csv(recording, Path(place))
        return {f"recording/{p.name}": _without_persons(p) for p in sorted(Path(place).glob("*.csv"))
                if p.stem != REMARKS}


def _without_persons(path: Path) -> str:
    """A table without the columns that say who worked or wrote."""
    with path.open(newline="", encoding="utf-8") as handle:
        header, *rows = csv.reader(handle)
    kept = [i for i, title in enumerate(header) if title not in PERSONS]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([row[i] for i in kept] for row in (header, *rows))
    return out.getvalue()
