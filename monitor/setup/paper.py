"""What is printed before the work: the bench mat and the board for the lens, true to size, each with a line to check
by.
"""

from __future__ import annotations

import io

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from monitor.setup.camera_guide import LENS_BOARD
from vision.bench.follower import marker_dictionary
from vision.bench.mat import Mat
from vision.calibrate.lens import CharucoTarget

__all__ = ["PAGES_MM", "mat_pdf", "paper_pdf"]

PAGES_MM = {"A4": (297.0, 210.0), "Letter": (279.4, 215.9)}  # across; ISO 216, and ANSI/ASME Y14.1 size A
CHECK_MM = 100.0
MM_PER_IN = 25.4
MAT_WORDS = ("Bench mat. Lay the sheet flat and tape it down; the board lies on its middle, the markers stay in view.",)
BOARD_WORDS = ("Board for the lens. Glue it on something flat and stiff; show it to the camera from many sides, also "
               "into the "
               "corners.",)


def mat_pdf(mat: Mat, page: str = "A4") -> bytes:
    """The mat alone, as PDF bytes."""
    return _pdf([_mat_page(mat, PAGES_MM[page])], "Plumeline bench mat")


def paper_pdf(mat: Mat, page: str = "A4") -> bytes:
    """Mat and lens board on a sheet each, as PDF bytes: every cell is a rectangle, so that no printer smooths it.

    Parameters
    ----------
    mat : Mat
        Its markers must fit on the page across.
    page : str
        "A4" or "Letter".
    """
    return _pdf([_mat_page(mat, PAGES_MM[page]), _board_page(LENS_BOARD, PAGES_MM[page])], "Plumeline: what to print")


def _pdf(figures: list[Figure], title: str) -> bytes:
    out = io.BytesIO()
    with PdfPages(out, metadata={"CreationDate": None, "Title": title}) as pages:
        for figure in figures:
            pages.savefig(figure)
    return out.getvalue()


def _mat_page(mat: Mat, page_mm: tuple[float, float]) -> Figure:
    figure, axes = _page(page_mm)
    width, height = (min(s, p) for s, p in zip(mat.sheet_size_mm, page_mm, strict=True))
    axes.add_patch(Rectangle((-width / 2, -height / 2), width, height, fill=False, ec="0.7", lw=0.3))
    dictionary = marker_dictionary(mat.dictionary)
    for marker_id, centre in zip(mat.ids, mat.centres_mm, strict=True):
        _draw_marker(axes, dictionary, int(marker_id), centre - mat.marker_size_mm / 2, mat.marker_size_mm)
    free = float(mat.centres_mm[:, 1].min()) + mat.marker_size_mm / 2 + 12
    _draw_check_line(axes, max(12 - page_mm[1] / 2, free), MAT_WORDS)
    return figure


def _board_page(target: CharucoTarget, page_mm: tuple[float, float]) -> Figure:
    figure, axes = _page(page_mm)
    dictionary = marker_dictionary(target.dictionary)
    board = cv2.aruco.CharucoBoard(target.squares, target.square_mm, target.marker_mm, dictionary)
    size = np.array(target.squares) * target.square_mm
    left, top = -size[0] / 2, size[1] / 2 + 8
    drawn = board.generateImage((20 * target.squares[0], 20 * target.squares[1]))
    for row in range(target.squares[1]):
        for column in range(target.squares[0]):
            if drawn[20 * row + 1, 20 * column + 1] < 128:
                _fill(axes, left + column * target.square_mm, top - (row + 1) * target.square_mm, target.square_mm,
                      "black")
    for marker_id, corners in zip(np.ravel(board.getIds()), board.getObjPoints(), strict=True):
        places = np.asarray(corners)
        x, y = places[:, 0].min(), places[:, 1].max()
        _draw_marker(axes, dictionary, int(marker_id), np.array([left + x, top - y]), target.marker_mm)
    _draw_check_line(axes, top - size[1] - 14, BOARD_WORDS)
    return figure


def _page(page_mm: tuple[float, float]) -> tuple[Figure, Axes]:
    """A page with axes in mm from its middle."""
    width, height = page_mm
    figure = Figure(figsize=(width / MM_PER_IN, height / MM_PER_IN))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(-width / 2, width / 2), ylim=(-height / 2, height / 2))
    axes.axis("off")
    return figure, axes


def _draw_marker(axes: Axes, dictionary: cv2.aruco.Dictionary, marker_id: int, corner: np.ndarray, size: float) -> None:
    """Black square with its white cells, from its lower left corner; cell rows run from the marker's top."""
    n = dictionary.markerSize + 2
    cells = cv2.aruco.generateImageMarker(dictionary, marker_id, n)
    axes.add_patch(Rectangle((float(corner[0]), float(corner[1])), size, size, fc="black", ec="none"))
    for row, column in zip(*np.nonzero(cells), strict=True):
        _fill(axes, corner[0] + column * size / n, corner[1] + size - (row + 1) * size / n, size / n, "white")


def _fill(axes: Axes, x: float, y: float, size: float, colour: str) -> None:
    axes.add_patch(Rectangle((x, y), size, size, fc=colour, ec=colour if colour == "white" else "none", lw=0.05))


def _draw_check_line(axes: Axes, y: float, words: tuple[str, ...]) -> None:
    """A line to lay a ruler on, and what to do."""
    for x in (-CHECK_MM / 2, CHECK_MM / 2):
        axes.plot([x, x], [y - 2, y + 2], color="black", lw=0.5, solid_capstyle="butt")
    axes.plot([-CHECK_MM / 2, CHECK_MM / 2], [y, y], color="black", lw=0.5, solid_capstyle="butt")
    axes.text(0, y + 2, "This line is 100 mm long. Print at 100 % (no fitting to the page) and check it with a ruler.",
              ha="center", va="bottom", fontsize=7)
    for k, line in enumerate(words):
        axes.text(0, y - 3 - 4 * k, line, ha="center", va="top", fontsize=7)
