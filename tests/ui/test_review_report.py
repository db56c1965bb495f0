"""The report: paged, searchable, with all that the report must say; no heading alone at a page's foot."""

import re
from dataclasses import replace

import numpy as np
import pytest
from PyQt6.QtGui import QImage
from PyQt6.QtPdf import QPdfDocument

from monitor.recording.comments import Comment, save_comments
from monitor.recording.reader import open_recording
from monitor.ui.review_report import write_any_report, write_pdf
from tests.monitor.made_recording import make_recording

# so many that a heading would come to stand alone
LONG = [Comment(n / 10, f"remark number {n} <b>about</b> the sweep", "INS1", made_utc="2026-01-01") for n in range(45)]


SIZES_PT = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}  # ISO 216; ANSI/ASME Y14.1 size A


@pytest.fixture(scope="module", params=SIZES_PT)
def pages(request, qapp, tmp_path_factory):
    made = make_recording(tmp_path_factory.mktemp("pdf") / "lesson", duration_s=2.0, heat=True)
    save_comments(made.folder, LONG)
    document = QPdfDocument(None)
    document.load(str(write_pdf(open_recording(made.folder), made.folder / "report.pdf", request.param)))
    return document, [document.getAllText(n).text() for n in range(document.pageCount())], request.param


def _ink(document, n):
    """Where a page is dark, at a point a pixel."""
    drawn = document.render(n, document.pagePointSize(n).toSize()).convertToFormat(QImage.Format.Format_RGBA8888)
    rgba = np.frombuffer(drawn.constBits().asstring(drawn.sizeInBytes()), np.uint8).reshape(drawn.height(),
                                                                                            drawn.width(), 4)
    return (rgba[..., 3] > 40) & (rgba[..., :3].mean(-1) < 160)


def test_the_pdf_has_its_size(pages):
    size = pages[0].pagePointSize(0)

    assert (size.width(), size.height()) == pytest.approx(SIZES_PT[pages[2]], abs=1)


def test_date_and_operator_stand_on_the_first_page(pages):
    first = " ".join(pages[1][0].split())

    assert "UTC, operator not named" in first and "Recorded" in first


def test_the_charts_are_told_in_words_too(pages):
    text = " ".join("".join(pages[1]).split())

    assert "Height against time: from 12 to 12 mm" in text and "Estimated temperatures against time" in text


def test_nothing_is_printed_beyond_the_margins(pages):
    for n in range(pages[0].pageCount()):
        inked = _ink(pages[0], n)
        ink = np.flatnonzero(inked.any(axis=0))
        assert not len(ink) or (ink.min() >= 40 and ink.max() <= inked.shape[1] - 40)  # 16 mm are 45 points


def test_the_html_names_operator_and_date_and_describes_every_chart(qapp, tmp_path):
    made = make_recording(tmp_path / "r", duration_s=2.0, heat=True)
    html = write_any_report(made, tmp_path / "a.html").read_text()

    assert "UTC, operator not named" in html.split("<h2>")[0]
    labels = re.findall(r'role="img" aria-label="([^"]*)"', html)
    assert len(labels) >= 2 and all(len(label) > 40 for label in labels) and "12 to 12 mm" in labels[0]


def test_the_html_has_no_table_wider_than_a_sheet_and_adapts_to_dark_and_narrow(qapp, tmp_path):
    made = make_recording(tmp_path / "r", duration_s=2.0, heat=True)
    html = write_any_report(made, tmp_path / "a.html").read_text()

    assert max(row.count("<th") for row in html.split("<tr>")) <= 7  # eleven were cut off on paper
    assert "prefers-color-scheme: dark" in html and "max-width: 34rem" in html and "@page" in html
    narrow = html[html.index("max-width: 34rem"):html.index("@page")]
    assert ".charts > svg { width: 48rem; }" in narrow and "overflow-x: auto" in narrow  # 7 px type when shrunk to 400
    assert html.count('class="charts" tabindex="0"') == 2  # what scrolls can be scrolled by key
    for row in re.findall(r"<tr><td.*?</tr>", html):
        assert row.count("<td") == row.count("data-name="), row


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


@pytest.mark.parametrize("n_times", [2, 4, 6, 8])
def test_a_heading_goes_with_its_chart_wherever_it_comes_to_stand(qapp, tmp_path, n_times):
    made = make_recording(tmp_path / "r", duration_s=2.0, heat=True)
    titled = replace(made, job_text=f'title = "{"a job with a long name " * n_times}"\n' + made.job_text)
    document = QPdfDocument(None)
    document.load(str(write_pdf(titled, tmp_path / "report.pdf")))
    last = re.compile("(Heat, estimated|Height against time) a job with")  # then the foot, which begins with the title

    for n in range(document.pageCount()):
        if last.search(" ".join(document.getAllText(n).text().split())):
            rows = _ink(document, n).any(axis=1)
            assert rows[int(0.65 * len(rows)):int(0.85 * len(rows))].mean() > 0.5  # its chart stands below it


def test_the_ending_decides_the_kind(qapp, tmp_path):
    made = make_recording(tmp_path / "r", duration_s=1.0)

    assert write_any_report(made, tmp_path / "a.PDF").read_bytes().startswith(b"%PDF")
    assert write_any_report(made, tmp_path / "a.html").read_text().startswith("<!DOCTYPE html>")
