"""A recording from anywhere is data: nothing in it is executed, and nothing in it is believed unchecked."""

import json
import os
import shutil
import sqlite3

import pytest

from monitor.cli.main import main
from monitor.errors import EnvironmentFault, InputError
from monitor.recording import schema
from monitor.recording.comments import Comment, save_comments
from monitor.recording.reader import open_recording
from monitor.recording.trace_file import check_cells, open_trace_file
from monitor.repeat.library import recordings_under
from monitor.review.report import report_html
from tests.compare.make import record_passes


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return record_passes(tmp_path_factory.mktemp("made") / "r", [12.0, 14.0], heat=True, dwell_s=0.8, gap_s=0.5,
                         rate_hz=10.0)


@pytest.fixture
def folder(made, tmp_path):
    return shutil.copytree(made, tmp_path / "r")


def change(folder, *statements):
    with sqlite3.connect(folder / "trace.sqlite", isolation_level=None) as db:
        for statement in statements:
            db.execute(statement)
    db.close()


def refusal(folder, capsys, *command):
    """The one line that a command ends with, and its code."""
    code = main([*(command or ("export",)), str(folder)])
    line = capsys.readouterr().err.strip()
    assert "\n" not in line and "Traceback" not in line
    return code, line


HOSTILE = {
    "a trigger": "CREATE TRIGGER t AFTER INSERT ON meta BEGIN DELETE FROM frames; END",
    "a view": "CREATE VIEW v AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT x FROM c",
    "an unknown table": "CREATE TABLE letters (text TEXT)",
    "a virtual table": "CREATE VIRTUAL TABLE found USING fts5(text)",
    "a computed column": "ALTER TABLE drops ADD COLUMN twice INTEGER GENERATED ALWAYS AS (count * 2)",
    "an unknown column": "ALTER TABLE drops ADD COLUMN other TEXT",
    "an index with a function": "CREATE INDEX i ON drops (abs(count))",
}


@pytest.mark.parametrize("statement", HOSTILE.values(), ids=HOSTILE.keys())
def test_what_no_trace_has_is_refused_and_not_used(folder, capsys, statement):
    change(folder, statement)
    before = (folder / "trace.sqlite").read_bytes()

    code, line = refusal(folder, capsys)
    assert code == 3 and "trace.sqlite" in line and (folder / "trace.sqlite").read_bytes() == before


def test_a_table_replaced_by_an_endless_view_is_refused_at_once(folder, capsys):
    change(folder, "DROP TABLE drops",
           "CREATE VIEW drops AS WITH RECURSIVE c(id) AS (SELECT 1 UNION ALL SELECT id + 1 FROM c) "
                   "SELECT id, 0.0 AS t_s, 1 AS count, '' AS reason FROM c")

    assert refusal(folder, capsys)[0] == 3


def test_a_query_that_takes_longer_than_the_file_warrants_is_ended(folder):
    with pytest.raises(InputError,
                       match="longer than its size warrants"), open_trace_file(folder / "trace.sqlite") as db:
        db.execute("WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT MAX(x) FROM c").fetchone()


def test_reading_changes_nothing_even_when_asked(folder):
    with pytest.raises(EnvironmentFault,
                       match="attempt to write a readonly"), open_trace_file(folder / "trace.sqlite") as db:
        db.execute("DELETE FROM frames")


CELLS = {
    "text for a number": ("UPDATE passes SET height_mean_mm = 'high'", "passes, row 1: height_mean_mm"),
    "an endless number": ("UPDATE frames SET height_mm = 9e999 WHERE frame = 3", "frames, row 3: height_mm"),
    "a number beyond all measure": ("UPDATE frames SET tip_x_mm = 1e15 WHERE frame = 3", "frames, row 3: tip_x_mm"),
    "a time of 1e15 s": ("UPDATE frames SET t_s = 1e15 WHERE frame = (SELECT MAX(frame) FROM frames)", "t_s"),
    "time that runs backwards": ("UPDATE frames SET t_s = 0.0 WHERE frame = 5", "time runs backwards"),
    "a blob cut off": ("UPDATE frames SET track_cov = x'0000' WHERE frame = 2", "track_cov"),
    "an unknown state": ("UPDATE frames SET state = 'asleep' WHERE frame = 2", "state"),
    "an unknown status": ("UPDATE frames SET status = '$(reboot)' WHERE frame = 2", "status"),
    "a map of other size": ("INSERT INTO maps VALUES ('dwell', 's', 0, 0, 1, 2, 100, x'00')", "maps"),
    "heat that is no JSON": ("UPDATE heat SET temp_c = '[[[' WHERE frame = 4", "temp_c"),
    "heat of another shape": ("UPDATE heat SET temp_c = '{\"joint centre\": 5}' WHERE frame = 4", "temp_c"),
    "meta that is no number": ("UPDATE meta SET value = '\"x\"' WHERE key = 'duration_s'", "duration_s"),
    "a video elsewhere": ("UPDATE meta SET value = '../../etc/passwd' WHERE key = 'video'", "video"),
    "a start that is no time": ("UPDATE meta SET value = 'noon' WHERE key = 'started_utc'", "started_utc"),
    "a pass that ends before it begins": ("UPDATE passes SET t_end_s = -1 WHERE number = 1", "t_end_s"),
    "a what-if of another shape": ("INSERT INTO meta VALUES ('what_if', '{\"words\": 5}')", "what_if"),
}


@pytest.mark.parametrize(("statement", "says"), CELLS.values(), ids=CELLS.keys())
def test_a_cell_that_cannot_be_is_refused_by_name(folder, capsys, statement, says):
    change(folder, statement)

    code, line = refusal(folder, capsys)
    assert code == 3 and says in line


