"""The glance view: one state, one arrow, two counters, as large as a screen; for a second screen, or from across the
bench.
"""

from __future__ import annotations

from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QColor, QFont, QGuiApplication, QKeyEvent, QPainter
from PyQt6.QtWidgets import QWidget

from monitor.engine.engine import Shown
from monitor.ui.bench_panels import shrink
from monitor.ui.bench_shapes import draw_arrow, draw_standing
from monitor.ui.bench_state import Told, big_state, height_words, limit_counter, melt_counter, tr
from monitor.ui.theme import Standing, font, look, looks

__all__ = ["GlanceView"]

WRAP = Qt.TextFlag.TextWordWrap
COLOURED = (Standing.HEED, Standing.ACT, Standing.GOOD)


class GlanceView(QWidget):
    """A window of its own, with all commands of the bench; F4 or Escape closes it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent, Qt.WindowType.Window)
        self.setWindowTitle(tr("Plumeline: at a glance"))
        self.setAccessibleName(tr("at a glance"))
        self._shown: tuple[Told, str, str, str] | None = None
        looks().changed.connect(self._repaint)

    def open_on(self, window: QWidget) -> None:
        """Fill a screen that the window is not on; without a second one, the window's own."""
        self.addActions(window.actions())  # keys and pedal work here too
        others = [s for s in QGuiApplication.screens() if s is not window.screen()]
        self.setGeometry((others[0] if others else window.screen()).geometry())
        self.showFullScreen()

    def show_state(self, shown: Shown, is_running: bool = False) -> None:
        """Take the newest state; repaints only when what it says changes."""
        result = shown.moment.result if shown.moment is not None else None
        heat = result.heat if result is not None else None
        figure, _ = height_words(result)
        now = (big_state(shown, is_running), f"{figure} mm" if figure != "–" else "", melt_counter(heat),
               limit_counter(heat))
        if now != self._shown:
            self._shown = now
            self.setAccessibleDescription("; ".join([now[0].word, now[0].reason, *now[1:]]))
            self.update()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self.close()

    def paintEvent(self, _: object) -> None:
        painter, shade = QPainter(self), look()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        told = self._shown[0] if self._shown is not None else Told(Standing.IDLE, "", "")
        paint = shade.standings[told.standing]
        is_coloured = told.standing in COLOURED
        painter.fillRect(self.rect(), QColor(paint.fill if is_coloured else shade.window))
        painter.setPen(QColor(paint.ink if is_coloured else shade.ink))
        if self._shown is not None:
            self._draw(painter, *self._shown)
        painter.end()

    def _draw(self, painter: QPainter, told: Told, height: str, melt: str, limit: str) -> None:
        width, tall = self.width(), self.height()
        side = min(0.3 * width, 0.5 * tall)
        box = QRectF(0.04 * width, 0.06 * tall, side, side)
        draw_standing(painter, box, told.standing, look(), on_fill=told.standing in COLOURED)
        if told.arrow:
            draw_arrow(painter, box, told.arrow, look(), told.standing)
        left = box.right() + 0.04 * width
        self._text(painter, QRectF(left, 0.05 * tall, 0.96 * width - left, 0.34 * tall), told.word, 0.2 * tall,
                   bold=True)
        self._text(painter, QRectF(left, 0.41 * tall, 0.96 * width - left, 0.2 * tall), height or told.reason,
                   0.16 * tall)
        self._text(painter, QRectF(0.04 * width, 0.64 * tall, 0.92 * width, 0.14 * tall), melt, 0.11 * tall)
        self._text(painter, QRectF(0.04 * width, 0.81 * tall, 0.92 * width, 0.14 * tall), limit, 0.11 * tall)

    def _text(self, painter: QPainter, room: QRectF, text: str, px: float, bold: bool = False) -> None:
        face: QFont = font("body", bold=bold, tabular=True)
        face.setPixelSize(max(12, round(px)))
        shrink(face, text, room.width(), room.height())
        painter.setFont(face)
        painter.drawText(room, WRAP | Qt.AlignmentFlag.AlignVCenter, text)

    def _repaint(self, _: object) -> None:
        self.update()
