"""Heat of each pass from an equal start: the pass replayed through the heat model from a board at rest.

The first pass of a board meets it cold, the fourth finds it warm and gives it less; only replayed passes can be
compared. What was replayed is kept beside the recording in equal_start.json, a cache that can be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from monitor.engine.rerun import HEAT, calibration_of, stored_inputs
from monitor.errors import InputError
from monitor.files import read_json, write_text_whole
from monitor.heat.estimate import HeatEstimator
from monitor.heat.types import Band
from monitor.job import Job
from monitor.judging.exposure import heat_setup
from monitor.recording.reader import JOB, TRACE, open_recording
from monitor.repeat.compare.passes import Z90, Pass
from monitor.version import code_version

__all__ = ["CACHE", "equal_start_heat", "with_equal_start"]

CACHE = "equal_start.json"
Progress = Callable[[float, float], None]


def with_equal_start(passes: Sequence[Pass], jobs: dict[Path, Job],
                     progress: Progress = lambda done, whole: None) -> list[Pass]:
    """The passes with `energy_even_j` beside `energy_j`, where the recording has a heat estimate.

    Parameters
    ----------
    passes : sequence of Pass
    jobs : dict of folder to Job
    progress : function
        Takes recordings done and their number.
    """
    folders = [f for f in dict.fromkeys(p.folder for p in passes)
               if any(math.isfinite(p.values["energy_j"]) for p in passes if p.folder == f)]
    heat: dict[Path, dict[int, Band]] = {}
    for done, folder in enumerate(folders, 1):
        heat[folder] = equal_start_heat(folder, jobs[folder])
        progress(done, len(folders))
    return [_with(p, heat.get(p.folder, {}).get(p.number)) for p in passes]


def equal_start_heat(folder: Path, job: Job) -> dict[int, Band]:
    """Heat into the part over each pass of a recording, had the board been at rest at its entry [J]; {} where it cannot
    be told.
    """
    key = _key(folder)
    with contextlib.suppress(InputError, ValueError, KeyError, TypeError, AttributeError):
        kept = read_json(folder / CACHE, "cache of heat", InputError)
        if kept["key"] == key:
            return {int(number): Band(*map(float, ends)) for number, ends in kept["passes"].items()}
    try:
        found = _replay(folder, job)
    except InputError:
        return {}
    with contextlib.suppress(OSError):  # a folder that may only be read is replayed each time
        write_text_whole(folder / CACHE,
                         json.dumps({"key": key, "passes": {n: [b.low, b.mid, b.high] for n, b in found.items()}})
                         + "\n")
    return found


def _replay(folder: Path, job: Job) -> dict[int, Band]:
    recording = open_recording(folder)
    inputs, setup, calibration = stored_inputs(recording, job), heat_setup(job), calibration_of(recording)
    found = {}
    for row in recording.passes:
        heat, energy = HeatEstimator(setup, calibration), None
        for given in inputs:
            if row["t_start_s"] < given.t_s <= row["t_end_s"]:
                energy = heat.step(given).energy_j.get(job.target.name)
        if energy is not None:
            found[row["number"]] = energy
    return found


def _with(p: Pass, band: Band | None) -> Pass:
    value, sigma = (math.nan, math.nan) if band is None else (band.mid, (band.high - band.low) / (2 * Z90))
    return replace(p, values=p.values | {"energy_even_j": value}, sigmas=p.sigmas | {"energy_even_j": sigma})


def _key(folder: Path) -> str:
    """Changes when the trace, the job, the heat calibration or the program does."""
    total = hashlib.sha256(code_version().encode())
    stat = (folder / TRACE).stat()
    total.update(f"{stat.st_mtime_ns}/{stat.st_size}".encode())
    for name in (JOB, HEAT):
        total.update((folder / name).read_bytes() if (folder / name).is_file() else b"-")
    return total.hexdigest()[:32]
