"""Colours, type sizes and shapes of all windows, light and dark.

A state is never told by its colour alone: each has its own shape and its own word, and the fills stay apart under the
three common kinds of colour blindness (checked in the tests, as are the contrasts).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from PyQt6.QtCore import QObject, Qt, pyqtSignal
from PyQt6.QtGui import QColor, QFont, QPalette
from PyQt6.QtWidgets import QApplication

__all__ = ["DARK", "DASHES", "LIGHT", "SIZES_PT", "Look", "Looks", "Paint", "Standing", "cap_height_px", "contrast",
           "font", "glance_px",
           "look", "looks"]

MM_PER_INCH = 25.4
GLANCE_SHARE = 0.0235  # of the window's height
CAP_SHARE = 0.72  # height of a capital over the type size, of common sans serif faces


class Standing(enum.Enum):
    """How things stand, in the five ways that a glance must tell apart; the value names the shape."""

    GOOD = "disc"
    HEED = "triangle"  # a limit of technique is passed
    ACT = "octagon"  # something is about to be damaged
    UNKNOWN = "broken ring"  # no measurement
    IDLE = "ring"  # nothing to judge


@dataclass(frozen=True)
class Paint:
    """A fill and the ink that is legible on it, as #rrggbb."""

    fill: str
    ink: str


@dataclass(frozen=True)
class Look:
    """One colour scheme; every colour as #rrggbb.

    Attributes
    ----------
    window, panel, field : str
        Backgrounds: of a window, of a raised part of it, of something to type into.
    ink, soft_ink : str
        Text, and text of less weight; both at least 4.5:1 on all three backgrounds.
    line : str
        Borders that carry meaning, at least 3:1.
    focus, accent, accent_ink : str
        Ring round what has the keyboard; the chosen or main thing, and text on it.
    standings : dict of Standing to Paint
    series : tuple of str
        Lines of a chart in order; use DASHES beside them, never colour alone.
    """

    is_dark: bool
    window: str
    panel: str
    field: str
    ink: str
    soft_ink: str
    line: str
    focus: str
    accent: str
    accent_ink: str
    standings: dict[Standing, Paint]
    series: tuple[str, ...]

    def fill(self, standing: Standing) -> QColor:
        """Colour of a state's shape."""
        return QColor(self.standings[standing].fill)

    def on(self, standing: Standing) -> QColor:
        """Ink upon that shape."""
        return QColor(self.standings[standing].ink)


DASHES: tuple[Qt.PenStyle, ...] = (Qt.PenStyle.SolidLine, Qt.PenStyle.DashLine, Qt.PenStyle.DotLine,
                                   Qt.PenStyle.DashDotLine, Qt.PenStyle.DashDotDotLine)
SIZES_PT = {"small": 9.5, "body": 11.0, "head": 15.0, "large": 22.0}

LIGHT = Look(
    False, "#f3f2ee", "#fbfaf7", "#ffffff", "#1b1f22", "#4e565d", "#7d858c", "#0f5f9e", "#0f5f9e", "#ffffff",
    {Standing.GOOD: Paint("#0f5f9e", "#ffffff"), Standing.HEED: Paint("#f2b233", "#1b1f22"),
     Standing.ACT: Paint("#8c1d4f", "#ffffff"), Standing.UNKNOWN: Paint("#6f7680", "#ffffff"),
     Standing.IDLE: Paint("#dfe3e6", "#1b1f22")},
    ("#0f5f9e", "#a34a00", "#5b3a8c", "#00705a", "#8c1d4f"))
DARK = Look(
    True, "#14181b", "#1d2327", "#0f1315", "#eef1f3", "#b3bcc4", "#7c8790", "#58aef0", "#58aef0", "#0c1114",
    {Standing.GOOD: Paint("#58aef0", "#0c1114"), Standing.HEED: Paint("#f5c542", "#0c1114"),
     Standing.ACT: Paint("#cc2a66", "#ffffff"), Standing.UNKNOWN: Paint("#9aa3ac", "#0c1114"),
     Standing.IDLE: Paint("#20262a", "#eef1f3")},
    ("#58aef0", "#f0a35e", "#c3a5f5", "#4fc9a8", "#f28bb4"))


class Looks(QObject):
    """The look in use; follows the system unless one is chosen. Emits `changed` with the new Look."""

    changed = pyqtSignal(object)

    def __init__(self, app: QApplication, choice: str = "system") -> None:
        super().__init__(app)
        self._app, self._choice = app, choice
        app.styleHints().colorSchemeChanged.connect(self._follow)
        self._put_on(self._wanted())

    @property
    def choice(self) -> str:
        """"system", "light" or "dark"."""
        return self._choice

    def choose(self, choice: str) -> None:
        """Follow the system, or stay light or dark."""
        self._choice = choice
        self._follow()

    def _follow(self, *_: object) -> None:
        if self._wanted() is not self.now:  # every widget is dressed anew, which takes a window half a second
            self._put_on(self._wanted())

    def _wanted(self) -> Look:
        is_dark = self._app.styleHints().colorScheme() is Qt.ColorScheme.Dark
        return {"light": LIGHT, "dark": DARK}.get(self._choice, DARK if is_dark else LIGHT)

    def _put_on(self, wanted: Look) -> None:
        self.now = wanted
        self._app.setPalette(_palette(self.now))
        self._app.setStyleSheet(_sheet(self.now))
        self.changed.emit(self.now)


