"""Old traces open for ever, and become what this program writes."""

import sqlite3
from pathlib import Path

import pytest

from monitor.recording import schema
from monitor.recording.comments import save_comments
from monitor.recording.reader import open_recording

OLD = Path(__file__).resolve().parents[1] / "data" / "trace_v1" / "trace.sql"


@pytest.fixture
def folder(tmp_path):
    with sqlite3.connect(tmp_path / "trace.sqlite") as db:
        db.executescript(OLD.read_text(encoding="utf-8"))
    (tmp_path / "job.toml").write_text("", encoding="utf-8")
    return tmp_path


def test_a_trace_of_version_1_opens_with_what_it_held(folder):
    found = open_recording(folder)

    assert found.frames["frame"].tolist() == [40, 41, 42] and len(found.passes) == 1
    assert found.station == [] and found.passes[0]["feedback"] is None


def test_opening_an_old_trace_leaves_it_as_it_is(folder):
    before = (folder / "trace.sqlite").read_bytes()
    open_recording(folder)

    assert (folder / "trace.sqlite").read_bytes() == before and len(list(folder.iterdir())) == 2


def test_an_old_trace_that_is_written_to_becomes_one_of_this_version(folder):
    save_comments(folder, [])
    with sqlite3.connect(folder / "trace.sqlite") as db:
        version = db.execute("PRAGMA user_version").fetchone()[0]
        old = {t: {row[1] for row in db.execute(f"PRAGMA table_info({t})")}
               for t in ("frames", "passes", "station", "comments")}
    with sqlite3.connect(":memory:") as db:
        schema.create(db)
        new = {t: {row[1] for row in db.execute(f"PRAGMA table_info({t})")} for t in old}

    assert version == schema.VERSION and old == new


def test_opening_twice_changes_nothing_more(folder):
    assert open_recording(folder).meta == open_recording(folder).meta


def test_a_trace_is_laid_out_whole_or_not_at_all(tmp_path):
    lengths, path = [], tmp_path / "trace.sqlite"
    with sqlite3.connect(path, isolation_level=None) as db:
        db.set_trace_callback(lambda statement: lengths.append(path.stat().st_size))  # as a kill would leave it there
        schema.create(db)
        db.set_trace_callback(None)
        tables = {name for name, in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}

    assert set(lengths) == {0} and len(lengths) > 10
    assert {"frames", "heat", "passes", "lessons"} <= tables
    assert path.stat().st_size > 0 and schema.check(sqlite3.connect(path), "") == schema.VERSION
