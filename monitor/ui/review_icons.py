"""The signs on the transport's buttons, drawn in the ink of the look in use."""

from __future__ import annotations

from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QColor, QIcon, QPainter, QPixmap, QPolygonF

from monitor.ui.theme import look

__all__ = ["transport_icon"]

SIDE = 64
_RIGHT, _LEFT = ((0.0, 0.0), (1.0, 0.5), (0.0, 1.0)), ((1.0, 0.0), (0.0, 0.5), (1.0, 1.0))
_UP, _DOWN = ((0.0, 1.0), (0.5, 0.0), (1.0, 1.0)), ((0.0, 0.0), (1.0, 0.0), (0.5, 1.0))
_BOX = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
# each sign: polygons in their own boxes (left, top, width, height) within the unit square
_SIGNS = {
    "to_start": ((_BOX, (0.14, 0.2, 0.12, 0.6)), (_LEFT, (0.34, 0.2, 0.5, 0.6))),
    "to_end": ((_RIGHT, (0.16, 0.2, 0.5, 0.6)), (_BOX, (0.74, 0.2, 0.12, 0.6))),
    "step_back": ((_LEFT, (0.18, 0.25, 0.38, 0.5)), (_BOX, (0.68, 0.25, 0.12, 0.5))),
    "step_forward": ((_BOX, (0.2, 0.25, 0.12, 0.5)), (_RIGHT, (0.44, 0.25, 0.38, 0.5))),
    "previous_event": ((_UP, (0.2, 0.2, 0.6, 0.42)), (_BOX, (0.2, 0.72, 0.6, 0.1))),
    "next_event": ((_BOX, (0.2, 0.18, 0.6, 0.1)), (_DOWN, (0.2, 0.38, 0.6, 0.42))),
    "play": ((_RIGHT, (0.24, 0.14, 0.6, 0.72)),),
    "pause": ((_BOX, (0.22, 0.16, 0.2, 0.68)), (_BOX, (0.58, 0.16, 0.2, 0.68))),
}


def transport_icon(name: str) -> QIcon:
    """The sign of a transport command, or of "play" and "pause"."""
    picture = QPixmap(SIDE, SIDE)
    picture.fill(Qt.GlobalColor.transparent)
    painter = QPainter(picture)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(look().ink))
    for shape, (left, top, width, height) in _SIGNS[name]:
        box = QRectF(SIDE * left, SIDE * top, SIDE * width, SIDE * height)
        painter.drawPolygon(QPolygonF([QPointF(box.left() + x * box.width(), box.top() + y * box.height())
                                       for x, y in shape]))
    painter.end()
    return QIcon(picture)
