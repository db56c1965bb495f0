"""Reach (WCAG 2.2, level AA): targets of 24 px, contrast in both looks, a name for every control, and a whole second
language.
"""

import ast
import gc
import weakref
from pathlib import Path

import pytest
from PyQt6.QtGui import QPalette
from PyQt6.QtWidgets import (
    QAbstractButton,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QLabel,
    QLineEdit,
    QListWidget,
    QPlainTextEdit,
    QTabBar,
    QWidget,
)

import monitor.ui
from monitor.engine.feedback import Mode
from monitor.heat.types import JointState
from monitor.judging.alerts import RULES
from monitor.review.verdict import WARNING_WORDS
from monitor.ui import bench_form, bench_keys, bench_setup, review_keys
from monitor.ui.language import FIELD, Language, catalogue, languages
from monitor.ui.review_window import ReviewWindow
from monitor.ui.theme import DARK, LIGHT, Standing, contrast, looks
from tests.ui.test_bench_safe import compare_window
from tests.ui.test_bench_window import Longer, make

TARGET_PX = 24  # WCAG 2.2, 2.5.8
TEXT, LARGE, SHAPE = 4.5, 3.0, 3.0  # WCAG 2.2, 1.4.3 and 1.4.11
CONTROLS = (QAbstractButton, QComboBox, QLineEdit, QAbstractSpinBox)


@pytest.fixture(params=["guide", "setup", "hot", "review", "compare"])
def window(request, qtbot, tmp_path):
    """Every window, and every page of the bench."""
    if request.param in ("review", "compare"):
        made = ReviewWindow() if request.param == "review" else compare_window()
        qtbot.addWidget(made)
        made.show()
    else:
        made = make(qtbot, tmp_path, start=False, page=request.param)
    made.resize(1366, 768)
    QApplication.processEvents()
    return made


def controls(window):
    """What is seen and can be used, without the parts of composed controls."""
    return [w for w in window.findChildren(QWidget) if isinstance(w, CONTROLS) and w.isVisibleTo(window)
            and not isinstance(w.parent(), (QAbstractSpinBox, QComboBox, QTabBar))
            and not w.objectName().startswith("qt_")
            and type(w).__name__ not in ("QTableCornerButton", "CloseButton")]


def test_every_target_is_24_pixels_or_more(window):
    small = [(type(w).__name__, w.accessibleName() or getattr(w, "text", str)(), w.width(), w.height())
             for w in controls(window)
             if min(w.width(), w.height()) < TARGET_PX]

    assert not small


def test_every_control_has_a_name_for_screen_readers(window):
    nameless = [type(w).__name__ for w in controls(window)
                if not (w.accessibleName() or (isinstance(w, QAbstractButton) and w.text().strip()))]

    assert not nameless


def test_every_control_can_be_reached_by_key(window):
    from PyQt6.QtCore import Qt

    shut = [w.accessibleName() or getattr(w, "text", str)() for w in controls(window)
            if w.isEnabled() and not w.focusPolicy() & Qt.FocusPolicy.TabFocus
            and not getattr(w, "defaultAction", lambda: None)()]
    assert not shut


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_shapes_stand_out_in_both_looks(look):
    for ground in (look.window, look.panel, look.field):
        assert contrast(look.ink, ground) >= TEXT and contrast(look.soft_ink, ground) >= TEXT
        assert contrast(look.line, ground) >= SHAPE and contrast(look.focus, ground) >= SHAPE
        assert all(contrast(line, ground) >= SHAPE for line in look.series)
    assert contrast(look.accent_ink, look.accent) >= TEXT
    assert all(contrast(paint.ink, paint.fill) >= TEXT for paint in look.standings.values())
    assert all(contrast(look.standings[s].fill, look.panel) >= SHAPE
               for s in (Standing.ACT, Standing.GOOD, Standing.UNKNOWN))


