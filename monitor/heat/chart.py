"""Draws how a thermocouple run and the fitted heat chain agree."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from monitor.figure_file import write_figure
from monitor.heat.fit import FitResult

__all__ = ["draw_residuals"]


def draw_residuals(fit: FitResult, path: Path) -> None:
    """Write the picture as PNG: the log and the chain over time, and what is left between them.

    Raises
    ------
    EnvironmentFault
        If it cannot be written.
    """
    figure = Figure(figsize=(9, 6.5), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    _course(upper, fit)
    _left_over(lower, fit)
    figure.suptitle(f"Thermocouple run: {fit.calibration.rms_k:.1f} K rms left, clocks {fit.offset_s:+.2f} s apart "
                    f"(1 sigma {fit.offset_sigma_s:.2f} s)", fontsize=11, x=0.01, ha="left")
    write_figure(figure, path)


def _course(axes: Axes, fit: FitResult) -> None:
    for n, site in enumerate(fit.sites):
        colour, named = f"C{n}", "" if len(fit.sites) == 1 else f"{site}: "
        axes.plot(fit.t_s, fit.measured_c[:, n], "o", ms=5, mfc="none", color=colour,
                  label=f"{named}thermocouple, means of 5 s")
        axes.plot(fit.t_s, fit.predicted_c[:, n], "-", color=colour, label=f"{named}heat chain after the fit")
        axes.plot(fit.t_s, fit.prior_c[:, n], "--", color=colour, alpha=0.5, label=f"{named}heat chain before it")
    axes.set_ylabel("temperature [C]")
    axes.legend(fontsize=9 if len(fit.sites) == 1 else 7.5)
    axes.grid(alpha=0.3)


def _left_over(axes: Axes, fit: FitResult) -> None:
    left = fit.measured_c - fit.predicted_c
    axes.axhspan(-fit.bin_sigma_k, fit.bin_sigma_k, color="0.9", label=f"allowed for: 1 sigma {fit.bin_sigma_k:.1f} K")
    axes.axhline(0.0, color="0.5", linewidth=0.8)
    for n in range(len(fit.sites)):
        axes.vlines(fit.t_s, 0.0, left[:, n], color=f"C{n}", linewidth=1)
        axes.plot(fit.t_s, left[:, n], "o", ms=5, mfc="none", color=f"C{n}")
    reach = 1.15 * max(2 * fit.bin_sigma_k, float(np.abs(left).max()))
    axes.set(xlabel="time in the recording [s]", ylabel="log less chain [K]", ylim=(-reach, reach))
    axes.legend(fontsize=9, loc="upper right")
    axes.grid(alpha=0.3)
