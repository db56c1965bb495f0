"""Lays a class out as one HTML page, for the screen or for paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from importlib import resources

import jinja2

from monitor.repeat.classroom import LATEST, Trainee, as_rows
from monitor.repeat.library import ENOUGH_INSIDE

__all__ = ["class_html"]

SPARK_PX = (90, 22)


def class_html(trainees: Sequence[Trainee], title: str, *, printed: bool = False, size_pt: float = 8.5) -> str:
    """The page as text; nothing in it comes from elsewhere.

    Parameters
    ----------
    trainees : sequence of Trainee
    title : str
    printed : bool
        For paper: no drawings, borders instead, letters of so many points.
    """
    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True,
                                     undefined=jinja2.StrictUndefined)
    template = environment.from_string(resources.files("monitor.repeat").joinpath("class_page.html").read_text("utf-8"))
    last = max((t.last_on for t in trainees), default=None)
    return template.render(title=title, trainees=list(zip(trainees, as_rows(trainees), strict=True)), printed=printed,
                           n_passes=sum(t.n_passes for t in trainees), last_on=last, latest=LATEST,
                           enough=round(100 * ENOUGH_INSIDE), spark=_spark, size_pt=size_pt)


def _spark(values: Sequence[float]) -> str:
    """A small line of shares, 0 at the bottom and 1 at the top; gaps where not known."""
    w, h = SPARK_PX
    step = (w - 6) / max(1, LATEST - 1)
    points = [(3 + i * step, 3 + (h - 6) * (1 - v)) for i, v in enumerate(values) if math.isfinite(v)]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dots = "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.8" fill="#0b5c8a"/>' for x, y in points)
    return (f'<svg width="{w}" height="{h}" role="img" aria-label="latest probes"><line x1="0" x2="{w}" y1="3" y2="3" '
            f'stroke="#d5dae0"/>'
            f'<polyline points="{line}" fill="none" stroke="#0b5c8a" stroke-width="1.3"/>{dots}</svg>')
