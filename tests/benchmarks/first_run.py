"""The guided first run from paper to measured nozzle, in a real window, with pictures of a clip as the camera.

usage: xvfb-run -s "-screen 0 1366x768x24" python -m tests.benchmarks.first_run CLIP OUT

CLIP is a folder with clip.mp4, scene.toml, truth.csv, camera/*.jpg, touch/*.jpg and heights.csv. Every step is clicked,
typed and waited for as a person would; the nozzle lying on the mat is drawn into a picture of the empty bench, turned
by quarters; all else is the clip's own. Prints steps, clicks, typed fields and seconds, and leaves a screenshot of
every step in OUT.
"""

from __future__ import annotations

import csv
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from PyQt6.QtCore import QPoint, QSettings, Qt
from PyQt6.QtTest import QTest
from PyQt6.QtWidgets import QApplication, QWidget

from monitor.engine.source import Arrival
from tests.benchmarks.command import command
from tests.vision.drawn_lying import circles, lying
from vision.camera.sources import open_video
from vision.types import BenchPose, Frame

RATE_HZ = 8.0
LONGEST_S = 180.0


class Pictures:
    """A camera that shows what it is told to, with a sensor's noise."""

    name = "pictures"

    def __init__(self, size: tuple[int, int]) -> None:
        self._image, self._index, self._stopped = np.full((size[1], size[0], 3), 90, np.uint8), 0, threading.Event()
        self._rng, self._film = np.random.default_rng(1), None

    def open(self) -> None:
        self._start_s = time.monotonic()

    def show(self, image: np.ndarray) -> None:
        self._image, self._film = image, None

    def play(self, path: Path) -> None:
        self._film = (open_video(path), time.monotonic())
        self._frames = iter(self._film[0])

    def read(self) -> Arrival | None:
        if self._stopped.wait(1 / RATE_HZ if self._film is None else 0.0):
            return None
        if self._film is not None:
            frame = next(self._frames, None)
            if frame is None:
                self.play(self._film[0].path) if hasattr(self._film[0], "path") else self._stopped.set()
                return self.read()
            wait_s = self._film[1] + frame.t_s - time.monotonic()
            if wait_s > 0:
                time.sleep(wait_s)
            image = frame.image
        else:
            noise = self._rng.normal(0, 1.0, self._image.shape[:2])[..., None]
            image = np.clip(self._image + noise, 0, 255).astype(np.uint8)
        now_s = time.monotonic()
        self._index += 1
        return Arrival(Frame(self._index, now_s - self._start_s, image, self.name), now_s)

    def close(self) -> None:
        self._stopped.set()


class Person:
    """Clicks, types and waits, and counts it."""

    def __init__(self, window: QWidget, out: Path) -> None:
        self.window, self.out, self.rows = window, out, []
        self.clicks = self.fields = self.shots = 0
        self._from = (0, 0, time.monotonic())

    def click(self, widget: QWidget) -> None:
        self.until(lambda: widget.isEnabled() and widget.isVisible(), f"{widget} is enabled")
        QTest.mouseClick(widget, Qt.MouseButton.LeftButton)
        self.clicks += 1
        QApplication.processEvents()

    def type(self, field: QWidget, text: str) -> None:
        field.setFocus()
        field.selectAll()
        QTest.keyClicks(field, text)
        QTest.keyClick(field, Qt.Key.Key_Tab)
        self.fields += 1

    def drag(self, view: QWidget, a: tuple[float, float], b: tuple[float, float]) -> None:
        at = [view.to_widget(p).toPoint() for p in (a, b)]
        QTest.mousePress(view, Qt.MouseButton.LeftButton, pos=at[0])
        for k in range(1, 5):
            QTest.mouseMove(view, at[0] + (at[1] - at[0]) * k / 4 if isinstance(at[0], QPoint) else at[1])
        QTest.mouseRelease(view, Qt.MouseButton.LeftButton, pos=at[1])
        self.clicks += 1

    def until(self, holds, what: str, longest_s: float = LONGEST_S) -> None:
        end_s = time.monotonic() + longest_s
        while not holds():
            if time.monotonic() > end_s:
                self.shoot("stuck")
                raise SystemExit(f"waited in vain for: {what}; the screen says: {self.window.guide.missing.text()}")
            QTest.qWait(50)

    def wait(self, seconds: float) -> None:
        QTest.qWait(round(1000 * seconds))

    def shoot(self, name: str) -> None:
        self.shots += 1
        QApplication.processEvents()
        self.window.grab().save(str(self.out / f"first_run_{self.shots:02d}_{name}.png"))

    def done(self, step: str) -> None:
        now = (self.clicks, self.fields, time.monotonic())
        self.rows.append((step, *(b - a for a, b in zip(self._from, now, strict=True))))
        self._from = now


