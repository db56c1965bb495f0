"""Tables: the same numbers in CSV and Parquet, units beside them, nothing that a spreadsheet would run."""

import csv

import pyarrow.parquet as pq
import pytest

from monitor.recording.columns import meaning_of
from monitor.recording.comments import Comment, save_comments
from monitor.recording.export import export_csv, export_parquet, unit_of
from monitor.recording.reader import open_recording
from tests.monitor.made_recording import make_recording


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    made = make_recording(tmp_path_factory.mktemp("export") / "r", duration_s=3.0)
    save_comments(made.folder, [Comment(1.0, '=HYPERLINK("http://x","y")', "@INS", made_utc="2026-01-01")])
    return open_recording(made.folder)


@pytest.mark.parametrize("table", ["track", "warnings", "passes", "comments"])
def test_parquet_holds_what_csv_holds(recording, tmp_path, table):
    export_csv(recording, tmp_path)
    export_parquet(recording, tmp_path)
    with (tmp_path / f"{table}.csv").open(newline="") as handle:
        rows = list(csv.reader(handle))
    stored = pq.read_table(tmp_path / f"{table}.parquet")

    assert stored.column_names == rows[0] and stored.num_rows == len(rows) - 1


def test_every_length_and_time_has_its_unit_beside_it(recording, tmp_path):
    export_parquet(recording, tmp_path)
    units = {f.name: f.metadata[b"unit"].decode() for f in pq.read_schema(tmp_path / "track.parquet")}

    assert (units["height_mm"], units["t_s"], units["speed_mm_s"], units["tilt_deg"]) == ("mm", "s", "mm/s", "deg")


def test_what_is_not_known_is_null_and_not_zero(tmp_path):
    made = make_recording(tmp_path / "r", lambda t: None if t > 0.5 else (0, 0, 12), 1.0)
    export_parquet(made, tmp_path)
    heights = pq.read_table(tmp_path / "track.parquet")["height_mm"]

    assert heights.null_count == 9 and heights[0].as_py() == pytest.approx(12.0)


def test_a_comment_that_is_a_formula_is_made_harmless_in_csv(recording, tmp_path):
    export_csv(recording, tmp_path)
    with (tmp_path / "comments.csv").open(newline="") as handle:
        row = next(csv.DictReader(handle))

    assert row["text"].startswith("'=") and row["author"].startswith("'@")


def test_a_table_says_what_made_it(recording, tmp_path):
    export_parquet(recording, tmp_path)

    assert b"plumeline" in pq.read_schema(tmp_path / "passes.parquet").metadata[b"program"]


def test_a_column_without_a_unit_claims_none():
    assert unit_of("reason") == "" and unit_of("made_utc") == "" and unit_of("coverage") == "-"


def test_types_are_the_same_whatever_the_data(recording, tmp_path):
    import dataclasses

    empty = dataclasses.replace(recording, passes=[], warnings=[], comments=[])
    export_parquet(recording, tmp_path / "full")
    export_parquet(empty, tmp_path / "empty")

    for table in ("passes", "warnings", "comments", "track"):
        full, none = (pq.read_schema(tmp_path / place / f"{table}.parquet") for place in ("full", "empty"))
        assert full.names == none.names and full.types == none.types


def test_every_column_has_a_unit_or_none_by_nature_and_a_meaning(recording, tmp_path):
    import csv

    export_csv(recording, tmp_path)
    with (tmp_path / "columns.csv").open() as handle:
        rows = list(csv.DictReader(handle))

    assert not [r for r in rows if not r["meaning"]]
    assert {r["unit"] for r in rows if r["column"] == "height_mm"} == {"mm"}


def test_a_column_s_spread_is_told_as_such():
    assert meaning_of("height_sigma_mm") == "outlet over the board's top, standard deviation"
