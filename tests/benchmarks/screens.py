"""Every screen at three sizes and three scales, light and dark, and contact sheets of them.

usage: QT_QPA_PLATFORM=offscreen .venv/bin/python -m tests.benchmarks.screens OUT [SCALE ...]
       .venv/bin/python -m tests.benchmarks.screens SHEET.jpg PICTURE ...       (the README's, of some of them)

OUT gets SCALE/SIZE_THEME_NAME.png and a sheet for each SCALE, SIZE and THEME. A screen of 1280 x 720 at 200 % holds
640 x 360 of the window's own pixels: a window that cannot become so small is drawn at its smallest, and that is told.
One process a scale, since Qt fixes it when it starts.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.command import command

SCALES = ("1", "1.5", "2")
SIZES = ((1280, 720), (1366, 768), (1920, 1080))
THEMES = ("light", "dark")
SHEET_PX, ACROSS = 640, 3


def main(arguments: list[str]) -> int:
    """Start a process for each scale, or be one of them."""
    if arguments[0].endswith(".jpg"):
        cv2.imwrite(arguments[0], sheet([Path(a) for a in arguments[1:]]), [cv2.IMWRITE_JPEG_QUALITY, 82])
        return 0
    out, scales = Path(arguments[0]), arguments[1:] or list(SCALES)
    if "QT_SCALE_FACTOR" not in os.environ:
        for scale in scales:
            subprocess.run([sys.executable, "-m", __spec__.name, str(out), scale], check=True,
                           env={**os.environ, "QT_SCALE_FACTOR": scale})
        return 0
    folder = out / scales[0]
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        _Screens(folder, float(scales[0]), Path(scratch)).shoot()
    for size in SIZES:
        for theme in THEMES:
            head = f"{size[0]}x{size[1]}_{theme}"
            cv2.imwrite(str(out / f"sheet_{scales[0]}_{head}.jpg"), sheet(sorted(folder.glob(f"{head}_*.png"))),
                        [cv2.IMWRITE_JPEG_QUALITY, 85])
    return 0


def sheet(paths: list[Path], width_px: int = SHEET_PX, across: int = ACROSS) -> np.ndarray:
    """Pictures side by side, each as wide as the others."""
    tiles = []
    for path in paths:
        image = cv2.imread(str(path))
        tiles.append(cv2.resize(image, (width_px, round(width_px * image.shape[0] / image.shape[1])),
                                interpolation=cv2.INTER_AREA))
    tall = max(t.shape[0] for t in tiles)
    whole = np.full((-(-len(tiles) // across) * (tall + 8), across * (width_px + 8), 3), 128, np.uint8)
    for k, tile in enumerate(tiles):
        y, x = k // across * (tall + 8), k % across * (width_px + 8)
        whole[y:y + tile.shape[0], x:x + width_px] = tile
    return whole


class _Screens:
    """The windows, filled, and the pictures of them."""

    def __init__(self, folder: Path, scale: float, scratch: Path) -> None:
        from PyQt6.QtCore import QSettings

        from monitor.ui.app import application

        self._app, self._folder, self._scale, self._scratch = application(theme="light"), folder, scale, scratch
        QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, str(scratch))
        self._told: set[str] = set()

    def shoot(self) -> None:
        """All of them."""
        new = self._bench("guide", has_inputs=False)
        self._each(new, [(f"guide_{n}", lambda n=n: new.guide.go_to(n)) for n in range(len(new.guide.steps))])
        new.close()
        done = self._bench("setup")
        tabs = done.setup.tabs
        self._each(done, [(f"setup_{n}", lambda n=n: tabs.setCurrentIndex(n)) for n in range(tabs.count())])
        self._each(done, [("guide_trust", lambda: (done.show_page(done.guide), done.guide.go_to(4)))])
        done.show_page(done.hot)
        self._wait(lambda: done.work.is_watching, 10.0)
        self._each(done, [("hot_watching", lambda: None)])
        done.work.begin()
        self._wait(lambda: done.work.engine.session is not None and done.work.engine.session.now_s > 3.0, 20.0)
        self._each(done, [("hot_recording", lambda: None), ("hot_map", done.work.next_map)])
        done.glance.open_on(done)
        self._wait(lambda: False, 0.5)
        self._each(done.glance, [("glance", lambda: None)])
        done.glance.close()
        self._dialogs(done)
        done.close()
        self._review()
        self._compare()

    def _bench(self, page: str, has_inputs: bool = True):
        from PyQt6.QtCore import QSettings

        from monitor.engine.feedback import Mode
        from monitor.engine.source import PlayedVideo
        from monitor.ui.bench_window import BenchWindow
        from monitor.ui.bench_work import BenchWork, Settings
        from tests.engine.make import SAMPLE, PathTracker, sample_inputs
        from tests.ui.test_bench_window import lifted

        settings = Settings(self._scratch / "out", tracker=lambda inputs: PathTracker(lifted), films=False,
                            mode=Mode.BAND)
        work = BenchWork(PlayedVideo(SAMPLE / "clip.mp4", loop=True), sample_inputs() if has_inputs else None, settings,
                         watch_frozen=False)
        window = BenchWindow(work, QSettings(str(self._scratch / "keys.ini"), QSettings.Format.IniFormat))
        window.show_page(getattr(window, page))
        window.show()
        window.start()
        self._wait(lambda: window._newest is not None, 20.0)
        self._wait(lambda: False, 1.0)
        return window

    def _dialogs(self, window) -> None:
        from monitor.ui.bench_close import CloseDialog
        from monitor.ui.bench_keys import KeysDialog

        for name, dialog in (("keys", KeysDialog(window.actions_by_name, window._settings, window)),
                             ("closing", CloseDialog(True, True, window))):
            dialog.open()
            self._each(dialog, [(name, lambda: None)], fills=False)
            dialog.close()

    def _review(self) -> None:
        from monitor.ui.review_window import ReviewWindow
        from tests.monitor.made_recording import make_recording

        folder = make_recording(self._scratch / "lesson", heat=True, video=True).folder
        window = ReviewWindow()
        window.show()
        self._each(window, [("review_empty", lambda: None)])
        window.open_folder(folder)
        self._wait(lambda: not window.video.image.isNull(), 30.0)
        first = window.recording.passes[0]
        window.go_to((first["t_start_s"] + first["t_end_s"]) / 2)
        window.span_pass()
        window.what_if.setpoint.setValue(window.job.station.setpoint_c + 60)
        window.what_if.work_out()
        self._wait(lambda: window.what_if.words.text().startswith("With"), 30.0)
        self._each(window, [(f"review_{n}", lambda n=n: window.tabs.setCurrentIndex(n))
                            for n in range(window.tabs.count())])
        number = window.recording.passes[-1]["number"]
        window.other.lay_beside(first["number"], folder, number)
        self._wait(lambda: window.other.beside is not None, 20.0)
        self._each(window, [("review_beside", lambda: None)])
        window.close()

    def _compare(self) -> None:
        from tests.ui.test_bench_safe import compare_window

        window = compare_window()
        window.show()
        self._each(window, [("compare", lambda: None)])
        window.close()

    def _each(self, window, states: list, fills: bool = True) -> None:
        from monitor.ui.theme import looks

        for theme in THEMES:
            looks().choose(theme)
            for size in SIZES if fills else SIZES[:1]:
                if fills:
                    window.resize(*(round(v / self._scale) for v in size))
                for name, show in states:
                    show()
                    self._wait(lambda: False, 0.6)  # what is said of a picture comes with the next one
                    self._tell(name, size, window)
                    window.grab().save(str(self._folder / f"{size[0]}x{size[1]}_{theme}_{name}.png"))

    def _tell(self, name: str, size: tuple[int, int], window) -> None:
        """Say where a window does not fit the screen."""
        need = [round(self._scale * v) for v in (window.width(), window.height())]
        line = f"scale {self._scale:g}: {name} takes {need[0]} x {need[1]} of a screen of {size[0]} x {size[1]}"
        if (need[0] > size[0] + 2 or need[1] > size[1] + 2) and line not in self._told:
            self._told.add(line)
            print(line)

    def _wait(self, is_done, longest_s: float) -> None:
        end = time.monotonic() + longest_s
        while not is_done() and time.monotonic() < end:
            self._app.processEvents()
            time.sleep(0.005)


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 1))