def main(arguments: list[str]) -> int:
    """Run it and print the table."""
    clip, out = map(Path, arguments)
    out.mkdir(parents=True, exist_ok=True)
    from monitor.ui.app import application

    app = application(theme="light")
    from monitor.ui.bench_window import BenchWindow
    from monitor.ui.bench_work import BenchWork, Settings

    scene = tomllib.loads((clip / "scene.toml").read_text())
    camera = Pictures(tuple(scene["frame_size"]))
    scratch = tempfile.TemporaryDirectory()  # what an earlier run calibrated must not help
    work = BenchWork(camera, None, Settings(Path(scratch.name)), None, watch_frozen=False)
    window = BenchWindow(work, QSettings(f"{scratch.name}/keys.ini", QSettings.Format.IniFormat))
    window.resize(1366, 768)
    window.show()
    window.start()
    person = Person(window, out)
    try:
        _run(person, camera, clip, scene)
    finally:
        window.close()
    _print(person)
    app.processEvents()
    scratch.cleanup()
    return 0


def _run(person: Person, camera: Pictures, clip: Path, scene: dict) -> None:
    empty = _empty_bench(clip)
    _paper(person, camera, empty)
    _camera(person, camera, empty)
    _lens(person, camera, clip)
    _nozzle(person, camera, clip, empty, scene["nozzle"])
    _trust(person, camera, clip)
    _job(person, camera, clip, empty, scene)


def _paper(person: Person, camera: Pictures, empty: np.ndarray) -> None:
    guide = person.window.guide
    person.wait(1.5)
    person.shoot("paper_missing")
    camera.show(empty)
    person.until(lambda: guide.paper.is_done, "the mat is seen")
    person.wait(0.5)
    person.shoot("paper")
    person.done("paper")


def _camera(person: Person, camera: Pictures, empty: np.ndarray) -> None:
    guide = person.window.guide
    camera.show((empty * 0.15).astype(np.uint8))
    person.click(guide.next)
    person.until(lambda: "dark" in guide.missing.text(), "too dark")
    person.shoot("camera_dark")
    camera.show(cv2.GaussianBlur(empty, (0, 0), 2.5))
    person.until(lambda: "blurred" in guide.missing.text(), "blurred")
    person.shoot("camera_blurred")
    camera.show(empty)
    person.until(lambda: guide.camera.is_done, "the view is good")
    person.shoot("camera")
    person.done("camera")


def _lens(person: Person, camera: Pictures, clip: Path) -> None:
    guide = person.window.guide
    person.click(guide.next)
    for n, path in enumerate(sorted((clip / "camera").glob("*.jpg"))):
        camera.show(cv2.imread(str(path)))
        kept, end_s = len(guide.lens._photos), time.monotonic() + 8.0  # a look takes long on a busy machine
        while len(guide.lens._photos) == kept and time.monotonic() < end_s:
            person.wait(0.2)
        if n == 5:
            person.shoot("lens_views")
        if guide.lens.is_done or guide.lens.task.is_running:
            break
    if not (guide.lens.is_done or guide.lens.task.is_running):
        person.click(guide.lens.solve)
    person.until(lambda: guide.lens.is_done, "the lens is calibrated")
    person.shoot("lens")
    person.done("lens")


def _nozzle(person: Person, camera: Pictures, clip: Path, empty: np.ndarray, nozzle: dict) -> None:
    guide = person.window.guide
    camera.show(empty)
    person.click(guide.next)
    person.type(guide.nozzle.outer, f"{nozzle['outer_diameter_mm']:g}")
    person.type(guide.nozzle.bore, f"{nozzle['bore_diameter_mm']:g}")
    photos = _touch_photos(clip)
    blocks = sorted(h for place, h, _ in photos if place == "board")
    person.type(guide.nozzle.blocks, " ".join(f"{h:g}" for h in blocks))
    person.wait(1.0)
    person.shoot("nozzle_empty")
    person.click(guide.nozzle.empty)
    person.until(lambda: guide.nozzle._phase == "laid", "the empty bench is kept")
    for k, picture in enumerate(_lying_nozzle(person, empty, nozzle)):
        camera.show(picture)
        person.until(lambda k=k: len(guide.nozzle._laid.views) > k, f"outline {k + 1} is seen", 60.0)
        if k == 1:
            person.shoot("nozzle_laid")
    person.until(lambda: guide.nozzle.guide is not None, "the profile is measured", 120.0)
    person.shoot("nozzle_profile")
    while guide.nozzle.guide.step is not None:
        step, n = guide.nozzle.guide.step, guide.nozzle.guide.n_taken
        at = next(k for k, (place, h, _) in enumerate(photos) if place == step.over and h == step.height_mm)
        camera.show(cv2.imread(str(photos.pop(at)[2])))
        person.until(lambda n=n: guide.nozzle.guide.n_taken > n, f"photograph {n + 1} is taken", 60.0)
        if n == 2:
            person.shoot("nozzle_touch")
    person.until(lambda: guide.nozzle.is_done, "the nozzle is calibrated")
    person.shoot("nozzle")
    person.done("nozzle")


