"""The fault list at its small size: nothing is lost, hangs or ends as a fault of the program."""

from pathlib import Path

import pytest

from tests.faults.__main__ import ROWS, rows

HERE = [row for row in ROWS if row.run is not None]


@pytest.mark.parametrize("row", HERE, ids=[row.number for row in HERE])
def test_nothing_is_lost(row):
    (_, words, lost), = rows(False, 20261129, {row.number})

    assert not lost, words


def test_the_list_is_whole_and_points_at_tests_that_exist():
    root = Path(__file__).parents[2]
    named = [word.strip(",;") for row in ROWS for word in row.elsewhere.split() if word.startswith("tests/")]

    assert [row.number for row in ROWS] == [f"T{i}" for i in range(1, 25)]
    assert named and all((root / name).is_file() for name in named)
