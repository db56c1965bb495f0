"""Marks regions on the straightened live picture, in millimetres: by mouse or by keys, with snapping.

A rectangle is dragged open, or takes three clicks where it lies askew (two ends of one side, then how far it reaches);
any other outline takes its corners one by one. Clicks snap to corners of marks and to corners seen in the picture.
"""

from __future__ import annotations

import math

import numpy as np
from PyQt6.QtCore import QEvent, QPointF, QRectF, Qt, pyqtSignal
from PyQt6.QtGui import QBrush, QColor, QKeyEvent, QMouseEvent, QPainter, QPen, QPolygonF, QWheelEvent
from PyQt6.QtWidgets import QSizePolicy, QWidget

from monitor.job import SHEET_MM
from monitor.ui.bench_draft import JobDraft, Mark
from monitor.ui.bench_picture import EDGE, NEIGHBOUR, TARGET, picture_of
from monitor.ui.bench_state import tr
from monitor.ui.bench_straight import Straight, picture_corners
from monitor.ui.theme import font
from vision.types import BenchPose

__all__ = ["MarkView"]

SNAP_PX = 9.0
STEP_MM, FINE_MM = 1.0, 0.1
ROUND_MM = 25.0
SLOT = QColor("#e3e7ea")
CORNERS_EVERY = 15  # pictures between two looks for corners


