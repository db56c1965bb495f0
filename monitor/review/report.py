"""Writes a recording as one HTML file that needs nothing else: no network, no script."""

from __future__ import annotations

import base64
import math
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2

from monitor.engine.rerun import calibration_of
from monitor.engine.teaching import lessons_of
from monitor.errors import InputError
from monitor.files import read_toml, write_text_whole
from monitor.heat.melt import LAW
from monitor.job import Job, parse_job
from monitor.judging.exposure import heat_setup
from monitor.plain import plain
from monitor.recording.attribution import when_words
from monitor.recording.comments import comments_of
from monitor.recording.manifest import check_manifest, sha256_of
from monitor.recording.outputs import check_output, sources_of
from monitor.recording.reader import CAMERA, JOB, NOZZLE, TRACE, Recording
from monitor.review.chart_words import heat_words, height_words, joint_words, map_words
from monitor.review.charts import board_photo, heat_chart, height_chart, joint_figure, map_chart, svg_of
from monitor.review.machine import work_events, work_warnings
from monitor.review.rubric import marks_of
from monitor.review.rubric_pictures import rubric_pictures
from monitor.review.traces import part_title
from monitor.review.verdict import CAUTIONS, ESTIMATE_LIMITS, WARNING_WORDS, summary
from monitor.review.whatif import kept_what_if

__all__ = ["report_html", "write_report"]

MAPS = (("dwell", "Where the jet was, and how long", "dwell map"),
        ("board_top", "Estimated heat of the board's top at the end", "heat map"))


def write_report(recording: Recording, path: Path) -> Path:
    """Write the report; it appears whole or not at all."""
    write_text_whole(check_output(path, sources_of(recording)), report_html(recording))
    return path


def report_html(recording: Recording) -> str:
    """The report as text."""
    job = parse_job(recording.job_text, str(recording.folder / JOB))
    maps = [(title, map_words(recording, name, title), svg) for name, title, _ in MAPS
            if (svg := map_chart(recording, job, name, board_photo(recording))) is not None]
    kept = kept_what_if(recording)
    joint = joint_figure(recording, kept["joint_c"], kept["words"]) if kept else None
    shown, not_shown = rubric_pictures(recording, job, marks_of(recording, job))
    frames = [(p, "data:image/jpeg;base64," + base64.b64encode(p.jpeg).decode()) for p in shown]
    return fill_template("report.html", recording, job, maps=maps, frames=frames, not_shown=not_shown,
                         height_svg=height_chart(recording, job),
                         heat_svg=heat_chart(recording, job), joint_svg=None if joint is None else svg_of(joint))


def fill_template(name: str, recording: Recording, job: Job, **pictures: Any) -> str:
    """One of the report's templates with all that both of them say."""
    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True,
                                     undefined=jinja2.StrictUndefined, finalize=_plain)
    environment.filters |= {"fixed": _fixed, "words": lambda kind: WARNING_WORDS.get(kind, kind)}
    template = environment.from_string(resources.files("monitor.review").joinpath(name).read_text("utf-8"))
    return template.render(
        r=recording, job=job, rubric=marks_of(recording, job), when=when_words(recording.meta),
        n=summary(recording, job),
        work_warnings=work_warnings(recording), work_events=work_events(recording), told=_told(recording, job),
        cautions=CAUTIONS,
        estimate_limits=ESTIMATE_LIMITS,
        comments=comments_of(recording), lessons=lessons_of(recording), part_events=_part_events(recording),
        melt_words={kind: law.words for kind, law in LAW.items()}, what_if=kept_what_if(recording),
        facts=_facts(recording, job),
        calibrations=calibration_state(recording, job), tilt=lambda p: math.degrees(p["tilt_mean_rad"]),
        is_coached=any(p["feedback"] for p in recording.passes), **pictures)


def _told(recording: Recording, job: Job) -> dict[str, str]:
    """The charts in words."""
    kept = kept_what_if(recording)
    return {"height": height_words(recording, job), "heat": heat_words(recording, job),
            "joint": joint_words(recording, kept) if kept else ""}


def _part_events(recording: Recording) -> list[tuple[str, float, str, str]]:
    """What happened to the parts: words, time, pictures before and after."""
    return [(part_title(e), e["t_s"], *(_picture(e[k]) for k in ("before", "after"))) for e in recording.part_events]


def _picture(png: bytes | None) -> str:
    """A picture as a data address; empty when there is none."""
    return "" if not isinstance(png, bytes) else "data:image/png;base64," + base64.b64encode(png).decode()


def _plain(value: Any) -> Any:
    """Text without what could steer; marked-up pictures are let through as they are."""
    return plain(value) if type(value) is str else value


def calibration_state(recording: Recording, job: Job) -> list[tuple[str, str]]:
    """How well camera, nozzle and heat model were calibrated, in words."""
    camera, nozzle = (_table(recording.folder / name) for name in (CAMERA, NOZZLE))
    matrix = camera.get("camera_matrix_px")
    camera_words = "not known" if not matrix else (
        f"focal length {matrix[0][0]:.1f} px \u00b1 {_fixed(camera.get('focal_sigma_px'), 1)}, corners met within "
        f"{_fixed(camera.get('rms_px'), 2)} px rms; " + (
            f"rows read within {camera['readout_ms']:.1f} ms" if "readout_ms" in camera
            else "how fast rows are read is not known"))
    nozzle_words = "not known" if "height_error_rms_mm" not in nozzle else (
        f"{nozzle.get('n_photos', 'unknown number of')} photographs, their heights met within "
        f"{_fixed(nozzle['height_error_rms_mm'], 2)} mm rms")
    heat = calibration_of(recording)
    if heat is None:
        heat_words = "none: the estimate rests on general knowledge, so its band is wide"
    else:
        reason = heat.mismatch(heat_setup(job))
        heat_words = (f"one thermocouple run, met within {heat.rms_k:.1f} K rms" if heat.knowledge.is_calibrated
                      else heat.knowledge.note)
        if reason:
            heat_words = f"does not apply: {reason}"
    return [("Camera", camera_words), ("Nozzle", nozzle_words), ("Heat", heat_words)]


def _table(path: Path) -> dict[str, Any]:
    try:
        return read_toml(path, "calibration", InputError)
    except InputError:
        return {}


def _facts(recording: Recording, job: Job) -> list[tuple[str, str]]:
    """What the numbers rest on."""
    meta, station = recording.meta, job.station
    files = [(name, meta.get("hashes", {}).get(name, "")) for name in (JOB, CAMERA, NOZZLE)]
    return [
        ("Station", f"{station.setpoint_c:g} C, {station.airflow_l_min:g} L/min at {station.airflow_reference_c:g} C"),
        ("Nozzle", f"outer {job.nozzle.outer_diameter_mm:g} mm, bore {job.nozzle.bore_diameter_mm:g} mm"),
        ("Alloy", job.solder.alloy),
        ("Allowed height", "{:g} to {:g} mm".format(*job.limits.height_mm)),
        ("Recorded", f"{when_words(meta)}, state: {meta.get('state', 'unknown')}"),
        ("Program", f"plumeline {meta.get('code_version', 'unknown')}"),
        *((f"SHA-256 of {name}", text[:16]) for name, text in files),
        ("SHA-256 of the trace", sha256_of(recording.folder / TRACE)[:16]),
        ("Files", check_manifest(recording.folder).sentence),
    ]


def _fixed(value: float | None, digits: int = 1, none: str = "not known") -> str:
    if value is None or not math.isfinite(value):
        return none
    return f"{value:.{digits}f}"
