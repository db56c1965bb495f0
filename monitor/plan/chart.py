"""Draws a plan: the window as a map with its limits as lines, and the start's temperatures over time."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from monitor.errors import EnvironmentFault
from monitor.files import write_bytes_whole

if TYPE_CHECKING:
    from monitor.plan.window import Plan

__all__ = ["draw_plan"]

LINES = ("-", "--", "-.", ":")


def draw_plan(plan: Plan, path: Path) -> None:
    """Write the plan's picture as PNG; EnvironmentFault when it cannot be written."""
    figure = Figure(figsize=(12, 6.2), layout="constrained")
    canvas = FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2, width_ratios=(1.15, 1))
    _map(figure, left, plan)
    _course(right, plan)
    figure.suptitle(_wrapped(plan.reason, 120), fontsize=11, x=0.01, ha="left")
    png = io.BytesIO()
    canvas.print_png(png)
    try:
        write_bytes_whole(path, png.getvalue())
    except OSError as fault:
        raise EnvironmentFault(f"{path}: cannot write the picture ({fault.strerror})") from fault


def _map(figure: Figure, axes, plan: Plan) -> None:
    """Margin over height and setpoint at the start's sweep; the window is where nothing is hatched."""
    k = int(np.argmin(abs(plan.sweeps_m - plan.closest.sweep_m)))
    x, y = plan.heights_m * 1e3, plan.setpoints_c
    reach, margin = plan.reach_k[:, :, k], plan.site_margin_k[:, :, :, k].min(axis=0)
    shown = axes.contourf(x, y, margin, levels=np.arange(-80, 81, 10), cmap="PuOr", extend="both")
    figure.colorbar(shown, ax=axes, label="distance to the first limit when the joints are done [K]")
    if reach.min() < 0:
        axes.contourf(x, y, reach, levels=[-1e4, 0.0], colors=["0.87"], hatches=["///"])
    handles = []
    for n, site in enumerate(plan.sites):
        values = plan.site_margin_k[n, :, :, k]
        if values.min() < 0 < values.max():
            axes.contour(x, y, values, levels=[0.0], colors=f"C{n}", linestyles=LINES[n % 4], linewidths=2)
            label = f"{site} at {plan.limits[site].value_c:.0f} C"
            handles += axes.plot([], [], color=f"C{n}", linestyle=LINES[n % 4], linewidth=2, label=label)
    if reach.min() < 0 < reach.max():
        axes.contour(x, y, reach, levels=[0.0], colors="k", linewidths=1.5)
    if reach.min() < 0:
        handles.append(axes.fill([], [], facecolor="0.87", hatch="///", edgecolor="k",
                                 label="joints not done in time")[0])
    marker = "best start" if plan.is_open else "closest, but no window"
    handles += axes.plot(plan.closest.height_m * 1e3, plan.closest.setpoint_c, "kD" if plan.is_open else "kX", ms=10,
                         label=marker, clip_on=False, linestyle="none", zorder=5)
    axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.11), ncols=2, fontsize=8, frameon=False)
    axes.set(xlabel="nozzle height over the board [mm]", ylabel="station setpoint [C]",
             title=f"sweep radius {plan.sweeps_m[k] * 1e3:.1f} mm\na window is violet and not hatched")


def _course(axes, plan: Plan) -> None:
    """Temperatures of the start over the dwell, with the bands at its end."""
    s = plan.closest
    for n, (name, temps) in enumerate(plan.history.items()):
        colour = "k" if n == 0 else f"C{n - 1}"
        axes.plot(plan.history_s, temps, color=colour, label=name, linestyle="-" if n == 0 else LINES[(n - 1) % 4])
        if name in plan.limits:
            axes.axhline(plan.limits[name].value_c, color=colour, linewidth=0.8, alpha=0.6)
        b = s.temp_c[name]
        at = s.dwell_s + 0.018 * plan.history_s[-1] * (n - (len(plan.history) - 1) / 2)
        axes.errorbar([at], [b.mid], [[b.mid - b.low], [b.high - b.mid]], color=colour, capsize=3, marker="o", ms=4)
    axes.axhline(plan.mark_c, color="k", linewidth=1.5, linestyle=(0, (6, 2)))
    axes.text(plan.history_s[-1], plan.mark_c - 2, f"joints must pass {plan.mark_c:.0f} C", fontsize=8, ha="right",
              va="top", bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 1})
    axes.axvline(s.dwell_s, color="0.5", linewidth=0.8)
    axes.set(xlabel="dwell [s]", ylabel="temperature [C]", xlim=(0, plan.history_s[-1]),
             title=f"{s.setpoint_c:.0f} C, {s.height_m * 1e3:.0f} mm, {s.dwell_s:.0f} s\n"
                   "bars: 90 % band then; thin lines: limits")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.11), ncols=3, fontsize=8, frameon=False)
    axes.grid(alpha=0.3)


def _wrapped(text: str, width: int) -> str:
    """The text over as many lines as it needs."""
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)
