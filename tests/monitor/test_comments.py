"""Comments: every change can be taken back, and what is saved comes back to the letter."""

import os
import sqlite3

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import EnvironmentFault, InputError
from monitor.recording.comments import LONGEST_TEXT, Comment, CommentBook, comments_of, save_comments
from monitor.recording.reader import open_recording
from monitor.review.report import report_html
from tests.monitor.made_recording import make_recording

EVIL = ["=1+1", "<script>alert(1)</script>", "\u202egnp.exe", "' OR 1=1 --", "\N{FIRE} hei\u00df"]


@pytest.fixture
def folder(tmp_path):
    return make_recording(tmp_path / "r", duration_s=1.0).folder


def test_comments_come_back_as_they_were_written(folder):
    book = CommentBook()
    for n, text in enumerate(EVIL):
        book.add(Comment(n / 10, text, "INS1", n / 10 + 0.05))
    save_comments(folder, book.comments)

    assert comments_of(open_recording(folder)) == book.comments


def test_saving_again_replaces_what_was_there(folder):
    save_comments(folder, [Comment(0.1, "first", made_utc="2026-01-01")])
    save_comments(folder, [Comment(0.2, "second", made_utc="2026-01-01")])

    assert [c.text for c in comments_of(open_recording(folder))] == ["second"]


@settings(max_examples=40)
@given(st.lists(st.sampled_from(["add", "rewrite", "remove"]), min_size=1, max_size=120))
def test_undoing_everything_brings_back_the_beginning_and_redoing_the_end(changes):
    first = (Comment(0.0, "there before", made_utc="2026-01-01"),)
    book, n_changed = CommentBook(first), 0
    for n, change in enumerate(changes):
        before = book.comments
        if change == "add":
            book.add(Comment(float(n), f"comment {n}"))
        elif book.comments:
            target = book.comments[n % len(book.comments)]
            book.rewrite(target, f"rewritten {n}") if change == "rewrite" else book.remove(target)
        n_changed += book.comments != before
    last = book.comments
    for _ in range(n_changed):
        book.undo()
    assert book.comments == first and not book.can_undo
    for _ in range(n_changed):
        book.redo()
    assert book.comments == last and not book.can_redo


def test_an_empty_comment_is_refused():
    with pytest.raises(InputError, match="needs some text"):
        CommentBook().add(Comment(0.0, "  \n"))


def test_a_comment_of_a_book_s_length_is_refused():
    with pytest.raises(InputError, match=str(LONGEST_TEXT)):
        CommentBook().add(Comment(0.0, "x" * (LONGEST_TEXT + 1)))


def test_a_recording_of_the_first_version_opens_and_takes_comments(folder):
    with sqlite3.connect(folder / "trace.sqlite") as db:  # as version 1 laid its tables out
        db.execute("DROP TABLE comments")
        for table in ("station", "parts", "part_events", "marks", "lessons"):
            db.execute(f"DROP TABLE {table}")
        for column in ("feedback", "band_share", "audible_share", "coached", "is_probe"):
            db.execute(f"ALTER TABLE passes DROP COLUMN {column}")
        db.execute("PRAGMA user_version = 1")

    assert open_recording(folder).comments == []
    save_comments(folder, [Comment(0.1, "now", made_utc="2026-01-01")])
    assert comments_of(open_recording(folder))[0].text == "now"


def test_a_recording_that_may_only_be_read_is_left_as_it_is(folder, monkeypatch):
    before = (folder / "trace.sqlite").read_bytes()
    monkeypatch.setattr(os, "access", lambda path, mode: False)

    assert len(open_recording(folder).frames["t_s"]) == 20
    assert (folder / "trace.sqlite").read_bytes() == before


def test_comments_on_a_recording_that_is_gone_say_so(tmp_path):
    with pytest.raises(EnvironmentFault, match="cannot be saved"):
        save_comments(tmp_path / "nowhere", [])


def test_the_report_shows_comments_as_plain_text(folder):
    save_comments(folder, [Comment(0.5, "<img src=x onerror=alert(1)> lower here", "INS1", made_utc="2026-01-01")])
    html = report_html(open_recording(folder))

    assert "&lt;img src=x onerror=alert(1)&gt; lower here" in html and "<img src=x" not in html
