"""The set-up page."""
from __future__ import annotations
from PyQt6.QtWidgets import QVBoxLayout, QWidget
from monitor.ui.bench_picture import PictureView


class SetupPage(QWidget):
    def __init__(self, work, parent=None):
        super().__init__(parent)
        self.picture = PictureView()
        QVBoxLayout(self).addWidget(self.picture)

    def show_state(self, shown):
        self.picture.show_frame(shown)

    def close_down(self):
        pass
