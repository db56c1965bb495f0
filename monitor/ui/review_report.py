"""The report as PDF, laid out and paged by Qt's own text engine; no browser, no network."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from PyQt6.QtCore import QBuffer, QIODevice, QMarginsF, QRectF, QSizeF, Qt, QUrl
from PyQt6.QtGui import (
    QAbstractTextDocumentLayout,
    QColor,
    QFont,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPalette,
    QPdfWriter,
    QTextBlock,
    QTextCursor,
    QTextDocument,
    QTextFormat,
)

from monitor.files import write_bytes_whole
from monitor.job import parse_job
from monitor.recording.outputs import check_output, sources_of
from monitor.recording.reader import JOB, Recording
from monitor.review.charts import board_photo, heat_figure, height_figure, joint_figure, png_of, stored_map_figure
from monitor.review.report import MAPS, fill_template, write_report
from monitor.review.rubric import marks_of
from monitor.review.rubric_pictures import rubric_pictures
from monitor.review.whatif import kept_what_if

__all__ = ["need_application", "write_any_report", "write_pdf"]

DPI = 600
MARGIN_MM, FOOT_MM = 16.0, 8.0
SHEETS = {"A4": QPageSize.PageSizeId.A4, "Letter": QPageSize.PageSizeId.Letter}
WIDE_PX, HALF_PX = 670, 325  # at 96 px an inch: the width between the margins of A4, and nearly half of it
PICTURE_DPI = 220


def write_any_report(recording: Recording, path: Path, page: str = "A4") -> Path:
    """Write the report as PDF when the name ends in .pdf, else as HTML."""
    return write_pdf(recording, path, page) if path.suffix.lower() == ".pdf" else write_report(recording, path)


def write_pdf(recording: Recording, path: Path, page: str = "A4") -> Path:
    """Write the report as PDF on A4 or Letter; it appears whole or not at all. Works without a screen."""
    need_application()
    job = parse_job(recording.job_text, str(recording.folder / JOB))
    kept, photo = kept_what_if(recording), board_photo(recording)
    figures = {"height": height_figure(recording, job), "heat": heat_figure(recording, job),
               "joint": joint_figure(recording, kept["joint_c"], kept["words"]) if kept else None,
               **{name: stored_map_figure(recording, job, name, photo) for name, _, _ in MAPS}}
    pictures = {name: QImage.fromData(png_of(figure, PICTURE_DPI)) for name, figure in figures.items()
                if figure is not None}
    shown, not_shown = rubric_pictures(recording, job, marks_of(recording, job))
    frames = [(p, f"rubric{n}") for n, p in enumerate(shown)]
    pictures |= {name: QImage.fromData(p.jpeg) for p, name in frames}
    html = fill_template("report_print.html", recording, job, wide=WIDE_PX, half=HALF_PX, frames=frames,
                         not_shown=not_shown, has_heat="heat" in pictures,
                         has_joint="joint" in pictures,
                         maps=[(n, title) for n, title, _ in MAPS if n in pictures])
    title = job.title or f"Hot-air work on {job.target.name}"
    write_bytes_whole(check_output(path, sources_of(recording)), _paged(html, pictures, title, recording, page))
    return path


def need_application() -> None:
    """Fonts need a running Qt; without a screen it runs off screen."""
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from monitor.ui.app import application

    global _kept
    _kept = application()


_kept: object = None  # an application that nobody holds is taken down again


def _paged(html: str, pictures: dict[str, QImage], title: str, recording: Recording, page: str) -> bytes:
    store = QBuffer()
    store.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(store)
    writer.setResolution(DPI)
    writer.setTitle(title)
    writer.setCreator(f"plumeline {recording.meta.get('code_version', '')}".strip())
    writer.setPageLayout(QPageLayout(QPageSize(SHEETS[page]), QPageLayout.Orientation.Portrait,
                                     QMarginsF(MARGIN_MM, MARGIN_MM, MARGIN_MM, MARGIN_MM),
                                     QPageLayout.Unit.Millimeter))
    room = QRectF(writer.pageLayout().paintRectPixels(DPI))
    foot = FOOT_MM / 25.4 * DPI
    page_size = QSizeF(room.width(), room.height() - foot)
    document = _document(html, pictures, writer, page_size)
    while (lonely := _lonely_heading(document)) is not None:
        html = _break_before(html, lonely)
        document = _document(html, pictures, writer, page_size)
    painter = QPainter(writer)
    for n in range(document.pageCount()):
        if n:
            writer.newPage()
        _draw_page(painter, document, n)
        _draw_foot(painter, room, foot,
                   f"{title[:70]}   |   {recording.folder.name[:40]}   |   {n + 1} / {document.pageCount()}")
    painter.end()
    store.close()
    return bytes(store.data())


def _document(html: str, pictures: dict[str, QImage], writer: QPdfWriter, page_size: QSizeF) -> QTextDocument:
    document = QTextDocument()
    document.setDefaultFont(QFont("DejaVu Sans", 9))
    document.documentLayout().setPaintDevice(writer)
    document.setDocumentMargin(0)
    for name, picture in pictures.items():
        document.addResource(QTextDocument.ResourceType.ImageResource, QUrl(name), picture)
    document.setHtml(html)
    document.setPageSize(page_size)
    return document


def _lonely_heading(document: QTextDocument) -> int | None:
    """Which heading, counted from 0, stands at a page's foot while what it is over comes on the next; None when none
    does.
    """
    height = document.pageSize().height()
    block, n = document.begin(), -1
    while block.isValid():
        following = block.next()
        if block.blockFormat().headingLevel() == 2:
            n += 1
            pages = {int(_first_line_y(document, b) // height) for b in (block, following, _end_of_first(following))}
            is_first = block.blockFormat().pageBreakPolicy() & QTextFormat.PageBreakFlag.PageBreak_AlwaysBefore
            if len(pages) > 1 and not is_first:
                return n
        block = following
    return None


def _break_before(html: str, n: int) -> str:
    """The page with a new sheet begun before its n-th heading."""
    parts = html.split("<h2")
    parts[n + 1] = ' style="page-break-before: always"' + parts[n + 1]
    return "<h2".join(parts)


def _first_line_y(document: QTextDocument, block: QTextBlock) -> float:
    """Middle of a block's first line in the document. The block's box begins where the one before ends, on the page
    before where the line did not fit there.
    """
    lines, top = block.layout(), document.documentLayout().blockBoundingRect(block).top()
    return top + (lines.lineAt(0).y() + lines.lineAt(0).height() / 2 if lines.lineCount() else 0.0)


def _end_of_first(block: QTextBlock) -> QTextBlock:
    """In a table that of its second row: the pictures under their captions, the first line under the titles."""
    table = QTextCursor(block).currentTable()
    if table is None or table.rows() < 2:
        return block
    return table.cellAt(1, 0).firstCursorPosition().block()


def _draw_page(painter: QPainter, document: QTextDocument, page: int) -> None:
    """Ink is black on paper, whatever the window's look."""
    size = document.pageSize()
    painter.save()
    painter.translate(0, -page * size.height())
    context = QAbstractTextDocumentLayout.PaintContext()
    context.palette.setColor(QPalette.ColorRole.Text, QColor("#1c2733"))
    context.clip = QRectF(0, page * size.height() + 1, size.width(), size.height() - 2)  # not what touches the edge
    painter.setClipRect(context.clip)
    document.documentLayout().draw(painter, context)
    painter.restore()


def _draw_foot(painter: QPainter, room: QRectF, height: float, text: str) -> None:
    painter.setFont(QFont("DejaVu Sans", 7))
    painter.setPen(QColor("#44515f"))
    painter.drawText(QRectF(0, room.height() - height, room.width(), height),
                     int(Qt.AlignmentFlag.AlignBottom.value | Qt.AlignmentFlag.AlignHCenter.value), text)
