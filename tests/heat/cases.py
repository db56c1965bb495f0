"""Jobs and jets that several tests share."""

from __future__ import annotations

from dataclasses import replace

from monitor.heat.chain import Fineness
from monitor.heat.types import BoardSetup, HeatInput, HeatSetup, Layer, PartSetup, RegionSetup, StationSetup

FRAME_S = 1 / 30
QUICK = Fineness(part_cells=8, smallest_m=0.2e-3, coarsest_m=8e-3, neighbour_m=2.5e-3, growth=0.5, board_levels=4,
                 package_levels=2, shrink=1.0)  # for what does not hang on the grid


def rectangle(x_mm, y_mm, width_mm, depth_mm):
    """Corners of a rectangle around a centre, in metres."""
    w, d = width_mm / 2, depth_mm / 2
    return tuple((1e-3 * (x_mm + sx * w), 1e-3 * (y_mm + sy * d)) for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1)))


def job(**changes):
    """A 9 mm leadless part on a two-layer board with a neighbour 8 mm off its edge."""
    setup = HeatSetup(
        BoardSetup(1.6e-3, (Layer(35e-6, 0.2), Layer(35e-6, 0.8)), (80e-3, 60e-3), (0.0, 0.0)),
        PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9), 0.9e-3), "leadless"),
        (RegionSetup("J1", rectangle(15, 0, 5, 8), 2e-3),),
        StationSetup(360.0, 30 / 60000, bore_m=6.8e-3))
    return replace(setup, **changes)


def jet_at(t_s=0.0, height_mm=12.0, aim_mm=(0.0, 0.0), *, dt_s=FRAME_S, observed=True, height_sigma_mm=1.0,
           aim_sigma_mm=1.0, tilt_rad=0.0, azimuth_rad=0.0, **more):
    """One interval of a measured jet."""
    return HeatInput(t_s, dt_s, observed, height_mm * 1e-3, height_sigma_mm * 1e-3,
                     (aim_mm[0] * 1e-3, aim_mm[1] * 1e-3), aim_sigma_mm * 1e-3, tilt_rad, azimuth_rad, **more)


def hold(estimator, seconds, *, step_s=0.1, **jet):
    """Keep a jet in place; returns the last reading."""
    reading = None
    for n in range(round(seconds / step_s)):
        reading = estimator.step(jet_at((n + 1) * step_s, dt_s=step_s, **jet))
    return reading
