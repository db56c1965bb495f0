"""Pictures for reports and windows: height and heat against time, maps over the board; as figures, SVG or PNG."""

from __future__ import annotations

import io
from typing import Any

import cv2
import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from monitor.job import Job
from monitor.judging.technique import work_grid
from monitor.plain import plain_figure
from monitor.recording.reader import PICTURE, Recording
from monitor.review.traces import BoardMap
from monitor.review.verdict import WARNING_WORDS
from vision.camera.sources import read_photo
from vision.errors import SourceError

Box = tuple[float, float, float, float]  # left, right, bottom, top [mm]

__all__ = [
    "INK",
    "NEIGHBOUR_COLOUR",
    "TARGET_COLOUR",
    "board_photo",
    "heat_chart",
    "heat_figure",
    "height_chart",
    "height_figure",
    "joint_figure",
    "map_chart",
    "map_figure",
    "png_of",
    "stored_map_figure",
    "svg_of",
]

# told apart in grey and by the common colour-vision deficiencies; every use has a label or a line style besides
INK, GRID, MEASURED, ESTIMATE = "#1c2733", "#d5dae0", "#0b5c8a", "#a3480f"
TARGET_COLOUR, NEIGHBOUR_COLOUR, LIMIT = "#0d7a5f", "#8a3ffc", "#b3261e"
LANE = {"too_far": "#b8860b", "too_close": "#b3261e", "drift": "#8a3ffc", "not_seen": "#5f6b78"}
MOST_POINTS = 4000
HEAT_MAP = LinearSegmentedColormap.from_list("warm", ["#ffe9a8", "#f59b3a", "#c8371b", "#5c0f24"])
TIME_MAP = LinearSegmentedColormap.from_list("time", ["#c9f0ff", "#4aa3d8", "#1f4fa3", "#131a4a"])


def height_chart(recording: Recording, job: Job) -> str:
    """`height_figure` as SVG."""
    return svg_of(height_figure(recording, job))


def heat_chart(recording: Recording, job: Job) -> str | None:
    """`heat_figure` as SVG."""
    figure = heat_figure(recording, job)
    return None if figure is None else svg_of(figure)


def map_chart(recording: Recording, job: Job, name: str, picture: np.ndarray | None) -> str | None:
    """`stored_map_figure` as SVG."""
    figure = stored_map_figure(recording, job, name, picture)
    return None if figure is None else svg_of(figure)


def height_figure(recording: Recording, job: Job) -> Figure:
    """Height over the board against time, with its 90 % band, the limits, passes and warnings."""
    figure, (lanes, axes) = _figure(2, 4.6, heights=(_n_lanes(recording) * 0.22 + 0.15, 3.2))
    t, height, sigma = _measured(recording, "height_mm", "height_sigma_mm")
    low, high = job.limits.height_mm
    axes.axhspan(low, high, color="#e3f1ec", zorder=0)
    for limit, word in ((low, "lowest allowed"), (high, "highest allowed")):
        axes.axhline(limit, color=LIMIT, lw=1, ls="--")
        axes.annotate(f"{word} {limit:g} mm", (1, limit), xycoords=("axes fraction", "data"), xytext=(-4, 3),
                      textcoords="offset points", ha="right", color=LIMIT, fontsize=8)
    axes.fill_between(t, height - 1.645 * sigma, height + 1.645 * sigma, color=MEASURED, alpha=0.25, lw=0,
                      label="90 % band")
    axes.plot(t, height, color=MEASURED, lw=1.4, label="height of the outlet over the board")
    _dress(axes, "height, mm")
    top = np.nanpercentile(height, 98) if np.isfinite(height).any() else high
    axes.set_ylim(min(0.0, low - 2), max(1.35 * high, min(1.15 * top, 3 * high)))
    axes.set_xlabel("time, s")
    axes.set_xlim(t[0] if len(t) else 0.0, t[-1] if len(t) > 1 else (t[0] if len(t) else 0.0) + 1.0)
    axes.legend(loc="upper center", ncol=2, fontsize=8, frameon=False, bbox_to_anchor=(0.5, -0.17))
    _draw_lanes(lanes, recording)
    return figure


