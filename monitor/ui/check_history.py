"""The checks on a known height as a drawn history: what was measured too much or too little, with its 90 % bar."""

from __future__ import annotations

from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen
from PyQt6.QtWidgets import QSizePolicy, QWidget

from monitor.setup.height_check import Checked
from monitor.ui.bench_shapes import draw_standing
from monitor.ui.bench_state import tr
from monitor.ui.theme import Standing, font, look

__all__ = ["CheckHistory"]

MOST, Z90 = 20, 1.645


class CheckHistory(QWidget):
    """The last checks from left to right."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._checks: list[Checked] = []
        self.setMinimumHeight(120)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(tr("earlier checks"))

    def show_checks(self, checks: list[Checked]) -> None:
        """Draw these."""
        self._checks = checks[-MOST:]
        last = self._checks[-1] if self._checks else None
        self.setAccessibleDescription("" if last is None
                                      else tr("{} checks; the last {:+.2f} mm").format(len(checks), last.difference_mm))
        self.setVisible(bool(checks))
        self.update()

    def paintEvent(self, _: object) -> None:
        painter, shade = QPainter(self), look()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(shade.panel))
        painter.setFont(font("small", tabular=True))
        box = QRectF(self.rect()).adjusted(46, 8, -10, -20)
        top = max([1.0, *(abs(c.difference_mm) + Z90 * c.sigma_mm for c in self._checks)])

        def y(mm: float) -> float:
            return box.center().y() - mm / top * box.height() / 2
        painter.setPen(QPen(QColor(shade.soft_ink), 1, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(box.left(), y(0)), QPointF(box.right(), y(0)))
        painter.setPen(QColor(shade.soft_ink))
        for mm in (top, 0.0, -top):
            painter.drawText(QRectF(0, y(mm) - 8, 42, 16), Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                             f"{mm:+.1f}")
        painter.drawText(QRectF(box.left(), box.bottom() + 3, box.width(), 16), Qt.AlignmentFlag.AlignLeft,
                         tr("measured minus known [mm], 90 % bars, the last checks"))
        for k, check in enumerate(self._checks):
            x = box.left() + (k + 0.5) * box.width() / max(len(self._checks), 8)
            painter.setPen(QPen(QColor(shade.ink), 1.5))
            painter.drawLine(QPointF(x, y(check.difference_mm - Z90 * check.sigma_mm)),
                             QPointF(x, y(check.difference_mm + Z90 * check.sigma_mm)))
            standing = Standing.GOOD if check.agrees else Standing.HEED
            draw_standing(painter, QRectF(x - 6, y(check.difference_mm) - 6, 12, 12), standing, shade)
        painter.end()
