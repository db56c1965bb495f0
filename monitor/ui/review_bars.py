"""Draws what has a beginning and an end on a lane of the timeline: passes, warnings, what happened to parts, notes."""

from __future__ import annotations

import itertools
from collections.abc import Callable

from PyQt6.QtCore import QPointF, QRectF, Qt
from PyQt6.QtGui import QBrush, QColor, QFontMetricsF, QPainter, QPen, QPolygonF

from monitor.ui.review_lanes import PASSED, WARNED, Bar, BarLane
from monitor.ui.theme import Standing, font, look

__all__ = ["draw_bars", "faint"]

LEAST_WORDS_PX = 14


def draw_bars(painter: QPainter, x_of: Callable[[float], float], lane: BarLane, box: QRectF) -> None:
    """A lane's bars in its box; `x_of` gives the place of a time."""
    painter.save()
    painter.setClipRect(box.adjusted(-8, 0, 8, 0))
    painter.setFont(font("small"))
    painter.setPen(QPen(faint(), 1))
    painter.drawLine(QPointF(box.left(), box.center().y()), QPointF(box.right(), box.center().y()))
    ordered = sorted(lane.bars, key=lambda bar: bar.start_s)
    for bar, later in itertools.zip_longest(ordered, ordered[1:]):
        left, right = x_of(bar.start_s), x_of(bar.end_s)
        if right < box.left() - 8 or left > box.right() + 8:
            continue
        _draw_bar(painter, bar, box, left, right)
        _draw_words(painter, bar, box, (left, right), box.right() if later is None else x_of(later.start_s))
    painter.restore()


def faint() -> QColor:
    """For lines that only lead the eye."""
    colour = QColor(look().line)
    colour.setAlpha(80)
    return colour


def _draw_bar(painter: QPainter, bar: Bar, box: QRectF, left: float, right: float) -> None:
    standing = _standing(bar)
    painter.setPen(QPen(look().on(standing) if bar.kind == WARNED else look().fill(standing), 1))
    painter.setBrush(QBrush(look().fill(standing)))
    if right - left < 4:  # a moment: a diamond
        middle, half = box.center().y(), box.height() * 0.36
        painter.drawPolygon(QPolygonF([QPointF(left, middle - half), QPointF(left + half * 0.8, middle),
                                       QPointF(left, middle + half), QPointF(left - half * 0.8, middle)]))
        return
    painter.drawRoundedRect(QRectF(left, box.top() + 1, right - left, box.height() - 2), 3, 3)


def _draw_words(painter: QPainter, bar: Bar, box: QRectF, ends: tuple[float, float], free_to: float) -> None:
    """What a bar says, in it where that fits; a note else beside it, as far as the next one."""
    measure, is_note = QFontMetricsF(painter.font()), bar.kind not in (PASSED, WARNED)
    text = bar.text.split(":")[0] if bar.kind == WARNED else bar.text
    place = QRectF(ends[0], box.top(), ends[1] - ends[0], box.height()).adjusted(4, 0, -4, 0).intersected(box)
    is_inside = not is_note or measure.horizontalAdvance(text) <= place.width()
    if not is_inside:
        beside = max(ends[1], ends[0] + 0.3 * box.height()) + 5
        place = QRectF(beside, box.top(), free_to - 6 - beside, box.height()).intersected(box)
    if place.width() <= LEAST_WORDS_PX:
        return
    painter.setPen(look().on(_standing(bar)) if is_inside else QColor(look().ink))
    side = Qt.AlignmentFlag.AlignHCenter if is_inside else Qt.AlignmentFlag.AlignLeft
    painter.drawText(place, Qt.AlignmentFlag.AlignVCenter | side,
                     measure.elidedText(text, Qt.TextElideMode.ElideRight, place.width()))


def _standing(bar: Bar) -> Standing:
    return {PASSED: Standing.GOOD, WARNED: Standing.HEED}.get(bar.kind, Standing.UNKNOWN)
