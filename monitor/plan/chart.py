"""Draws a plan: time against temperature for the coldest joint and the first limit, and the chance of settings."""

from __future__ import annotations

import textwrap
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from monitor.figure_file import write_figure
from monitor.plan.types import Plan

__all__ = ["draw_plan"]

JOINT, LIMITED = "C0", "C3"


def draw_plan(plan: Plan, path: Path) -> None:
    """Write the plan's picture as PNG; EnvironmentFault when it cannot be written."""
    figure = Figure(figsize=(12, 6.2), layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=(1.35, 1))
    _course(left, plan)
    _map(figure, right, plan)
    figure.suptitle(textwrap.fill(plan.reason, 125), fontsize=11, x=0.01, ha="left")
    write_figure(figure, path)


def _course(axes: Axes, plan: Plan) -> None:
    """The coldest joint and the site that comes first to its limit, with 90 % bands and the three moments."""
    times = plan.course.times_s
    first = _first_limit(plan)
    limit = plan.limits[first]
    for name, colour in (("joint corner", JOINT), (first, LIMITED)):
        low, high = np.quantile(plan.course.of(name)[:, 1:], [0.05, 0.95], axis=1)
        label = "coldest joint" if name == "joint corner" else f"{name}, first to its limit"
        axes.fill_between(times, low, high, color=colour, alpha=0.18, linewidth=0)
        axes.plot(times, plan.course.of(name)[:, 0], color=colour, linewidth=2, label=label)
    axes.axhline(plan.melt.mark_c, color=JOINT, linestyle=(0, (6, 2)), linewidth=1.2)
    axes.axhline(limit.value_c, color=LIMITED, linestyle=(0, (2, 1.5)), linewidth=1.2)
    end = times[-1]
    above = limit.value_c >= plan.melt.mark_c
    for at, words, colour, is_upper in (
        (plan.melt.mark_c, "joints must pass", JOINT, not above),
        (limit.value_c, f"{first} must stay under", LIMITED, above),
    ):
        axes.annotate(
            f"{words} {at:.0f} C",
            (end, at),
            (-4, 4 if is_upper else -4),
            textcoords="offset points",
            color=colour,
            fontsize=8.5,
            ha="right",
            va="bottom" if is_upper else "top",
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.8},
        )
    _moments(axes, plan)
    _stage_bars(axes, plan)
    axes.set(xlabel="time under the jet [s]", ylabel="temperature [C]", xlim=(0, end))
    axes.set_title(f"{plan.closest.setpoint_c:.0f} C: middle estimates and 90 % bands", fontsize=10, loc="left")
    axes.legend(loc="lower right", fontsize=8.5)
    axes.grid(alpha=0.3)


def _moments(axes: Axes, plan: Plan) -> None:
    """When to try, when the melt is most likely, when to stop."""
    early, likely, _ = plan.melt_seen_s
    stop = plan.latest_stop_s
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.16 * (high - low))
    told = [(early, "try from", "0.4"), (likely, "likely molten", JOINT), (stop, "stop by", LIMITED)]
    told = [t for t in told if np.isfinite(t[0]) and t[0] <= plan.course.times_s[-1] + 1e-6]
    if plan.verdict == "closed":
        told = [t for t in told if t[1] == "stop by"]
    for n, (at, words, colour) in enumerate(told):
        axes.axvline(at, color=colour, linewidth=1.2, linestyle="-" if words == "stop by" else (0, (4, 2)))
        right = at < 0.75 * plan.course.times_s[-1]
        axes.text(
            at,
            0.985 - 0.045 * n,
            f" {words} {at:.0f} s ",
            color=colour,
            fontsize=9,
            ha="left" if right else "right",
            va="top",
            transform=axes.get_xaxis_transform(),
        )


def _stage_bars(axes: Axes, plan: Plan) -> None:
    """Stages along the foot of the picture, when there is more than one."""
    if len(plan.closest.stages) < 2:
        return
    since = 0.0
    for n, stage in enumerate(plan.closest.stages):
        axes.axvspan(since, since + stage.seconds, ymax=0.05, color="0.5", alpha=0.15 + 0.15 * n)
        axes.text(
            since + stage.seconds / 2,
            0.025,
            f"{stage.height_m * 1e3:.0f} mm",
            fontsize=8,
            ha="center",
            va="center",
            transform=axes.get_xaxis_transform(),
        )
        since += stage.seconds


def _map(figure: Figure, axes: Axes, plan: Plan) -> None:
    """Chance of melt before any limit over height and setpoint."""
    here = plan.settings
    x, y = here.heights_m * 1e3, here.setpoints_c
    if x.size < 2 or y.size < 2:
        axes.set_axis_off()
        return
    shown = axes.contourf(x, y, here.chance, levels=np.linspace(0, 1, 11), cmap="viridis", vmin=0, vmax=1)
    figure.colorbar(shown, ax=axes, label="chance that the melt comes before any limit")
    for level, style in ((0.3, "--"), (0.7, "-")):
        if here.chance.min() < level < here.chance.max():
            lines = axes.contour(x, y, here.chance, levels=[level], colors="w", linestyles=style, linewidths=1.5)
            axes.clabel(lines, fmt={level: "careful" if level == 0.3 else "open"}, fontsize=8)
    single = len(plan.closest.stages) == 1
    if single or plan.verdict == "closed":
        axes.plot(
            plan.closest.height_m * 1e3,
            plan.closest.setpoint_c,
            "wD" if plan.is_open else "wX",
            ms=9,
            mec="k",
            clip_on=False,
            zorder=5,
            label="start" if plan.is_open else "closest",
        )
        axes.legend(loc="upper right", fontsize=8.5)
    axes.set(xlabel="nozzle height over the board [mm]", ylabel="station setpoint [C]")
    axes.set_title("every setting, held in one stage", fontsize=10, loc="left")


def _first_limit(plan: Plan) -> str:
    """The site that comes to its limit first, or nearest to it, by the middle estimate."""
    margin = {}
    for name, limit in plan.limits.items():
        temps = plan.course.of(name)[:, 0]
        passed = np.flatnonzero(temps > limit.value_c)
        margin[name] = (float(plan.course.times_s[passed[0]]) if passed.size else np.inf, limit.value_c - temps.max())
    return min(margin, key=margin.__getitem__)
