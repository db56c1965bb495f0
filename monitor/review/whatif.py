"""What would have come out with other settings: the same hand, judged again, and the difference in one sentence."""

from __future__ import annotations

import datetime
import json
import sqlite3
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from monitor.engine.rerun import calibration_of, rerun
from monitor.errors import EnvironmentFault, MonitorError
from monitor.job import Job, ProtectionMeasure, job_text, parse_job
from monitor.judging.exposure import heat_setup
from monitor.recording.manifest import check_manifest, renew_manifest
from monitor.recording.reader import TRACE, Recording
from monitor.recording.trace_file import trace_for_writing
from monitor.review.traces import Traces, traces_of
from monitor.review.verdict import WARNING_WORDS

__all__ = ["Change", "WhatIf", "changed_job", "what_if", "keep_what_if", "kept_what_if", "MOST_HIGHER_MM"]

MOST_HIGHER_MM = 60.0
CURVE_POINTS = 300
JOINT = "joint centre"


@dataclass(frozen=True)
class Change:
    """What is to be different; None and 0 leave things as they were.

    Attributes
    ----------
    setpoint_c, airflow_l_min : float or None
    higher_mm : float
        Held so much higher over the same spot; negative is lower.
    alloy : str or None
    protection : tuple of ProtectionMeasure or None
        All measures that are to be taken, in place of the job's.
    """

    setpoint_c: float | None = None
    airflow_l_min: float | None = None
    higher_mm: float = 0.0
    alloy: str | None = None
    protection: tuple[ProtectionMeasure, ...] | None = None


@dataclass(frozen=True)
class WhatIf:
    """A recording judged again under a change.

    Attributes
    ----------
    words : str
        The change, such as "400 C instead of 360 C".
    again : Recording
        In memory only; its folder is gone.
    traces : Traces
    sentence : str
        How it differs from what was recorded.
    """

    change: Change
    words: str
    job: Job
    again: Recording
    traces: Traces
    sentence: str


def changed_job(job: Job, change: Change) -> Job:
    """The job under a change, checked as a job file would be.

    Raises
    ------
    JobError
        With every value that is out of range.
    """
    station = {k: v for k, v in (("setpoint_c", change.setpoint_c), ("airflow_l_min", change.airflow_l_min))
               if v is not None}
    update: dict[str, Any] = {"station": job.station.model_copy(update=station)}
    if change.alloy is not None:
        update["solder"] = job.solder.model_copy(update={"alloy": change.alloy})
    if change.protection is not None:
        update["protection"] = change.protection
    return parse_job(job_text(job.model_copy(update=update)), "what if")


def what_if(recording: Recording, job: Job, change: Change,
            progress: Callable[[float], None] = lambda share: None) -> WhatIf:
    """Judge a recording again under a change; what `progress` raises ends it.

    Raises
    ------
    JobError
        When a changed value is out of range.
    """
    new = changed_job(job, change)
    with tempfile.TemporaryDirectory(prefix="plumeline-") as scratch:
        again = rerun(recording, new, job_text(new), Path(scratch) / "again", higher_mm=change.higher_mm,
                      progress=progress)
    words = _words(job, new, change)
    return WhatIf(change, words, new, again, traces_of(again, new),
                  _sentence(recording, again, job, words, _lost_calibration(recording, job, new)))


def keep_what_if(folder: Path, recording: Recording, found: WhatIf) -> None:
    """Keep the outcome in the recording, for its report; the one before it is replaced.

    Raises
    ------
    EnvironmentFault
        When the recording may only be read.
    """
    kept = {
        "words": found.words, "sentence": found.sentence,
        "made_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "change": {k: v for k, v in asdict(found.change).items() if k != "protection"},
        "protection": [p.model_dump(exclude_none=True) for p in found.job.protection],
        "passes": [_pass_numbers(p) for p in found.again.passes],
        "warnings": [{k: w[k] for k in ("kind", "region", "t_start_s", "text")} for w in found.again.warnings],
        "joint_c": _curve(found.traces),
    }
    try:
        before = check_manifest(folder, (TRACE,))
        with trace_for_writing(folder / TRACE) as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES ('what_if', ?)", (json.dumps(kept),))
        renew_manifest(folder, (TRACE,), before)
    except (sqlite3.OperationalError, OSError, MonitorError) as fault:
        raise EnvironmentFault(f"{folder / TRACE}: the what-if cannot be saved: {fault}; is the recording yours to "
                               f"write?") from None
    recording.meta["what_if"] = kept


def kept_what_if(recording: Recording) -> dict[str, Any] | None:
    """What `keep_what_if` kept."""
    return recording.meta.get("what_if")


