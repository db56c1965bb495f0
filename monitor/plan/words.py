"""A plan in words: the sentence, the table, the cautions, and plain values for other programs."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from monitor.heat.air import density_kg_m3
from monitor.heat.alloy import joint_alloy
from monitor.heat.jet import effective_diameter_m, exit_state, velocity_share
from monitor.heat.limits import SILICON_RISK_C, practice_words, ramp_limits_k_s, seconds_near_class, time_above_s
from monitor.heat.part import package_heat_j_m3k, package_kind, part_shape
from monitor.heat.uncertainty import Knowledge
from monitor.plan.types import Bound, Plan, Start

__all__ = ["cautions", "plan_json", "plan_table", "reason", "stage_lines"]

REFLOW_TOLD = 0.02


def reason(plan: Plan) -> str:
    """The plan's sentence: what to do, or why not."""
    part, chance = plan.setup.part.region.name, _percent(plan.chance_stop_on_melt)
    if plan.verdict == "closed":
        return (
            f"closed: the chance that {part} melts before a limit is passed is {chance} at the best setting; "
            f"{_collision(plan)}"
        )
    s = plan.closest
    setting = f"{s.setpoint_c:.0f} C, {_height(s)}, {_sweep(s.sweep_m)}"
    told = "open" if plan.verdict == "open" else "careful"
    within = (
        ""
        if plan.chance_stop_on_melt - plan.chance_by_latest_stop < 0.02
        else (f" ({_percent(plan.chance_by_latest_stop)} by the latest stop)")
    )
    return (
        f"{told}: {setting}. {_moments(plan)} Chance {chance} when you stop on the melt{within}, "
        f"{_percent(plan.chance_by_clock)} when you hold {s.dwell_s:.0f} s by the clock."
    )


def stage_lines(start: Start) -> list[str]:
    """The stages, one a line, and the cooling after them."""
    lines, since = [], 0.0
    for n, stage in enumerate(start.stages, 1):
        way = "evenly down to " if stage.glides else ""
        lines.append(
            f"stage {n}: {way}{stage.height_m * 1e3:.0f} mm high, {_sweep(stage.sweep_m)}, "
            f"{since:.0f} to {since + stage.seconds:.0f} s"
        )
        since += stage.seconds
    after = "longer than the plan looks ahead" if start.solid_after_s is None else f"{start.solid_after_s:.0f} s"
    lines.append(f"then take the jet away and keep the board still until the joints are solid: {after}")
    return lines


def plan_table(plan: Plan) -> str:
    """The plan as text: what to set, the moments, the sites against their limits, what would help."""
    s, word = plan.closest, "start" if plan.start is not None else "closest without passing a limit"
    lines = [plan.reason, "", f"{word}: {s.setpoint_c:.0f} C", *(f"  {line}" for line in stage_lines(s)), ""]
    if plan.start is not None:
        lines += ["watch for: " + _watch_for(plan), ""]
    lines.append(f"after {s.dwell_s:.0f} s (90 % bands, estimates):")
    lines.append(f"{'site':<16}{'low':>6}{'mid':>6}{'high':>6}{'limit':>7}  source")
    for name, b in s.temp_c.items():
        limit = plan.limits.get(name)
        told = (
            f"{limit.value_c:>7.0f}  {limit.source}"
            if limit
            else (f"{plan.melt.mark_c:>7.0f}  to be passed: {plan.melt.why}" if name == "joint corner" else "")
        )
        lines.append(f"{name:<16}{b.low:>6.0f}{b.mid:>6.0f}{b.high:>6.0f}{told}")
    lines.append(
        f"fastest rise of the joint {s.ramp_k_s.mid:.1f} K/s ({max(s.ramp_k_s.low, 0):.1f} to {s.ramp_k_s.high:.1f})"
    )
    if plan.colliding:
        lines += ["", *(_bound_line(b) for b in plan.colliding)]
    if plan.measures:
        lines += [
            "",
            "what would help most, by the chance of melt before any limit:",
            *(
                f"  {m.what}: {_percent(m.chance)}, at {m.setpoint_c:.0f} C and {m.height_m * 1e3:.0f} mm"
                for m in plan.measures
            ),
        ]
    elif plan.verdict != "open":
        lines += ["", "no measure or pair of measures tried helps by more than 5 %"]
    return "\n".join([*lines, "", *plan.cautions])


