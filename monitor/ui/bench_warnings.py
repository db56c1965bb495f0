"""The standing warnings as lines with drawn shapes, and apart from them the strip of what does not work on the
machine.
"""

from __future__ import annotations

import math

from PyQt6.QtCore import QRectF, Qt
from PyQt6.QtGui import QColor, QPainter, QPen, QResizeEvent
from PyQt6.QtWidgets import QSizePolicy, QWidget

from monitor.engine.annunciator import Alarm
from monitor.engine.engine import Shown
from monitor.judging.alerts import MACHINE, Priority
from monitor.review.verdict import WARNING_WORDS
from monitor.ui.bench_panels import Panel
from monitor.ui.bench_shapes import draw_pause, draw_standing, draw_wrench
from monitor.ui.bench_state import tr, warning_words
from monitor.ui.theme import Look, Standing, font, glance_px, look, looks

__all__ = ["MachineStrip", "WarningLines", "machine_lines", "warning_lines"]

MOST_LINES = 3
PAUSE = "pause"
STANDINGS = {Priority.HIGH: Standing.ACT, Priority.MEDIUM: Standing.HEED, Priority.LOW: Standing.IDLE}


def warning_lines(alarm: Alarm, now_s: float) -> list[tuple[Standing | str, str]]:
    """Shape and words of each line: what stands, the most urgent first, then what is put aside, with the minutes
    left.
    """
    standing = [w for w in alarm.shown if w.kind not in MACHINE]
    lines: list[tuple[Standing | str, str]] = [(STANDINGS[w.priority], warning_words(w)) for w in standing[:MOST_LINES]]
    if len(standing) > MOST_LINES:
        lines.append((Standing.IDLE, tr("and {} more").format(len(standing) - MOST_LINES)))
    lines += [(PAUSE, tr("{} {}: put aside, {} min left").format(tr(WARNING_WORDS.get(s.kind, s.kind)), s.region,
                                                              max(1, math.ceil((s.until_s - now_s) / 60))))
                                                              for s in alarm.shelved]
    return lines


def machine_lines(shown: Shown, no_sound: str) -> list[str]:
    """What does not work around the work, each once; of none of it the hand is to blame."""
    moment = shown.moment
    lines = [tr("no sound: {}").format(no_sound)] if no_sound else []
    lines += [shown.too_slow] if shown.too_slow else []
    lines += list(moment.notices) if moment is not None else []
    lines += [w.text_now or w.text for w in moment.alarm.shown if w.kind in MACHINE
              - {"no_sound"}] if moment is not None else []
    return list(dict.fromkeys(lines))


class WarningLines(Panel):
    """What stands, and what is put aside."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(tr("standing warnings"))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.tell([])

    @property
    def words(self) -> str:
        """All lines as text."""
        return "\n".join(text for _, text in self._value)

    def tell(self, lines: list[tuple[Standing | str, str]]) -> None:
        """Show other lines."""
        lines = lines or [(Standing.IDLE, tr("no warnings"))]
        self._take(tuple(lines), "; ".join(text for _, text in lines))

    def fit(self, window_height: int) -> None:
        """Room for the usual number of lines at the window's type size."""
        self.setFixedHeight(round(MOST_LINES * 1.45 * glance_px(window_height)) + 16)

    def _draw(self, painter: QPainter, area: QRectF, shade: Look) -> None:
        face = self._small()
        painter.setFont(face)
        step, side = 1.4 * face.pixelSize(), 0.95 * face.pixelSize()
        room = max(1, int(area.height() // step))
        shown, spare, y = self._value[:room], room - len(self._value), area.top()
        for row, (shape, text) in enumerate(shown):
            box = QRectF(area.left(), y + (step - side) / 2, side, side)
            draw_pause(painter, box, shade) if shape == PAUSE else draw_standing(painter, box, shape, shade)
            left = box.right() + 8
            if row == room - 1 and len(self._value) > room:
                text = tr("{} more: {}").format(len(self._value) - room + 1, text)
            painter.setPen(QColor(shade.ink))
            width, metrics = area.right() - left, painter.fontMetrics()
            lines = 2 if spare > 0 and metrics.horizontalAdvance(text) > width else 1  # an empty line takes the rest
            words = metrics.elidedText(text, Qt.TextElideMode.ElideRight, int((1.85 if lines == 2 else 1.0) * width))
            painter.drawText(QRectF(left, y, width, lines * step), Qt.AlignmentFlag.AlignVCenter.value
                             | (Qt.TextFlag.TextWordWrap.value if lines == 2 else 0), words)
            y, spare = y + lines * step, spare - (lines - 1)


class MachineStrip(QWidget):
    """One quiet line for what does not work on the machine; its look is unlike a warning's."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(tr("the machine"))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self._lines: tuple[str, ...] = ()
        self._px = 13
        self.setVisible(False)
        looks().changed.connect(self._repaint)

    def _repaint(self, _: object) -> None:
        self.update()

    @property
    def words(self) -> str:
        """All that it says."""
        return "; ".join(self._lines)

    def tell(self, lines: list[str]) -> None:
        """Show these; nothing when there are none."""
        if tuple(lines) == self._lines:
            return
        self._lines = tuple(lines)
        self.setAccessibleDescription(self.words)
        self.setToolTip("\n".join(lines))
        self.setVisible(bool(lines))
        self._fit()
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._fit()
        super().resizeEvent(event)

    def _fit(self) -> None:
        """As high as its type, which grows with the window."""
        self._px = glance_px(self.window().height())
        self.setFixedHeight(max(26, 2 * self._px))

    def paintEvent(self, _: object) -> None:
        painter, shade = QPainter(self), look()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(shade.line), 1, Qt.PenStyle.DashLine))
        painter.setBrush(QColor(shade.window))
        painter.drawRoundedRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5), 5, 5)
        side = 1.2 * self._px
        draw_wrench(painter, QRectF(8, (self.height() - side) / 2, side, side), shade)
        face = font("body")
        face.setPixelSize(self._px)
        painter.setFont(face)
        painter.setPen(QColor(shade.ink))
        left = 16 + side
        room = int(self.width() - left - 8)
        painter.drawText(QRectF(left, 0, room, self.height()), Qt.AlignmentFlag.AlignVCenter,
                         painter.fontMetrics().elidedText(self.words, Qt.TextElideMode.ElideRight, room))
        painter.end()
