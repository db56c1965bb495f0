"""The camera's picture as it comes, with points that were found in it."""

from __future__ import annotations

import cv2
import numpy as np
from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen
from PyQt6.QtWidgets import QSizePolicy, QWidget

from monitor.ui.bench_picture import picture_of
from monitor.ui.bench_state import tr

__all__ = ["RawView"]

AROUND, EDGE, POINT = QColor("#101416"), QColor(15, 20, 24), QColor("#7fe3ff")


class RawView(QWidget):
    """The camera's picture as it comes, with the points that were found in it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(240, 135)
        self.setAccessibleName(tr("raw picture"))
        self._picture, self._points, self._size = None, None, (1, 1)

    def show_picture(self, image: np.ndarray) -> None:
        """The newest picture, (h, w, 3)."""
        self._size = image.shape[1::-1]
        wide = max(1, min(self._size[0], round(self.width() * self.devicePixelRatioF())))
        small = cv2.resize(image, (wide, max(1, round(wide * self._size[1] / self._size[0]))),
                           interpolation=cv2.INTER_AREA)
        self._picture = picture_of(small)
        self.update()

    def show_points(self, points: np.ndarray | None) -> None:
        """Points of the picture to mark, (n, 2) [px]."""
        self._points = points
        self.update()

    def paintEvent(self, _: object) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), AROUND)
        if self._picture is not None:
            scale = min(self.width() / self._size[0], self.height() / self._size[1])
            box = QRectF((self.width() - self._size[0] * scale) / 2, (self.height() - self._size[1] * scale) / 2,
                         self._size[0] * scale, self._size[1] * scale)
            painter.drawImage(box, self._picture)
            if self._points is not None and len(self._points):
                at = [QPointF(box.left() + x * scale, box.top() + y * scale) for x, y in self._points]
                for width, colour in ((7.0, EDGE), (4.0, POINT)):
                    painter.setPen(QPen(colour, width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
                    painter.drawPoints(at)
        painter.end()