def _trust(person: Person, camera: Pictures, clip: Path) -> None:
    guide = person.window.guide
    person.click(guide.next)
    for place, height, path in _touch_photos(clip):  # as a person, who stands it elsewhere when it is not recognised
        if place == "board" and not guide.trust.is_done:
            _check(person, camera, height, path)
    if not guide.trust.is_done:
        raise SystemExit(f"no height agrees; the last check says: {guide.trust.verdict.text()}")
    person.wait(0.6)
    person.shoot("trust")
    person.done("trust")


def _job(person: Person, camera: Pictures, clip: Path, empty: np.ndarray, scene: dict) -> None:
    guide, setup = person.window.guide, person.window.setup
    camera.show(empty)
    person.click(guide.next)
    person.wait(1.0)
    person.shoot("job")
    person.click(guide.job.mark)
    person.wait(1.0)
    person.click(setup.whole)
    for outline in (scene["target_mm"], *scene["neighbours_mm"]):
        corners = np.array(outline)
        person.drag(setup.view, tuple(corners.min(0)), tuple(corners.max(0)))
    person.wait(0.5)
    person.shoot("job_marked")
    person.done("job")

    camera.play(clip / "clip.mp4")
    person.click(person.window.to_hot)
    begun_s = time.monotonic()
    person.until(lambda: np.isfinite(person.window.first_height_s), "the nozzle is measured")
    print(f"first height {time.monotonic() - begun_s:.1f} s after the click on hot work")
    person.wait(1.0)
    person.shoot("hot_work")
    person.done("hot work")


def _check(person: Person, camera: Pictures, height: float, path: Path) -> None:
    """One check of a known height, to its verdict."""
    trust = person.window.guide.trust
    camera.show(cv2.imread(str(path)))
    trust._seen = None  # the picture before is not to be checked
    person.until(lambda: trust._told and trust._seen is not None, "the sentence of trust")
    if f"{height:g}" != trust.height.text():
        person.type(trust.height, f"{height:g}")
    person.click(trust.check)
    person.until(lambda: not trust.task.is_running and "checking" not in trust.verdict.text(), "the check is done")


def _empty_bench(clip: Path) -> np.ndarray:
    """The first frame of the clip without the tool, which the truth tells."""
    with (clip / "truth.csv").open() as handle:
        absent = [float(r["t_s"]) for r in csv.DictReader(handle) if r["in_view"] == "0"]
    with open_video(clip / "clip.mp4") as video:
        for frame in video:
            if absent and frame.t_s >= absent[0] - 1e-6:
                return frame.image
    raise SystemExit(f"{clip}: the tool never leaves the picture; take another clip")


def _touch_photos(clip: Path) -> list[tuple[str, float, Path]]:
    with (clip / "touch" / "heights.csv").open() as handle:
        rows = [(r["over"], float(r["height_above_it_mm"]), clip / "touch" / r["file"]) for r in csv.DictReader(handle)]
    return [row for row in rows if row[1] == round(row[1])]  # without the one whose rim rests askew


def _lying_nozzle(person: Person, empty: np.ndarray, nozzle: dict) -> Iterator[np.ndarray]:
    """The nozzle drawn on the free part of the mat, as the calibrated camera sees it, turned by quarters."""
    model = person.window.setup.camera
    bench = person.window.work.engine._bench
    if not isinstance(bench, BenchPose):
        raise SystemExit("the mat is not seen")
    body = np.array([*nozzle["profile_mm"], *nozzle["handle_mm"]], float)
    for place_mm, turn_deg in (((-45.0, -57.0), 4.0), ((-80.0, 45.0), -86.0), ((45.0, -57.0), 178.0),
                               ((-82.0, -40.0), 93.0)):
        rings = circles(body, place_mm, turn_deg)
        yield np.clip(lying(model, bench.cam_from_bench, empty, rings, 75.0), 0, 255).astype(np.uint8)


def _print(person: Person) -> None:
    print(f"{'step':10}{'clicks':>8}{'fields':>8}{'seconds':>9}")
    for step, clicks, fields, seconds in person.rows:
        print(f"{step:10}{clicks:8d}{fields:8d}{seconds:9.0f}")
    print(f"{'all':10}{person.clicks:8d}{person.fields:8d}{sum(r[3] for r in person.rows):9.0f}")


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