def cautions(plan: Plan, knowledge: Knowledge, notes: tuple[str, ...]) -> tuple[str, ...]:
    """What the reader must know before trusting the plan."""
    said = [f"{n[0].upper()}{n[1:]}." for n in notes]
    if not knowledge.is_calibrated:
        said.append(
            "No thermocouple run has been used: the plan ranks settings, it does not prove that joints melt. "
            "Try on a scrap board first."
        )
    soft = [f"{name} {_percent(p)}" for name, p in plan.reflow.items() if p > REFLOW_TOLD]
    if soft:
        said.append(
            f"Neighbours whose own joints may melt: {', '.join(soft)}. Left alone they freeze in place; do not touch "
            "them or move the board, and mind that heavy parts below fall. Set keep_solid for those that must not."
        )
    steepest = plan.closest.ramp_k_s.mid
    if plan.setup.ramp_k_s is None and steepest > ramp_limits_k_s()[0]:
        said.append(
            f"Joints rise by {steepest:.0f} K/s at first, above the {ramp_limits_k_s()[0]:.0f} K/s of the "
            "J-STD-020 profile: start higher, come down slowly, or preheat, above all with ceramic parts."
        )
    said += _blown_away(plan)
    package = plan.limits["package top"]
    if "J-STD-020" in package.source:
        seconds, near = seconds_near_class()
        low, high = time_above_s()
        said.append(
            f"Package top: at most {seconds:.0f} s within {near:.0f} K under its {package.value_c:.0f} C (J-STD-020, "
            f"which classes parts by {low:.0f} to {high:.0f} s above liquidus: no target for hot air)."
        )
    if plan.closest.temp_c["package top"].high > SILICON_RISK_C:
        said.append(
            f"Package top may pass {SILICON_RISK_C:.0f} C, where silicon is at risk (common practice, no source)."
        )
    words = practice_words(joint_alloy(plan.setup.part.alloy, plan.setup.part.alloy_before))
    said.append(f"{words[0].upper()}{words[1:]}.")
    said.append(
        "Lifting a part while some joints are solid tears pads. Datasheets of part, board and solder come first; "
        "mind heat, fumes, eyes, ESD, batteries and mains."
    )
    return tuple(said)


def _blown_away(plan: Plan) -> list[str]:
    """A caution where the air presses harder on the part than it weighs: then only molten solder holds it."""
    station, shape, s = plan.setup.station, part_shape(plan.setup.part), plan.closest
    out = exit_state(s.setpoint_c, station.airflow_m3_s, station.bore_m, ambient_c=station.ambient_c)
    d_eff = effective_diameter_m(station.bore_m, out.temp_c, station.ambient_c)
    speed = float(out.velocity_m_s * velocity_share(max(s.height_m, 1e-3), d_eff))
    push_n = 0.5 * float(density_kg_m3(out.temp_c)) * speed**2 * shape.length_m * shape.height_m
    heat = package_heat_j_m3k(package_kind(plan.setup.part.kind), plan.setup.part, shape)
    mass_kg = plan.setup.part.mass_kg or heat * shape.volume_m3 / package_kind(plan.setup.part.kind).mass_cp_j_kgk
    if push_n < 9.81 * mass_kg:
        return []
    return [
        f"Air meets the part at about {speed:.0f} m/s: it may be blown away once its solder is molten; less air, or "
        "hold it."
    ]


