"""Draws the shapes that tell states apart without colour."""

from __future__ import annotations

import math

from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QPainter, QPen, QPolygonF

from monitor.ui.theme import Look, Standing

__all__ = ["draw_standing", "draw_arrow"]


def draw_standing(painter: QPainter, box: QRectF, standing: Standing, look: Look, on_fill: bool = False) -> None:
    """The state's shape inside a square box, in its colour; in its ink upon a ground of that colour."""
    side = min(box.width(), box.height())
    centre, radius = box.center(), side / 2 * 0.94
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    edge = QPen(look.on(standing), max(1.5, side * 0.03))
    if standing in (Standing.IDLE, Standing.UNKNOWN):
        ring = QPen(look.fill(Standing.UNKNOWN), side * 0.16)
        if standing is Standing.UNKNOWN:
            ring.setDashPattern([1.1, 0.8])
        ring.setCapStyle(Qt.PenCapStyle.FlatCap)
        painter.setPen(ring)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawEllipse(centre, radius * 0.84, radius * 0.84)
    else:
        painter.setPen(edge)
        painter.setBrush(look.on(standing) if on_fill else look.fill(standing))
        if standing is Standing.GOOD:
            painter.drawEllipse(centre, radius, radius)
        else:
            painter.drawPolygon(_polygon(centre, radius, standing))
    painter.restore()


def draw_arrow(painter: QPainter, box: QRectF, way: str, look: Look, standing: Standing) -> None:
    """The way the hand should go, upon a shape that is drawn in the state's ink."""
    side = min(box.width(), box.height()) * 0.42
    c, sign = box.center(), -1.0 if way == "up" else 1.0
    points = [(-0.16, -0.5), (0.16, -0.5), (0.16, 0.0), (0.42, 0.0), (0.0, 0.5), (-0.42, 0.0), (-0.16, 0.0)]
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(look.fill(standing))
    lower = side * 0.12 if standing is Standing.HEED else 0.0  # a triangle's middle lies low
    painter.drawPolygon(QPolygonF([QPointF(c.x() + x * side, c.y() + sign * y * side + lower) for x, y in points]))
    painter.restore()


def _polygon(centre: QPointF, radius: float, standing: Standing) -> QPolygonF:
    corners, start = (3, -math.pi / 2) if standing is Standing.HEED else (8, math.pi / 8)
    drop = radius * 0.18 if standing is Standing.HEED else 0.0
    return QPolygonF([QPointF(centre.x() + radius * math.cos(start + 2 * math.pi * i / corners),
                              centre.y() + drop + radius * math.sin(start + 2 * math.pi * i / corners))
                      for i in range(corners)])
