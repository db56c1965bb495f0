"""Opens the bench window on a source, runs it to its end, and writes what it cost."""

from __future__ import annotations

import argparse
import faulthandler
import signal
import sys
import time
from pathlib import Path

from PyQt6.QtCore import QEvent, QObject, QSettings, QStandardPaths, Qt, QTimer
from PyQt6.QtWidgets import QApplication, QWidget

from monitor.engine.analyse import Inputs
from monitor.cli.commands import exit_code, say
from monitor.engine.feedback import Mode
from monitor.engine.source import PlayedVideo
from monitor.engine.stats import write_stats
from monitor.errors import EnvironmentFault, InputError
from monitor.judging.exposure import heat_setup
from monitor.heat.shelf import heat_calibration
from monitor.recording.reader import open_recording, recover_leftovers
from monitor.sound.player import Player
from monitor.ui.bench_state import tr
from monitor.ui.bench_window import BenchWindow
from monitor.ui.bench_work import BenchWork, Settings

__all__ = ["SWITCH_S", "open_bench", "open_review", "recordings_folder"]

SWITCH_S = 0.0005  # a thread waits its turn no longer: neither the window behind the analysis, nor the reverse


def recordings_folder() -> Path:
    """Where recordings go unless a place is named."""
    return Path(QStandardPaths.writableLocation(QStandardPaths.StandardLocation.AppLocalDataLocation)) / "recordings"


def open_bench(app: QApplication, source, inputs: Inputs | None, args: argparse.Namespace) -> int:
    """Show the window until it is closed, or until the source ends when that was asked for."""
    sys.setswitchinterval(SWITCH_S)
    settings = QSettings("plumeline", "bench")
    out = Path(args.out) if args.out else recordings_folder()
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise EnvironmentFault(f"{out}: cannot hold recordings ({fault.strerror}); name another folder with --out") from None
    found = recover_leftovers(out)
    player = Player(args.mute, Path(args.sound) if args.sound else None)
    player.start()
    chosen = Settings(out, args.operator, Mode(args.coaching), args.band / 100, not args.no_record, not args.no_video,
                      camera=Path(args.camera) if args.camera else None, nozzle=Path(args.nozzle) if args.nozzle else None)
    work = BenchWork(source, inputs, chosen, player, heat_calibration(args.heat, heat_setup(inputs.job) if inputs else None),
                     watch_frozen=not isinstance(source, PlayedVideo))
    window = BenchWindow(work, settings, open_review)
    window.asks = not args.quit_at_end and args.minutes is None
    began_s = time.monotonic()
    if args.quit_at_end or args.minutes is not None:
        work.begin()
        work.source_ended.connect(window.close)
        if args.minutes is not None:
            QTimer.singleShot(round(args.minutes * 60_000), window.close)
    for asked in (signal.SIGINT, signal.SIGTERM):
        signal.signal(asked, lambda *_: _close_now(window))  # the recording is finished first
    if sys.stderr is not None and not faulthandler.is_enabled():
        faulthandler.enable()  # what a library breaks shall not end without a word
    window.show()
    for folder in found:
        window.tell(tr("recovered after a crash: {}").format(folder))
    window.start()
    app.exec()
    if args.stats:
        write_stats(Path(args.stats), {"source": str(args.source or ""), "wall_s": round(time.monotonic() - began_s, 1),
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


def _result(work: BenchWork) -> int:
    fault = work.engine.capture.fault
    if fault is not None:
        raise fault
    if work.last_fault:
        raise EnvironmentFault(work.last_fault)
    if work.last_folder is None:
        return 0
    say(f"recorded: {work.last_folder}")
    try:
        return exit_code(open_recording(work.last_folder))
    except InputError as error:
        raise EnvironmentFault(str(error)) from None


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
