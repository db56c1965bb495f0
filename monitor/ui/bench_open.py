"""Opens the bench window on a source, runs it to its end, and writes what it cost."""

from __future__ import annotations

import faulthandler
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from PyQt6.QtCore import QEvent, QObject, QSettings, Qt, QTimer
from PyQt6.QtWidgets import QApplication, QWidget

from monitor.cost import write_stats
from monitor.engine.analyse import Inputs
from monitor.engine.source import LiveSource, PlayedVideo
from monitor.errors import EnvironmentFault
from monitor.heat.calibration import Calibration
from monitor.recording.reader import recover_leftovers
from monitor.sound.player import Player
from monitor.ui.bench_state import tr
from monitor.ui.bench_window import BenchWindow
from monitor.ui.bench_work import BenchWork, Settings

__all__ = ["SWITCH_S", "Opening", "open_bench", "open_review"]

SWITCH_S = 0.0005  # a thread waits its turn no longer: neither the window behind the analysis, nor the reverse


@dataclass(frozen=True)
class Opening:
    """How the window is opened, and when it closes by itself."""

    settings: Settings
    calibration: Calibration | None = None
    mute: bool = False
    sound: Path | None = None  # what is heard is written here too
    records_at_once: bool = False  # and closes when the source ends
    minutes: float | None = None  # records at once, and closes after so long
    stats: Path | None = None


def open_bench(app: QApplication, source: LiveSource, inputs: Inputs | None, opening: Opening) -> Path | None:
    """Show the window until it is closed, or until the source ends when that was asked for; gives the last
    recording.
    """
    sys.setswitchinterval(SWITCH_S)
    settings, out = QSettings("plumeline", "bench"), opening.settings.out
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise EnvironmentFault(f"{out}: cannot hold recordings ({fault.strerror}); name another folder with "
                               "--out") from None
    found = recover_leftovers(out)
    player = Player(opening.mute, opening.sound)
    player.start()
    work = BenchWork(source, inputs, opening.settings, player, opening.calibration,
                     watch_frozen=not isinstance(source, PlayedVideo))
    at_once = opening.records_at_once or opening.minutes is not None
    work.may_watch = not at_once
    window = BenchWindow(work, settings, open_review)
    window.asks = not at_once
    began_s = time.monotonic()
    if at_once:
        work.begin()
        work.source_ended.connect(window.close)
        if opening.minutes is not None:
            QTimer.singleShot(round(opening.minutes * 60_000), window.close)
    for asked in (signal.SIGINT, signal.SIGTERM):
        signal.signal(asked, lambda *_: _close_now(window))  # the recording is finished first
    if sys.stderr is not None and not faulthandler.is_enabled():
        faulthandler.enable()  # what a library breaks shall not end without a word
    window.show()
    for folder in found:
        window.tell(tr("recovered after a crash: {}").format(folder))
    window.start()
    app.exec()
    if opening.stats:
        write_stats(opening.stats, {"source": source.name, "wall_s": round(time.monotonic() - began_s, 1),
                                    **window.stats()})
    _delete(window, work)
    return _result(work)


def _close_now(window: BenchWindow) -> None:
    """Without a question: who asked is not before the screen."""
    window.asks = False
    window.close()


def _delete(*objects: QObject) -> None:
    """Take Qt's objects down while the application is there; left to the interpreter's end they may outlive it."""
    for each in objects:
        each.deleteLater()
        QApplication.sendPostedEvents(each, QEvent.Type.DeferredDelete.value)


def _result(work: BenchWork) -> Path | None:
    fault = work.engine.capture.fault
    if fault is not None:
        raise fault
    if work.last_fault:
        raise EnvironmentFault(work.last_fault)
    return work.last_folder


def open_review(folder: Path) -> None:
    """Show a recording in the review window."""
    from monitor.ui.review_window import ReviewWindow

    window = ReviewWindow()
    window.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    _reviews.append(window)
    window.destroyed.connect(lambda: _reviews.remove(window))
    window.show()
    window.open_folder(folder)


_reviews: list[QWidget] = []  # a window that nobody holds would vanish at once
