"""Expected 1-sigma height against camera distance, resolution, nozzle and the camera's angle.

usage: python -m tests.benchmarks.accuracy [PICTURE.png]

From the fit's own information matrix (vision.fit.expected) at a nozzle that stands upright 15 mm over the board, in the
middle of the picture of a camera with a focal length of 0.78 picture widths. Prints the tables of DEVELOPERS.md.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tests.benchmarks.command import command
from vision.camera.model import CameraModel
from vision.fit.bias import DEFAULT_BIAS, EdgeBias
from vision.fit.expected import Expected, ExpectedEdges, expected_spread
from vision.nozzle.body import NozzleBody, ToolPose, body_from_measures

FOCAL_WIDTHS = 0.78  # a webcam of about 65 degrees across
SIZES = {"720p": (1280, 720), "1080p": (1920, 1080)}
DISTANCES_MM = (200, 250, 300, 400, 500, 600)
ANGLES_DEG = (15, 20, 25, 30, 35, 40, 50, 60, 70)  # of the line of sight from straight down
LEANS_DEG = (0, 10, 20, 30)  # of the nozzle, away from the camera
DIAMETERS_MM = (4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
USUAL = {"distance_mm": 400.0, "angle_deg": 35.0, "size": "720p", "diameter_mm": 8.0, "lean_deg": 0.0,
         "surface": "matt"}
# where edges appear, after touch photographs: matt, or shiny over something dark (the floors of vision.calibrate.touch)
SURFACES = {
    "matt": ({key: EdgeBias(bias.offset_px, 0.15) for key, bias in DEFAULT_BIAS.items()}, True),
    "shiny": ({key: EdgeBias(bias.offset_px, 0.4) for key, bias in DEFAULT_BIAS.items()}, False)}


def tool(diameter_mm: float) -> NozzleBody:
    """A straight tube 28 mm long before a cone and a collar in proportion; the hand hides the handle."""
    r = diameter_mm / 2
    return body_from_measures([(r, 0), (r, 28), (2.25 * r, 36), (2.75 * r, 37), (2.75 * r, 50)], [],
                              tube_length_mm=28.0)


def expected(**changes) -> Expected:
    """Spread under the usual conditions with some of them changed."""
    given = USUAL | changes
    width, height = SIZES[given["size"]]
    focal = FOCAL_WIDTHS * width
    camera = CameraModel(np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]]), np.zeros(5),
                         (width, height))
    slope, lean = np.radians(given["angle_deg"]), np.radians(given["lean_deg"])
    up = np.array([0.0, -np.sin(slope), -np.cos(slope)])  # picture's x to the right, y down, z away from the camera
    away = np.array([0.0, -np.cos(slope), np.sin(slope)])  # along the bench, away from the camera
    body = tool(given["diameter_mm"])
    handle = np.cos(lean) * up + np.sin(lean) * away
    tip = np.array([0.0, 0.0, given["distance_mm"]]) - 25.0 * handle  # the metal's middle in the picture's middle
    bias, lighter = SURFACES[given["surface"]]
    return expected_spread(camera, body, ToolPose(tip, -handle), up, ExpectedEdges(bias, lighter))


def main(arguments: list[str]) -> int:
    """Print the tables; draw the plot when a file is named."""
    for size in SIZES:
        _table(f"{size}: 1 sigma of height [mm], one frame; down: camera distance [mm], across: tube diameter [mm]",
               [(f"{d:d}", [expected(size=size, distance_mm=d, diameter_mm=x).height_mm for x in DIAMETERS_MM])
                for d in DISTANCES_MM], [f"{x:g}" for x in DIAMETERS_MM])
    _table("8 mm at 400 mm: down: angle of the line of sight from straight down [degrees]",
           [(f"{a:d}", [expected(size=s, angle_deg=a, surface=f).height_mm for s in SIZES for f in SURFACES])
            for a in ANGLES_DEG], [f"{s} {f}" for s in SIZES for f in SURFACES])
    _table("8 mm at 400 mm, 720p, 35 degrees: down: nozzle leaning away from the camera [degrees]",
           [(f"{a:d}", [(e := expected(lean_deg=a)).height_mm, e.steady_mm, np.degrees(e.tilt_rad), e.width_px])
            for a in LEANS_DEG], ["height mm", "of it steady", "tilt deg", "tube px"])
    if arguments:
        draw(Path(arguments[0]))
    return 0


def draw(path: Path) -> None:
    """Height's sigma against what a user can change, each from the same usual bench."""
    figure = Figure(figsize=(12, 4.2), layout="constrained")
    canvas = FigureCanvasAgg(figure)
    panels = figure.subplots(1, 3, sharey=True)
    styles = [(s, f, {"720p": "o", "1080p": "s"}[s], {"matt": "-", "shiny": "--"}[f],
               {"720p": "#b3541e", "1080p": "#1f5f8b"}[s]) for s in SIZES for f in SURFACES]
    for axes, key, values, label in zip(
            panels, ("distance_mm", "angle_deg", "diameter_mm"), (DISTANCES_MM, ANGLES_DEG, DIAMETERS_MM),
            ("distance from camera to nozzle [mm]", "line of sight from straight down [degrees]", "tube diameter [mm]"),
            strict=False):
        for size, surface, marker, line, colour in styles:
            spread = [expected(size=size, surface=surface, **{key: v}).height_mm for v in values]
            axes.plot(values, spread, marker + line, color=colour, ms=5, label=f"{size}, {surface}")
        axes.axvline(USUAL[key], color="0.6", linewidth=0.8)
        axes.set(xlabel=label, ylim=(0, 4.0))
        axes.grid(alpha=0.3)
    panels[0].set_ylabel("height, 1 sigma of one frame [mm]")
    panels[1].legend(fontsize=9)
    figure.suptitle("Expected spread of the height: come nearer, look from the side, use 1080p, matt the tube "
                    "(grey lines: the usual bench of the other two panels)", fontsize=11, x=0.01, ha="left")
    temporary = Path(f"{path}.part")
    canvas.print_png(str(temporary))
    os.replace(temporary, path)


def _table(title: str, rows: list[tuple[str, list[float]]], heads: list[str]) -> None:
    print(f"\n{title}\n\n| | {' | '.join(heads)} |\n|---|{'---|' * len(heads)}")
    for name, values in rows:
        print(f"| {name} | {' | '.join(f'{v:.2f}' for v in values)} |")


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