def _words(old: Job, new: Job, change: Change) -> str:
    parts = []
    if new.station.setpoint_c != old.station.setpoint_c:
        parts.append(f"{new.station.setpoint_c:g} C instead of {old.station.setpoint_c:g} C")
    if new.station.airflow_l_min != old.station.airflow_l_min:
        parts.append(f"{new.station.airflow_l_min:g} L/min instead of {old.station.airflow_l_min:g} L/min")
    if change.higher_mm:
        parts.append(f"the nozzle {abs(change.higher_mm):g} mm {'higher' if change.higher_mm > 0 else 'lower'}")
    if new.solder.alloy != old.solder.alloy:
        parts.append(f"{new.solder.alloy} instead of {old.solder.alloy}")
    if new.protection != old.protection:
        parts.append(f"protection {_protection(new)} instead of {_protection(old)}")
    return _listed(parts) or "the same settings"


def _protection(job: Job) -> str:
    return _listed([p.kind.replace("_", " ") for p in job.protection]) or "none"


def _lost_calibration(recording: Recording, old: Job, new: Job) -> str:
    """Why the recording's heat calibration holds no longer under the change; "" when it does, or there was none."""
    calibration = calibration_of(recording)
    if calibration is None or calibration.mismatch(heat_setup(old)):
        return ""
    return calibration.mismatch(heat_setup(new)) or ""


def _sentence(old: Recording, new: Recording, job: Job, words: str, lost: str) -> str:
    """The difference, with both bands, so that a small one is not taken for a large one."""
    parts = []
    if old.heat and new.heat:
        parts.append(_energies(old, new, job))
        then, now = (_peak(r) for r in (old, new))
        if then is not None and now is not None:
            parts.append(f"the joints' centre would have peaked at about {now[1]:.0f} C instead of {then[1]:.0f} C "
                         f"(bands {now[0]:.0f} to {now[2]:.0f} and {then[0]:.0f} to {then[2]:.0f} C)")
        states = [r.heat[-1]["joint"] for r in (old, new)]
        if states[0] != states[1]:
            parts.append(f"the joints would have ended as '{states[1]}' instead of '{states[0]}'")
    parts.append(_warnings(old, new))
    text = f"with {words}, " + _listed([p for p in parts if p])
    text += f" (estimate; the heat calibration does not hold for it: {lost})." if lost else " (estimate)."
    return text[0].upper() + text[1:]


def _energies(old: Recording, new: Recording, job: Job) -> str:
    then, now = (r.heat[-1]["energy_j"].get(job.target.name) for r in (old, new))
    if not then or not now or then[1] is None or now[1] is None:
        return ""
    return (f"{job.target.name} would have taken about {now[1]:.3g} J instead of {then[1]:.3g} J in the whole "
            f"recording "
            f"(bands {now[0]:.3g} to {now[2]:.3g} and {then[0]:.3g} to {then[2]:.3g} J)")


def _peak(recording: Recording) -> list[float] | None:
    rows = [row["temp_c"].get(JOINT) for row in recording.heat]
    known = [r for r in rows if r is not None and r[1] is not None]
    return max(known, key=lambda r: r[1]) if known else None


def _warnings(old: Recording, new: Recording) -> str:
    then, now = ({(w["kind"], w["region"]): w for w in reversed(r.warnings)} for r in (old, new))
    come = [f"'{WARNING_WORDS.get(k, k)}' at {now[k, r]['t_start_s']:.1f} s" for k, r in now if (k, r) not in then]
    gone = [f"'{WARNING_WORDS.get(k, k)}'" for k, r in then if (k, r) not in now]
    parts = [f"{_listed(come)} would have come up" if come else "", f"{_listed(gone)} would not" if gone else ""]
    return _listed([p for p in parts if p]) or "the warnings would have been of the same kinds"


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


def _pass_numbers(p: dict[str, Any]) -> dict[str, Any]:
    return {k: p[k] for k in ("number", "t_start_s", "t_end_s", "dwell_s", "height_mean_mm", "in_limits",
                              "energy_low_j",
                              "energy_j", "energy_high_j")}


def _curve(traces: Traces) -> list[list[float | None]]:
    """Times and the joint's estimate with its band, thinned: [t, low, mid, high]."""
    if JOINT not in traces.temp_c:
        return []
    step = max(1, len(traces.heat_t_s) // CURVE_POINTS)
    rows = np.column_stack([traces.heat_t_s, traces.temp_c[JOINT]])[::step]
    return [[float(f"{v:.5g}") if np.isfinite(v) else None for v in row] for row in rows]
