"""Pages that scroll where a screen has no room for them, rather than spread their window beyond it."""

from __future__ import annotations

from PyQt6.QtCore import QEvent, QObject, QSize, Qt
from PyQt6.QtGui import QResizeEvent
from PyQt6.QtWidgets import QFrame, QLayout, QScrollArea, QStyle, QVBoxLayout, QWidget

__all__ = ["LEAST_WINDOW", "Scrolling", "lay_scrolling"]

LEAST_WINDOW = 480, 320  # that a window may be made


class Scrolling(QScrollArea):
    """Holds a page that fills it, and scrolls once it is smaller than the least that the page can do with.

    Qt's own way of filling the area asks for the size that a page with wrapped text would like best, and scrolls long
    before there is need.
    """

    def __init__(self, page: QWidget) -> None:
        super().__init__()
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # keys are for what lies on the page
        self.setWidget(page)

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._fill()

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:
        if event is not None and watched is self.widget() and event.type() == QEvent.Type.LayoutRequest:
            self._fill()
        return super().eventFilter(watched, event)

    def minimumSizeHint(self) -> QSize:
        return QSize(120, 80)

    def _fill(self) -> None:
        page, room, style = self.widget(), self.maximumViewportSize(), self.style()
        if page is None or style is None:
            return
        bar_px = style.pixelMetric(QStyle.PixelMetric.PM_ScrollBarExtent)
        can_go_across = self.horizontalScrollBarPolicy() != Qt.ScrollBarPolicy.ScrollBarAlwaysOff
        width = max(room.width(), _least_width(page)) if can_go_across else room.width()
        if _least_height(page, width) > room.height() - bar_px * (width > room.width()):
            room.setWidth(room.width() - bar_px)
            width = max(room.width(), _least_width(page)) if can_go_across else room.width()
        height = room.height() - bar_px * (width > room.width())
        page.resize(width, max(height, _least_height(page, width)))


def lay_scrolling(page: QWidget, layout: QLayout) -> None:
    """Lay a page out so that it scrolls."""
    inner, whole = QWidget(), QVBoxLayout(page)
    inner.setLayout(layout)
    whole.setContentsMargins(0, 0, 0, 0)
    whole.addWidget(Scrolling(inner))


def _least_width(page: QWidget) -> int:
    return max(page.minimumSizeHint().width(), page.minimumWidth())


def _least_height(page: QWidget, width: int) -> int:
    layout, least = page.layout(), max(page.minimumSizeHint().height(), page.minimumHeight())
    return max(least, layout.minimumHeightForWidth(width)) if layout and layout.hasHeightForWidth() else least
