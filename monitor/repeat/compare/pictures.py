"""Draws a comparison: one measure pass by pass with its limits, and the height traces over one another."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from monitor.files import write_text_whole
from monitor.plain import plain_figure
from monitor.repeat.compare.align import percent_axis
from monitor.repeat.compare.comparison import Comparison
from monitor.repeat.compare.control import Chart, Trust
from monitor.repeat.compare.passes import MEASURES
from monitor.repeat.compare.tables import trust_words

__all__ = ["LIGHT_PAPER", "Colours", "draw_run", "draw_samples", "draw_sums", "draw_traces", "write_pictures"]

MOST_TRACES_IN_FULL = 60
INCHES_A_NAME = 2.2  # in a legend, at its size of type
LOW_INCHES = 1.8  # axes that get no more show their data instead of a legend and long names
Z90 = 1.645


@dataclass(frozen=True)
class Colours:
    """Colours of a picture as #rrggbb; every one goes with its own mark or line style."""

    paper: str
    ink: str
    soft: str
    line: str
    reference: str
    odd: str
    drift: str
    band: str


LIGHT_PAPER = Colours("#ffffff", "#1b1f22", "#4e565d", "#c3c8cc", "#0f5f9e", "#8c1d4f", "#a34a00", "#dcebe6")


@dataclass(frozen=True)
class _Run:
    """One measure of every pass in order, as it is drawn: scale takes it to the unit that is shown."""

    found: Comparison
    key: str
    scale: float
    colours: Colours

    @property
    def x(self) -> np.ndarray:
        return np.arange(1, len(self.found.passes) + 1)

    @property
    def y(self) -> np.ndarray:
        return self.scale * self.found.measures[self.key].values.values


def draw_run(axes: Any, found: Comparison, key: str, colours: Colours = LIGHT_PAPER, chosen: int | None = None) -> None:
    """One measure of every pass in order, its weighted mean, and limits where there are any.

    Parameters
    ----------
    axes : matplotlib Axes
        Is cleared first; its points can be picked and their index is the pass's.
    found : Comparison
    key : str
        Of the measure.
    colours : Colours
    chosen : int, optional
        Pass to ring.
    """
    axes.clear()
    view, measure = found.measures[key], MEASURES[key]
    scale = 100.0 if measure.unit == "%" else 1.0
    run = _Run(found, key, scale, colours)
    x, y = run.x, run.y
    if view.values.trust is not Trust.NONE:
        _limits(axes, view.values, scale, scale * measure.most, colours, trust_words(view.values))
        axes.plot(x, scale * view.drift.values, color=colours.drift, lw=1.6, ls="--", label="weighted mean")
    elif np.isfinite(view.mean):
        axes.axhline(scale * view.mean, color=colours.soft, lw=1, ls=":", label=f"mean ({trust_words(view.values)})")
    axes.plot(x, y, color=colours.soft, lw=0.9, zorder=2)
    _whiskers(axes, run)
    axes.plot(x, y, "o", color=colours.ink, ms=5, picker=6, zorder=3, label="a pass")
    _special_points(axes, run, chosen)
    if key == "height_mean_mm":
        _allowed(axes, found, colours, y)
    _left_out(axes, run)
    _dress(axes, f"{measure.label}, {measure.unit}", "pass, in order", colours)
    axes.xaxis.get_major_locator().set_params(integer=True)
    axes.set_xlim(0.5, len(x) + 0.5)
    _legend(axes, colours, 4)


def draw_sums(axes: Any, found: Comparison, key: str, colours: Colours = LIGHT_PAPER) -> None:
    """Cumulative sums above and below the centre of one measure, in standard deviations of a pass; a shift shows as a
    slope.
    """
    axes.clear()
    chart = found.measures[key].sums
    x = np.arange(1, len(found.passes) + 1)
    if chart.trust is not Trust.NONE:
        for place, word in ((chart.low[0], None), (chart.high[0], "limit")):
            axes.axhline(place, color=colours.reference, lw=1.1, label=word)
    axes.axhline(0.0, color=colours.soft, lw=0.7)
    axes.plot(x, chart.values, color=colours.drift, lw=1.6, label="cumulative sum")
    _dress(axes, "sum, SD", "pass, in order", colours)
    axes.xaxis.get_major_locator().set_params(integer=True)
    axes.set_xlim(0.5, len(x) + 0.5)
    _legend(axes, colours, 3)


