"""A picture of the video with its caption, kept in proportion."""

from __future__ import annotations

from PyQt6.QtCore import QRectF, QSize, Qt
from PyQt6.QtGui import QColor, QImage, QPainter
from PyQt6.QtWidgets import QSizePolicy, QWidget

from monitor.ui.review_keys import tr
from monitor.ui.theme import font, look

__all__ = ["VideoView"]

CAPTION_PX = 26


class VideoView(QWidget):
    """Shows one frame and says which it is."""

    def __init__(self, name: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(220, 100)
        self.setAccessibleName(name)
        self._name, self._image, self._caption, self._message = name, QImage(), "", tr("no picture yet")

    @property
    def image(self) -> QImage:
        """What is shown; null while there is none."""
        return self._image

    @property
    def caption(self) -> str:
        """What stands under it."""
        return self._caption

    def sizeHint(self) -> QSize:
        return QSize(640, 400)

    def show_frame(self, image: QImage, caption: str) -> None:
        """Show a picture with its caption."""
        self._image, self._caption = image, caption
        self.setAccessibleDescription(caption)
        self.update()

    def show_message(self, text: str) -> None:
        """Show words in place of a picture."""
        self._image, self._message, self._caption = QImage(), text, ""
        self.update()

    def paintEvent(self, event: object) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(look().window))
        room = QRectF(self.rect()).adjusted(0, 0, 0, -CAPTION_PX)
        if self._image.isNull():
            painter.setPen(QColor(look().soft_ink))
            painter.setFont(font("body"))
            painter.drawText(room.adjusted(16, 16, -16, -16), int(Qt.AlignmentFlag.AlignCenter)
                             | int(Qt.TextFlag.TextWordWrap), self._message)
        else:
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
            size = self._image.size().scaled(room.size().toSize(), Qt.AspectRatioMode.KeepAspectRatio)
            place = QRectF(room.center().x() - size.width() / 2, room.center().y() - size.height() / 2, size.width(),
                           size.height())
            painter.drawImage(place, self._image)
        strip = QRectF(0, self.height() - CAPTION_PX, self.width(), CAPTION_PX)
        painter.fillRect(strip, QColor(look().panel))
        painter.setPen(QColor(look().ink))
        painter.setFont(font("small", tabular=True))
        text = painter.fontMetrics().elidedText(f"{self._name}   {self._caption}", Qt.TextElideMode.ElideRight,
                                                self.width() - 16)
        painter.drawText(strip.adjusted(8, 0, -8, 0), Qt.AlignmentFlag.AlignVCenter, text)
        painter.end()
