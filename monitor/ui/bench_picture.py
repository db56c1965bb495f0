"""The live picture with what is measured drawn upon it: regions, nozzle axis, aim, jet footprint, dwell or heat map."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from PyQt6.QtCore import QLineF, QPointF, QRectF, QSizeF, Qt
from PyQt6.QtGui import QColor, QFont, QFontMetricsF, QImage, QPainter, QPen, QPolygonF
from PyQt6.QtWidgets import QSizePolicy, QWidget

from monitor.engine.engine import Shown
from monitor.job import Job
from monitor.judging.exposure import onto_now
from monitor.ui.bench_guide_pass import draw_guide
from monitor.ui.bench_state import tr
from monitor.ui.theme import font, glance_px
from vision.camera.model import CameraModel
from vision.types import BenchPose, FloatArray

__all__ = ["PictureView", "MapLayer", "picture_of"]

CORE, EDGE = QColor("#ffffff"), QColor(15, 20, 24, 190)
TARGET, NEIGHBOUR, AIM = QColor("#7fe3ff"), QColor("#ffc46b"), QColor("#ffffff")
STEPS = 32
NEAR_MM = 45.0


@dataclass(frozen=True)
class MapLayer:
    """A map over the board: cells (ny, nx) from the bottom left, in board coordinates [mm], with its range and unit."""

    name: str
    unit: str
    left_mm: float
    bottom_mm: float
    step_mm: float
    cells: FloatArray
    low: float
    high: float


class PictureView(QWidget):
    """Shows the newest frame; after painting it tells how long that took from the frame's arrival.

    Parameters
    ----------
    on_painted : callable
        Takes the delay from arrival to paint [s], once a frame.
    """

    def __init__(self, on_painted: Callable[[float], None] = lambda delay_s: None, parent: QWidget
                 | None = None) -> None:
        super().__init__(parent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(260, 140)
        self.setAccessibleName(tr("live picture"))
        self._on_painted, self._shown, self._is_fresh = on_painted, None, False
        self._image: QImage | None = None
        self._image_of: tuple = ()
        self.camera: CameraModel | None = None
        self.job: Job | None = None
        self.layer: MapLayer | None = None
        self.is_near = True
        self._part: tuple[int, int, int, int] | None = None
        self._regions: QImage | None = None
        self._regions_of: tuple = ()

    def look_anew(self) -> None:
        """Choose the part of the picture that is shown afresh."""
        self._part = None

    def toggle_near(self) -> None:
        """Between the surroundings of the work and the whole picture."""
        self.is_near = not self.is_near
        self._part = None
        self.update()

    def show_frame(self, shown: Shown) -> None:
        """Take a new state; without a picture the last one stays, greyed."""
        self._is_fresh = shown.arrival is not None
        if shown.arrival is not None or self._shown is None:
            self._shown = shown
        self.update()

    def paintEvent(self, _: object) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor("#101416"))
        shown = self._shown
        if shown is None or shown.arrival is None:
            painter.setPen(QColor("#eef1f3"))
            painter.setFont(font("head"))
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, tr("no picture yet"))
            painter.end()
            return
        box = self._draw_picture(painter, shown.arrival.frame.image, shown.bench)
        if self._is_fresh:
            self._draw_marks(painter, box, shown)
        else:
            painter.fillRect(box, QColor(16, 20, 22, 170))
            painter.setPen(QColor("#eef1f3"))
            painter.setFont(font("large", bold=True))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, tr("old picture"))
        painter.end()
        if self._is_fresh and getattr(self, "_told", None) is not shown:
            self._told = shown
            self._on_painted(time.monotonic() - shown.arrival.arrived_s)

    def _draw_picture(self, painter: QPainter, image: np.ndarray, bench: object) -> QRectF:
        """The frame or the part of it round the work, as large as fits; gives its place."""
        self._part = self._part or self._choose_part(image, bench)
        if self._part is not None:
            left, top, right, bottom = self._part
            image = image[top:bottom, left:right]
        scale = min(self.width() / image.shape[1], self.height() / image.shape[0])
        width, height = max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale))
        ratio = self.devicePixelRatioF()
        size = (max(1, round(width * ratio)), max(1, round(height * ratio)))
        whole = self._shown.arrival.frame.image
        if self._image is None or self._image_of != (id(whole), *size, self._part):
            self._image = picture_of(cv2.resize(image, size, interpolation=cv2.INTER_AREA if ratio * scale < 1
                                                else cv2.INTER_LINEAR))
            self._image_of = (id(whole), *size, self._part)
        box = QRectF((self.width() - width) / 2, (self.height() - height) / 2, width, height)
        painter.drawImage(box, self._image)
        return box

    def _choose_part(self, image: np.ndarray, bench: object) -> tuple[int, int, int, int] | None:
        """Left, top, right and bottom pixel of the work's surroundings in the shape of the widget; None for all."""
        if not self.is_near or self.camera is None or self.job is None or not isinstance(bench, BenchPose):
            return None
        outlines = np.array([p for r in (self.job.target, *self.job.neighbour) for p in r.outline_mm])
        low, high = outlines.min(0) - NEAR_MM, outlines.max(0) + NEAR_MM
        corners = np.array([[x, y, self.job.board.top_height_mm] for x in (low[0], high[0]) for y in (low[1], high[1])])
        px = self.camera.project(corners @ bench.cam_from_bench[:3, :3].T + bench.cam_from_bench[:3, 3])
        if not np.isfinite(px).all():
            return None
        height, width = image.shape[:2]
        centre, span = (px.min(0) + px.max(0)) / 2, np.ptp(px, axis=0)
        aspect = self.width() / max(self.height(), 1)
        span = np.minimum([max(span[0], span[1] * aspect), max(span[1], span[0] / aspect)], [width, height])
        left, top = np.clip(centre - span / 2, 0, [width, height] - span).astype(int)
        return int(left), int(top), int(left + span[0]), int(top + span[1])

    def resizeEvent(self, event: object) -> None:
        self._part = None
        super().resizeEvent(event)

    def _draw_marks(self, painter: QPainter, box: QRectF, shown: Shown) -> None:
        bench = shown.bench
        if self.camera is None or not isinstance(bench, BenchPose):
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setClipRect(box)
        place = _Place(self.camera, bench, box, self._part or (0, 0, *shown.arrival.frame.image.shape[1::-1]))
        result = shown.moment.result if shown.moment is not None else None
        shift = result.vision.board_shift if result is not None else np.zeros(3)
        if self.job is not None:
            if self.layer is not None:
                self._draw_map(painter, place, shift)
            self._draw_regions(painter, place, shift)
            if shown.moment is not None and shown.moment.guide is not None:
                draw_guide(painter, place.points, shown.moment.guide, shift, self.job.board.top_height_mm,
                         self.job.nozzle.bore_diameter_mm / 2)
            if result is not None and result.exposure.observed:
                self._draw_tool(painter, place, result.exposure)

    def _label_face(self) -> QFont:
        """Type for what stands in the picture; grows with the window."""
        made = font("small", bold=True)
        made.setPixelSize(glance_px(self.window().height()))
        return made

    def _draw_regions(self, painter: QPainter, place: _Place, shift: FloatArray) -> None:
        """Outlines and names; lines and type take long to draw and mostly lie where they lay, so they are kept as a
        picture.
        """
        job = self.job
        regions = [(job.target.name, job.target.outline_mm, TARGET, Qt.PenStyle.SolidLine)]
        regions += [(n, r.outline_mm, NEIGHBOUR, Qt.PenStyle.DashLine)
                    for n, r in zip(job.neighbour_names, job.neighbour, strict=True)]
        shapes = [place.polygon(onto_now(np.array(outline), shift), job.board.top_height_mm)
                  for _, outline, _, _ in regions]
        around = QRectF()
        for shape in shapes:
            around = around.united(shape.boundingRect())
        face, ratio = self._label_face(), self.devicePixelRatioF()
        if not QRectF(self.rect()).contains(around):
            self._draw_outlines(painter, regions, shapes, face)
            return
        margin = 2.0 * face.pixelSize()
        corner = QPointF(math.floor(around.left() - margin), math.floor(around.top() - margin))
        shapes = [QPolygonF([QPointF(round(2 * (p.x() - corner.x())) / 2, round(2 * (p.y() - corner.y())) / 2)
                             for p in shape]) for shape in shapes]
        drawn_of = (tuple((p.x(), p.y()) for shape in shapes for p in shape), regions, face.pixelSize(), ratio)
        if self._regions is None or self._regions_of != drawn_of:
            longest = max(QFontMetricsF(face).horizontalAdvance(name) for name, *_ in regions)
            size = QSizeF(around.width() + 2 * margin + longest, around.height() + 2 * margin)
            self._regions, self._regions_of = self._outlines(regions, shapes, face, size, ratio), drawn_of
        painter.drawImage(corner, self._regions)

    def _outlines(self, regions: list, shapes: list[QPolygonF], face: QFont, size: QSizeF, ratio: float) -> QImage:
        """A clear picture with outlines and names, of a size in the widget's pixels."""
        picture = QImage((size * ratio).toSize(), QImage.Format.Format_ARGB32_Premultiplied)
        picture.setDevicePixelRatio(ratio)
        picture.fill(Qt.GlobalColor.transparent)
        painter = QPainter(picture)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._draw_outlines(painter, regions, shapes, face)
        painter.end()
        return picture

    def _draw_outlines(self, painter: QPainter, regions: list, shapes: list[QPolygonF], face: QFont) -> None:
        painter.setFont(face)
        for (name, _, colour, style), shape in zip(regions, shapes, strict=True):
            _outline(painter, shape, colour, style)
            where = shape.boundingRect().topLeft() + QPointF(0, -6)
            painter.setPen(QPen(EDGE, 1))
            for dx, dy in ((1, 1), (-1, 1), (1, -1), (-1, -1)):
                painter.drawText(where + QPointF(dx, dy), name)
            painter.setPen(colour)
            painter.drawText(where, name)

    def _draw_tool(self, painter: QPainter, place: _Place, now) -> None:
        """Axis from the outlet to the aim, and the bore's circle where the jet meets the board."""
        if not np.isfinite(now.aim_mm).all():
            return
        top = self.job.board.top_height_mm
        tip, aim = place.points(np.array([now.tip_mm, [*now.aim_mm, top]]))
        _outline(painter, QPolygonF([tip, aim]), AIM, Qt.PenStyle.SolidLine, closed=False)
        turn = np.linspace(0, 2 * np.pi, STEPS, endpoint=False)
        radius, lean = self.job.nozzle.bore_diameter_mm / 2, max(np.cos(now.tilt_rad), 0.2)
        along = radius / lean * np.cos(turn)
        across = radius * np.sin(turn)
        c, s = np.cos(now.azimuth_rad), np.sin(now.azimuth_rad)
        foot = np.stack([c * along - s * across, s * along + c * across], 1) + now.aim_mm
        _outline(painter, place.polygon(foot, top), AIM, Qt.PenStyle.SolidLine)
        for width, colour in ((5.0, EDGE), (2.0, AIM)):
            painter.setPen(QPen(colour, width))
            painter.drawLine(aim + QPointF(-9, 0), aim + QPointF(9, 0))
            painter.drawLine(aim + QPointF(0, -9), aim + QPointF(0, 9))

    def _draw_map(self, painter: QPainter, place: _Place, shift: FloatArray) -> None:
        layer = self.layer
        ny, nx = layer.cells.shape
        right, top = layer.left_mm + nx * layer.step_mm, layer.bottom_mm + ny * layer.step_mm
        corners = onto_now(np.array([[layer.left_mm, top], [right, top], [right, layer.bottom_mm],
                                     [layer.left_mm, layer.bottom_mm]]), shift)
        shape = place.polygon(corners, self.job.board.top_height_mm)
        there = np.array([[p.x() - place.box.left(), p.y() - place.box.top()] for p in shape], np.float32)
        if not np.isfinite(there).all() or np.abs(there).max() > 1e4:
            return
        here = np.array([[0, 0], [nx, 0], [nx, ny], [0, ny]], np.float32)
        size = (max(1, int(place.box.width()) // 2), max(1, int(place.box.height()) // 2))
        warped = cv2.warpPerspective(_coloured(layer), cv2.getPerspectiveTransform(here, there / 2), size,
                                     flags=cv2.INTER_LINEAR)
        painter.drawImage(place.box, QImage(warped.data, size[0], size[1], 4 * size[0],
                                            QImage.Format.Format_RGBA8888).copy())
        self._draw_scale(painter, place.box, layer)

    def _draw_scale(self, painter: QPainter, box: QRectF, layer: MapLayer) -> None:
        """What the map's tints mean."""
        bar = QRectF(box.left() + 12, box.bottom() - 30, 120, 12)
        steps = np.linspace(0, 1, 24)
        for i, share in enumerate(steps):
            r, g, b = _tint(np.array([share]))[0]
            painter.fillRect(QRectF(bar.left() + i * bar.width() / 24, bar.top(), bar.width() / 24 + 1, bar.height()),
                             QColor(*map(int, (r, g, b))))
        painter.setFont(self._label_face())
        text = f"{layer.name}  {layer.low:.0f} – {layer.high:.0f} {layer.unit}"
        for offset, colour in ((QPointF(1, 1), EDGE), (QPointF(0, 0), CORE)):
            painter.setPen(colour)
            painter.drawText(bar.topLeft() + QPointF(0, -5) + offset, text)


class _Place:
    """From the bench to the widget."""

    def __init__(self, camera: CameraModel, bench: BenchPose, box: QRectF, part: tuple[int, ...]) -> None:
        self._camera, self._pose, self.box = camera, bench.cam_from_bench, box
        self._scale, self._corner = box.width() / (part[2] - part[0]), np.array(part[:2]) - 0.5

    def points(self, bench_mm: FloatArray) -> list[QPointF]:
        px = (self._camera.project(bench_mm @ self._pose[:3, :3].T + self._pose[:3, 3]) - self._corner) * self._scale
        px = np.nan_to_num(px, nan=-1e4)
        return [QPointF(self.box.left() + x, self.box.top() + y) for x, y in px]

    def polygon(self, flat_mm: FloatArray, height_mm: float) -> QPolygonF:
        return QPolygonF(self.points(np.column_stack([flat_mm, np.full(len(flat_mm), height_mm)])))


def picture_of(image: np.ndarray) -> QImage:
    """A BGR array as a picture in the format that windows are drawn in. It keeps the array; a copy of it would not."""
    whole = cv2.cvtColor(image, cv2.COLOR_BGR2BGRA)
    height, width = whole.shape[:2]
    return QImage(whole.data, width, height, 4 * width, QImage.Format.Format_RGB32)


def _outline(painter: QPainter, shape: QPolygonF, colour: QColor, style: Qt.PenStyle, closed: bool = True) -> None:
    """A line that shows on any ground: dark below, colour above.

    A few long sides are drawn one by one: as one smooth polygon they take eight times as long, and hold up the
    analysis meanwhile.
    """
    n = shape.count()
    sides = [QLineF(shape.at(i), shape.at((i + 1) % n)) for i in range(n if closed else n - 1)] if n <= 8 else []
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for pen in (QPen(EDGE, 4.5), QPen(colour, 2.0, style)):
        pen.setCapStyle(Qt.PenCapStyle.RoundCap if pen.style() == Qt.PenStyle.SolidLine else Qt.PenCapStyle.FlatCap)
        painter.setPen(pen)
        if sides:
            painter.drawLines(sides)
        else:
            (painter.drawPolygon if closed else painter.drawPolyline)(shape)


def _coloured(layer: MapLayer) -> np.ndarray:
    """The map as RGBA rows from the top; nothing where it is at its lowest."""
    share = np.clip((np.nan_to_num(layer.cells[::-1], nan=layer.low) - layer.low) / max(layer.high - layer.low, 1e-9),
                    0.0, 1.0)
    rgba = np.empty((*share.shape, 4), np.uint8)
    rgba[..., :3] = _tint(share)
    rgba[..., 3] = np.where(share > 0.02, 60 + 130 * share, 0)
    return rgba


def _tint(share: np.ndarray) -> np.ndarray:
    """From blue by magenta to yellow, brighter with the value, so that it reads without colour too."""
    stops = np.array([[30, 60, 150], [150, 45, 140], [235, 110, 60], [255, 235, 120]], float)
    return np.stack([np.interp(share, np.linspace(0, 1, 4), stops[:, k]) for k in range(3)], -1).astype(np.uint8)