def draw_traces(axes: Any, found: Comparison, colours: Colours = LIGHT_PAPER, *, seconds: bool = False,
                chosen: int | None = None) -> None:
    """Height of all passes over one another, the envelope of the usual ones, the reference and the odd ones.

    Parameters
    ----------
    axes : matplotlib Axes
        Is cleared first; its lines can be picked, their gid is the pass's index.
    found : Comparison
    colours : Colours
    seconds : bool
        Against seconds from the entry instead of per cent of the pass.
    chosen : int, optional
        Pass to draw bold.
    """
    axes.clear()
    odd = {o.index for o in found.odd}
    if not seconds and found.curves is not None and np.isfinite(found.curves.low).all():
        axes.fill_between(percent_axis(), found.curves.low, found.curves.high, color=colours.reference, alpha=0.18,
                          lw=0, label="the middle half")
    for i, percent in zip(found.curve_of, found.percent_mm, strict=True):
        p = found.passes[i]
        x, y = (p.t_s, p.height_mm) if seconds else (percent_axis(), percent)
        style = _style(i, found, odd, chosen, colours)
        if style is not None:
            axes.plot(x, y, gid=str(i), picker=4, **style)
    low, high = found.job.limits.height_mm
    for limit, word in ((low, None), (high, f"allowed: {low:g} to {high:g} mm")):
        axes.axhline(limit, color=colours.odd, lw=1, ls=(0, (1, 2)), label=word)
    _dress(axes, "height over the board, mm", "seconds from the entry" if seconds else "per cent of the pass", colours)
    axes.set_ylim(0, None)
    _legend(axes, colours, 3)


def draw_samples(above: Any, below: Any, found: Comparison, key: str, colours: Colours = LIGHT_PAPER) -> None:
    """Means of the samples on one pair of axes, their standard deviations on the other."""
    view, measure = found.measures[key], MEASURES[key]
    scale = 100.0 if measure.unit == "%" else 1.0
    for axes, chart in ((above, view.means), (below, view.spreads)):
        assert chart is not None  # there are samples
        axes.clear()
        x, y = np.arange(1, len(chart.values) + 1), scale * chart.values
        if chart.trust is not Trust.NONE:
            _limits(axes, chart, scale, scale * measure.most, colours, trust_words(chart, "samples"))
        axes.plot(x, y, "-o", color=colours.ink, lw=0.9, ms=5, label=f"a sample ({trust_words(chart, 'samples')})"
                  if chart.trust is Trust.NONE else "a sample")
        out = sorted(chart.signals)
        if out:
            axes.plot(x[out], y[out], "s", ms=9, mfc="none", mec=colours.drift, mew=2, ls="none", label="signals")
        _dress(axes, f"{measure.short}, {chart.name}, {measure.unit}", "sample, in order", colours)
        axes.xaxis.get_major_locator().set_params(integer=True)
        _legend(axes, colours, 4)


def write_pictures(found: Comparison, folder: Path) -> list[Path]:
    """Write one SVG a measure, one a measure of the samples where there are any, and one of the traces."""
    paths = []
    for key in MEASURES:
        figure = Figure(figsize=(9.0, 5.2), layout="constrained")
        above, below = figure.subplots(2, 1, height_ratios=(2.2, 1))
        draw_run(above, found, key)
        draw_sums(below, found, key)
        paths.append(_write(figure, folder / f"passes_{key}.svg"))
    for key, view in found.measures.items():
        if view.means is not None:
            figure = Figure(figsize=(9.0, 6.0), layout="constrained")
            above, below = figure.subplots(2, 1)
            draw_samples(above, below, found, key)
            paths.append(_write(figure, folder / f"samples_{key}.svg"))
    if len(found.curve_of):
        figure = Figure(figsize=(9.0, 4.2), layout="constrained")
        draw_traces(figure.add_subplot(), found)
        paths.append(_write(figure, folder / "traces.svg"))
    return paths


def _limits(axes: Any, chart: Chart, scale: float, most: float, colours: Colours, words: str) -> None:
    low, high = scale * chart.low[0], scale * chart.high[0]
    style = "-" if chart.trust is Trust.FROZEN else (0, (6, 3))
    for place, word in ((low, None), (min(high, most), words)):
        axes.axhline(place, color=colours.reference, lw=1.1, ls=style, label=word)
    axes.axhline(scale * chart.centre, color=colours.reference, lw=0.8, ls=":", label="centre line")


def _special_points(axes: Any, run: _Run, chosen: int | None) -> None:
    found, key, colours, x, y = run.found, run.key, run.colours, run.x, run.y
    view = found.measures[key]
    signals = sorted({*view.drift.signals, *view.sums.signals, *view.patterns})
    odd = sorted({o.index for o in found.odd if o.key == key})
    for index, mark, size, colour, word in (
            (signals, "s", 9, colours.drift, "signals"), (odd, "D", 9, colours.odd, "odd"),
            ([found.reference] if found.reference is not None else [], "^", 9, colours.reference, "reference")):
        if index:
            axes.plot(x[index], y[index], mark, ms=size, mfc="none", mec=colour, mew=2, ls="none", label=word, zorder=4)
    middle = np.nanmedian(y) if np.isfinite(y).any() else 0.0
    for i in odd[:6]:
        word = next(o.word for o in found.odd if o.index == i and o.key == key)
        axes.annotate(f"{found.passes[i].label} {word}", (x[i], y[i]), xytext=(0, -11 if y[i] < middle else 11),
                      textcoords="offset points", ha="right" if i == len(x) - 1 else "center",
                      va="top" if y[i] < middle else "bottom", fontsize=8.5, color=colours.odd)
    if chosen is not None:
        axes.plot(x[[chosen]], y[[chosen]], "o", ms=18, mfc="none", mec=colours.ink, mew=1.4, ls="none", label="chosen",
                  zorder=5)


