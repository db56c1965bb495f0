"""The class page as PDF on A4 across, by Qt's text engine."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt6.QtCore import QBuffer, QIODevice, QMarginsF, QSizeF
from PyQt6.QtGui import QFont, QPageLayout, QPageSize, QPdfWriter, QTextDocument

from monitor.files import write_bytes_whole
from monitor.ui.review_report import need_application

__all__ = ["write_class_pdf"]

DPI, MARGIN_MM = 600, 10.0
SIZES_PT = (8.5, 8.0, 7.5, 7.0, 6.5, 6.0, 5.5)  # the smallest is still read at arm's length; beyond it, more pages


def write_class_pdf(html_of: Callable[[float], str], title: str, path: Path) -> Path:
    """Write the page, in the largest letters with which it is one page; it appears whole or not at all. Needs no
    screen.

    Parameters
    ----------
    html_of : function
        The page in letters of so many points.
    """
    need_application()
    store = QBuffer()
    store.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(store)
    writer.setResolution(DPI)
    writer.setTitle(title)
    writer.setPageLayout(QPageLayout(QPageSize(QPageSize.PageSizeId.A4), QPageLayout.Orientation.Landscape,
                                     QMarginsF(MARGIN_MM, MARGIN_MM, MARGIN_MM, MARGIN_MM),
                                     QPageLayout.Unit.Millimeter))
    document = QTextDocument()
    document.documentLayout().setPaintDevice(writer)
    document.setDefaultFont(QFont("DejaVu Sans", 8))
    document.setDocumentMargin(0)
    document.setPageSize(QSizeF(writer.width(), writer.height()))
    for size_pt in SIZES_PT:
        document.setHtml(html_of(size_pt))
        if document.pageCount() == 1:
            break
    document.print(writer)
    store.close()
    write_bytes_whole(path, bytes(store.data()))
    return path
