"""A figure written as PNG, whole or not at all."""

from __future__ import annotations

import io
from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from monitor.errors import EnvironmentFault
from monitor.files import write_bytes_whole
from monitor.plain import plain_figure

__all__ = ["write_figure"]


def write_figure(figure: Figure, path: Path) -> None:
    """Write it with all its text as it is; EnvironmentFault, naming the file, when it cannot be written."""
    png = io.BytesIO()
    plain_figure(figure)
    FigureCanvasAgg(figure).print_png(png)
    try:
        write_bytes_whole(path, png.getvalue())
    except OSError as fault:
        raise EnvironmentFault(f"{path}: cannot write the picture ({fault.strerror})") from fault