@pytest.mark.parametrize("choice", ["light", "dark"])
def test_what_is_drawn_has_the_contrast_that_the_look_promises(window, choice):
    looks().choose(choice)
    try:
        for widget in [*controls(window), *window.findChildren((QLabel, QListWidget, QPlainTextEdit))]:
            if widget.isVisibleTo(window) and widget.isEnabled():
                palette = widget.palette()
                ink = palette.color(QPalette.ColorRole.WindowText).name()
                ground = palette.color(QPalette.ColorRole.Window).name()
                assert contrast(ink, ground) >= TEXT, (type(widget).__name__, ink, ground)
    finally:
        looks().choose("light")


def texts():
    """Every text of the windows that a person can read, with where it stands."""
    found = {}
    for path in Path(monitor.ui.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("tr", "counted"):
                for constant in (c for a in node.args for c in ast.walk(a) if isinstance(c, ast.Constant)):
                    if isinstance(constant.value, str) and any(ch.isalpha() for ch in FIELD.sub("", constant.value)):
                        found[constant.value] = path.name
    for name, (text, _) in bench_keys.COMMANDS.items():
        found[text] = name
    found |= {text: "review_keys" for command in review_keys.COMMANDS for text in (command.text, command.menu)}
    for group, fields in bench_form._GROUPS:
        found |= dict.fromkeys([group, *(f.label for f in fields),
                                *(f.hint for f in fields if f.hint and not f.hint[0].isdigit())], "form")
    found |= dict.fromkeys(bench_setup.COLUMNS, "columns")
    found |= dict.fromkeys([rule.action for rule in RULES.values()], "rules")
    found |= dict.fromkeys([*WARNING_WORDS.values(), *(mode.value for mode in Mode),
                            *(state.value for state in JointState)], "words")
    return found


@pytest.mark.parametrize("code", languages())
def test_a_translation_is_complete(code):
    known = catalogue(code)

    assert [text for text in texts() if text not in known] == []


@pytest.mark.parametrize("code", languages())
def test_a_translation_has_the_same_places_for_values(code):
    for text, other in catalogue(code).items():
        assert sorted(FIELD.findall(text)) == sorted(FIELD.findall(other)), text


@pytest.mark.parametrize("code", languages())
def test_every_sentence_of_a_warning_is_translated_with_its_values(code):
    language = Language(catalogue(code))
    for kind, rule in RULES.items():
        if rule.says in ("{detail}", "{region} {detail}"):
            continue
        said = rule.says.format(value=34.2, limit=30, region="U7", band=" (20 to 40)", detail="no sound device")
        assert language.translate("bench", said) not in ("", said), kind


def test_german_reads_like_a_sentence():
    language = Language(catalogue("de"))

    assert language.translate("bench",
                              "34 mm over U7, highest allowed 30 mm") == "34 mm über U7, höchstens 30 mm erlaubt"
    assert language.translate("bench", "no text of ours") == ""


def test_a_language_that_is_put_away_is_freed_at_once_and_not_while_another_translates():
    language = Language({"one": "eins"})
    language.translate("bench", "one")
    kept = weakref.ref(language)
    gc.disable()
    try:
        del language
        assert kept() is None
    finally:
        gc.enable()


@pytest.mark.parametrize("page", ["guide", "setup", "hot"])
def test_nothing_is_left_untranslated_or_cut_in_a_longer_language(qtbot, qapp, tmp_path, page):
    language = Longer(qapp)
    qapp.installTranslator(language)
    try:
        window = make(qtbot, tmp_path, start=False, page=page)
        window.resize(1366, 768)
        QApplication.processEvents()
        buttons = [b for b in window.findChildren(QAbstractButton) if b.isVisibleTo(window) and b.text().strip()]
        labels = [w for w in window.findChildren(QLabel) if w.isVisibleTo(window) and w.text().strip()
                  and not w.wordWrap()]
    finally:
        qapp.removeTranslator(language)

    assert buttons and [b.text() for b in buttons if "[" not in b.text()] == []
    cut = [b.text() for b in buttons if b.fontMetrics().horizontalAdvance(b.text()) > b.width()]
    assert cut == [] and window.width() <= 1366
    assert [w.text() for w in labels if any(c.isalpha() for c in w.text()) and "[" not in w.text()] == []
