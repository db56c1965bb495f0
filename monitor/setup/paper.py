"""The bench mat as a true-size PDF with a 100 mm line to check the print by."""

from __future__ import annotations

import io

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from vision.mat import Mat

__all__ = ["mat_pdf", "PAGE_MM"]

PAGE_MM = (297.0, 210.0)  # A4 across
CHECK_MM = 100.0
MM_PER_IN = 25.4


def mat_pdf(mat: Mat) -> bytes:
    """The sheet as PDF bytes: every marker cell is a rectangle, so that no printer smooths it.

    Parameters
    ----------
    mat : Mat
        Its sheet must fit on A4 across.
    """
    figure = Figure(figsize=(PAGE_MM[0] / MM_PER_IN, PAGE_MM[1] / MM_PER_IN))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(-PAGE_MM[0] / 2, PAGE_MM[0] / 2), ylim=(-PAGE_MM[1] / 2, PAGE_MM[1] / 2))
    axes.axis("off")
    width, height = mat.sheet_size_mm
    axes.add_patch(Rectangle((-width / 2, -height / 2), width, height, fill=False, ec="0.7", lw=0.3))
    for marker_id, centre in zip(mat.ids, mat.centres_mm, strict=True):
        _draw_marker(axes, mat, int(marker_id), centre)
    _draw_check_line(axes, mat)
    out = io.BytesIO()
    figure.savefig(out, format="pdf", metadata={"CreationDate": None, "Title": "Plumeline bench mat"})
    return out.getvalue()


def _draw_marker(axes: Axes, mat: Mat, marker_id: int, centre: np.ndarray) -> None:
    """Black square with its white cells; cell rows run from the marker's top."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, mat.dictionary))
    n = dictionary.markerSize + 2
    cells = cv2.aruco.generateImageMarker(dictionary, marker_id, n)
    size = mat.marker_size_mm
    left, top = centre[0] - size / 2, centre[1] + size / 2
    axes.add_patch(Rectangle((left, top - size), size, size, fc="black", ec="none"))
    for row, column in zip(*np.nonzero(cells), strict=True):
        axes.add_patch(Rectangle((left + column * size / n, top - (row + 1) * size / n), size / n, size / n,
                                 fc="white", ec="white", lw=0.05))


def _draw_check_line(axes: Axes, mat: Mat) -> None:
    """A line to lay a ruler on, and what to do, in the free middle of the sheet's lower edge."""
    y = -PAGE_MM[1] / 2 + 12
    y = max(y, float(mat.centres_mm[:, 1].min()) + mat.marker_size_mm / 2 + 12)
    for x in (-CHECK_MM / 2, CHECK_MM / 2):
        axes.plot([x, x], [y - 2, y + 2], color="black", lw=0.5, solid_capstyle="butt")
    axes.plot([-CHECK_MM / 2, CHECK_MM / 2], [y, y], color="black", lw=0.5, solid_capstyle="butt")
    axes.text(0, y + 2, "This line is 100 mm long. Print at 100 % (no fitting to the page) and check it with a ruler.",
              ha="center", va="bottom", fontsize=7)
    axes.text(0, y - 3, "Lay the sheet flat and tape it down; the board lies on its middle, the markers stay in view.",
              ha="center", va="top", fontsize=7)
