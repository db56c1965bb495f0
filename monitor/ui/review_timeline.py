"""The timeline: lanes over one time axis, a cursor shared with the picture, zoom, a span."""

from __future__ import annotations

import html
import math

import numpy as np
from PyQt6.QtCore import QEvent, QPointF, QRectF, Qt, pyqtSignal
from PyQt6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPixmap, QPolygonF
from PyQt6.QtWidgets import QSizePolicy, QToolTip, QWidget

from monitor.ui.review_bars import draw_bars, faint
from monitor.ui.review_keys import tr
from monitor.ui.review_lanes import BarLane, Curve, CurveLane, thinned, value_at
from monitor.ui.theme import DASHES, font, look, looks

__all__ = ["Timeline"]

RIGHT, GAP = 14, 4
SCALE_PX = 46  # room for a lane's numbers
LONGEST_VIEW_S = 8 * 3600.0
DRAG_PX = 5
LEAST_PX = 190
DENSE = 800  # points in view


class Timeline(QWidget):
    """Lanes against time; its methods without arguments are commands of the window.

    Signals: `moved` with the time that the user pointed at [s]; `spanned` with both ends of a span, or None.
    """

    moved = pyqtSignal(float)
    spanned = pyqtSignal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumHeight(LEAST_PX)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self.setAccessibleName(tr("Timeline"))
        self._lanes: list[CurveLane | BarLane] = []
        self._whole, self._view, self._shortest = (0.0, 1.0), (0.0, 1.0), 0.01
        self._cursor_s, self._span = 0.0, None
        self._left, self.axis_px = 120.0, 24.0
        self._drawn: QPixmap | None = None
        self._press: tuple[float, float, tuple[float, float], bool] | None = None
        self._is_dragged = False
        looks().changed.connect(self._redraw)

    @property
    def view(self) -> tuple[float, float]:
        """Start and end of what is in view [s]."""
        return self._view

    @property
    def span(self) -> tuple[float, float] | None:
        """The chosen span [s]."""
        return self._span

    def set_whole(self, start_s: float, end_s: float, frame_s: float) -> None:
        """Begin with a recording: its extent, and the usual time between two frames, the least that comes into view."""
        self._whole, self._shortest = (start_s, max(end_s, start_s + frame_s)), max(frame_s, 1e-3)
        self.zoom_fit()
        self.set_span(None)

    def widen(self, start_s: float, end_s: float, frame_s: float) -> None:
        """The same recording turns out to reach further; what the user looks at stays in view."""
        is_fit, self._shortest = self._view == self._fitting(), max(frame_s, 1e-3)
        self._whole = (min(start_s, self._whole[0]), max(end_s, self._whole[1]))
        if is_fit:
            self.zoom_fit()

    def set_lanes(self, lanes: list[CurveLane | BarLane]) -> None:
        """What to show, from top to bottom."""
        self._lanes = lanes
        self._fit_titles()
        self._redraw()

    def set_cursor(self, t_s: float) -> None:
        """Where the picture is; the view follows when the cursor would leave it."""
        self._cursor_s = t_s
        start, end = self._view
        if not start <= t_s <= end:
            self._set_view(t_s - 0.25 * (end - start), t_s + 0.75 * (end - start))
        self.update()

    def set_span(self, span: tuple[float, float] | None) -> None:
        """Choose a span, or none."""
        self._span = None if span is None else (min(span), max(span))
        self.update()
        self.spanned.emit(self._span)

    def zoom_in(self) -> None:
        """Half as much time."""
        self.zoom(2.0)

    def zoom_out(self) -> None:
        """Twice as much time."""
        self.zoom(0.5)

    def pan_left(self) -> None:
        """A quarter view back."""
        self.pan(-0.25)

    def pan_right(self) -> None:
        """A quarter view on."""
        self.pan(0.25)

    def zoom_fit(self) -> None:
        """The whole recording."""
        self._set_view(*self._fitting())

    def zoom_span(self) -> None:
        """The span, with a little round it."""
        if self._span is not None:
            margin = 0.06 * (self._span[1] - self._span[0]) + self._shortest
            self._set_view(self._span[0] - margin, self._span[1] + margin)

    def zoom(self, factor: float, at_s: float | None = None) -> None:
        """Bring a factor less time into view, keeping one moment (by default the cursor) where it is."""
        start, end = self._view
        at_s = self._cursor_s if at_s is None else at_s
        width = min(max((end - start) / factor, self._shortest), LONGEST_VIEW_S)
        share = (at_s - start) / (end - start)
        self._set_view(at_s - share * width, at_s + (1 - share) * width)

    def pan(self, share: float) -> None:
        """Move the view by a share of its width."""
        start, end = self._view
        self._set_view(start + share * (end - start), end + share * (end - start))

    def x_of(self, t_s: float) -> float:
        """Where a moment lies across the widget [px]."""
        start, end = self._view
        return self._left + (t_s - start) / (end - start) * self._inner()

    def time_at(self, x: float) -> float:
        """The moment at a place across the widget [s]."""
        start, end = self._view
        return start + (x - self._left) / self._inner() * (end - start)

    def _fit_titles(self) -> None:
        """Room on the left for every lane's title; those of high lanes may take two lines."""
        measure = QFontMetricsF(font("small"))
        widths = [measure.horizontalAdvance(_title(lane)) * (0.62 if lane.weight > 1.5 else 1.0)
                  for lane in self._lanes]
        self._left = min(max(widths, default=80.0) + SCALE_PX, 0.4 * max(self.width(), 400))
        self.axis_px = measure.height() + 8
        row, strip = self._rows()
        lanes = [row if isinstance(lane, BarLane) else _least_px(lane) + strip * bool(_named(lane))
                 for lane in self._lanes]
        self.setMinimumHeight(max(LEAST_PX, math.ceil(sum(lanes) + GAP * (len(lanes) + 1) + self.axis_px)))

    def _fitting(self) -> tuple[float, float]:
        margin = 0.01 * (self._whole[1] - self._whole[0])
        return self._whole[0] - margin, self._whole[1] + margin

    def _inner(self) -> float:
        return max(1.0, self.width() - self._left - RIGHT)

    def _set_view(self, start_s: float, end_s: float) -> None:
        width = min(max(end_s - start_s, self._shortest), LONGEST_VIEW_S)
        reach = max(width, self._whole[1] - self._whole[0])
        middle = min(max((start_s + end_s) / 2, self._whole[0] - 0.5 * reach), self._whole[1] + 0.5 * reach)
        self._view = (middle - width / 2, middle + width / 2)
        self._redraw()

    def _redraw(self, *_: object) -> None:
        self._drawn = None
        self.update()

    # --- painting

    def paintEvent(self, event: object) -> None:
        ratio = self.devicePixelRatioF()
        if self._drawn is None or self._drawn.size() != self.size() * ratio:
            self._drawn = QPixmap(self.size() * ratio)
            self._drawn.setDevicePixelRatio(ratio)
            self._draw_all(self._drawn)
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._drawn)
        self._draw_span(painter)
        self._draw_cursor(painter)
        if self.hasFocus():
            painter.setPen(QPen(QColor(look().focus), 2))
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))
        painter.end()

    def resizeEvent(self, event: object) -> None:
        self._redraw()

    def changeEvent(self, event: QEvent) -> None:
        if event.type() in (QEvent.Type.FontChange, QEvent.Type.PaletteChange):
            self._fit_titles()
            self._redraw()

    def _draw_all(self, target: QPixmap) -> None:
        target.fill(QColor(look().panel))
        painter = QPainter(target)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._draw_axis(painter)
        for lane, box in self.boxes():
            self._draw_title(painter, lane, box)
            if isinstance(lane, CurveLane):
                self._draw_curves(painter, lane, box)
            else:
                draw_bars(painter, self.x_of, lane, box)
        painter.end()

    def boxes(self) -> list[tuple[CurveLane | BarLane, QRectF]]:
        """Each lane and its place, below the names of its curves; rows of bars have a fixed height, curves share the
        rest.
        """
        row, strip = self._rows()
        curves = [lane for lane in self._lanes if isinstance(lane, CurveLane)]
        strips = [strip * bool(_named(lane)) for lane in self._lanes]
        rest = self.height() - self.axis_px - sum(strips) - GAP * (len(self._lanes) + 1) - row * (len(self._lanes)
                                                                                                - len(curves))
        spare = max(0.0, rest - sum(map(_least_px, curves))) / (sum(lane.weight for lane in curves) or 1.0)
        top, out = float(GAP), []
        for lane, above in zip(self._lanes, strips, strict=True):
            height = row if isinstance(lane, BarLane) else _least_px(lane) + spare * lane.weight
            out.append((lane, QRectF(self._left, top + above, self._inner(), height)))
            top += above + height + GAP
        return out

    def _rows(self) -> tuple[float, float]:
        """Height of a row of bars, and of a line of curves' names [px]."""
        line = QFontMetricsF(font("small")).height()
        return line + 6, line + 2

    def _draw_axis(self, painter: QPainter) -> None:
        start, end = self._view
        step = _round_step((end - start) / max(2.0, self._inner() / 90))
        painter.setFont(font("small", tabular=True))
        for k in range(math.ceil(start / step), math.floor(end / step) + 1):
            x = self.x_of(k * step)
            painter.setPen(QPen(faint(), 1))
            painter.drawLine(QPointF(x, 0), QPointF(x, self.height() - self.axis_px))
            painter.setPen(QColor(look().soft_ink))
            painter.drawText(QRectF(x - 60, self.height() - self.axis_px + 3, 120, self.axis_px - 4),
                             Qt.AlignmentFlag.AlignHCenter, _clock(k * step, step))

    def _draw_title(self, painter: QPainter, lane: CurveLane | BarLane, box: QRectF) -> None:
        painter.setFont(font("small"))
        painter.setPen(QColor(look().ink))
        text = _title(lane)
        place = QRectF(6, box.top(), self._left - SCALE_PX + 2, box.height())
        if _named(lane):
            place.setTop(box.top() - self._rows()[1])
        measure = QFontMetricsF(painter.font())
        wrap = Qt.TextFlag.TextWordWrap.value if place.height() >= 1.9 * measure.lineSpacing() else 0
        if not wrap:
            text = measure.elidedText(text, Qt.TextElideMode.ElideRight, place.width())
        painter.drawText(place, Qt.AlignmentFlag.AlignLeft.value | Qt.AlignmentFlag.AlignVCenter.value | wrap, text)

    def _draw_curves(self, painter: QPainter, lane: CurveLane, box: QRectF) -> None:
        low, high = lane.span
        painter.save()
        painter.setClipRect(box.adjusted(-38, -4, 0, 4))

        def y_of(values: np.ndarray) -> np.ndarray:
            return box.bottom() - (np.clip(values, low - 9 * (high - low), high + 9 * (high - low))
                                   - low) / (high - low) * box.height()
        self._draw_limits(painter, lane, box, y_of)
        self._draw_scale(painter, low, high, box)
        painter.setClipRect(box)
        for curve in lane.curves:
            self._draw_curve(painter, curve, y_of)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.restore()
        self._draw_names(painter, lane, box)

    def _draw_limits(self, painter: QPainter, lane: CurveLane, box: QRectF, y_of) -> None:
        if lane.limits is None:
            return
        bottom, top = (float(y_of(np.array(v))) for v in lane.limits)
        allowed = QColor(look().series[3])
        allowed.setAlpha(34)
        painter.fillRect(QRectF(box.left(), top, box.width(), bottom - top), allowed)
        painter.setPen(QPen(QColor(look().series[4]), 1, Qt.PenStyle.DashLine))
        for y in (bottom, top):
            painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))

    def _draw_scale(self, painter: QPainter, low: float, high: float, box: QRectF) -> None:
        painter.setPen(QPen(QColor(look().line), 1))
        painter.drawLine(box.topLeft(), box.bottomLeft())
        painter.setFont(font("small", tabular=True))
        grid, ink = QPen(QColor(look().line), 1, Qt.PenStyle.DotLine), QColor(look().ink)
        line = QFontMetricsF(painter.font()).height()
        step, last_y = _round_step((high - low) / max(2.0, box.height() / (1.7 * line))), math.inf
        step /= 2 if step > high else 1  # nought alone is no scale
        for k in range(math.ceil(low / step), math.floor(high / step) + 1):
            y = box.bottom() - (k * step - low) / (high - low) * box.height()
            y = min(max(y, box.top() + line / 2 - 3), box.bottom() - line / 2 + 3)
            if last_y - y > 0.7 * line:
                at = box.bottom() - (k * step - low) / (high - low) * box.height()
                painter.setPen(grid)
                painter.drawLine(QPointF(box.left(), at), QPointF(box.right(), at))
                painter.setPen(ink)
                painter.drawText(QRectF(box.left() - 38, y - line / 2, 34, line),
                                 Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, f"{k * step:g}")
                last_y = y

    def _draw_curve(self, painter: QPainter, curve: Curve, y_of) -> None:
        if not len(curve.t_s):
            return
        t, values = thinned(curve.t_s, curve.values, *self._view, int(self._inner()))
        start, end = self._view
        x = self._left + (t - start) / (end - start) * self._inner()
        y = y_of(values)
        colour = QColor(look().series[curve.series % len(look().series)])
        shade = QColor(colour)
        shade.setAlpha(60)
        is_dense = len(x) > DENSE  # smooth wide lines of many points take long, and look no better
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, not is_dense)
        for part in _unbroken(np.isfinite(values[:, 1]) & np.isfinite(x)):
            if curve.is_banded and np.isfinite(values[part]).all():
                outline = np.concatenate([np.stack([x[part], y[part, 2]], 1), np.stack([x[part], y[part, 0]], 1)[::-1]])
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(shade)
                painter.drawPolygon(_polygon(outline))
            painter.setPen(QPen(colour, 1.0 if is_dense else 1.4, DASHES[curve.series % len(DASHES)] if curve.series > 1
                                else Qt.PenStyle.SolidLine))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            if part.stop - part.start == 1:
                painter.drawPoint(QPointF(x[part.start], y[part.start, 1]))
            else:
                painter.drawPolyline(_polygon(np.stack([x[part], y[part, 1]], 1)))

    def _draw_names(self, painter: QPainter, lane: CurveLane, box: QRectF) -> None:
        """Which line is which, above the lane, each with a stroke of its own dash."""
        named = _named(lane)
        painter.setFont(font("small"))
        measure = QFontMetricsF(painter.font())
        at = box.left() + 8
        for curve in named:
            room = max(0.0, (box.width() - 8) / len(named) - 40)
            text = measure.elidedText(curve.name, Qt.TextElideMode.ElideRight, room)
            place = QRectF(at + 32, box.top() - measure.height() - 1, measure.horizontalAdvance(text) + 1,
                           measure.height())
            painter.setPen(QColor(look().ink))
            painter.drawText(place, Qt.AlignmentFlag.AlignLeft, text)
            painter.setPen(QPen(QColor(look().series[curve.series % 5]), 2, DASHES[curve.series % 5] if curve.series > 1
                                else Qt.PenStyle.SolidLine))
            painter.drawLine(QPointF(place.left() - 27, place.center().y()),
                             QPointF(place.left() - 5, place.center().y()))
            at = place.right() + 8

    def _draw_span(self, painter: QPainter) -> None:
        if self._span is None:
            return
        left, right = (min(max(self.x_of(t), self._left), self.width() - RIGHT) for t in self._span)
        shade = QColor(look().accent)
        shade.setAlpha(38)
        painter.fillRect(QRectF(left, 0, right - left, self.height() - self.axis_px), shade)
        painter.setPen(QPen(QColor(look().accent), 1, Qt.PenStyle.DashLine))
        for x in (left, right):
            painter.drawLine(QPointF(x, 0), QPointF(x, self.height() - self.axis_px))

    def _draw_cursor(self, painter: QPainter) -> None:
        x = self.x_of(self._cursor_s)
        if not self._left - 1 <= x <= self.width() - RIGHT + 1:
            return
        painter.setPen(QPen(QColor(look().ink), 1))
        painter.drawLine(QPointF(x, 0), QPointF(x, self.height() - self.axis_px))
        for lane, box in self.boxes():
            if isinstance(lane, CurveLane):
                self._draw_reading(painter, lane, box, x)
        painter.setFont(font("small", bold=True, tabular=True))
        text = f"{self._cursor_s:.3f} s"
        width = QFontMetricsF(painter.font()).horizontalAdvance(text) + 10
        place = QRectF(min(max(x - width / 2, self._left), self.width() - width - 2), self.height() - self.axis_px + 2,
                       width, self.axis_px - 4)
        painter.fillRect(place, QColor(look().accent))
        painter.setPen(QColor(look().accent_ink))
        painter.drawText(place, Qt.AlignmentFlag.AlignCenter, text)

    def _draw_reading(self, painter: QPainter, lane: CurveLane, box: QRectF, x: float) -> None:
        """The first curve's value at the cursor, beside it."""
        curve = lane.curves[0]
        value = value_at(curve, self._cursor_s)
        text = "\u2013" if value is None else f"{value:.1f}"
        painter.setFont(font("small", tabular=True))
        measure = QFontMetricsF(painter.font())
        width = measure.horizontalAdvance(text) + 6
        top = box.bottom() - measure.height() if lane.is_rising else box.top()
        place = QRectF(x + 3 if x + width + 6 < self.width() - RIGHT else x - width - 3, top, width, measure.height())
        ground = QColor(look().panel)
        ground.setAlpha(215)
        painter.fillRect(place, ground)
        painter.setPen(QColor(look().ink))
        painter.drawText(place, Qt.AlignmentFlag.AlignCenter, text)

    # --- mouse

    def wheelEvent(self, event) -> None:
        self.zoom(1.0015 ** event.angleDelta().y(), self.time_at(event.position().x()))
        event.accept()

    def mousePressEvent(self, event) -> None:
        if event.button() is Qt.MouseButton.LeftButton:
            is_span = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
            x = event.position().x()
            self._press, self._is_dragged = (x, self.time_at(x), self._view, is_span), False

    def mouseMoveEvent(self, event) -> None:
        x = event.position().x()
        if self._press is None:
            self._tip(event)
            return
        x0, t0, view, is_span = self._press
        self._is_dragged |= abs(x - x0) > DRAG_PX
        if self._is_dragged and is_span:
            self._span = (min(t0, self.time_at(x)), max(t0, self.time_at(x)))
            self.update()
        elif self._is_dragged:
            by = (x0 - x) / self._inner() * (view[1] - view[0])
            self._set_view(view[0] + by, view[1] + by)

    def mouseReleaseEvent(self, event) -> None:
        if self._press is None:
            return
        is_span, self._press = self._press[3], None
        if not self._is_dragged:
            self.moved.emit(min(max(self.time_at(event.position().x()), self._whole[0]), self._whole[1]))
        elif is_span:
            self.set_span(self._span)

    def _tip(self, event) -> None:
        """What lies under the pointer."""
        at = event.position()
        for lane, box in self.boxes():
            if isinstance(lane, BarLane) and box.top() <= at.y() <= box.bottom():
                hit = [b for b in lane.bars if self.x_of(b.start_s) - 5 <= at.x() <= self.x_of(b.end_s) + 5]
                if hit:
                    QToolTip.showText(event.globalPosition().toPoint(), f"<qt>{html.escape(hit[0].text)}</qt>", self)


