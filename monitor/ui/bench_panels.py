"""The panels of the hot-work screen: one large state, the height, the limits, and the summary of a pass.

Each repaints only when what it says changes; nothing on them moves by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PyQt6.QtCore import QPointF, QRectF, QSize, Qt
from PyQt6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPolygonF
from PyQt6.QtWidgets import QSizePolicy, QWidget

from monitor.ui.bench_shapes import draw_arrow, draw_standing
from monitor.ui.bench_state import Row, Summary, Told, tr
from monitor.ui.theme import Look, Standing, cap_height_px, font, glance_px, look, looks

__all__ = ["Heights", "Panel", "StatePanel", "HeightPanel", "LimitsPanel", "SummaryPanel", "shrink"]

NARROW_CHARS = 27
LEAST_PX = 10  # type of a panel in the smallest windows
READ_AT_1_M_MM, LEAST_AT_1_M_MM = 6.4, 4.7  # capitals of 22 and 16 arcmin
WRAP = Qt.TextFlag.TextWordWrap


class Panel(QWidget):
    """A panel that holds one value and repaints when it changes."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._value: object = None
        looks().changed.connect(self._repaint)

    def _repaint(self, _: object) -> None:
        self.update()

    def _take(self, value: object, spoken: str) -> None:
        if value != self._value:
            self._value = value
            self.setAccessibleDescription(spoken)
            self.update()

    def paintEvent(self, _: object) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.TextAntialiasing)
        shade = look()
        area = QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5)
        painter.setPen(QPen(QColor(shade.line), 1))
        painter.setBrush(QColor(shade.panel))
        painter.drawRoundedRect(area, 6, 6)
        if self._value is not None:
            self._draw(painter, area.adjusted(10, 8, -10, -8), shade)
        painter.end()

    def _draw(self, painter: QPainter, area: QRectF, shade: Look) -> None:
        raise NotImplementedError

    def _small(self, times: float = 1.0, bold: bool = False) -> QFont:
        """The smallest type of the screen, or so many times as large."""
        made = font("body", bold=bold, tabular=True)
        made.setPixelSize(round(times * glance_px(self.window().height())))
        return made

    def _face(self, height_mm: float, bold: bool = False) -> QFont:
        """A face whose capitals are so high on this screen, but never more than a tenth of the window's height."""
        made = font("body", bold=bold, tabular=True)
        room = max(12.0, self.window().height() / 10)
        made.setPixelSize(round(min(cap_height_px(height_mm, max(72.0, self.logicalDpiY())), room)))
        return made


class StatePanel(Panel):
    """The one large state: shape, word, reason."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(tr("state"))
        self.setMinimumSize(260, 74)

    @property
    def told(self) -> Told | None:
        """What it says."""
        return self._value

    def tell(self, told: Told) -> None:
        """Say something else."""
        self._take(told, f"{told.word}: {told.reason}")

    def _draw(self, painter: QPainter, area: QRectF, shade: Look) -> None:
        told: Told = self._value
        paint = shade.standings[told.standing]
        if told.standing in (Standing.HEED, Standing.ACT, Standing.GOOD):
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(paint.fill))
            painter.drawRoundedRect(QRectF(self.rect()), 6, 6)
            ink = QColor(paint.ink)
        else:
            ink = QColor(shade.ink)
        side = min(area.height() * 0.9, area.width() * 0.24)
        box = QRectF(area.left(), area.center().y() - side / 2, side, side)
        draw_standing(painter, box, told.standing, shade, on_fill=True)
        if told.arrow:
            draw_arrow(painter, box, told.arrow, shade, told.standing)
        text = QRectF(box.right() + 12, area.top(), area.right() - box.right() - 12, area.height())
        painter.setPen(ink)
        word = self._face(9.0, bold=True)
        shrink(word, told.word, text.width(), text.height() * 0.6)
        painter.setFont(word)
        used = painter.boundingRect(text, WRAP, told.word)
        reason = self._face(LEAST_AT_1_M_MM)
        shrink(reason, told.reason, text.width(), text.height() - used.height() - 4)
        painter.setFont(reason)
        below = painter.boundingRect(text, WRAP, told.reason)
        top = max(text.top(), text.center().y() - (used.height() + below.height() + 4) / 2)
        painter.setFont(word)
        painter.drawText(QRectF(text.left(), top, text.width(), used.height() + 2), WRAP, told.word)
        painter.setFont(reason)
        painter.drawText(QRectF(text.left(), top + used.height() + 4, text.width(), area.bottom() - top), WRAP,
                         told.reason)


@dataclass(frozen=True)
class Heights:
    """A height over the board with its sigma, and the guide's there; nan where one is not known [mm]."""

    mm: float
    sigma_mm: float = math.nan
    guide_mm: float = math.nan


