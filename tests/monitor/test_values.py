"""Types of the command line: what they take, and what they say of the rest."""

import argparse

import pytest

from monitor.cli import values


@pytest.mark.parametrize(("text", "size"), [("9x6", (9, 6)), ("2X200", (2, 200)), ("12x9", (12, 9))])
def test_squares_are_read_across_and_down(text, size):
    assert values.squares(text) == size


@pytest.mark.parametrize("text", ["9", "9x", "x6", "1x6", "9x201", "9x6x2", "9x-6", "9.0x6", "\u0669x6"])
def test_other_squares_are_refused(text):
    with pytest.raises(argparse.ArgumentTypeError, match="expected two whole numbers from 2 to 200"):
        values.squares(text)


@pytest.mark.parametrize("text", ["2026-03-02", "2026-03-02T09:30"])
def test_a_moment_is_kept_as_it_was_written(text):
    assert values.moment(text) == text


def test_another_moment_is_refused():
    with pytest.raises(argparse.ArgumentTypeError, match="no date"):
        values.moment("2.3.2026")
