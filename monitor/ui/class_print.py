"""The class page as PDF on A4 across, by Qt's text engine."""

from __future__ import annotations

from pathlib import Path

from PyQt6.QtCore import QBuffer, QIODevice, QMarginsF, QSizeF
from PyQt6.QtGui import QFont, QPageLayout, QPageSize, QPdfWriter, QTextDocument

from monitor.files import write_bytes_whole
from monitor.ui.review_report import need_application

__all__ = ["write_class_pdf"]

DPI, MARGIN_MM = 600, 12.0


def write_class_pdf(html: str, title: str, path: Path) -> Path:
    """Write the page; it appears whole or not at all. Works without a screen."""
    need_application()
    store = QBuffer()
    store.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(store)
    writer.setResolution(DPI)
    writer.setTitle(title)
    writer.setPageLayout(QPageLayout(QPageSize(QPageSize.PageSizeId.A4), QPageLayout.Orientation.Landscape,
                                     QMarginsF(MARGIN_MM, MARGIN_MM, MARGIN_MM, MARGIN_MM), QPageLayout.Unit.Millimeter))
    document = QTextDocument()
    document.documentLayout().setPaintDevice(writer)
    document.setDefaultFont(QFont("DejaVu Sans", 8))
    document.setDocumentMargin(0)
    document.setHtml(html)
    document.setPageSize(QSizeF(writer.width(), writer.height()))
    document.print(writer)
    store.close()
    write_bytes_whole(path, bytes(store.data()))
    return path
