"""The guide on the hot-work screen: its outlet and jet in the picture, and the distance to it as one figure."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen, QPolygonF

from monitor.engine.leading import GuideNow
from monitor.judging.exposure import onto_now
from monitor.ui.bench_panels import LEAST_AT_1_M_MM, WRAP, Panel, shrink
from monitor.ui.bench_state import tr
from monitor.ui.theme import Look
from vision.types import FloatArray

__all__ = ["GUIDE", "GuidePassPanel", "draw_guide", "guide_words"]

GUIDE, EDGE = QColor("#ff9df2"), QColor(15, 20, 24, 190)
STEPS = 32
Place = Callable[[FloatArray], list[QPointF]]  # points (n, 3) of the bench [mm] to the widget


def guide_words(now: GuideNow | None) -> tuple[str, str]:
    """The distance as a figure, and what belongs to it: its 90 % interval, or why there is none."""
    if now is None:
        return "–", tr("waits for the first picture")
    if not now.is_shown:
        return "–", tr("this pass is without help")
    if math.isnan(now.since_contact_s):
        return "–", tr("the guide waits for your contact")
    if now.is_over:
        return "–", tr("the guide has lifted off")
    if now.gap is None:
        return "–", tr("no measurement") if now.point.is_known else tr("the guide was not seen here")
    gap = now.gap
    digits = 0 if gap.high_mm - gap.low_mm >= 4 else 1
    return f"{gap.distance_mm:.{digits}f}", tr("{} to {} mm (90 %)").format(f"{gap.low_mm:.{digits}f}",
                                                                           f"{gap.high_mm:.{digits}f}")


class GuidePassPanel(Panel):
    """How far the hand is from the guide, and how far the guide has come."""

    def __init__(self) -> None:
        super().__init__()
        self.setAccessibleName(tr("distance from the guide"))
        self.setMinimumSize(230, 80)

    @property
    def said(self) -> tuple[str, str]:
        """The figure and what belongs to it."""
        return self._value[:2] if self._value is not None else ("", "")

    def tell(self, now: GuideNow | None) -> None:
        """Show a moment."""
        figure, words = guide_words(now)
        share = now.since_contact_s / now.duration_s if now is not None and now.is_shown and now.duration_s > 0 else 0.0
        share = round(min(max(share, 0.0), 1.0), 2) if math.isfinite(share) else 0.0
        self._take((figure, words, share), tr("{} mm from the guide, {}").format(figure, words))

    def _draw(self, painter: QPainter, area: QRectF, shade: Look) -> None:
        figure, words, share = self._value
        big, small = self._face(16.0, bold=True), self._face(LEAST_AT_1_M_MM)
        left = QRectF(area.left(), area.top(), area.width() * 0.4, area.height() - 10)
        shrink(big, "88.8 mm", left.width(), left.height())
        text = figure if figure == "–" else f"{figure} mm"
        painter.setPen(QColor(shade.ink))
        painter.setFont(big)
        painter.drawText(left, Qt.AlignmentFlag.AlignVCenter, text)
        right = QRectF(left.right() + 8, area.top(), area.right() - left.right() - 8, area.height() - 10)
        said = tr("from the guide") + "\n" + words
        shrink(small, said, right.width(), right.height())
        painter.setFont(small)
        painter.setPen(QColor(shade.soft_ink))
        painter.drawText(right, WRAP | Qt.AlignmentFlag.AlignVCenter, said)
        bar = QRectF(area.left(), area.bottom() - 5, area.width(), 5)
        painter.setPen(QPen(QColor(shade.line), 1))
        painter.setBrush(QColor(shade.field))
        painter.drawRect(bar)
        painter.fillRect(QRectF(bar.left(), bar.top(), bar.width() * share, bar.height()), QColor(shade.series[3]))


def draw_guide(painter: QPainter, place: Place, now: GuideNow, shift: FloatArray, top_mm: float,
               bore_radius_mm: float) -> None:
    """Draw the guide's outlet, its jet and where that meets the board; nothing where it is not known.

    Parameters
    ----------
    painter : QPainter
    place : callable
        From the bench to the widget.
    now : GuideNow
    shift : array, shape (3,)
        Of the board since the start.
    top_mm : float
        Of the board over the mat.
    bore_radius_mm : float
    """
    point = now.point
    if not (now.is_shown and point.is_known) or now.is_over:
        return
    tip = point.tip_mm
    (tip_x, tip_y), aim = onto_now(np.array([tip[:2], point.aim_mm]), shift)
    turn = np.linspace(0, 2 * np.pi, STEPS, endpoint=False)
    ring = bore_radius_mm * np.stack([np.cos(turn), np.sin(turn)], 1)
    outlet = place(np.column_stack([ring + [tip_x, tip_y], np.full(STEPS, top_mm + tip[2])]))
    foot = place(np.column_stack([ring + aim, np.full(STEPS, top_mm)]))
    jet = place(np.array([[tip_x, tip_y, top_mm + tip[2]], [*aim, top_mm]]))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for width, colour, style in ((5.5, EDGE, Qt.PenStyle.SolidLine), (2.5, GUIDE, Qt.PenStyle.DashLine)):
        painter.setPen(QPen(colour, width, style))
        painter.drawPolygon(QPolygonF(outlet))
        painter.drawPolygon(QPolygonF(foot))
        painter.drawPolyline(QPolygonF(jet))
    _name(painter, max(outlet, key=lambda p: p.x()))


def _name(painter: QPainter, beside: QPointF) -> None:
    """Say what the dashed rings are."""
    where, text = beside + QPointF(7, 5), tr("guide")
    for shift, colour in ((QPointF(1, 1), EDGE), (QPointF(-1, -1), EDGE), (QPointF(0, 0), GUIDE)):
        painter.setPen(colour)
        painter.drawText(where + shift, text)