def test_every_column_that_may_be_unknown_may_be_unknown(folder, capsys, tmp_path):
    with sqlite3.connect(":memory:") as db:
        schema.create(db)
        free = [(t, c[1]) for t in ("frames", "passes", "warnings") for c in db.execute(f"PRAGMA table_info({t})")
                if not c[3] and not c[5] and c[1] not in ("t_start_s", "t_end_s", "t_first_s", "value", "limit_")]
    change(folder, *(f"UPDATE {table} SET {column} = NULL" for table, column in free))

    for command in (["export"], ["report"], ["compare"], ["learning", "--operator", "T7"]):
        code = main([*command, str(folder)])
        assert code in (0, 1, 3), capsys.readouterr().err


def test_a_gap_of_hours_is_read_but_not_judged_again(folder, capsys, tmp_path):
    change(folder, "UPDATE frames SET t_s = t_s + 7200 WHERE frame > 8")

    assert main(["export", str(folder), "--out", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    assert main(["rerun", str(folder), "--job", str(folder / "job.toml"), "--out", str(tmp_path / "again")]) == 3
    assert "7200" in capsys.readouterr().err.replace(".0", "")
    assert not list(tmp_path.glob("again*"))


def test_what_a_trace_cannot_say_is_seen_in_every_table():
    with sqlite3.connect(":memory:") as db:
        schema.create(db)
        db.execute("INSERT INTO marks VALUES (1, 9e999, 'molten', '', '', NULL)")

        with pytest.raises(InputError, match="marks, row 1: t_s"):
            check_cells(db, "here")


def test_altered_bytes_are_told_and_verify_names_the_file(folder, capsys):
    change(folder, "UPDATE frames SET height_mm = height_mm + 1 WHERE frame = 3")

    assert main(["export", str(folder)]) == 0
    assert "altered since it was closed: trace.sqlite" in capsys.readouterr().err
    assert main(["verify", str(folder)]) == 3 and "altered: trace.sqlite" in capsys.readouterr().out
    assert json.loads((folder / "about.json").read_text())["altered_since_closed"] == ["trace.sqlite"]
    assert "altered: trace.sqlite" in report_html(open_recording(folder))


def test_a_recording_as_it_was_closed_is_whole(folder, capsys):
    assert main(["verify", str(folder)]) == 0 and "whole: " in capsys.readouterr().out
    assert "whole: " in report_html(open_recording(folder))


def test_a_comment_does_not_make_a_recording_altered_nor_an_altered_one_whole(folder):
    save_comments(folder, [Comment(0.1, "good", made_utc="2026-01-01")])
    assert main(["verify", str(folder)]) == 0

    change(folder, "UPDATE frames SET height_mm = 1.0")
    save_comments(folder, [Comment(0.1, "better", made_utc="2026-01-01")])
    assert main(["verify", str(folder)]) == 3


def test_a_missing_file_is_told(folder, capsys):
    (folder / "camera.toml").unlink()

    assert main(["verify", str(folder)]) == 3 and "missing: camera.toml" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["trace.sqlite", "job.toml", "manifest.json", "meta.json"])
def test_every_single_flipped_bit_is_found(folder, name):
    data = bytearray((folder / name).read_bytes())
    for at in range(0, len(data), max(1, len(data) // 12)):
        data[at] ^= 1 << (at % 8)
        (folder / name).write_bytes(data)
        assert main(["verify", str(folder)]) == 3, f"bit {at % 8} of byte {at}"
        data[at] ^= 1 << (at % 8)


def test_a_trace_that_may_not_be_read_is_not_called_damaged(folder, monkeypatch):
    from pathlib import Path

    def refuse(self, *args, **options):
        raise PermissionError(13, "Permission denied", str(self))
    monkeypatch.setattr(Path, "open", refuse)

    with pytest.raises(EnvironmentFault, match=r"trace\.sqlite: cannot be read: Permission denied"), \
            open_trace_file(folder / "trace.sqlite"):
        pass


def test_one_bad_recording_stops_neither_library_nor_compare_nor_learning(folder, capsys):
    root = folder.parent
    shutil.copytree(folder, root / "bad")
    (root / "bad" / "trace.sqlite").write_bytes(b"nothing of ours" * 99)

    assert main(["library", str(root)]) == 0 and "bad: cannot be read" in capsys.readouterr().out
    assert main(["compare", str(folder), str(root / "bad")]) in (0, 1) and "left out: " in capsys.readouterr().out
    assert main(["learning", str(root), "--operator", ""]) == 0 and "left out: " in capsys.readouterr().out


def test_every_folder_is_visited_once_though_links_lead_round(folder):
    (folder.parent / "round").symlink_to(folder.parent)
    (folder.parent / "same").symlink_to(folder)

    assert len(list(recordings_under(folder.parent))) == 1


def test_two_pipes_in_place_of_traces_are_named_and_not_waited_for(folder, tmp_path, capsys):
    for name in ("x", "y"):
        (tmp_path / "among" / name).mkdir(parents=True)
        os.mkfifo(tmp_path / "among" / name / "trace.sqlite")
    shutil.copytree(folder, tmp_path / "among" / "sound")

    assert main(["compare", str(tmp_path / "among")]) in (0, 1)
    told = "".join(capsys.readouterr())

    assert all(f"left out: {tmp_path / 'among' / name}" in told for name in ("x", "y"))


def test_a_pipe_in_place_of_an_index_is_not_waited_for(folder, tmp_path, capsys):
    os.mkfifo(tmp_path / "index.sqlite")

    assert main(["library", str(folder.parent), "--cache", str(tmp_path / "index.sqlite"), "--rebuild"]) == 3
    assert "no plain file" in capsys.readouterr().err
