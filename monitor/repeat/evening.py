"""A folder of clips and a sheet that says of each who, when, as what and at which job: analysed in one go, resumable.

Each clip's recording is named after the clip. One that is there, made from the same clip, job, calibrations and words
of the sheet, is kept; so a run that was stopped goes on where it was.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.errors import InputError, MonitorError
from monitor.files import read_table
from monitor.recording.attribution import Attribution, attributed
from monitor.recording.reader import TRACE, read_meta
from monitor.repeat.batch_task import DONE, FAILED, KEPT, Outcome
from monitor.repeat.compare.passes import open_trace
from monitor.version import code_version
from vision.errors import VisionError

__all__ = ["COLUMNS", "KEY", "Clip", "analyse_clips", "read_sheet"]

COLUMNS = ("file", "operator", "time", "kind", "job")
KEY = "sheet_key"  # in the meta of a recording: what it rests on
SHEET_HELP = "expected a table (CSV) with the column file, and any of operator, time, kind, job"


@dataclass(frozen=True)
class Clip:
    """One row of the sheet, with the files that its analysis rests on; strings, so that it travels to another
    process.
    """

    name: str
    clip: str
    job: str
    camera: str
    nozzle: str
    out: str
    by: Attribution


def read_sheet(sheet: Path, folder: Path, out: Path, files: dict[str, str | None]) -> list[Clip]:
    """The clips of a sheet, all checked before the first is analysed.

    Parameters
    ----------
    sheet : Path
        CSV with the columns file (in the folder), operator, time, kind, job (beside the sheet); all but file may be
        missing or empty.
    folder, out : Path
        Of the clips, and of the recordings.
    files : dict
        camera, nozzle, and the job of rows that name none.

    Raises
    ------
    InputError
        Names every faulty line.
    """
    try:
        rows = read_table(sheet, ("file",), "sheet of clips", InputError)
    except InputError as fault:
        raise InputError(f"{fault}; {SHEET_HELP}") from None
    if not rows:
        raise InputError(f"{sheet}: no rows; {SHEET_HELP}")
    clips, faults = [], []
    for line, row in enumerate(rows, 2):
        try:
            clips.append(_clip({k: v.strip() for k, v in row.items() if k}, sheet, folder, out, files))
        except InputError as fault:
            faults.append(f"line {line}: {fault}")
    names = [clip.name for clip in clips]
    faults += [f"{name}: is there twice" for name in sorted({n for n in names if names.count(n) > 1})]
    if faults:
        raise InputError(f"{sheet}: {'; '.join(faults[:5])}" + (f"; and {len(faults) - 5} more" if len(faults) > 5
                                                                else ""))
    return clips


def analyse_clips(clips: Sequence[Clip], n_workers: int = 1) -> Iterator[Outcome]:
    """Analyse what is not there yet; outcomes come as they are ready. One bad clip never stops the rest."""
    todo = []
    for clip in clips:
        key = _key(clip)
        if _kept_key(Path(clip.out)) == key:
            yield Outcome(clip.name, KEPT, key)
        else:
            todo.append((clip, key))
    if n_workers == 1:
        yield from (_analyse(clip, key) for clip, key in todo)
        return
    with ProcessPoolExecutor(n_workers, multiprocessing.get_context("spawn")) as pool:
        jobs = {pool.submit(_analyse, clip, key): clip for clip, key in todo}
        try:
            for job in as_completed(jobs):
                try:
                    yield job.result()
                except BrokenProcessPool:
                    yield Outcome(jobs[job].name, FAILED,
                                  fault="its process ended; run the same command again to go on")
        finally:
            pool.shutdown(cancel_futures=True)


def _clip(row: dict[str, str], sheet: Path, folder: Path, out: Path, files: dict[str, str | None]) -> Clip:
    if not row.get("file"):
        raise InputError("file is empty")
    path = folder / row["file"]
    if not path.is_file():
        raise InputError(f"{path}: no such clip")
    job = str(sheet.parent / row["job"]) if row.get("job") else files["job"]
    if not job:
        raise InputError("names no job; fill the column job, or say --job")
    if not Path(job).is_file():
        raise InputError(f"{job}: no such job file")
    by = attributed(path, row.get("operator", ""), row.get("time", ""), row.get("kind", ""))
    name = Path(row["file"]).with_suffix("").as_posix()
    return Clip(name, str(path), job, files["camera"] or "", files["nozzle"] or "", str(out / name), by)


def _analyse(clip: Clip, key: str) -> Outcome:
    from monitor.engine.analyse import Filming, analyse, read_inputs
    from monitor.heat.shelf import heat_calibration
    from monitor.judging.exposure import heat_setup

    start = time.monotonic()
    try:
        inputs = read_inputs(clip.clip, clip.job, clip.camera, clip.nozzle)
        Path(clip.out).parent.mkdir(parents=True, exist_ok=True)
        inputs = replace(inputs, heat=heat_calibration(None, heat_setup(inputs.job)))
        analyse(inputs, clip.out, Filming(clip.by, meta={KEY: json.dumps(key)}), force=True)
        return Outcome(clip.name, DONE, key, took_s=round(time.monotonic() - start, 2))
    except (MonitorError, VisionError, OSError) as fault:
        return Outcome(clip.name, FAILED, fault=" ".join(str(fault).split()))


def _key(clip: Clip) -> str:
    """Hash of what a recording rests on; the clip by size and time, since an evening's clips are many gigabytes."""
    total = hashlib.sha256(code_version().encode())
    stat = Path(clip.clip).stat()
    total.update(repr((stat.st_size, stat.st_mtime_ns, clip.by)).encode())
    for path in (clip.job, clip.camera, clip.nozzle):
        total.update(Path(path).read_bytes() if Path(path).is_file() else b"-")
    return total.hexdigest()[:32]


def _kept_key(folder: Path) -> str:
    if not (folder / TRACE).is_file():
        return ""
    try:
        with open_trace(folder, ("meta",)) as db:
            return str(read_meta(db, folder).get(KEY, ""))
    except MonitorError:
        return ""
