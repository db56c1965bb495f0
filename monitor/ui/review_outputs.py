"""Where report and tables go, asked for and written beside the window."""

from __future__ import annotations

from pathlib import Path

from PyQt6.QtWidgets import QFileDialog, QWidget

from monitor.recording.export import export_csv, export_parquet
from monitor.recording.reader import Recording, open_recording
from monitor.ui.review_keys import tr
from monitor.ui.review_report import write_any_report

__all__ = ["ask_report", "ask_tables", "report_of", "tables_of"]


def ask_report(parent: QWidget, recording: Recording) -> Path | None:
    """Ask for the report's name; its ending decides between HTML and PDF."""
    kinds = f"{tr('Page for any browser')} (*.html);;PDF (*.pdf)"
    name, _ = QFileDialog.getSaveFileName(parent, tr("Write the report"), str(recording.folder / "report.html"), kinds)
    return Path(name) if name else None


def ask_tables(parent: QWidget, recording: Recording) -> Path | None:
    """Ask for the tables' folder."""
    folder = QFileDialog.getExistingDirectory(parent, tr("Write tables into"), str(recording.folder))
    return Path(folder) if folder else None


def report_of(folder: Path, path: Path) -> str:
    """Write the report of what is stored now, comments and all; says where it is."""
    return tr("written: {path}").format(path=write_any_report(open_recording(folder), path))


def tables_of(recording: Recording, folder: Path) -> str:
    """Write CSV and Parquet; says how many."""
    written = [*export_csv(recording, folder), *export_parquet(recording, folder)]
    return tr("{n} tables in {folder}").format(n=len(written), folder=folder)