def looks() -> Looks:
    """The one Looks of the running application; made on first use."""
    app = QApplication.instance()
    found = app.findChild(Looks)
    return found if found is not None else Looks(app)


def look() -> Look:
    """The look in use now."""
    return looks().now


def font(size: str | float, *, bold: bool = False, tabular: bool = False) -> QFont:
    """The application's face at a named size, or at so many points; tabular figures keep their width."""
    made = QFont(QApplication.font())
    made.setPointSizeF(SIZES_PT[size] if isinstance(size, str) else float(size))
    made.setBold(bold)
    if tabular:
        made.setFeature(QFont.Tag("tnum"), 1)
    return made


def cap_height_px(height_mm: float, dots_per_inch: float) -> float:
    """Type size in pixels whose capitals are so high on the screen [px].

    Text is read at 1 m when its capitals are 4.7 mm high (16 arcmin), easily at 6.4 mm (22 arcmin).
    """
    return height_mm / CAP_SHARE / MM_PER_INCH * dots_per_inch


def glance_px(window_height: int) -> int:
    """Smallest type of the hot-work screen, growing with its window [px].

    On a 24 inch screen of 1080 lines a maximised window has capitals of 4.7 mm.
    """
    return max(13, round(GLANCE_SHARE * window_height))


def contrast(a: str, b: str) -> float:
    """Contrast of two colours given as #rrggbb, 1 to 21 (WCAG 2.2, relative luminance)."""
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _palette(chosen: Look) -> QPalette:
    role, palette = QPalette.ColorRole, QPalette()
    for name, colour in ((role.Window, chosen.window), (role.Base, chosen.field), (role.AlternateBase, chosen.panel),
                         (role.Button, chosen.panel), (role.WindowText, chosen.ink), (role.Text, chosen.ink),
                         (role.ButtonText, chosen.ink), (role.ToolTipBase, chosen.panel),
                         (role.ToolTipText, chosen.ink),
                         (role.PlaceholderText, chosen.soft_ink), (role.Highlight, chosen.accent),
                         (role.HighlightedText, chosen.accent_ink), (role.Link, chosen.accent),
                         (role.Mid, chosen.line)):
        palette.setColor(name, QColor(colour))
    for name in (role.WindowText, role.Text, role.ButtonText):
        palette.setColor(QPalette.ColorGroup.Disabled, name, QColor(chosen.soft_ink))
    return palette


def _sheet(chosen: Look) -> str:
    """Borders, focus rings and sizes that the palette cannot say; targets are at least 24 px."""
    c = chosen
    return f"""
    QAbstractSpinBox {{ min-height: 30px; }}
    QCheckBox, QRadioButton {{ min-height: 24px; min-width: 24px; }}
    QListView::item {{ min-height: 24px; }}
    QSlider:horizontal {{ min-height: 24px; }}
    QHeaderView::section {{ min-height: 20px; }}
    QPushButton, QToolButton, QComboBox, QLineEdit {{
        min-height: 24px; padding: 3px 9px; border: 1px solid {c.line}; border-radius: 4px;
        background: {c.field}; color: {c.ink}; }}
    QPushButton:default, QPushButton[main="true"] {{
        background: {c.accent}; color: {c.accent_ink}; border-color: {c.accent}; }}
    QPushButton:checked, QToolButton:checked {{ background: {c.accent}; color: {c.accent_ink}; }}
    QPushButton:disabled, QToolButton:disabled, QPushButton[main="true"]:disabled {{
        color: {c.soft_ink}; border-style: dashed; background: {c.window}; }}
    QPushButton:focus, QToolButton:focus, QComboBox:focus, QLineEdit:focus, QListView:focus,
    QTableView:focus, QTreeView:focus {{ border: 2px solid {c.focus}; padding: 2px 8px; }}
    QListView:focus, QTableView:focus, QTreeView:focus {{ padding: 0; }}
    QToolButton {{ padding: 3px 4px; }}
    QToolButton:focus {{ padding: 2px 3px; }}
    QGroupBox {{ border: 1px solid {c.line}; border-radius: 6px; margin-top: 1.1em; padding: 8px 6px 6px 6px;
        background: {c.panel}; font-weight: 600; }}
    QGroupBox::title {{ subcontrol-origin: margin; left: 8px; padding: 0 4px; }}
    QTabBar::tab {{ min-height: 26px; padding: 4px 14px; border: 1px solid {c.line};
        background: {c.window}; color: {c.ink}; }}
    QTabBar::tab:selected {{ background: {c.accent}; color: {c.accent_ink}; }}
    QHeaderView::section {{ background: {c.panel}; color: {c.ink}; border: 1px solid {c.line}; padding: 3px 6px; }}
    QToolTip {{ border: 1px solid {c.line}; }}
    QCheckBox::indicator:unchecked, QRadioButton::indicator:unchecked {{ border: 1px solid {c.line}; border-radius: 2px;
        background: {c.field}; width: 16px; height: 16px; }}
    QRadioButton::indicator:unchecked {{ border-radius: 8px; }}
    """
