"""Fields that the wheel scrolls past: a value changes by what is typed or chosen, never by a turn of the wheel over
it.
"""

from __future__ import annotations

from PyQt6.QtGui import QWheelEvent
from PyQt6.QtWidgets import QComboBox, QDoubleSpinBox

__all__ = ["Choice", "Number"]


class Choice(QComboBox):
    """A list to choose from; its open list still scrolls."""

    def wheelEvent(self, event: QWheelEvent) -> None:
        event.ignore()  # the page beneath scrolls


class Number(QDoubleSpinBox):
    """A number with its arrows."""

    def wheelEvent(self, event: QWheelEvent) -> None:
        event.ignore()
