"""Takes what a recording's melts taught to the shelf, where every job with the same station and nozzle finds it."""

from __future__ import annotations

import logging
from typing import Any

import numpy as np

from monitor.errors import InputError
from monitor.heat.melt import Lesson, MeltSight
from monitor.heat.taught import keep_melts, melt_of
from monitor.job import Job
from monitor.judging.exposure import heat_setup
from monitor.places import heat_folder
from monitor.recording.reader import Recording

__all__ = ["lessons_of", "recording_key", "teach", "teach_shelf"]

log = logging.getLogger("plumeline.heat")


def recording_key(recording: Recording) -> str:
    """What a recording is called on the shelf: the same for a rerun of it."""
    return f"{recording.meta.get('started_utc', '')} {recording.folder.name}".strip()


def lessons_of(recording: Recording) -> tuple[Lesson, ...]:
    """What each melt taught, in order of time."""
    return tuple(_lesson(row) for row in sorted(recording.lessons, key=lambda row: row["t_s"]))


def teach_shelf(recording: Recording, job: Job) -> int:
    """Keep a recording's melts on the shelf, in place of what it had taught before; how many. A shelf that cannot be
    used is left as it is."""
    return teach(lessons_of(recording), job, recording_key(recording))


def teach(lessons: tuple[Lesson, ...], job: Job, key: str) -> int:
    """Keep lessons on the shelf under a recording's key; how many."""
    setup = heat_setup(job)
    melts = tuple(melt_of(lesson, setup, key) for lesson in lessons)
    if not melts:
        return 0
    try:
        keep_melts(heat_folder(), melts, key)
    except (InputError, OSError) as fault:
        log.warning("melts not kept: %s", fault)
        return 0
    return len(melts)


def _lesson(row: dict[str, Any]) -> Lesson:
    return Lesson(
        MeltSight(row["t_s"], row["kind"], row["told_by"]),
        (row["before_c"], row["before_sigma_k"]),
        (row["after_c"], row["after_sigma_k"]),
        row["liquidus_c"],
        row["wrong"],
        row["slope_k_s"],
        row["at_zero_c"],
        np.array(row["per_score_k"], float),
        row["input_sigma_k"],
        row["form_sigma_k"],
    )
