"""The PDF: paged, searchable, with all that the report must say; no heading alone at a page's foot."""

import pytest
from PyQt6.QtPdf import QPdfDocument

from monitor.recording.comments import Comment, save_comments
from monitor.recording.reader import open_recording
from monitor.ui.review_report import write_any_report, write_pdf
from tests.monitor.made_recording import make_recording

# so many that a heading would come to stand alone
LONG = [Comment(n / 10, f"remark number {n} <b>about</b> the sweep", "INS1", made_utc="2026-01-01") for n in range(45)]


@pytest.fixture(scope="module")
def pages(qapp, tmp_path_factory):
    made = make_recording(tmp_path_factory.mktemp("pdf") / "lesson", duration_s=2.0, heat=True)
    save_comments(made.folder, LONG)
    document = QPdfDocument(None)
    document.load(str(write_pdf(open_recording(made.folder), made.folder / "report.pdf")))
    return document, [document.getAllText(n).text() for n in range(document.pageCount())]


def test_the_pdf_is_a4(pages):
    size = pages[0].pagePointSize(0)

    # ISO 216, in points
    assert (size.width(), size.height()) == (pytest.approx(595.3, abs=1), pytest.approx(841.9, abs=1))


def test_verdict_cautions_and_hashes_can_be_searched_for(pages):
    text = " ".join("".join(pages[1]).split())

    for needed in ("Hovered 12.0 mm", "Cautions", "eye protection", "ESD", "SHA-256 of job.toml",
                   "Heat calibration: none",
                   "plumeline", "estimate"):
        assert needed in text


def test_every_comment_is_there_as_plain_text(pages):
    text = " ".join("".join(pages[1]).split())

    assert all(f"remark number {n} <b>about</b> the sweep" in text for n in range(45))


def test_every_page_says_which_it_is(pages):
    assert all(f"{n} / {len(pages[1])}" in text for n, text in enumerate(pages[1], 1)) and len(pages[1]) > 2


def test_no_heading_stands_alone_at_a_page_s_foot(pages):
    headings = ("Comments", "Passes", "Warnings", "Cautions", "What this rests on", "On the board",
                "How far this can be trusted")
    # without the foot
    bodies = [" ".join(text.split()).rsplit("Hot-air work on U7 |", 1)[0].strip() for text in pages[1]]

    assert [h for body in bodies for h in headings if body.endswith(h)] == []


def test_the_ending_decides_the_kind(qapp, tmp_path):
    made = make_recording(tmp_path / "r", duration_s=1.0)

    assert write_any_report(made, tmp_path / "a.PDF").read_bytes().startswith(b"%PDF")
    assert write_any_report(made, tmp_path / "a.html").read_text().startswith("<!DOCTYPE html>")
