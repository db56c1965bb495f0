"""Makes the README's pictures of the bench window from the sample recording.

usage: QT_QPA_PLATFORM=offscreen .venv/bin/python -m tests.benchmarks.live_pictures FOLDER

One process a picture, since a screen's scale is fixed when it starts. The true pose stands in for the tracker.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

# name: theme, scale, moment [s], page, height limits [mm], key presses for the map
PICTURES = {
    "watch_light": ("light", "1", 3.4, "hot", None, 2), "watch_dark": ("dark", "1", 3.2, "hot", (4.0, 14.0), 0),
    "watch_setup_150": ("light", "1.5", 2.0, "setup", None, 0),
}
SIZE = (1366, 768)


def main(arguments: list[str]) -> int:
    if len(arguments) == 1:
        for name in PICTURES:
            subprocess.run([sys.executable, "-m", __spec__.name, arguments[0], name], check=True)
        return 0
    if len(arguments) != 2:
        print(__doc__)
        return 2
    _shoot(Path(arguments[0]) / f"{arguments[1]}.jpg", *PICTURES[arguments[1]])
    return 0


def _shoot(path: Path, theme: str, scale: str, at_s: float, page: str, limits_mm: tuple | None, n_map: int) -> None:
    os.environ["QT_SCALE_FACTOR"] = scale
    from monitor.ui.app import application

    app = application(theme=theme)
    from PyQt6.QtCore import QSettings, QTimer

    from monitor.engine.feedback import Mode
    from monitor.engine.source import PlayedVideo
    from monitor.job import job_text
    from monitor.ui.bench_window import BenchWindow
    from monitor.ui.bench_work import BenchWork, Settings
    from tests.engine.make import SAMPLE, TruthTracker, sample_inputs

    inputs = sample_inputs()
    if limits_mm is not None:
        job = inputs.job.model_copy(update={"limits": inputs.job.limits.model_copy(update={"height_mm": limits_mm})})
        inputs = replace(inputs, job=job, job_text=job_text(job))
    folder = tempfile.TemporaryDirectory()
    settings = Settings(Path(folder.name), mode=Mode.BAND, tracker=lambda made: TruthTracker(made.camera))
    work = BenchWork(PlayedVideo(SAMPLE / "clip.mp4", loop=True), inputs, settings, watch_frozen=False)
    window = BenchWindow(work, QSettings(f"{folder.name}/keys.ini", QSettings.Format.IniFormat))
    window.resize(*SIZE)
    if page == "hot":
        work.begin()
    for _ in range(n_map):
        work.next_map()
    window.show()

    def look() -> None:
        session = work.engine.session
        now_s = work.engine.n_analysed / 20 if page == "setup" else session.now_s if session is not None else 0.0
        if now_s >= at_s and timer.isActive():
            timer.stop()
            window.grab().save(str(path), quality=85)
            window.close()
    timer = QTimer()
    timer.timeout.connect(look)
    timer.start(30)
    window.start()
    app.exec()
    folder.cleanup()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
