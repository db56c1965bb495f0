"""The passes of a comparison as a table model."""

from __future__ import annotations

import math
from typing import Any

from PyQt6.QtCore import QAbstractTableModel, QCoreApplication, QModelIndex, QObject, Qt

from monitor.repeat.compare.comparison import Comparison
from monitor.repeat.compare.passes import MEASURES
from monitor.ui.theme import font

__all__ = ["REMARKS", "PassTable"]

_KEYS = ("height_mean_mm", "height_sd_mm", "dwell_s", "coverage", "energy_j", "energy_even_j")
REMARKS = 1  # column
_ROOT = QModelIndex()


def tr(text: str) -> str:
    """The text in the user's language."""
    return QCoreApplication.translate("compare", text)


class PassTable(QAbstractTableModel):
    """One row a pass, in order; what is not known says so."""

    def __init__(self, found: Comparison, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._found = found

    def show(self, found: Comparison) -> None:
        """Show another state of the same passes."""
        self._found = found
        self.dataChanged.emit(self.index(0, 0), self.index(self.rowCount() - 1, self.columnCount() - 1))

    def unknown_columns(self) -> list[int]:
        """Columns in which nothing is known of any pass."""
        return [i + 2 for i, key in enumerate(_KEYS) if not self._found.measures[key].n]

    def rowCount(self, parent: QModelIndex = _ROOT) -> int:
        return 0 if parent.isValid() else len(self._found.passes)

    def columnCount(self, parent: QModelIndex = _ROOT) -> int:
        return 0 if parent.isValid() else len(_KEYS) + 4

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role == Qt.ItemDataRole.ToolTipRole and orientation == Qt.Orientation.Horizontal:
            return self._tips()[section]
        if role != Qt.ItemDataRole.DisplayRole:
            return None
        return self._heads()[section] if orientation == Qt.Orientation.Horizontal else section + 1

    def data(self, index: QModelIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        row, column = index.row(), index.column()
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole):
            return self._cell(row, column)
        if role == Qt.ItemDataRole.TextAlignmentRole and column > 1:
            return int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        if role == Qt.ItemDataRole.FontRole and any(o.index == row for o in self._found.odd):
            return font("small", bold=True, tabular=True)
        return None

    def _cell(self, row: int, column: int) -> str:
        p, w = self._found.passes[row], self._found.warps.get(row)
        if column == 0:
            return p.label
        if column == REMARKS:
            own = [tr("reference")] if row == self._found.reference else []
            return "; ".join((*own, *self._found.marks(row)))
        if column < len(_KEYS) + 2:
            return MEASURES[_KEYS[column - 2]].show(p.values.get(_KEYS[column - 2], math.nan), unit=False)
        if w is None:
            return tr("unknown")
        return f"{w.residual:.1f}" if column == len(_KEYS) + 2 else f"{w.warp_s:.2f}"

    def _heads(self) -> list[str]:
        return [tr("pass"), tr("remarks"), tr("height\nmm"), tr("wander\nmm"), tr("dwell\ns"), tr("swept\n%"),
                tr("heat, est.\nJ"), tr("equal\nstart, J"), tr("differs\nmm"), tr("shifted\ns")]

    def _tips(self) -> list[str]:
        return [tr("Recording and number of the pass"), tr("What stands out"), *(MEASURES[key].label for key in _KEYS),
                tr("How far its height trace differs from the reference's after shifting it in time"),
                tr("By how much it had to be shifted in time, on average")]
