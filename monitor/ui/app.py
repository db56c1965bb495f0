"""Makes the one QApplication, safe beside OpenCV, with the look in place."""

from __future__ import annotations

import logging
import os
import sys
import traceback
from collections.abc import Sequence
from types import TracebackType

from monitor.errors import EnvironmentFault

__all__ = ["application"]

_NO_NEWS = ("propagateSizeHints", "PulseAudioService")
_CV2_VARIABLES = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR")  # cv2 points these into its own Qt 5


def application(argv: Sequence[str] = ("plumeline",), theme: str = "system", language: str = "system"):
    """The running QApplication, made when there is none.

    Parameters
    ----------
    argv : sequence of str
    theme : str
        "system", "light" or "dark".
    language : str
        "system", or a code such as "en" or "de".

    Raises
    ------
    EnvironmentFault
        Where there is no screen: Qt would end the process without a word that helps.

    Notes
    -----
    OpenCV's import sets variables that send Qt 6 to OpenCV's Qt 5 plugins; they are dropped first. A fault in a slot
    would abort the process, so it is logged and the program goes on: the recording must not die with a button.
    """
    import cv2  # noqa: F401  first, so that it cannot set the variables later

    for name in _CV2_VARIABLES:
        os.environ.pop(name, None)
    os.environ.setdefault("QT_LOGGING_RULES", "qt.multimedia.*=false")  # it tells at length what it does without
    from PyQt6.QtWidgets import QApplication

    from monitor.ui.theme import looks

    app = QApplication.instance()
    if app is None:
        app = _made(argv, language)
    if looks().choice != theme:
        looks().choose(theme)
    return app


def _made(argv: Sequence[str], language: str):
    """A new QApplication that logs its faults, in a language."""
    from PyQt6.QtCore import qInstallMessageHandler
    from PyQt6.QtWidgets import QApplication

    from monitor.ui.language import language_for

    _need_screen()
    app = QApplication(list(argv))
    app.setApplicationName("plumeline")
    app.setApplicationDisplayName("Plumeline")
    app.setStyle("Fusion")
    qInstallMessageHandler(_log_qt)
    translator = language_for(language, app)
    if translator is not None:
        app.installTranslator(translator)
    sys.excepthook = _log_fault
    return app


def _need_screen() -> None:
    known = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in known):
        raise EnvironmentFault("no screen to open a window on (neither DISPLAY nor WAYLAND_DISPLAY is set); start it "
                               "from "
                               "a desktop session, or set QT_QPA_PLATFORM=offscreen")


def _log_qt(kind: object, where: object, text: str) -> None:
    """Qt's own remarks go to the log; those that every run without a screen or sound server makes are no news."""
    is_news = not any(known in text for known in _NO_NEWS)
    logging.getLogger("plumeline.qt").log(logging.WARNING if is_news else logging.DEBUG, "%s", text)


def _log_fault(kind: type[BaseException], fault: BaseException, trace: TracebackType | None) -> None:
    if issubclass(kind, KeyboardInterrupt):
        sys.__excepthook__(kind, fault, trace)
        return
    logging.getLogger("plumeline").error("a fault in a window: %s", fault, exc_info=(kind, fault, trace))
    if os.environ.get("PLUMELINE_DEBUG") and sys.stderr is not None:
        traceback.print_exception(kind, fault, trace)
