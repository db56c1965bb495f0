"""What a recording comes to: one sentence, and a few numbers, each with its spread."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from monitor.job import Job
from monitor.recording.reader import Recording
from monitor.review.machine import machine_words, work_warnings

__all__ = ["verdict", "summary", "WARNING_WORDS", "CAUTIONS", "ESTIMATE_LIMITS"]

MOST_CLAUSES = 8
Z90 = 1.645

WARNING_WORDS = {
    "too_far": "too far", "too_close": "too close", "drift": "drift", "long_dwell": "too long", "not_seen": "not seen",
    "ramp": "heats too fast", "part_limit": "part at its limit", "neighbour_limit": "neighbour at its limit",
    "underside_limit": "underside at its limit", "limit_soon": "limit is near", "bench_moved": "board moved",
    "camera_moved": "camera moved", "part_moved": "part moved", "no_picture": "no picture", "no_sound": "no sound",
}

CAUTIONS = (
    "Hot air of 300 C and more burns skin and sets paper and solvents alight: keep the outlet away from hands, face "
    "and anything that burns, and let the nozzle cool before it is touched.",
    "Flux and hot laminate give off fumes: extract or ventilate, and wear eye protection.",
    "Work earthed (ESD); take batteries out and disconnect mains before heating, since cells and capacitors can burst.",
    "Datasheets, local codes and licensed practice come before anything written here.",
)
ESTIMATE_LIMITS = (
    "Heights, tilts and aims are measured; every heat, energy and temperature is an estimate from them, the station's "
    "setting and the job, shown with its 90 % band. No temperature was measured.",
    "A part lifted while some joints are still solid tears its pads: try it gently, whatever the estimate says.",
    "While the nozzle is not seen its heat is unknown, not zero; the band grows.",
)


def verdict(recording: Recording, job: Job) -> str:
    """One sentence: what was done over the target, what it delivered, what went wrong; then what the machine did."""
    clauses = [(p["t_start_s"], _pass_clause(p, job, len(recording.passes) > 1)) for p in recording.passes]
    clauses += [(w["t_first_s"] or w["t_start_s"], _warning_clause(w)) for w in work_warnings(recording)]
    if not recording.passes:
        clauses.append((-1.0, f"no pass over {job.target.name} below the height limit"))
    texts = [text for _, text in sorted(clauses, key=lambda c: c[0])]
    if len(texts) > MOST_CLAUSES:
        texts = [*texts[:MOST_CLAUSES], f"and {len(texts) - MOST_CLAUSES} more events"]
    sentence = ", then ".join(texts)
    machine = machine_words(recording)
    return sentence[0].upper() + sentence[1:] + "." + (f" The machine: {'; '.join(machine)}." if machine else "")


def summary(recording: Recording, job: Job) -> dict[str, Any]:
    """The numbers of a recording, for people and for --json; None where not known."""
    frames = recording.frames
    seen = frames["seen"] > 0
    last = recording.heat[-1] if recording.heat else None
    return {
        "verdict": verdict(recording, job),
        "frames": len(seen), "seen_share": _tidy(seen.mean() if len(seen) else math.nan),
        "duration_s": _tidy(recording.meta.get("duration_s")),
        "height_median_mm": _tidy(np.nanmedian(frames["height_mm"][seen])) if seen.any() else None,
        "height_sigma_median_mm": _tidy(np.nanmedian(frames["height_sigma_mm"][seen])) if seen.any() else None,
        "passes": [{key: _tidy(value) for key, value in p.items()} for p in recording.passes],
        "warnings": [{key.rstrip("_"): _tidy(w[key]) for key in ("kind", "region", "priority", "t_start_s", "t_end_s",
                                                                "past_s", "value", "limit_", "unit", "text")}
                     for w in recording.warnings],
        "events": [{key: _tidy(e[key]) for key in ("t_s", "kind", "detail")} for e in recording.events],
        "energy_j": last["energy_j"] if last else None,
        "temp_c_at_end": last["temp_c"] if last else None,
        "machine": machine_words(recording),
        "joint": {"state": last["joint"], "reason": last["joint_reason"]} if last else None,
        "doubts": last["flags"] if last else [],
    }


def _pass_clause(p: dict[str, Any], job: Job, is_numbered: bool) -> str:
    head = f"pass {p['number']}: " if is_numbered else ""
    spread = max(Z90 * (p["height_sigma_mm"] or math.nan), 0.1)
    text = (f"{head}hovered {p['height_mean_mm']:.{_digits(spread)}f} mm (± {spread:.{_digits(spread)}f}) "
            f"for {p['dwell_s']:.1f} s over {job.target.name}")
    if p["energy_j"] is not None:
        text += (f", about {_energy(p['energy_j'])} J into the part in that time "
                 f"(band {_energy(p['energy_low_j'])} to {_energy(p['energy_high_j'])} J, estimate)")
    return text


def _warning_clause(w: dict[str, Any]) -> str:
    past = f"{w['past_s']:.1f} s" if w["past_s"] is not None else "some time"
    if w["kind"] == "drift":
        return f"drifted onto {w['region']} for {past}"
    if w["kind"] in ("too_far", "too_close"):
        return f"{WARNING_WORDS[w['kind']]} ({w['value']:.0f} mm, allowed {w['limit_']:.0f} mm) for {past}"
    if w["kind"] == "not_seen":
        end = "until the end" if w["t_end_s"] is None else f"for {w['t_end_s'] - w['t_first_s'] + 0.2:.1f} s"
        return f"the nozzle was not seen {end}"
    if w["kind"] == "part_moved":
        return w["text"]
    return f"{WARNING_WORDS.get(w['kind'], w['kind'])} for {past} ({w['text']})"


def _digits(spread: float) -> int:
    return 0 if spread >= 0.95 else 1


def _energy(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 10 else f"{value:.1f}"


def _tidy(value: Any) -> Any:
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value