def _left_out(axes: Any, run: _Run) -> None:
    aside = sorted(run.found.aside)
    if aside:
        y = run.scale * np.array([run.found.passes[i].values.get(run.key, np.nan) for i in aside])
        axes.plot(run.x[aside], y, "x", color=run.colours.soft, ms=7, ls="none", label="left out", zorder=3)


def _whiskers(axes: Any, run: _Run) -> None:
    """What one value may be off by."""
    half = run.scale * Z90 * np.array([p.sigmas.get(run.key, np.nan) for p in run.found.passes])
    if np.isfinite(half).any():
        word = "estimate, 90 %" if MEASURES[run.key].estimated else "camera, 90 %"
        axes.errorbar(run.x, run.y, yerr=np.nan_to_num(half), fmt="none", ecolor=run.colours.line, elinewidth=1.2,
                      zorder=1, label=word)


def _allowed(axes: Any, found: Comparison, colours: Colours, y: np.ndarray) -> None:
    """The allowed heights as a ground, without stretching the scale to them."""
    known = y[np.isfinite(y)]
    low, high = found.job.limits.height_mm
    bottom, top = axes.get_ylim()
    axes.axhspan(low, high, color=colours.band, alpha=0.6, zorder=0, lw=0, label=f"allowed: {low:g} to {high:g} mm")
    if len(known):
        axes.set_ylim(bottom - 0.1 * (top - bottom), top + 0.1 * (top - bottom))


def _style(i: int, found: Comparison, odd: set[int], chosen: int | None, colours: Colours) -> dict[str, Any] | None:
    label = found.passes[i].label
    if i == chosen:
        words = ", ".join(["chosen", *(["odd"] if i in odd else []), *(["reference"] if i == found.reference else [])])
        return {"color": colours.ink, "lw": 2.6, "zorder": 6, "label": f"{label} ({words})"}
    if i in odd:
        word = next(o.word for o in found.odd if o.index == i)
        return {"color": colours.odd, "lw": 2.0, "ls": "-.", "zorder": 5, "label": f"{label} ({word})"}
    if i == found.reference:
        return {"color": colours.reference, "lw": 2.2, "ls": "--", "zorder": 4, "label": f"{label} (reference)"}
    if len(found.curve_of) > MOST_TRACES_IN_FULL and i % (len(found.curve_of) // MOST_TRACES_IN_FULL + 1):
        return None
    return {"color": colours.soft, "lw": 0.9, "alpha": 0.6, "zorder": 2}


def _is_low(axes: Any) -> bool:
    """Whether the figure leaves little height for these axes."""
    return bool(axes.figure.get_figheight() < LOW_INCHES * axes.get_gridspec().nrows)


def _dress(axes: Any, y_label: str, x_label: str, colours: Colours) -> None:
    if _is_low(axes):
        y_label = y_label.rpartition(", ")[2]  # the unit
        x_label = x_label if axes.get_subplotspec().is_last_row() else ""
        axes.yaxis.set_major_locator(MaxNLocator(3))
    axes.set_ylabel(y_label, fontsize=9.5, color=colours.ink)
    axes.set_xlabel(x_label, fontsize=9.5, color=colours.ink)
    axes.set_facecolor(colours.paper)
    axes.figure.set_facecolor(colours.paper)
    axes.grid(color=colours.line, lw=0.5, alpha=0.4)
    axes.tick_params(labelsize=9, colors=colours.ink)
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(colours.soft)


def _legend(axes: Any, colours: Colours, columns: int) -> None:
    handles, labels = axes.get_legend_handles_labels()
    if _is_low(axes):
        return
    columns = min(columns, max(1, int(axes.figure.get_figwidth() / INCHES_A_NAME)))
    if handles:
        axes.legend(handles, labels, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns, fontsize=8,
                    frameon=False, labelcolor=colours.ink, borderaxespad=0.2, columnspacing=1.4, handlelength=2.4)


def _write(figure: Figure, path: Path) -> Path:
    out = io.StringIO()
    plain_figure(figure)
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "plumeline"}):
        FigureCanvasSVG(figure).print_svg(out, metadata={"Date": None, "Creator": None})
    write_text_whole(path, out.getvalue())
    return path