def plan_json(plan: Plan) -> dict[str, Any]:
    """The plan as plain values; lengths in metres, what cannot be known None."""
    starts = {name: s and _start_json(s) for name, s in (("start", plan.start), ("closest", plan.closest))}
    settings = {name: _plain(getattr(plan.settings, name)) for name in ("setpoints_c", "heights_m", "chance", "melt_s")}
    return {
        "verdict": plan.verdict,
        "reason": plan.reason,
        **starts,
        "chance_stop_on_melt": plan.chance_stop_on_melt,
        "chance_by_latest_stop": plan.chance_by_latest_stop,
        "chance_by_clock": plan.chance_by_clock,
        "melt_seen_s": [_finite(t) for t in plan.melt_seen_s],
        "melt_band_s": [_finite(t) for t in plan.melt_band_s],
        "latest_stop_s": plan.latest_stop_s,
        "latest_stop_why": plan.latest_stop_why,
        "colliding": [asdict(b) for b in plan.colliding],
        "watch_for": _watch_for(plan),
        "melt": asdict(plan.melt),
        "limits": {k: asdict(v) for k, v in plan.limits.items()},
        "reflow_chance": plan.reflow,
        "measures": [asdict(m) for m in plan.measures],
        "cautions": list(plan.cautions),
        "settings": settings,
    }


def _start_json(start: Start) -> dict[str, Any]:
    whole = asdict(start)
    stages = [
        {
            "height_m": s.height_m,
            "sweep_m": max(s.sweep_m),
            "sweep_axes_m": list(s.sweep_m),
            "seconds": s.seconds,
            "glides": s.glides,
        }
        for s in start.stages
    ]
    return whole | {"sweep_m": max(start.sweep_m), "sweep_axes_m": list(start.sweep_m), "stages": stages}


def _moments(plan: Plan) -> str:
    early, likely, late = plan.melt_seen_s
    if not math.isfinite(likely):
        return f"The melt is not expected; stop by {plan.latest_stop_s:.0f} s, because {plan.latest_stop_why}."
    if early >= plan.latest_stop_s:
        return f"Stop by {plan.latest_stop_s:.0f} s whatever you see, because {plan.latest_stop_why}."
    likely = min(likely, plan.latest_stop_s)
    return (
        f"Try gently from {early:.0f} s, most likely molten at {likely:.0f} s, stop by {plan.latest_stop_s:.0f} s "
        f"whatever you see, because {plan.latest_stop_why}."
    )


def _watch_for(plan: Plan) -> str:
    more = f"; then go on for {plan.melt.hold_s:.0f} s" + (" so that it wets" if plan.setup.part.work == "fit" else "")
    return (
        "every joint shines (lead-free stays duller), the part settles or floats when touched lightly from the side"
        f"{more}, and take the jet away; never pull (common practice, no source)"
    )


def _collision(plan: Plan) -> str:
    joints, other = plan.colliding
    if other.unit == "K/s":
        return (
            f"the coldest joint must pass {joints.wanted:.0f} C while it may rise by {other.wanted:.1f} K/s at most, "
            f"and it would rise by {other.comes_to:.1f} K/s"
        )
    if joints.comes_to < joints.wanted:
        return (
            f"its coldest joint comes to {joints.comes_to:.0f} C of the {joints.wanted:.0f} C wanted, {other.site} "
            f"to {other.comes_to:.0f} C of the {other.wanted:.0f} C allowed"
        )
    return (
        f"when its coldest joint is at {joints.comes_to:.0f} C ({joints.wanted:.0f} C wanted), {other.site} is at "
        f"{other.comes_to:.0f} C of the {other.wanted:.0f} C allowed"
    )


def _bound_line(bound: Bound) -> str:
    verb = "must pass" if bound.site == "joint corner" else "must stay under"
    return (
        f"{bound.site} {verb} {bound.wanted:.3g} {bound.unit} ({bound.why}), comes to {bound.comes_to:.3g} {bound.unit}"
    )


def _height(start: Start) -> str:
    heights = [f"{s.height_m * 1e3:.0f}" for s in start.stages]
    return f"{heights[0]} mm high" if len(heights) == 1 else f"{', then '.join(heights)} mm high"


def _sweep(axes_m: tuple[float, float]) -> str:
    a, b = (round(1e3 * v, 1) for v in axes_m)
    return f"circles of {a:g} mm radius" if a == b else f"ovals of {2 * a:g} x {2 * b:g} mm"


def _percent(chance: float) -> str:
    return "under 1 %" if chance < 0.005 else "over 99 %" if chance > 0.995 else f"{100 * chance:.0f} %"


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _plain(value: Any) -> Any:
    """Arrays as nested lists, with None for what is not finite."""
    return [_plain(v) for v in value] if isinstance(value, np.ndarray) else _finite(value)
