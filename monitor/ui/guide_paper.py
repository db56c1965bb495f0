"""Mat and lens board to the printer, true to size, or to a PDF file."""

from __future__ import annotations

from pathlib import Path

from PyQt6.QtCore import QBuffer, QByteArray, QIODevice, QMarginsF, QRectF, QSize
from PyQt6.QtGui import QPageLayout, QPageSize, QPainter
from PyQt6.QtPdf import QPdfDocument
from PyQt6.QtPrintSupport import QPrintDialog, QPrinter
from PyQt6.QtWidgets import QDialog, QFileDialog, QMessageBox, QWidget

from monitor.files import write_bytes_whole
from monitor.ui.bench_state import tr
from vision.bench.mat import standard_mat

__all__ = ["ask_print", "ask_save", "print_paper"]

DPI = 600
MM_PER_IN = 25.4


def ask_save(parent: QWidget, page: str) -> None:
    """Write the sheets where the user says."""
    name, _ = QFileDialog.getSaveFileName(parent, tr("Save the sheets"), "plumeline_paper.pdf", tr("PDF (*.pdf)"))
    if not name:
        return
    from monitor.setup.paper import paper_pdf  # what draws it is slow to load

    try:
        write_bytes_whole(Path(name), paper_pdf(standard_mat(), page))
    except OSError as fault:
        QMessageBox.warning(parent, tr("Not saved"), f"{name}: {fault.strerror}")


def ask_print(parent: QWidget, page: str) -> None:
    """Print them on the printer that the user chooses."""
    printer = QPrinter(QPrinter.PrinterMode.HighResolution)
    printer.setResolution(DPI)
    if QPrintDialog(printer, parent).exec() == QDialog.DialogCode.Accepted:
        print_paper(printer, page)


def print_paper(printer: QPrinter, page: str) -> None:
    """Every sheet over the whole page and never fitted to its margins, so that a millimetre stays one."""
    from monitor.setup.paper import PAGES_MM, paper_pdf

    size = {"A4": QPageSize.PageSizeId.A4, "Letter": QPageSize.PageSizeId.Letter}[page]
    printer.setFullPage(True)
    printer.setPageLayout(QPageLayout(QPageSize(size), QPageLayout.Orientation.Landscape, QMarginsF(0, 0, 0, 0)))
    store = QBuffer()
    store.setData(QByteArray(paper_pdf(standard_mat(), page)))
    store.open(QIODevice.OpenModeFlag.ReadOnly)
    document = QPdfDocument(None)
    document.load(store)
    width, height = (mm / MM_PER_IN for mm in PAGES_MM[page])
    painter = QPainter(printer)
    for n in range(document.pageCount()):
        if n:
            printer.newPage()
        drawn = document.render(n, QSize(round(width * DPI), round(height * DPI)))
        painter.drawImage(QRectF(0, 0, width * printer.resolution(), height * printer.resolution()), drawn)
    painter.end()
