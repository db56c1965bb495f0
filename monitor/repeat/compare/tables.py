"""The comparison as text for people, as JSON, and as rows for a spreadsheet."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from monitor.repeat.compare.comparison import Comparison, MeasureView
from monitor.repeat.compare.control import LIMITS_FROM, Chart, Trust
from monitor.repeat.compare.gauge import GaugeStudy
from monitor.repeat.compare.passes import MEASURES
from monitor.repeat.compare.rates import OVERALL
from monitor.repeat.compare.rules import RULES

__all__ = ["as_json", "gauge_json", "gauge_lines", "lines", "pass_rows", "trust_words"]


def lines(found: Comparison) -> Iterator[str]:
    """The comparison, line by line."""
    yield found.sentence
    if found.signals:
        yield found.signals
    yield from (f"note: {note}" for note in found.notes)
    yield ""
    header, rows = pass_rows(found, plain=False)
    widths = [max(len(str(row[i])) for row in [header, *rows]) for i in range(len(header))]
    for row in [header, *rows]:
        yield "  ".join(str(cell).rjust(w) if 0 < i < len(row) - 1 else str(cell).ljust(w)
                        for i, (cell, w) in enumerate(zip(row, widths, strict=True))).rstrip()
    yield ""
    for view in found.measures.values():
        yield _measure_line(view)
        yield from (f"  {line}" for line in _capability_lines(view))
    yield _alarm_line(found)


def pass_rows(found: Comparison, plain: bool = True) -> tuple[list[str], list[list[Any]]]:
    """A row a pass; plain numbers with units in the header, or the few columns that fit a screen."""
    if not plain:
        header = ["pass", "height mm", "wander mm", "dwell s", "swept %", "heat J (est.)", "equal start J",
                  "differs mm",
                  "shifted s", "remarks"]
        keys = ("height_mean_mm", "height_sd_mm", "dwell_s", "coverage", "energy_j", "energy_even_j")
        return header, [[p.label, *(MEASURES[k].show(p.values.get(k, math.nan), unit=False) for k in keys),
                         *_warp_cells(found, i),
                         "; ".join((*(["reference"] if i == found.reference else []), *found.marks(i)))]
                        for i, p in enumerate(found.passes)]
    header = ["recording", "pass", "started_utc", "operator", "t_start_s", "t_end_s", *MEASURES, "below_s", "above_s",
              "differs_mm", "shifted_s", "warnings", "remarks"]
    rows = []
    for i, p in enumerate(found.passes):
        w = found.warps.get(i)
        rows.append([str(p.folder), p.number, p.started_utc, p.operator, p.t_start_s, p.t_end_s,
                     *(p.values.get(k) for k in MEASURES), p.below_s,
                     p.above_s, w.residual if w else None, w.warp_s if w else None, " ".join(p.warnings),
                     "; ".join(found.marks(i))])
    return header, rows


def trust_words(chart: Chart, of: str = "passes") -> str:
    """What the limits are worth."""
    if chart.trust is Trust.NONE:
        if chart.n_basis >= LIMITS_FROM:
            return "no limits"
        return f"no limits: {chart.n_basis} of {LIMITS_FROM} {of}"
    return f"{chart.trust} from {chart.n_basis} {of}"


def as_json(found: Comparison) -> dict[str, Any]:
    """The comparison as one object; None where not known."""
    header, rows = pass_rows(found)
    return _clean({
        "sentence": found.sentence, "signals": found.signals,
        **{name: [{"pass": found.passes[o.index].label, "is": o.word, "measure": o.key, "value": o.value,
                   "others": o.others, "score": o.score} for o in some]
           for name, some in (("odd", found.odd), ("can_be_chance", found.perhaps))},
        "changes": [{"measure": c.key, "kind": "drift" if c.is_trend else "shift", "at": found.passes[c.at].label,
                     "before": c.before, "after": c.after} for c in found.changes],
        "left_out": {found.passes[i].label: why for i, why in found.aside.items()}, "overall_false_alarms": OVERALL,
        "reference": None if found.reference is None else found.passes[found.reference].label,
        "passes": [dict(zip(header, row, strict=True)) | {"landmarks_s": found.landmarks(i)}
                   for i, row in enumerate(rows)],
        "measures": {key: _measure_json(view) for key, view in found.measures.items()},
        "patterns": {str(r): RULES[r] for r in found.rules}, "patterns_by_chance_every_passes": found.patterns_every,
        "notes": list(found.notes)})


def gauge_lines(study: GaugeStudy) -> Iterator[str]:
    """A gauge study, line by line."""
    a = study.anova
    yield study.verdict
    yield f"  {a.n_parts} heights x {a.n_setups} set-ups x {a.n_repeats} repeats"
    for name, variance in (("repeat readings", study.repeat), ("set-up to set-up", study.setup),
                           ("set-ups that differ by height", study.interaction), ("camera in all", study.camera)):
        yield f"  {name}: sigma {math.sqrt(variance):.3f} mm, {100 * variance / study.total:.1f} % of the variance"
    if study.pooled:
        yield f"  heights and set-ups do not interact (p {a.interaction_p:.2f}); taken as repeat error"
    if math.isfinite(study.bias_mm):
        yield f"  reads {study.bias_mm:+.2f} mm on average, {study.worst_bias_mm:+.2f} mm at the worst height"


def gauge_json(study: GaugeStudy) -> dict[str, Any]:
    """A gauge study as one object."""
    keys = ("repeat", "setup", "interaction", "camera", "part", "total", "share_of_variance", "share_of_spread",
            "share_of_limits", "classes", "pooled", "bias_mm", "worst_bias_mm", "camera_sigma", "verdict")
    return _clean({key: getattr(study, key) for key in keys} | {"interaction_p": study.anova.interaction_p})


def _warp_cells(found: Comparison, index: int) -> list[str]:
    w = found.warps.get(index)
    return ["unknown", "unknown"] if w is None else [f"{w.residual:.1f}", f"{w.warp_s:.2f}"]


def _measure_line(view: MeasureView) -> str:
    m, chart = MEASURES[view.key], view.values
    if not view.n:
        return f"{m.label}: unknown"
    text = f"{m.label}: {m.show(view.mean)} on average, SD {m.show(view.sd)}, {trust_words(chart)}"
    if chart.trust is not Trust.NONE:
        text += f" ({m.show(chart.low[0], False)} to {m.show(chart.high[0])})"
    if view.hand is not None:
        text += (f"; the hand alone {m.show(view.hand.hand)}, the camera makes {100 * view.hand.camera_share:.0f} % of "
                 f"the "
                 f"variance; the mean is sure to {view.hand.mean_half:.1f} mm (90 %)")
    if view.means is not None and view.means.trust is not Trust.NONE:
        count = view.sample_signals
        text += f"; of {len(view.means.values)} samples: {f'{count} differ' if count else 'alike'}"
    if math.isfinite(view.operators_p):
        differ = "differ" if view.operators_differ else "differ no more than chance"
        text += f"; operators {differ} (p {view.operators_p:.2g})"
    return text


def _capability_lines(view: MeasureView) -> Iterator[str]:
    c = view.capability
    if c is None or not c.n:
        return
    more = (f"; {c.n_more} more within the limits would make that 95 %" if c.n_more else "")
    yield (f"{c.n_inside} of {c.n} passes within the job's limits: of such passes at least {100 * c.share_low:.0f} % "
           f"are "
           f"(95 % sure, whatever their law){more}")
    if c.why_not:
        yield f"no Cp, Cpk: {c.why_not}"
        return
    camera = ("; the camera's share is not known: make a gauge study" if view.key == "height_mean_mm"
              and math.isnan(c.camera_share)
              else f", Cp of the hand alone {c.cp_hand:.2f}" if math.isfinite(c.cp_hand) else "")
    both = f"Cp {c.cp:.2f}, " if math.isfinite(c.cp) else ""
    yield f"{both}Cpk {c.cpk:.2f} as seen in {c.n} passes{camera}"


def _alarm_line(found: Comparison) -> str:
    text = (f"at most {100 * OVERALL:.0f} % of comparisons of passes that differ by chance alone say that one stands "
            "out or that something changes (simulated for 4 to 200 passes); what can be chance is marked so and counts "
            "for nothing")
    if found.rules:
        text += (f"; patterns ({'; '.join(RULES[r] for r in found.rules)}) come by chance every "
                 f"{found.patterns_every:.0f} "
                 "passes in each measure and count for nothing")
    return text


def _measure_json(view: MeasureView) -> dict[str, Any]:
    c = view.capability
    charts = {"single": view.values, "moving_range": view.ranges, "weighted_mean": view.drift,
              "cumulative_sum": view.sums,
              "means": view.means,
              "standard_deviations": view.spreads}
    return {"label": MEASURES[view.key].label, "unit": MEASURES[view.key].unit.replace("%", "share"),
            "estimated": MEASURES[view.key].estimated,
            "n": view.n, "hand": None if view.hand is None else vars(view.hand), "mean": view.mean, "sd": view.sd,
            "operators_p": view.operators_p, "operators_differ": view.operators_differ, "trust": str(view.values.trust),
            "charts": {name: _chart_json(chart) for name, chart in charts.items() if chart is not None},
            "capability": None if c is None else {k: getattr(c, k) for k in c.__dataclass_fields__}}


def _chart_json(chart: Chart) -> dict[str, Any]:
    return {"values": chart.values.tolist(), "centre": chart.centre, "low": chart.low.tolist(),
            "high": chart.high.tolist(),
            "sigma": chart.sigma, "trust": str(chart.trust), "n_basis": chart.n_basis,
            "signals": {str(i + 1): list(what) for i, what in chart.signals.items()}}


def _clean(value: Any) -> Any:
    """Plain numbers, None where not known."""
    if isinstance(value, dict):
        return {key: _clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(item) for item in value]
    if isinstance(value, bool) or not hasattr(value, "__float__"):
        return value
    number = float(value)
    return (int(value) if isinstance(value, int) else float(f"{number:.8g}")) if math.isfinite(number) else None
