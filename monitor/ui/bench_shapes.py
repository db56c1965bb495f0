"""Draws the shapes that tell states apart without colour."""

from __future__ import annotations

import math

from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen, QPixmap, QPolygonF

from monitor.ui.theme import Look, Standing

__all__ = ["draw_arrow", "draw_pause", "draw_standing", "draw_wrench", "record_dot"]


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


def draw_pause(painter: QPainter, box: QRectF, look: Look) -> None:
    """Two bars: put aside for a while."""
    painter.fillRect(QRectF(box.left() + 0.15 * box.width(), box.top(), 0.25 * box.width(), box.height()),
                     QColor(look.soft_ink))
    painter.fillRect(QRectF(box.left() + 0.6 * box.width(), box.top(), 0.25 * box.width(), box.height()),
                     QColor(look.soft_ink))


def draw_wrench(painter: QPainter, box: QRectF, look: Look) -> None:
    """An open spanner: the machine, not the work."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    side = box.width()
    painter.setPen(QPen(QColor(look.soft_ink), 0.2 * side, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
    painter.drawLine(box.bottomLeft() + QPointF(0.12 * side, -0.12 * side),
                     box.center() + QPointF(0.1 * side, -0.1 * side))
    painter.setPen(QPen(QColor(look.soft_ink), 0.16 * side, Qt.PenStyle.SolidLine, Qt.PenCapStyle.FlatCap))
    painter.drawArc(QRectF(box.left() + 0.48 * side, box.top() + 0.06 * side, 0.46 * side, 0.46 * side), 90 * 16,
                    270 * 16)
    painter.restore()


def record_dot(is_recording: bool, side_px: int, ratio: float, look: Look) -> QPixmap:
    """A full disc while recording, else a ring."""
    made = QPixmap(round(side_px * ratio), round(side_px * ratio))
    made.setDevicePixelRatio(ratio)
    made.fill(Qt.GlobalColor.transparent)
    painter = QPainter(made)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QPen(QColor(look.ink), 1.5))
    painter.setBrush(look.fill(Standing.ACT) if is_recording else Qt.BrushStyle.NoBrush)
    painter.drawEllipse(QRectF(2, 2, side_px - 4, side_px - 4))
    painter.end()
    return made


def _polygon(centre: QPointF, radius: float, standing: Standing) -> QPolygonF:
    corners, start = (3, -math.pi / 2) if standing is Standing.HEED else (8, math.pi / 8)
    drop = radius * 0.18 if standing is Standing.HEED else 0.0
    return QPolygonF([QPointF(centre.x() + radius * math.cos(start + 2 * math.pi * i / corners),
                              centre.y() + drop + radius * math.sin(start + 2 * math.pi * i / corners))
                      for i in range(corners)])
