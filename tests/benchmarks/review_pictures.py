"""Pictures of the review window for the README.

usage: python -m tests.benchmarks.review_pictures RECORDING OUT

Opens the recording, goes to the middle of its first pass and writes review_light.jpg (a what-if beside what was
recorded) and review_dark.jpg (the dwell map of the pass) into OUT, and parts.jpg, each part event before and after.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from PyQt6.QtCore import QSettings

from tests.benchmarks.command import command


def main(arguments: list[str]) -> int:
    """Write both pictures."""
    from monitor.ui.app import application
    from monitor.ui.review_window import ReviewWindow
    from monitor.ui.theme import looks

    app = application(theme="light")
    with tempfile.TemporaryDirectory() as scratch:
        QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, scratch)
        for look, panel in (("light", "what_if"), ("dark", "maps")):
            looks().choose(look)
            window = ReviewWindow()
            window.show()
            window.open_folder(Path(arguments[0]))
            _wait(app, lambda: not window.video.image.isNull())
            first = window.recording.passes[0]
            window.go_to((first["t_start_s"] + first["t_end_s"]) / 2)
            window.span_pass()
            window.tabs.setCurrentWidget(getattr(window, panel))
            if panel == "what_if":
                window.what_if.setpoint.setValue(window.job.station.setpoint_c + 60)
                window.what_if.work_out()
                _wait(app, lambda: window.what_if.words.text().startswith("With"))
            else:
                _wait(app, lambda: not window.maps.image.isNull())
            _wait(app, lambda: False, 1.0)
            window.grab().save(str(Path(arguments[1]) / f"review_{look}.jpg"), "JPG", 88)
            if look == "light":
                _parts(window.recording, Path(arguments[1]) / "parts.jpg")
            window.close()
    return 0


def _parts(recording: object, path: Path) -> None:
    """Every part event as the review shows it, two beside each other."""
    from PyQt6.QtGui import QImage, QPainter
    from PyQt6.QtWidgets import QDialogButtonBox

    from monitor.ui.review_parts import PartPictures

    shots = []
    for event in recording.part_events:
        dialog = PartPictures(event)
        dialog.findChild(QDialogButtonBox).hide()
        dialog.show()
        shots.append(dialog.grab().toImage())
        dialog.close()
    if not shots:
        return
    w, h = max(s.width() for s in shots), max(s.height() for s in shots)
    sheet = QImage(2 * w, -(-len(shots) // 2) * h, QImage.Format.Format_RGB32)
    sheet.fill(0xFFFFFF)
    painter = QPainter(sheet)
    for i, shot in enumerate(shots):
        painter.drawImage(i % 2 * w, i // 2 * h, shot)
    painter.end()
    sheet.save(str(path), "JPG", 88)


def _wait(app: object, is_done, longest_s: float = 60.0) -> None:
    end = time.perf_counter() + longest_s
    while not is_done() and time.perf_counter() < end:
        app.processEvents()
        time.sleep(0.002)


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