class MarkView(QWidget):
    """The bench from above.

    Attributes
    ----------
    marks_target : bool
        Whether the next outline is the target's.
    is_rectangle : bool
        Whether the next outline is a rectangle.
    """

    pointed = pyqtSignal(float, float)
    chosen = pyqtSignal(int)
    dropped = pyqtSignal()

    def __init__(self, draft: JobDraft, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.draft = draft
        self.marks_target, self.is_rectangle, self.snaps = True, True, True
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(420, 300)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMouseTracking(True)
        self.setAccessibleName(tr("bench from above"))
        self.setAccessibleDescription(tr("arrow keys move the pointer, Enter sets a corner, Backspace takes the last "
                                         "one back"))
        self._straight = Straight()
        self._image = None
        self._seen_corners = np.zeros((0, 2))
        self._n_shown = 0
        self._centre, self._zoom = np.zeros(2), 1.0
        self._pointer = np.zeros(2)
        self._snapped = ""
        self._drawn: list[tuple[float, float]] = []
        self._grip: tuple[int, int] | None = None
        self._pan_from: QPointF | None = None
        self._drag_from: np.ndarray | None = None
        self.selected: int | None = None
        self.message, self.proposal = "", []
        draft.changed.connect(self.update)

    def show_picture(self, image: np.ndarray, camera, bench: BenchPose, top_mm: float) -> None:
        """Straighten and show a frame."""
        flat = self._straight.view(image, camera, bench, top_mm)
        self._image = picture_of(flat)
        if self._n_shown % CORNERS_EVERY == 0:
            self._seen_corners = picture_corners(flat)
        self._n_shown += 1
        self.message = ""
        self.update()

    def tell(self, message: str) -> None:
        """Say why there is no picture."""
        if message != self.message:
            self.message = message
            self.update()

    def fit(self) -> None:
        """Show the whole mat."""
        self._centre, self._zoom = np.zeros(2), 1.0
        self.update()

    def fit_marks(self) -> None:
        """Show the marks and what lies round them."""
        corners = np.array([c for m in self.draft.marks() for c in m.corners_mm])
        if not len(corners):
            self.fit()
            return
        low, high = corners.min(0) - ROUND_MM, corners.max(0) + ROUND_MM
        self._centre = (low + high) / 2
        self._zoom = float(np.clip(min(np.array(SHEET_MM) / (high - low)), 1.0, 12.0))
        self.update()

    def propose(self, outlines: list) -> None:
        """Show where marks would go, until others or none are given."""
        self.proposal = outlines
        self.update()

    def cancel(self) -> None:
        """Drop the outline under way."""
        self._drawn.clear()
        self.update()

    @property
    def corners_set(self) -> int:
        """How many corners of the outline under way are set."""
        return len(self._drawn)

    def to_widget(self, mm) -> QPointF:
        """Where a place on the bench is on the screen."""
        scale = self._scale
        return QPointF(self.width() / 2 + (mm[0] - self._centre[0]) * scale, self.height() / 2
                       - (mm[1] - self._centre[1]) * scale)

    def to_mm(self, at: QPointF) -> np.ndarray:
        """Which place on the bench is there."""
        scale = self._scale
        return np.array([(at.x() - self.width() / 2) / scale + self._centre[0], (self.height() / 2 - at.y()) / scale
                         + self._centre[1]])

    @property
    def _scale(self) -> float:
        """Screen pixels per mm."""
        return self._zoom * min(self.width() / SHEET_MM[0], self.height() / SHEET_MM[1])

    def set_corner(self) -> None:
        """Set a corner at the pointer; the last one finishes the outline."""
        place = tuple(float(v) for v in self._pointer)
        if not self.is_rectangle and len(self._drawn) >= 3 and self._near(self._drawn[0]):
            self._finish(self._drawn)
            return
        if self._drawn and np.hypot(*np.subtract(place, self._drawn[-1])) < 0.05:
            return
        self._drawn.append(place)
        if self.is_rectangle and len(self._drawn) == 3:
            self._finish(_rectangle(*self._drawn))
        self.update()

    def finish(self) -> None:
        """Close an outline of three or more corners."""
        if not self.is_rectangle and len(self._drawn) >= 3:
            self._finish(self._drawn)

    def event(self, event: QEvent) -> bool:
        """The view's own keys go before the window's."""
        if event.type() == QEvent.Type.ShortcutOverride and event.key() in _KEYS:
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = event.key()
        step = FINE_MM if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else STEP_MM
        moves = {Qt.Key.Key_Left: (-step, 0), Qt.Key.Key_Right: (step, 0), Qt.Key.Key_Up: (0, step),
                 Qt.Key.Key_Down: (0, -step)}
        if key in moves:
            self._move_pointer(self._pointer + moves[key], snaps=False)
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.set_corner()
        elif key == Qt.Key.Key_Backspace and self._drawn:
            self._drawn.pop()
        elif key == Qt.Key.Key_Escape and self._drawn:
            self.cancel()
        elif key == Qt.Key.Key_Escape and self.proposal:
            self.dropped.emit()
        elif key == Qt.Key.Key_Delete and self.selected is not None:
            self.draft.remove_mark(self.selected)
            self.selected = None
        else:
            super().keyPressEvent(event)
            return
        self.update()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.setFocus()
        if event.button() == Qt.MouseButton.RightButton:
            self._pan_from = event.position()
            return
        self._move_pointer(self.to_mm(event.position()))
        if event.button() != Qt.MouseButton.LeftButton:
            return
        self._grip = self._grip_at(event.position()) if not self._drawn else None
        if self._grip is None and self.is_rectangle and not self._drawn:
            self._drag_from = self._pointer.copy()
        elif self._grip is None:
            self.set_corner()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._pan_from is not None:
            moved = event.position() - self._pan_from
            self._centre -= np.array([moved.x(), -moved.y()]) / self._scale
            self._pan_from = event.position()
            self.update()
            return
        self._move_pointer(self.to_mm(event.position()))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.RightButton:
            self._pan_from = None
        elif self._drag_from is not None:
            start, self._drag_from = self._drag_from, None
            if np.abs(self._pointer - start).min() * self._scale > SNAP_PX:
                (left, bottom), (right, top) = np.minimum(start, self._pointer), np.maximum(start, self._pointer)
                self._finish([(left, bottom), (right, bottom), (right, top), (left, top)])
            else:  # no drag but a click
                self.set_corner()
        elif self._grip is not None:
            index, corner = self._grip
            self._grip = None
            mark = next(m for m in self.draft.marks() if m.index == index)
            corners = list(mark.corners_mm)
            if np.hypot(*np.subtract(corners[corner], self._pointer)) > 0.05:
                corners[corner] = tuple(self._pointer)
                self.draft.change_mark(index, outline_mm=corners)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.finish()

    def wheelEvent(self, event: QWheelEvent) -> None:
        before = self.to_mm(event.position())
        self._zoom = min(max(self._zoom * 1.2 ** (event.angleDelta().y() / 120), 1.0), 12.0)
        self._centre += before - self.to_mm(event.position())
        self.update()

    def paintEvent(self, _: object) -> None:
        painter = QPainter(self)
        painter.setRenderHints(QPainter.RenderHint.Antialiasing | QPainter.RenderHint.SmoothPixmapTransform)
        painter.fillRect(self.rect(), QColor("#101416"))
        sheet = QRectF(self.to_widget((-SHEET_MM[0] / 2, SHEET_MM[1] / 2)),
                       self.to_widget((SHEET_MM[0] / 2, -SHEET_MM[1] / 2)))
        if self._image is not None:
            painter.drawImage(sheet, self._image)
        painter.setPen(QPen(QColor("#8b939c"), 1, Qt.PenStyle.DotLine))
        painter.drawRect(sheet)
        self._draw_slots(painter)
        for mark in self.draft.marks():
            self._draw_mark(painter, mark)
        for outline in self.proposal:
            painter.setBrush(Qt.BrushStyle.NoBrush)
            shape = QPolygonF([self.to_widget(c) for c in outline])
            for width, ink in ((6.0, EDGE), (3.0, QColor("#ffffff"))):
                painter.setPen(QPen(ink, width, Qt.PenStyle.DotLine))
                painter.drawPolygon(shape)
        self._draw_under_way(painter)
        self._draw_pointer(painter)
        if self.message:
            self._draw_message(painter)
        painter.end()

    def _draw_slots(self, painter: QPainter) -> None:
        """Where the board is cut out, as far as it is written in pairs of numbers."""
        outlines = self.draft.get("board", "cutout_mm")
        painter.setBrush(QBrush(SLOT, Qt.BrushStyle.BDiagPattern))
        painter.setPen(QPen(SLOT, 1))
        for outline in outlines if isinstance(outlines, list) else ():
            painter.drawPolygon(QPolygonF([self.to_widget(corner) for corner in outline]))

    def _draw_mark(self, painter: QPainter, mark: Mark) -> None:
        corners = list(mark.corners_mm)
        if self._grip is not None and self._grip[0] == mark.index:
            corners[self._grip[1]] = tuple(self._pointer)
        shape = QPolygonF([self.to_widget(c) for c in corners])
        colour = TARGET if mark.is_target else NEIGHBOUR
        style = Qt.PenStyle.SolidLine if mark.is_target else Qt.PenStyle.DashLine
        painter.setBrush(Qt.BrushStyle.NoBrush)
        for width, ink, kind in ((5.0, EDGE, Qt.PenStyle.SolidLine), (3.0 if mark.index == self.selected else 2.0,
                                                                      colour, style)):
            painter.setPen(QPen(ink, width, kind))
            painter.drawPolygon(shape)
        painter.setBrush(colour)
        painter.setPen(QPen(EDGE, 1))
        for point in shape:
            painter.drawRect(QRectF(point.x() - 3, point.y() - 3, 6, 6))
        painter.setFont(font("small", bold=True))
        where = shape.boundingRect().topLeft() + QPointF(0, -7)
        painter.setPen(EDGE)
        painter.drawText(where + QPointF(1, 1), mark.name)
        painter.setPen(colour)
        painter.drawText(where, mark.name)

    def _draw_under_way(self, painter: QPainter) -> None:
        if self._drag_from is not None:
            painter.setPen(QPen(TARGET if self.marks_target else NEIGHBOUR, 2))
            painter.drawRect(QRectF(self.to_widget(self._drag_from), self.to_widget(self._pointer)).normalized())
        if not self._drawn:
            return
        corners = [*self._drawn, tuple(self._pointer)]
        if self.is_rectangle and len(corners) == 3:
            corners = _rectangle(*corners)
        shape = QPolygonF([self.to_widget(c) for c in corners])
        painter.setBrush(Qt.BrushStyle.NoBrush)
        for width, ink in ((4.0, EDGE), (2.0, TARGET if self.marks_target else NEIGHBOUR)):
            painter.setPen(QPen(ink, width))
            (painter.drawPolygon if len(corners) > 3 else painter.drawPolyline)(shape)

    def _draw_pointer(self, painter: QPainter) -> None:
        at = self.to_widget(self._pointer)
        for width, ink in ((4.0, EDGE), (1.5, QColor("#ffffff"))):
            painter.setPen(QPen(ink, width))
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                painter.drawLine(at + QPointF(4 * dx, 4 * dy), at + QPointF(13 * dx, 13 * dy))
            if self._snapped:
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.drawRect(QRectF(at.x() - 6, at.y() - 6, 12, 12))
        text = tr("x {:.1f}  y {:.1f} mm").format(*self._pointer) + (f"  {self._snapped}" if self._snapped else "")
        painter.setFont(font("small", tabular=True))
        box = QRectF(6, self.height() - 26, painter.fontMetrics().horizontalAdvance(text) + 14, 20)
        painter.fillRect(box, EDGE)
        painter.setPen(QColor("#ffffff"))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    def _draw_message(self, painter: QPainter) -> None:
        painter.setFont(font("head"))
        painter.fillRect(QRectF(0, 0, self.width(), 56), EDGE)
        painter.setPen(QColor("#ffffff"))
        painter.drawText(QRectF(10, 4, self.width() - 20, 48), Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap,
                         self.message)

    def _move_pointer(self, place: np.ndarray, snaps: bool = True) -> None:
        half = np.array(SHEET_MM) / 2
        place = np.clip(place, -half, half)
        self._snapped = ""
        if snaps and self.snaps:
            place, self._snapped = self._snap(place)
        self._pointer = np.asarray(place, float) if self._snapped else np.round(place, 1)
        self.pointed.emit(*map(float, self._pointer))
        self.update()

    def _snap(self, place: np.ndarray) -> tuple[np.ndarray, str]:
        """The nearest corner of a mark, else of something seen, within a few screen pixels."""
        own = [c for m in self.draft.marks() for k, c in enumerate(m.corners_mm)
               if self._grip != (m.index, k)] + self._drawn
        for corners, word in ((np.array(own, float).reshape(-1, 2), tr("corner of a mark")),
                              (self._seen_corners, tr("corner in the picture"))):
            if len(corners):
                away = np.hypot(*(corners - place).T)
                if away.min() * self._scale < SNAP_PX:
                    return corners[int(away.argmin())], word
        return place, ""

    def _near(self, corner) -> bool:
        return float(np.hypot(*np.subtract(corner, self._pointer))) * self._scale < SNAP_PX

    def _grip_at(self, at: QPointF) -> tuple[int, int] | None:
        """The corner of a mark under the pointer, to be dragged; selects its mark."""
        for mark in self.draft.marks():
            for k, corner in enumerate(mark.corners_mm):
                away = self.to_widget(corner) - at
                if math.hypot(away.x(), away.y()) < SNAP_PX:
                    self.selected = mark.index
                    self.chosen.emit(mark.index)
                    return mark.index, k
        return None

    def _finish(self, corners) -> None:
        corners = list(corners)
        self._drawn.clear()
        self.draft.add_mark(corners, self.marks_target)
        self.marks_target = False  # the next one is most likely a neighbour
        self.update()


_KEYS = {Qt.Key.Key_Left, Qt.Key.Key_Right, Qt.Key.Key_Up, Qt.Key.Key_Down, Qt.Key.Key_Return, Qt.Key.Key_Enter,
         Qt.Key.Key_Backspace, Qt.Key.Key_Escape, Qt.Key.Key_Delete}


def _rectangle(a, b, reach) -> list[tuple[float, float]]:
    """Corners of the rectangle on the side a-b that reaches as far as a third point."""
    a, b, reach = (np.array(p, float) for p in (a, b, reach))
    along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
    across = np.array([-along[1], along[0]])
    depth = float((reach - b) @ across)
    return [tuple(a), tuple(b), tuple(b + depth * across), tuple(a + depth * across)]