class HeightPanel(Panel):
    """The height as a big figure with its band, on a scale with the limits and the silent band."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(tr("nozzle height"))
        self.setMinimumSize(230, 78)

    def tell(self, figure: str, band: str, heights: Heights, limits_mm: tuple[float, float],
             silent_mm: tuple[float, float]) -> None:
        """Show a height, and the guide's."""
        rounded = tuple(round(v, 1) if math.isfinite(v) else None
                        for v in (heights.mm, heights.sigma_mm, heights.guide_mm))
        self._take((figure, band, *rounded, limits_mm, silent_mm), tr("{} mm, {}").format(figure, band))

    def _draw(self, painter: QPainter, area: QRectF, shade: Look) -> None:
        figure, band, height, sigma, guide, limits, silent = self._value
        grown = self._small().pixelSize() / 15
        scale = QRectF(area.right() - 74 * grown, area.top() + 8, 26 * grown, area.height() - 16)
        text = QRectF(area.left(), area.top(), scale.left() - area.left() - 10, area.height())
        big, small = self._face(16.0, bold=True), self._face(LEAST_AT_1_M_MM)
        shrink(big, "88.8", text.width() * 0.72, text.height() * 0.62)
        painter.setPen(QColor(shade.ink))
        painter.setFont(big)
        flags = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        upper = QRectF(text.left(), text.top(), text.width(), text.height() * 0.62)
        painter.drawText(upper, flags, figure)
        wide = QFontMetricsF(big).horizontalAdvance(figure)
        painter.setFont(small)
        painter.drawText(upper.adjusted(wide + 8, upper.height() * 0.2, 0, 0), flags, "mm" if figure != "–" else "")
        lower = QRectF(text.left(), upper.bottom(), text.width(), text.height() - upper.height())
        words = band + "\n" + tr("allowed {:g} to {:g} mm").format(*limits)
        shrink(small, words, text.width(), lower.height())
        painter.setFont(small)
        painter.setPen(QColor(shade.soft_ink))
        painter.drawText(lower, WRAP, words)
        self._draw_scale(painter, scale, (height, sigma, guide), limits, silent, shade)

    def _draw_scale(self, painter, scale, values, limits, silent, shade: Look) -> None:
        (low, high), (height, sigma, guide) = limits, values
        bottom, top = max(0.0, low - 0.35 * (high - low)), high + 0.35 * (high - low)

        def y(mm: float) -> float:
            return scale.bottom() - (min(max(mm, bottom), top) - bottom) / (top - bottom) * scale.height()
        painter.setPen(QPen(QColor(shade.line), 1))
        painter.setBrush(QColor(shade.field))
        painter.drawRect(scale)
        good = QColor(shade.standings[Standing.GOOD].fill)
        good.setAlpha(70)
        painter.fillRect(QRectF(scale.left() + 1, y(high), scale.width() - 2, y(low) - y(high)), good)
        good.setAlpha(150)
        painter.fillRect(QRectF(scale.left() + 1, y(silent[1]), scale.width() - 2, y(silent[0]) - y(silent[1])), good)
        face = self._small()
        painter.setFont(face)
        painter.setPen(QPen(QColor(shade.ink), 2))
        for mm in limits:
            painter.drawLine(QPointF(scale.left() - 4, y(mm)), QPointF(scale.right() + 4, y(mm)))
            painter.drawText(QRectF(scale.right() + 8, y(mm) - face.pixelSize(), 3 * face.pixelSize(),
                                    2 * face.pixelSize()),
                             Qt.AlignmentFlag.AlignVCenter, f"{mm:g}")
        if guide is not None:  # the guide's, from the other side, hollow
            side = 0.6 * face.pixelSize()
            painter.setPen(QPen(QColor(shade.series[3]), 2.5))
            painter.setBrush(QColor(shade.field))
            painter.drawPolygon(QPolygonF([QPointF(scale.right() + side, y(guide) - side),
                                           QPointF(scale.right() - 0.7 * side, y(guide)),
                                           QPointF(scale.right() + side, y(guide) + side)]))
        if height is not None:
            spread = 1.645 * (sigma or 0.0)
            painter.setPen(QPen(QColor(shade.ink), 3))
            painter.drawLine(QPointF(scale.center().x(), y(height - spread)),
                             QPointF(scale.center().x(), y(height + spread)))
            side = 0.6 * face.pixelSize()
            mark = QPolygonF([QPointF(scale.left() - side, y(height) - side),
                              QPointF(scale.left() + 0.7 * side, y(height)),
                              QPointF(scale.left() - side, y(height) + side)])
            painter.setBrush(QColor(shade.ink))
            painter.drawPolygon(mark)


