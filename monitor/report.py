"""Writes a recording as one HTML file that needs nothing else: no network, no script."""

from __future__ import annotations

import hashlib
import math
from importlib import resources
from pathlib import Path

import jinja2

from monitor.charts import board_photo, heat_chart, height_chart, map_chart
from monitor.files import write_text_whole
from monitor.job import Job, parse_job
from monitor.recording import CAMERA, JOB, NOZZLE, Recording
from monitor.verdict import CAUTIONS, ESTIMATE_LIMITS, WARNING_WORDS, summary

__all__ = ["report_html", "write_report"]

MAPS = (("dwell", "Where the jet was, and how long", "dwell map"),
        ("board_top", "Estimated heat of the board's top at the end", "heat map"))


def write_report(recording: Recording, path: Path) -> Path:
    """Write the report; it appears whole or not at all."""
    write_text_whole(path, report_html(recording))
    return path


def report_html(recording: Recording) -> str:
    """The report as text."""
    job = parse_job(recording.job_text, str(recording.folder / JOB))
    numbers = summary(recording, job)
    maps = [(title, alt, svg) for name, title, alt in MAPS
            if (svg := map_chart(recording, job, name, board_photo(recording))) is not None]
    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True,
                                     undefined=jinja2.StrictUndefined)
    environment.filters |= {"fixed": _fixed, "words": lambda kind: WARNING_WORDS.get(kind, kind)}
    template = environment.from_string(resources.files("monitor").joinpath("report.html").read_text("utf-8"))
    return template.render(
        r=recording, job=job, n=numbers, maps=maps, cautions=CAUTIONS, estimate_limits=ESTIMATE_LIMITS,
        height_svg=height_chart(recording, job), heat_svg=heat_chart(recording, job), facts=_facts(recording, job),
        tilt=lambda p: math.degrees(p["tilt_mean_rad"]))


def _facts(recording: Recording, job: Job) -> list[tuple[str, str]]:
    """What the numbers rest on."""
    meta, station = recording.meta, job.station
    files = [(name, meta.get("hashes", {}).get(name, "")) for name in (JOB, CAMERA, NOZZLE)]
    trace = hashlib.sha256((recording.folder / "trace.sqlite").read_bytes()).hexdigest()
    return [
        ("Station", f"{station.setpoint_c:g} C, {station.airflow_l_min:g} L/min at {station.airflow_reference_c:g} C"),
        ("Nozzle", f"outer {job.nozzle.outer_diameter_mm:g} mm, bore {job.nozzle.bore_diameter_mm:g} mm"),
        ("Alloy", job.solder.alloy),
        ("Allowed height", "{:g} to {:g} mm".format(*job.limits.height_mm)),
        ("Recorded", f"{meta.get('started_utc', 'unknown')} (UTC), state: {meta.get('state', 'unknown')}"),
        ("Program", f"plumeline {meta.get('code_version', 'unknown')}"),
        *((f"SHA-256 of {name}", text[:16]) for name, text in files),
        ("SHA-256 of the trace", trace[:16]),
    ]


def _fixed(value: float | None, digits: int = 1, none: str = "not known") -> str:
    if value is None or not math.isfinite(value):
        return none
    return f"{value:.{digits}f}"
