"""The job's values as a form: station, limits, board, part, nozzle; numbers in their units, pairs as text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from PyQt6.QtWidgets import QCheckBox, QFormLayout, QGroupBox, QLineEdit, QScrollArea, QVBoxLayout, QWidget

from monitor.heat.alloy import alloy_names
from monitor.ui.bench_draft import JobDraft
from monitor.ui.bench_state import tr
from monitor.ui.fields import Choice

__all__ = ["JobForm", "parse_pairs", "pairs_text"]


@dataclass(frozen=True)
class _Field:
    """One value: where it is in the job, what it is called, and how it is written.

    kind: "number", "list" (numbers), "pairs" or "triples" (of numbers), "outlines" (several of pairs), "yes", or
    "choice".
    """

    table: str
    key: str
    label: str
    kind: str = "number"
    hint: str = ""


_GROUPS: tuple[tuple[str, tuple[_Field, ...]], ...] = (
    ("Station", (
        _Field("station", "setpoint_c", "setpoint [°C]"), _Field("station", "airflow_l_min", "airflow [L/min]"),
        _Field("station", "airflow_reference_c", "litres counted at [°C]", hint="20"),
        _Field("station", "ambient_c", "room [°C]", hint="23"),
        _Field("station", "outlet_c", "measured: set, airflow, outlet; …", "triples", "not measured"))),
    ("Limits", (
        _Field("limits", "height_mm", "lowest, highest height [mm]", "list"),
        _Field("limits", "dwell_s", "longest pass [s]", hint="90"),
        _Field("limits", "part_c", "part [°C]", hint="by its kind"),
        _Field("limits", "underside_c", "underside [°C]", hint="none"),
        _Field("limits", "ramp_k_s", "fastest rise [K/s]", hint="none"))),
    ("Part", (
        _Field("", "work", "work", "choice"), _Field("target", "kind", "kind", "choice"),
        _Field("target", "height_mm", "height [mm]", hint="1"),
        _Field("target", "mass_g", "mass [g]", hint="by its size"),
        _Field("target", "pad_mm", "soldered pad under it [mm]", "list", "none"),
        _Field("target", "vias", "plated holes in it", hint="0"),
        _Field("target", "ceramic", "ceramic", "yes"),
        _Field("solder", "alloy", "solder", "choice"),
        _Field("solder", "alloy_before", "solder before", "choice"))),
    ("Board", (
        _Field("board", "top_height_mm", "top over the mat [mm]"),
        _Field("board", "thickness_mm", "thickness [mm]", hint="1.6"),
        _Field("board", "copper_um", "copper layers [µm]", "list"),
        _Field("board", "copper_cover", "copper cover [-]", "list", "1 each"),
        _Field("board", "size_mm", "width, depth [mm]", "list", "guessed"),
        _Field("board", "centre_mm", "middle x, y [mm]", "list"),
        _Field("board", "cutout_mm", "slots, cut-outs: x y; x y; … | …", "outlines", "none"),
        _Field("board", "start_top_c", "top before the work [°C]", hint="as the room or the preheater has it"),
        _Field("board", "start_below_c", "underside before it [°C]", hint="the same"))),
    ("Nozzle, by calliper", (
        _Field("nozzle", "outer_diameter_mm", "outer diameter [mm]"), _Field("nozzle", "bore_diameter_mm", "bore [mm]"),
        _Field("nozzle", "tube_length_mm", "straight tube [mm]"), _Field("nozzle", "bend_deg", "bend [°]", hint="0"),
        _Field("nozzle", "profile_mm", "metal: radius distance; …", "pairs"),
        _Field("nozzle", "handle_mm", "handle: radius distance; …", "pairs"))),
)
_CHOICES = {
    ("", "work"): ("", "remove", "fit"),
    ("target", "kind"): ("leadless", "leaded", "chip", "ball_grid", "connector"),
    ("solder", "alloy_before"): ("", *alloy_names()),
}

_GROUP_SIZES = {"pairs": 2, "triples": 3}


class JobForm(QScrollArea):
    """Every value of the job that is not drawn."""

    def __init__(self, draft: JobDraft, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._draft, self._is_filling = draft, False
        self.editors: dict[tuple[str, str], QWidget] = {}
        inner, whole = QWidget(), QVBoxLayout()
        self.title = QLineEdit()
        self.title.setPlaceholderText(tr("title of the job"))
        self.title.setAccessibleName(tr("title of the job"))
        self.title.editingFinished.connect(lambda: self._put("", "title", self.title.text().strip() or None))
        whole.addWidget(self.title)
        for name, fields in _GROUPS:
            box, form = QGroupBox(tr(name)), QFormLayout()
            form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
            for field in fields:
                editor = self._editor(field)
                self.editors[field.table, field.key] = editor
                form.addRow(tr(field.label), editor)
            box.setLayout(form)
            whole.addWidget(box)
        whole.addStretch(1)
        inner.setLayout(whole)
        self.setWidget(inner)
        self.setWidgetResizable(True)
        self._fields = {(f.table, f.key): f for _, fields in _GROUPS for f in fields}
        draft.changed.connect(self.fill)
        self.fill()

    def fill(self) -> None:
        """Show the draft."""
        self._is_filling = True
        self.title.setText(str(self._draft.get("", "title") or ""))
        for (table, key), editor in self.editors.items():
            value, kind = self._draft.get(table, key), self._fields[table, key].kind
            if isinstance(editor, QCheckBox):
                editor.setChecked(value is True)
            elif isinstance(editor, Choice):
                editor.setCurrentText(str(value or ""))
            elif not editor.hasFocus() or not editor.isModified():
                editor.setText(_as_text(value, kind))
        self._is_filling = False

    def _editor(self, field: _Field) -> QWidget:
        if field.kind == "choice":
            made = Choice()
            made.addItems(_CHOICES.get((field.table, field.key)) or alloy_names())
            made.currentTextChanged.connect(lambda text, f=field: self._put(f.table, f.key, text or None))
        elif field.kind == "yes":
            made = QCheckBox()
            made.toggled.connect(lambda on, f=field: self._put(f.table, f.key, on or None))
        else:
            made = QLineEdit()
            made.setPlaceholderText(tr(field.hint))
            made.editingFinished.connect(lambda f=field, e=made: self._take(f, e))
        made.setAccessibleName(tr(field.label))
        return made

    def _take(self, field: _Field, editor: QLineEdit) -> None:
        try:
            value = _from_text(editor.text(), field.kind)
        except ValueError:
            value = editor.text()  # the job's own check says what is wrong with it, with its key
        editor.setModified(False)
        self._put(field.table, field.key, value)

    def _put(self, table: str, key: str, value: Any) -> None:
        if not self._is_filling and not (table == "target" and not self._draft.data.get("target")
                                         and value in (None, "leadless")):
            self._draft.put(table, key, value)


def parse_pairs(text: str, size: int = 2) -> list[list[float]]:
    """"4 0; 4 28" to pairs of numbers, or groups of another size; ValueError when it is no such text."""
    pairs = [[float(v) for v in part.replace(",", " ").split()] for part in text.split(";") if part.strip()]
    if any(len(pair) != size for pair in pairs):
        raise ValueError(f"not groups of {size}")
    return pairs


def pairs_text(pairs: Any) -> str:
    """Pairs, or other groups, of numbers as "4 0; 4 28"."""
    return "; ".join(" ".join(f"{v:g}" for v in pair) for pair in pairs)


def _as_text(value: Any, kind: str) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    try:
        if kind == "outlines":
            return " | ".join(pairs_text(outline) for outline in value)
        if kind in _GROUP_SIZES:
            return pairs_text(value)
        return " ".join(f"{v:g}" for v in value) if kind == "list" else f"{value:g}"
    except (TypeError, ValueError):
        return str(value)


def _from_text(text: str, kind: str) -> Any:
    text = text.strip()
    if not text:
        return None
    if kind == "outlines":
        return [parse_pairs(outline) for outline in text.split("|") if outline.strip()]
    if kind in _GROUP_SIZES:
        return parse_pairs(text, _GROUP_SIZES[kind])
    if kind == "list":
        return [float(v) for v in text.replace(",", " ").split()]
    return float(text.replace(",", "."))
