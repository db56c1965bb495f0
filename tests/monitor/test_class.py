"""A class of invented codes on one page."""

import csv
import datetime
import re
import sqlite3

import numpy as np
import pytest

from monitor.cli.main import main
from monitor.repeat.class_page import class_html
from monitor.repeat.classroom import NOTHING, as_rows, class_of
from monitor.repeat.library import CACHE, Library

START = datetime.datetime(2026, 3, 2, 9, tzinfo=datetime.UTC)


def fill(root, n_codes=20, n_passes=100, seed=1):
    """An index of invented codes: odd codes lose their height, even ones sweep too little; K03 gets better."""
    with Library(root) as library:
        db, rng = library._db, np.random.default_rng(seed)
        db.execute("BEGIN")
        for c in range(n_codes):
            for i in range(n_passes // 5):
                path, code = f"K{c:02d}/rec{i:02d}", f"K{c:02d}"
                started = START + datetime.timedelta(days=i // 2, hours=i % 2)
                db.execute("INSERT INTO recordings (path, stamp, started_utc, operator, title, target, alloy, fault, "
                           "warned) "
                           "VALUES (?, '', ?, ?, 'regulator', 'U7', 'SAC305', '', ?)",
                           (path, started.isoformat(), code, '{"too_far": 1}' if i % 3 == 0 else "{}"))
                for k in range(5):
                    inside = min(1.0, 0.5 + 0.025 * i) if c == 3 else float(rng.uniform(0.5, 0.85) if c % 2
                                                                            else rng.uniform(0.92, 1))
                    faults = ("height " if inside < 0.9 else "") + ("sweep" if c % 2 == 0 and c else "")
                    db.execute("INSERT INTO passes VALUES (?, ?, ?, ?, 0, ?, ?)",
                               (path, k + 1, 20.0 * k, inside, int(k == 4), faults))
        db.execute("COMMIT")


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    root = tmp_path_factory.mktemp("class")
    fill(root)
    with Library(root) as library:
        return root, {t.operator: t for t in class_of(library)}


def test_every_code_is_there_in_order_of_code(room):
    assert list(room[1]) == [f"K{c:02d}" for c in range(20)]


def test_the_one_thing_to_practise_is_what_most_of_the_latest_probes_lack(room):
    assert room[1]["K01"].practise == "hold the height between its limits"
    assert room[1]["K01"].because == "8 of the latest 8"
    assert room[1]["K02"].practise == "sweep the whole target"
    assert (room[1]["K00"].practise, room[1]["K00"].because) == (NOTHING, "no fault in 8")


def test_a_code_that_gets_better_is_said_to_and_one_that_does_not_is_not(room):
    assert room[1]["K03"].progress == "better" and room[1]["K00"].progress == "no sure change"


def test_a_class_in_which_nobody_changes_is_rarely_told_of_a_change():
    # 5 % a class at most: more than 3 of 20 classes come with a chance of 2 %
    from monitor.repeat.classroom import CLASS_CHANCE, _progress
    from monitor.repeat.library import IndexedPass

    rng = np.random.default_rng(2)
    told = [any(_progress([IndexedPass("", i, "", START, v, False, True, (), {})
                           for i, v in enumerate(rng.uniform(0.5, 1, 12))],
                          CLASS_CHANCE / 20) != "no sure change" for _ in range(20)) for _ in range(20)]

    assert sum(told) <= 3


def test_warnings_are_those_of_the_last_day_and_of_the_one_before(room):
    # recordings 18 and 19 of the last day: 18 was warned; 16 and 17 of the day before: none
    assert room[1]["K05"].warned == {"too_far": 1} and room[1]["K05"].warned_before == {}


def test_few_probes_are_too_few_to_tell(tmp_path):
    fill(tmp_path, 1, 10)
    with Library(tmp_path) as library:
        assert class_of(library)[0].progress == "4 more probes to tell"


def test_the_page_names_every_code_and_holds_nothing_from_elsewhere(room):
    page = class_html(list(room[1].values()), "Spring class")

    assert all(f"<b>{code}</b>" in page for code in room[1]) and not re.search(r"(src|href)=", page)


def test_a_code_that_looks_like_markup_is_shown_as_text(room):
    import dataclasses

    page = class_html([dataclasses.replace(room[1]["K01"], operator="<b>x")], "t")

    assert "<b>&lt;b&gt;x</b>" in page


def test_the_table_has_one_row_a_code_with_as_many_cells_as_columns(room):
    from monitor.repeat.classroom import COLUMNS

    assert {len(row) for row in as_rows(list(room[1].values()))} == {len(COLUMNS)}


def test_the_command_writes_page_paper_and_table(room, tmp_path, capsys):
    assert main(["class", str(room[0]), "--no-refresh", "--out", str(tmp_path)]) == 0

    with (tmp_path / "class.csv").open() as handle:
        assert len(list(csv.DictReader(handle))) == 20
    paper = (tmp_path / "class.pdf").read_bytes()
    assert paper.startswith(b"%PDF") and paper.count(b"/Type /Page\n") == 1
    assert "K19: 100 passes" in capsys.readouterr().out


def test_an_index_is_filled_from_recordings(tmp_path):
    from tests.compare.make import record_passes

    record_passes(tmp_path / "a", [15.0, 30.0], operator="T1", dwell_s=1.0, gap_s=0.5, rate_hz=10.0)
    with Library(tmp_path) as library:
        library.refresh()
        passes = library.passes()

    assert [(p.operator, p.faults) for p in passes][0][0] == "T1" and (tmp_path / CACHE).is_file()
    with sqlite3.connect(tmp_path / CACHE) as db:
        assert db.execute("SELECT COUNT(*) FROM passes").fetchone()[0] == len(passes) >= 1


def test_the_latest_probes_are_drawn_from_left_to_right_and_from_none_to_all():
    from monitor.repeat.class_page import SPARK_PX, _spark

    (width, height), n = SPARK_PX, 8
    drawn = _spark([0.0, float("nan"), 1.0])
    points = re.search(r'polyline points="([^"]*)"', drawn).group(1).split()

    step = (width - 6) / (n - 1)
    assert points == [f"3.0,{height - 3:.1f}", f"{3 + 2 * step:.1f},3.0"] and drawn.count("<circle") == 2