def heat_figure(recording: Recording, job: Job) -> Figure | None:
    """Estimated joint, package and two neighbours' temperatures, and heat into the part; None without an estimate."""
    if not recording.heat:
        return None
    figure, (temp, energy) = _figure(2, 5.0, heights=(3.0, 1.5))
    times = dict(zip(recording.frames["frame"].astype(int), recording.frames["t_s"], strict=True))
    t = np.array([times[row["frame"]] for row in recording.heat])
    for site, colour, style in (("package top", "#5f6b78", "--"), ("joint centre", ESTIMATE, "-"),
                                *zip(job.neighbour_names, (NEIGHBOUR_COLOUR, "#00707c"), (":", "-."), strict=False)):
        band = _band(recording.heat, "temp_c", site)
        if band is not None:
            _line(temp, t, band, colour, style, site)
            if site == "joint centre":
                _shade(temp, t, band, colour)
    _dress(temp, "estimated\ntemperature, C")
    temp.legend(loc="upper left", fontsize=8, frameon=False, ncol=2)
    _band_line(energy, t, _band(recording.heat, "energy_j", job.target.name), ESTIMATE, "-", job.target.name)
    _dress(energy, f"heat into {job.target.name}\nsince the start, J")
    energy.set_xlabel("time, s; shaded: 90 % band of the estimate")
    return figure


def joint_figure(recording: Recording, curve: list[list[float | None]], words: str) -> Figure | None:
    """The joints' centre as estimated, and as it would have been: rows of time, low, middle, high; None without
    them.
    """
    if not recording.heat or not curve:
        return None
    figure, (axes,) = _figure(1, 2.9, heights=(1.0,))
    times = dict(zip(recording.frames["frame"].astype(int), recording.frames["t_s"], strict=True))
    t = np.array([times[row["frame"]] for row in recording.heat])
    _band_line(axes, t, _band(recording.heat, "temp_c", "joint centre"), ESTIMATE, "-", "as recorded")
    rows = np.array(curve, float)
    _band_line(axes, rows[:, 0], rows[:, 1:], NEIGHBOUR_COLOUR, "--", f"with {words}")
    _dress(axes, "joint centre,\nestimate, C")
    axes.set_xlabel("time, s; shaded: 90 % band of the estimate")
    axes.legend(loc="upper left", fontsize=8, frameon=False)
    return figure


def stored_map_figure(recording: Recording, job: Job, name: str, picture: np.ndarray | None) -> Figure | None:
    """One of the stored maps ("dwell" or "board_top") drawn over the straightened picture of the board.

    Parameters
    ----------
    picture : array, shape (h, w, 3), uint8, RGB, or None
    """
    stored = recording.maps.get(name)
    if stored is None:
        return None
    left, bottom, step = stored["left_mm"], stored["bottom_mm"], stored["step_mm"]
    own = (left, left + step * stored["nx"], bottom, bottom + step * stored["ny"])
    label, unit = ("jet over the spot, s", "s") if name == "dwell" else ("estimated board top at the end, C", "C")
    shown = BoardMap(own, stored["cells"], unit)
    return map_figure(job, shown, label, picture, recording.picture_extent_mm)


def map_figure(job: Job, drawn: BoardMap, label: str, picture: np.ndarray | None, picture_extent_mm: Box | None, *,
               ink: str = INK, ground: str = "#ffffff") -> Figure:
    """A quantity over the board drawn over its straightened picture, with the regions.

    Parameters
    ----------
    drawn : BoardMap
        Of a time, in s, the zero is left clear; of a temperature or a rise, the coolest 3 %.
    picture_extent_mm : tuple
        Left, right, bottom, top.
    """
    cells, is_time = drawn.cells, drawn.unit == "s"
    figure = Figure(figsize=(5.2, 5.0), layout="constrained", facecolor=ground)
    axes = figure.add_subplot(facecolor=ground)
    if picture is not None and picture_extent_mm is not None:
        axes.imshow(picture, extent=picture_extent_mm, interpolation="bilinear")
    known = cells[np.isfinite(cells)]
    floor = 0.0 if is_time else known.min() + 0.03 * np.ptp(known) if known.size else 0.0
    shown = np.ma.masked_where(~(cells > floor), cells)
    image = axes.imshow(shown, extent=drawn.extent_mm, origin="lower", alpha=0.62, interpolation="nearest",
                        cmap=TIME_MAP if is_time else HEAT_MAP)
    bar = figure.colorbar(image, ax=axes, shrink=0.82)
    bar.set_label(label, fontsize=9, color=ink)
    bar.ax.tick_params(colors=ink)
    _draw_regions(axes, job)
    box = picture_extent_mm or work_grid(job).extent_mm
    axes.set(xlim=box[:2], ylim=box[2:], aspect="equal")
    axes.set_xlabel("x, mm", color=ink)
    axes.set_ylabel("y, mm", color=ink)
    axes.tick_params(labelsize=8, colors=ink)
    return figure


def board_photo(recording: Recording) -> np.ndarray | None:
    """The straightened picture of the board, shape (h, w, 3), uint8, RGB; None when there is none."""
    path = recording.folder / PICTURE
    try:
        return cv2.cvtColor(read_photo(path), cv2.COLOR_BGR2RGB) if path.exists() else None
    except SourceError:
        return None


