"""Which tests run which line: measured by coverage.py with a context a test, and again where test files changed."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from coverage import CoverageData

from tests.mutants.brief import VARIABLE

__all__ = ["BRIEF_S", "CODE", "FAILED", "Covering", "digest"]

CODE = ("vision", "monitor")
_PART = "|"  # pytest-cov writes test|run, test|setup, test|teardown
BRIEF_S = 2.0  # that a plain test may take
FAILED = r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$"  # as pytest prints them; names of cases may hold spaces
PLAIN = "vision", "heat"  # folders of tests that call compiled functions on little data
_CONFIG = "[run]\nsource = vision,monitor\nomit = monitor/ui/*\nrelative_files = true\n"


class Covering:
    """Tests by the lines they run.

    Compiled functions run no lines, unless they are plain; what runs when a file is imported belongs to no test.

    Parameters
    ----------
    root : Path
        The checkout.
    kept : Path
        Folder of the measurements, used again while the code is the same; of test files that have changed since only
        those are run.
    is_plain : bool
        Nothing is compiled, and only tests of `PLAIN` count that then take no longer than BRIEF_S.
    """

    def __init__(self, root: Path, kept: Path, is_plain: bool = False) -> None:
        self._root, self._kept, self._is_plain = root, kept, is_plain
        kept.mkdir(parents=True, exist_ok=True)
        self._failed: set[str] = set()
        self._run_of = self._measured()

    def tests(self, path: Path, line: int) -> list[str]:
        """Tests that run this line: a single one by its name, a whole file where its fixtures run the line."""
        found: dict[str, None] = {}
        for run in sorted(set(self._run_of.values())):
            for context in self._contexts(run, path).get(line, []):
                test, _, part = context.rpartition(_PART)
                file = test.partition("::")[0]
                if self._run_of.get(file) == run and test not in self._failed:
                    found[test if part == "run" or self._is_plain else file] = None
        return list(found)

    @cache
    def _contexts(self, run: int, path: Path) -> dict[int, list[str]]:
        return self._data(run).contexts_by_lineno(path.as_posix())

    @cache
    def _data(self, run: int) -> CoverageData:
        data = CoverageData(str(self._kept / f"run{run}"))
        data.read()
        return data

    def _measured(self) -> dict[str, int]:
        """Number of the run that holds each test file, after what is missing has been run."""
        book = self._kept / "runs.json"
        code, now = digest(self._root / top for top in CODE), {
            p.relative_to(self._root).as_posix(): digest([p]) for p in self._root.glob("tests/**/test_*.py")
            if not self._is_plain or p.parent.name in PLAIN}
        was = json.loads(book.read_text()) if book.exists() else {}
        runs = was["tests"] if was.get("code") == code else {}
        new = sorted(name for name in now if runs.get(name, [""])[0] != now[name])
        if new:
            run = 1 + max((n for _, n in runs.values()), default=0)
            how = ", nothing compiled" if self._is_plain else ""
            print(f"which test runs which line{how}: {len(new)} test files are run once", flush=True)
            failed = self._measure(run, new) + [t for t in was.get("failed", []) if t.partition("::")[0] not in new]
            runs |= {name: [now[name], run] for name in new}
            was = {"code": code, "tests": runs, "failed": failed}
            book.write_text(json.dumps(was))
        self._failed = set(was.get("failed", []))
        return {name: runs[name][1] for name in now}

    def _measure(self, run: int, files: list[str]) -> list[str]:
        """Run these files; the tests that failed."""
        config = self._kept / "rc"
        config.write_text(f"{_CONFIG}data_file = {self._kept / f'run{run}'}\n", encoding="utf-8")
        (self._kept / f"run{run}").unlink(missing_ok=True)
        options = ["-q", "-p", "no:cacheprovider", "--cov", f"--cov-config={config}", "--cov-context=test",
                   "--cov-report="]
        plain = {}
        if self._is_plain:
            plain = {"NUMBA_DISABLE_JIT": "1", "PYTEST_PLUGINS": "tests.mutants.brief", VARIABLE: str(BRIEF_S)}
        ran = subprocess.run([sys.executable, "-m", "pytest", "-rfE", "--tb=native", *options, *files], cwd=self._root,
                             check=False, stdout=subprocess.PIPE, text=True, env={**os.environ, **plain})
        return re.findall(FAILED, ran.stdout, re.MULTILINE)


def digest(places: Iterator[Path] | list[Path]) -> str:
    """Of the Python files there."""
    whole = hashlib.sha256()
    for place in places:
        for path in [place] if place.is_file() else sorted(place.rglob("*.py")):
            whole.update(path.read_bytes())
    return whole.hexdigest()