class LimitsPanel(Panel):
    """Time to the next limit, joint state, and each temperature beside its limit; all estimates."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(tr("estimated temperatures"))
        self.setMinimumSize(260, 96)

    def tell(self, ahead: str, joint: str, reason: str, rows: list[Row], station: str) -> None:
        """Show the estimate."""
        self._take((ahead, joint, reason, tuple(rows), station),
                   "; ".join([ahead, joint, *(f"{r.name} {r.value}" for r in rows)]))

    def _draw(self, painter: QPainter, area: QRectF, shade: Look) -> None:
        ahead, joint, reason, rows, station = self._value
        head, body, small = self._small(1.3, bold=True), self._small(), self._small()
        step = QFontMetricsF(body).height() + 5
        foot = QFontMetricsF(small).height() + 2
        if area.height() < 3 * step + foot + len(rows) * step + 2 * QFontMetricsF(small).height():
            reason = ""  # where room is scarce the numbers come first
        y = area.top()
        for text, face, ink in ((ahead, head, shade.ink), (tr("Joints: {}").format(joint) if joint else "", body,
                                                           shade.ink),
                                (reason, small, shade.soft_ink)):
            if not text:
                continue
            painter.setFont(face)
            painter.setPen(QColor(ink))
            room = QRectF(area.left(), y, area.width(), area.bottom() - y)
            used = painter.boundingRect(room, WRAP, text)
            painter.drawText(room, WRAP, text)
            y += used.height() + 3
        painter.setFont(body)
        left = len(rows)
        for row in rows:
            if y + step > area.bottom() - foot:
                break
            self._draw_row(painter, QRectF(area.left(), y, area.width(), step), row, shade)
            y, left = y + step, left - 1
        painter.setFont(small)
        painter.setPen(QColor(shade.soft_ink))
        words = tr("estimates, 90 % bands; set: {}").format(station)
        if left:
            words = tr("{} more in a larger window; ").format(left) + words
        words = painter.fontMetrics().elidedText(words, Qt.TextElideMode.ElideRight, int(area.width()))
        painter.drawText(QRectF(area.left(), area.bottom() - foot, area.width(), foot), Qt.AlignmentFlag.AlignBottom,
                         words)

    def _draw_row(self, painter: QPainter, box: QRectF, row: Row, shade: Look) -> None:
        side = box.height() - 6
        if row.limit:
            draw_standing(painter, QRectF(box.left(), box.top() + 3, side, side), row.standing, shade)
        painter.setPen(QColor(shade.ink))
        middle, metrics = Qt.AlignmentFlag.AlignVCenter, painter.fontMetrics()
        pattern = tr("limit {}") if box.width() > NARROW_CHARS * painter.font().pixelSize() else "< {}"
        limit = pattern.format(row.limit) if row.limit else ""
        taken = metrics.horizontalAdvance(pattern.format("888 °C")) + 12 if row.limit else 0
        value_room = min(max(metrics.horizontalAdvance("888 °C (888 to 888)"), metrics.horizontalAdvance(row.value))
                         + 10, box.width() * 0.5)
        left = box.left() + side + 8
        name_room = max(30.0, box.right() - taken - value_room - left)
        painter.drawText(QRectF(left, box.top(), name_room, box.height()), middle,
                         metrics.elidedText(row.name, Qt.TextElideMode.ElideRight, int(name_room - 6)))
        value = metrics.elidedText(row.value, Qt.TextElideMode.ElideRight, int(value_room))
        painter.drawText(QRectF(left + name_room, box.top(), value_room, box.height()), middle, value)
        painter.drawText(box, middle | Qt.AlignmentFlag.AlignRight, limit)


class SummaryPanel(Panel):
    """A pass after lift-off: a verdict, at most three numbers, one trace."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(tr("summary of the pass"))
        self.setMinimumSize(260, 96)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def sizeHint(self) -> QSize:
        return QSize(420, 240)

    @property
    def summary(self) -> Summary | None:
        """What it shows."""
        return self._value

    def tell(self, summary: Summary) -> None:
        """Show a pass."""
        self._value = None  # arrays do not compare
        self._take(summary, "; ".join([summary.verdict, *(f"{a} {b}" for a, b in summary.numbers)]))

    def _draw(self, painter: QPainter, area: QRectF, shade: Look) -> None:
        s: Summary = self._value
        side = 2 * self._small().pixelSize()
        draw_standing(painter, QRectF(area.left(), area.top(), side, side), s.standing, shade)
        head = self._face(LEAST_AT_1_M_MM, bold=True)
        room = QRectF(area.left() + side + 10, area.top(), area.width() - side - 10, area.height() * 0.3)
        shrink(head, s.verdict, room.width(), room.height())
        painter.setFont(head)
        painter.setPen(QColor(shade.ink))
        used = painter.boundingRect(room, WRAP, s.verdict)
        painter.drawText(room, WRAP, s.verdict)
        y = max(area.top() + side + 4, used.bottom() + 4)
        body = self._small()
        while body.pixelSize() > LEAST_PX and self._wanted(QFontMetricsF(body)) > area.width():
            body.setPixelSize(body.pixelSize() - 1)
        metrics = QFontMetricsF(body)
        step = metrics.height() + 3
        name_room = self.name_room(metrics, area.width())
        painter.setFont(body)
        for label, value in s.numbers[:3]:
            _say(painter, QRectF(area.left(), y, name_room - 6, step), label, shade.soft_ink)
            _say(painter, QRectF(area.left() + name_room, y, area.width() - name_room, step), value, shade.ink)
            y += step
        if s.note:
            _say(painter, QRectF(area.left(), y, area.width(), step), s.note, shade.soft_ink)
            y += step
        left, foot = 2.4 * body.pixelSize(), 1.5 * body.pixelSize()
        self._draw_trace(painter, QRectF(area.left() + left, y + 6, area.width() - left - 6, area.bottom() - y - foot
                                         - 6), s, shade)

    def name_room(self, metrics: QFontMetricsF, width: float) -> float:
        """Width of the names' column: the longest one's, as far as the values leave room."""
        names, values = zip(*self._value.numbers[:3], strict=True)
        longest = max(map(metrics.horizontalAdvance, names)) + 12
        return min(longest, max(0.2 * width, width - max(map(metrics.horizontalAdvance, values))))

    def _wanted(self, metrics: QFontMetricsF) -> float:
        """Width in which nothing is cut."""
        names, values = ([metrics.horizontalAdvance(text) for text in column]
                         for column in zip(*self._value.numbers[:3], strict=True))
        return max(max(names) + 12 + max(values), metrics.horizontalAdvance(self._value.note))

    def _draw_trace(self, painter: QPainter, box: QRectF, s: Summary, shade: Look) -> None:
        t, h = s.trace
        if box.height() < 30 or not np.isfinite(h).any():
            return
        low, high = s.limits_mm
        bottom, top = min(low, float(np.nanmin(h))) - 2, max(high, float(np.nanmax(h))) + 2
        span_s = max(float(t[-1]), 0.1)

        def at(t_s: float, mm: float) -> QPointF:
            return QPointF(box.left() + t_s / span_s * box.width(), box.bottom() - (mm - bottom) / (top - bottom)
                           * box.height())
        tint = QColor(shade.standings[Standing.GOOD].fill)
        tint.setAlpha(60)
        painter.fillRect(QRectF(at(0, s.band_mm[1]), at(span_s, s.band_mm[0])), tint)
        face = self._small()
        px = face.pixelSize()
        painter.setFont(face)
        painter.setPen(QPen(QColor(shade.soft_ink), 1, Qt.PenStyle.DashLine))
        for mm in (low, high):
            painter.drawLine(at(0, mm), at(span_s, mm))
            painter.drawText(QRectF(box.left() - 2.4 * px, at(0, mm).y() - 0.7 * px, 2.1 * px, 1.4 * px),
                             Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, f"{mm:g}")
        painter.setPen(QPen(QColor(shade.ink), 1.6))
        points: list[QPointF] = []
        for t_s, mm in zip(t, h, strict=False):
            if math.isfinite(mm):
                points.append(at(t_s, mm))
            elif points:
                painter.drawPolyline(QPolygonF(points))
                points = []
        painter.drawPolyline(QPolygonF(points))
        painter.setPen(QColor(shade.soft_ink))
        painter.drawText(QRectF(box.left(), box.bottom() + 2, box.width(), 1.5 * px), Qt.AlignmentFlag.AlignLeft,
                         tr("height [mm] over {:.1f} s").format(span_s))


def _say(painter: QPainter, box: QRectF, text: str, ink: str) -> None:
    """One line, its end left out where there is no room."""
    painter.setPen(QColor(ink))
    text = QFontMetricsF(painter.font()).elidedText(text, Qt.TextElideMode.ElideRight, box.width())
    painter.drawText(box, Qt.AlignmentFlag.AlignVCenter, text)


def shrink(face: QFont, text: str, width: float, height: float) -> None:
    """Make a face smaller until the text fits into the room, down to 9 px."""
    while face.pixelSize() > 9:
        used = QFontMetricsF(face).boundingRect(QRectF(0, 0, max(width, 1), 1e4), int(WRAP.value), text)
        if used.width() <= width + 1 and used.height() <= height + 1:
            return
        face.setPixelSize(face.pixelSize() - 1)