def _least_px(lane: CurveLane) -> float:
    """Height in which a lane's scale can still be read: two numbers where it counts."""
    return 14.0 + 7.0 * lane.weight


def _named(lane: CurveLane | BarLane) -> list[Curve]:
    """Curves whose names stand above their lane; a low lane shares those of the lane above it."""
    named = [c for c in lane.curves if c.name] if isinstance(lane, CurveLane) else []
    return named if len(named) > 1 and lane.weight > 1.0 else []


def _title(lane: CurveLane | BarLane) -> str:
    return f"{lane.title}, {lane.unit}" if isinstance(lane, CurveLane) else lane.title


def _round_step(least: float) -> float:
    """The smallest 1, 2 or 5 times a power of ten that is not below `least`."""
    power = 10.0 ** math.floor(math.log10(max(least, 1e-9)))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= least * (1 - 1e-9))


def _clock(t_s: float, step_s: float) -> str:
    if abs(t_s) < 60:
        return f"{t_s:.{max(0, -math.floor(math.log10(step_s) + 1e-9))}f} s" if step_s < 1 else f"{t_s:.0f} s"
    minutes, seconds = divmod(t_s, 60)
    tail = f"{seconds:06.3f}" if step_s < 0.1 else f"{seconds:04.1f}" if step_s < 1 else f"{seconds:02.0f}"
    return f"{minutes:.0f}:{tail}"


def _unbroken(known: np.ndarray) -> list[slice]:
    """Runs of known values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    return [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _polygon(points: np.ndarray) -> QPolygonF:
    """Corners (n, 2) written into Qt's own memory: a list of QPointF takes ten times as long."""
    polygon = QPolygonF()
    polygon.fill(QPointF(), len(points))
    memory = polygon.data()
    memory.setsize(16 * len(points))
    np.frombuffer(memory, np.float64).reshape(-1, 2)[:] = points
    return polygon
