"""The faults that can be planted, and the tests that belong to a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutants.belonging import Imports, reaches_compiled
from tests.mutants.faults import faults_of
from tests.mutants.trial import first_failure

ROOT = Path(__file__).resolve().parents[2]


def planted(line: str) -> set[str]:
    """Every faulty form of one line inside a function."""
    source = f"def f(a, b, c):\n    {line}\n"
    return {fault.planted(source).splitlines()[1].strip() for fault in faults_of(source)}


@pytest.mark.parametrize(("line", "faulty"), [
    ("return a < b", {"return a <= b"}),
    ("return a + b * c", {"return a - b * c", "return a + b / c"}),
    ("a -= b", {"a += b"}),
    ("return -a", {"return +a"}),
    ("return a and b", {"return a or b"}),
    ("return not a", {"return  a"}),
    ("return a[1]", {"return a[2]"}),
    ("return a[1:]", {"return a[2:]"}),
    ("return range(a)", {"return range(a - 1)"}),
    ("return max(a, b)", {"return min(a, b)"}),
    ("return np.argmin(a)", {"return np.argmax(a)"}),
])
def test_every_kind_of_fault_is_planted_where_it_belongs(line, faulty):
    assert planted(line) == faulty


def test_a_guard_is_dropped_by_never_letting_it_act():
    source = "def f(a):\n    if a is None:\n        return 0\n    return 1\n"

    assert {fault.planted(source).splitlines()[1] for fault in faults_of(source)} == {"    if False:"}


@pytest.mark.parametrize("line", ['"""a < b"""', 'raise ValueError(f"{a + b}")', 'log.info("%d", a + b)', "b: int = a",
                                  '__all__ = ["x" "y"]'])
def test_words_and_types_are_left_alone(line):
    assert planted(line) == set()


def test_letters_of_more_than_one_byte_do_not_shift_a_fault():
    assert planted('return "Ω ±", a < b') == {'return "Ω ±", a <= b'}


@pytest.fixture(scope="module")
def imports():
    return Imports(ROOT)


def test_the_tests_of_a_file_are_those_that_import_it_nearest_first(imports):
    far = imports.tests(Path("monitor/judging/technique.py"))

    assert str(far[0][1]) == "tests/monitor/test_technique.py"
    assert all(path.name.startswith("test_") for _, path in far)


@pytest.mark.parametrize(("line", "may"), [(1, True), (5, True), (8, False), (11, True), (15, False)])
def test_what_compiled_code_may_hold_is_known_by_where_a_line_stands(line, may):
    source = ("LIMIT = table()\n\n\n@njit(cache=True)\ndef fast(a):\n    return a\n\n"
              "def plain(a):\n    return a\n\ndef table():\n    return 3\n\nclass Plain:\n    def method(self):\n"
              "        return 1\n")

    assert reaches_compiled(source, line) is may


def test_what_uses_compiled_code_is_known_through_every_step(imports):
    users = imports.users(Path("vision/camera/lens.py"))

    assert users[Path("vision/camera/lens.py")] == 0
    assert Path("vision/track/tracker.py") in users


@pytest.mark.parametrize(("line", "name"), [
    ("FAILED tests/a.py::test_b - assert 1 == 2 - x", "tests/a.py::test_b"),
    ("FAILED tests/a.py::test_b[a thin cable] - AssertionError", "tests/a.py::test_b[a thin cable]"),
    ("ERROR tests/a.py::test_c", "tests/a.py::test_c"),
])
def test_the_name_of_a_failed_case_is_read_whole(line, name):
    assert first_failure(f"..F\n{line}\n1 failed", 1) == name
