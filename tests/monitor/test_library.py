"""The index over many recordings: found by what was done, kept up to date, and only ever a cache."""

import json
import os
import shutil
import sqlite3

import pytest

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.repeat.library import CACHE, Library, Query
from tests.compare.make import record_passes
from tests.monitor.make import JOB_TEXT

EVERYTHING = Query()


def put(root, name, started, operator="T1", title="regulator", height=15.0):
    folder = record_passes(root / name, [height], operator=operator, dwell_s=1.0, gap_s=0.5, rate_hz=15.0,
                           job_text=f'title = "{title}"\n' + JOB_TEXT)
    with sqlite3.connect(folder / "trace.sqlite") as db:
        db.execute("UPDATE meta SET value = ? WHERE key = 'started_utc'", (started,))
    return folder


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    root = tmp_path_factory.mktemp("shelf")
    put(root / "may", "one", "2026-05-04T09:00:00+00:00")
    put(root / "may", "two", "2026-05-31T23:59:00+00:00", operator="T2", title="100% copper", height=3.0)
    put(root, "three", "2026-06-01T08:00:00+00:00", operator="T1", title="100 copper")
    return root


def names(root, query=EVERYTHING):
    with Library(root) as library:
        library.refresh()
        return [entry.path for entry in library.search(query)]


def test_recordings_come_latest_first(shelf):
    assert names(shelf) == ["three", "may/two", "may/one"]


def test_a_day_lasts_to_its_end(shelf):
    assert names(shelf, Query(since="2026-05-05", until="2026-05-31")) == ["may/two"]


def test_an_operator_is_a_whole_code(shelf):
    assert names(shelf, Query(operator="T1")) == ["three", "may/one"] and names(shelf, Query(operator="T")) == []


def test_a_job_is_found_by_part_of_its_title_in_any_case(shelf):
    assert names(shelf, Query(job="REGUL")) == ["may/one"]


def test_a_per_cent_sign_is_searched_for_as_it_stands(shelf):
    assert names(shelf, Query(job="100%")) == ["may/two"]


def test_a_quote_in_a_search_is_harmless(shelf):
    assert names(shelf, Query(job="'; DROP TABLE recordings; --")) == [] and len(names(shelf)) == 3


def test_recordings_are_found_by_warning(shelf):
    assert names(shelf, Query(warning="too_close")) == names(shelf, Query(warning="any")) == ["may/two"]
    assert names(shelf, Query(warning="none")) == ["three", "may/one"]


def test_only_what_changed_is_read_again(shelf, tmp_path):
    root = shutil.copytree(shelf, tmp_path / "r", ignore=shutil.ignore_patterns(".*"))
    with Library(root) as library:
        assert library.refresh() == (3, 0, 0)
        os.utime(root / "three" / "trace.sqlite", ns=(1, 1))
        shutil.rmtree(root / "may" / "one")

        assert library.refresh() == (1, 1, 1)


def test_the_index_is_made_anew_when_it_is_damaged(shelf, tmp_path):
    root = shutil.copytree(shelf, tmp_path / "r", ignore=shutil.ignore_patterns(".*"))
    (root / CACHE).write_bytes(b"broken" * 1000)

    assert len(names(root)) == 3


def test_a_file_that_is_no_index_is_never_touched(shelf, tmp_path):
    mine = tmp_path / "letter.txt"
    mine.write_text("my letter, longer than a header " * 9)

    with pytest.raises(InputError, match="is not an index"):
        Library(shelf, mine)
    assert mine.read_text().startswith("my letter")


def test_a_recording_that_cannot_be_read_is_listed_with_its_fault(shelf, tmp_path):
    root = shutil.copytree(shelf, tmp_path / "r", ignore=shutil.ignore_patterns(".*"))
    (root / "three" / "trace.sqlite").write_bytes(b"nothing" * 99)
    with Library(root) as library:
        library.refresh()
        found = library.search(Query(faulty=True))

    assert [e.path for e in found] == ["three"] and "damaged" in found[0].fault and len(names(root)) == 3


def test_a_half_written_recording_is_left_out(shelf, tmp_path):
    root = shutil.copytree(shelf, tmp_path / "r", ignore=shutil.ignore_patterns(".*"))
    os.rename(root / "three", root / "three.part")

    assert names(root) == ["may/two", "may/one"]


def test_the_command_prints_what_fits(shelf, capsys):
    assert main(["library", str(shelf), "--operator", "T2", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)

    assert found[0]["path"] == "may/two" and found[0]["warnings"] == {"too_close": 1} and found[0]["n_passes"] == 1


@pytest.mark.parametrize(("arguments", "says"), [([], "no such folder")])
def test_faulty_use_is_told_in_one_line(tmp_path, capsys, arguments, says):
    assert main(["library", str(tmp_path / "nowhere"), *arguments]) == 3 and says in capsys.readouterr().err


def test_recordings_are_found_up_to_six_levels_down(tmp_path):
    from monitor.repeat.library import recordings_under

    for depth in (1, 6, 7):
        folder = tmp_path.joinpath(f"root{depth}", *(f"f{k}" for k in range(depth)))
        folder.mkdir(parents=True)
        (folder / "trace.sqlite").write_bytes(b"")
        found = [name for name, _ in recordings_under(tmp_path / f"root{depth}")]
        assert found == (["/".join(f"f{k}" for k in range(depth))] if depth < 7 else [])


def test_hidden_unfinished_and_replaced_folders_are_no_recordings(tmp_path):
    from monitor.repeat.library import recordings_under

    for name in ("good", ".hidden", "live.part", "before.old"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "trace.sqlite").write_bytes(b"")

    assert [name for name, _ in recordings_under(tmp_path)] == ["good"]
    assert [name for name, _ in recordings_under(tmp_path / "good")] == ["."]