def svg_of(figure: Figure) -> str:
    """SVG element without its XML head, ids made stable so that the same recording gives the same file."""
    out = io.StringIO()
    plain_figure(figure)
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "plumeline"}):
        FigureCanvasSVG(figure).print_svg(out, metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    return svg[svg.index("<svg"):]


def png_of(figure: Figure, dpi: float = 100.0) -> bytes:
    """The figure as PNG."""
    out = io.BytesIO()
    figure.set_dpi(dpi)
    plain_figure(figure)
    FigureCanvasAgg(figure).print_png(out, metadata={"Software": None})
    return out.getvalue()


def _draw_regions(axes: Axes, job: Job) -> None:
    regions = [(job.target.name, job.target.outline_mm, TARGET_COLOUR, "-")]
    regions += [(n, r.outline_mm, NEIGHBOUR_COLOUR, "--")
                for n, r in zip(job.neighbour_names, job.neighbour, strict=True)]
    for name, outline, colour, style in regions:
        ring = np.array([*outline, outline[0]])
        axes.plot(ring[:, 0], ring[:, 1], color="white", lw=3.2)
        axes.plot(ring[:, 0], ring[:, 1], color=colour, lw=1.6, ls=style)
        axes.annotate(name, (ring[:, 0].mean(), ring[:, 1].max()), xytext=(0, 4), textcoords="offset points",
                      ha="center", fontsize=8, color=INK,
                      bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": colour, "alpha": 0.85})


def _n_lanes(recording: Recording) -> int:
    return len({w["kind"] for w in recording.warnings}) + 1


def _draw_lanes(axes: Axes, recording: Recording) -> None:
    """Passes on top, then one lane for every kind of warning that came up."""
    end = float(recording.frames["t_s"][-1]) if len(recording.frames["t_s"]) else 1.0
    kinds = sorted({w["kind"] for w in recording.warnings})
    rows = ["passes", *(WARNING_WORDS.get(k, k) for k in kinds)]
    for p in recording.passes:
        axes.barh(0, p["t_end_s"] - p["t_start_s"], left=p["t_start_s"], height=0.7, color=TARGET_COLOUR)
        axes.text((p["t_start_s"] + p["t_end_s"]) / 2, 0, str(p["number"]), ha="center", va="center", color="white",
                  fontsize=8)
    for w in recording.warnings:
        stop = end if w["t_end_s"] is None else w["t_end_s"]
        axes.barh(1 + kinds.index(w["kind"]), max(stop - w["t_start_s"], 0.02), left=w["t_start_s"], height=0.7,
                  color=LANE.get(w["kind"], LIMIT), hatch="///", edgecolor="white", lw=0)
    axes.set(ylim=(len(rows) - 0.4, -0.6), yticks=range(len(rows)))
    axes.set_yticklabels(rows, fontsize=8)
    axes.tick_params(length=0)
    for side in axes.spines.values():
        side.set_visible(False)


def _figure(n: int, height_in: float, heights: tuple[float, ...]) -> tuple[Figure, list[Axes]]:
    figure = Figure(figsize=(9.0, height_in), layout="constrained")
    axes = figure.subplots(n, 1, sharex=True, gridspec_kw={"height_ratios": heights})
    return figure, list(np.atleast_1d(axes))


def _dress(axes: Axes, label: str) -> None:
    axes.set_ylabel(label, fontsize=9, color=INK)
    axes.grid(color=GRID, lw=0.6)
    axes.tick_params(labelsize=8, colors=INK)
    axes.margins(x=0.01)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _measured(recording: Recording, *names: str) -> tuple[np.ndarray, ...]:
    """Times and columns with nan wherever the frame itself did not measure, thinned for long recordings."""
    frames = recording.frames
    seen = frames["seen"] > 0
    step = max(1, len(seen) // MOST_POINTS)
    return (frames["t_s"][::step], *(np.where(seen, frames[n], np.nan)[::step] for n in names))


def _band(rows: list[dict[str, Any]], key: str, name: str) -> np.ndarray | None:
    if name not in rows[-1][key]:
        return None
    empty = [np.nan] * 3
    return np.array([row[key].get(name) or empty for row in rows], dtype=float)


def _band_line(axes: Axes, t: np.ndarray, band: np.ndarray | None, colour: str, style: str, label: str) -> None:
    if band is not None:
        _shade(axes, t, band, colour)
        _line(axes, t, band, colour, style, label)


def _shade(axes: Axes, t: np.ndarray, band: np.ndarray, colour: str) -> None:
    step = max(1, len(t) // MOST_POINTS)
    axes.fill_between(t[::step], band[::step, 0], band[::step, 2], color=colour, alpha=0.2, lw=0)


def _line(axes: Axes, t: np.ndarray, band: np.ndarray, colour: str, style: str, label: str) -> None:
    step = max(1, len(t) // MOST_POINTS)
    axes.plot(t[::step], band[::step, 1], color=colour, ls=style, lw=1.4, label=label)
