"""Another pass in the review: beside the one under review, laid over it, and as a guide to follow live."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt6.QtGui import QImage
from PyQt6.QtWidgets import QFileDialog

from monitor.errors import MonitorError
from monitor.recording.guide_file import guide_of, load_guide, own_guide, save_guide
from monitor.recording.outputs import check_output, sources_of
from monitor.review.laid_over import LaidOver, lay_over
from monitor.ui.review_beside import Beside, BesideDialog, read_beside
from monitor.ui.review_cursor import Cursor
from monitor.ui.review_frames import FrameBringer
from monitor.ui.review_keys import tr
from monitor.ui.review_lanes import Curve, Laid
from monitor.ui.review_task import collector_paused
from monitor.ui.review_video import VideoView

__all__ = ["OtherPass"]

TOML = "TOML (*.toml)"


class OtherPass:
    """The pass that is compared with; its methods without arguments are commands of the window.

    Parameters
    ----------
    window : QWidget
        With `recording`, `job`, `wait`, `say`, `nearest_pass` and `since_contact`.
    refresh : callable
        Draws all that depends on the other pass anew.
    """

    def __init__(self, window, cursor: Cursor, refresh: Callable[[], None]) -> None:
        self._window, self._cursor, self._refresh = window, cursor, refresh
        self.video = VideoView(tr("other pass"))
        self.video.hide()
        self.beside: Beside | None = None
        self.laid: LaidOver | None = None
        self._bringer: FrameBringer | None = None

    def compare_with(self) -> None:
        """Ask for another pass to lay beside."""
        window = self._window
        if window.recording is None or (number := window.nearest_pass()) is None:
            return
        dialog = BesideDialog(window.recording, number, window)
        if dialog.exec() and dialog.choice is not None:
            self.lay_beside(*dialog.choice)

    def lay_beside(self, own_pass: int, folder: Path, other_pass: int) -> None:
        """Lay a pass beside and over one of these, both counted from contact."""
        recording, job = self._window.recording, self._window.job

        def work(tell: Callable[[float], None]) -> tuple[Beside, LaidOver | None, str]:
            with collector_paused():
                beside = read_beside(recording, own_pass, folder, other_pass)
                try:
                    guide = guide_of(beside.recording, other_pass)
                    return beside, lay_over(guide, recording, job, own_pass, beside.name), ""
                except MonitorError as fault:
                    return beside, None, str(fault)
        self._window.wait.run(work, lambda found: self._show(own_pass, *found), self._window.say)

    def end_comparing(self) -> None:
        """Take the other pass away."""
        if self._bringer is not None:
            self._bringer.close()
        self._bringer = self.beside = self.laid = None
        self.video.hide()
        if self._window.recording is not None:
            self._refresh()

    def lay_guide_over(self) -> None:
        """Lay the guide that this recording was made with, or one from a file, over the pass at the cursor."""
        window = self._window
        if window.recording is None or (number := window.nearest_pass()) is None:
            return
        try:
            guide = own_guide(window.recording)
            if guide is None:
                name, _ = QFileDialog.getOpenFileName(window, tr("Choose a guide"),
                                                      str(window.recording.folder.parent), TOML)
                if not name:
                    return
                guide = load_guide(Path(name))
            laid = lay_over(guide, window.recording, window.job, number)
        except MonitorError as fault:
            window.say(str(fault))
            return
        self.end_comparing()
        self._lay(laid)

    def make_guide(self) -> None:
        """Ask where the pass at the cursor goes as a guide, and write it."""
        window = self._window
        if window.recording is None or (number := window.nearest_pass()) is None:
            return
        proposed = window.recording.folder.parent / f"{window.recording.folder.name}_pass{number}.toml"
        name, _ = QFileDialog.getSaveFileName(window, tr("Make this pass a guide"), str(proposed), TOML)
        if name:
            self.write_guide(number, Path(name))

    def write_guide(self, number: int, path: Path) -> None:
        """Write a pass as a guide; says where it is."""
        recording = self._window.recording
        try:
            check_output(path, sources_of(recording))
            save_guide(guide_of(recording, number), path)
            self._window.say(tr("written: {path}").format(path=path))
        except (MonitorError, OSError) as fault:
            self._window.say(str(fault))

    def show_at(self, t_s: float, is_marked: bool, zoom: int) -> None:
        """Wish for its picture at a time of the recording under review."""
        if self._bringer is not None and self.beside is not None:
            self._bringer.show(t_s - self.beside.shift_s, is_marked, zoom)

    def curves(self) -> Laid | None:
        """What the timeline shows of the pass that is laid over; None without one."""
        if self.laid is None:
            return None
        return Laid(Curve(self.laid.name, *self.laid.height(), 2),
                    Curve(tr("from {name}").format(name=self.laid.name),
                          *self.laid.distance(self._window.recording), 2))

    def _show(self, own_pass: int, beside: Beside, laid: LaidOver | None, fault: str) -> None:
        self.end_comparing()
        self.beside = beside
        self.video.show()
        if beside.recording.video is None:
            self.video.show_message(tr("its video is not here"))
        else:
            self._bringer = FrameBringer(beside.recording, beside.job, self._window)
            self._bringer.shown.connect(self._show_picture)
            self._bringer.failed.connect(self.video.show_message)
            self._bringer.start()
        self._lay(laid)
        if fault:
            self._window.say(fault)
        own = next(p for p in self._window.recording.passes if p["number"] == own_pass)
        self._window.go_to(own["t_start_s"])

    def _lay(self, laid: LaidOver | None) -> None:
        self.laid = laid
        self._refresh()
        if laid is not None:
            self._window.go_to(laid.contact_s)

    def _show_picture(self, index: int, t_s: float, image: QImage) -> None:
        if self.beside is None or self._window.sender() is not self._bringer:
            return
        since = self._window.since_contact(t_s + self.beside.shift_s)
        self.video.show_frame(image, tr("{name}, frame {i}, {t:.3f} s{contact}").format(
            name=self.beside.name, i=index, t=t_s, contact=since))
