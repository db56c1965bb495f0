"""Which tests run which line: measured by coverage.py with a context a test, and again where test files changed."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from coverage import CoverageData

__all__ = ["CODE", "Covering", "digest"]

CODE = ("vision", "monitor")
_PART = "|"  # pytest-cov writes test|run, test|setup, test|teardown
_CONFIG = "[run]\nsource = vision,monitor\nomit = monitor/ui/*\nrelative_files = true\n"


class Covering:
    """Tests by the lines they run.

    Compiled functions run no lines; what runs when a file is imported belongs to no test. Of both nothing is known.

    Parameters
    ----------
    root : Path
        The checkout.
    kept : Path
        Folder of the measurements, used again while the code is the same; of test files that have changed since only
        those are run.
    """

    def __init__(self, root: Path, kept: Path) -> None:
        self._root, self._kept = root, kept
        kept.mkdir(parents=True, exist_ok=True)
        self._run_of = self._measured()

    def tests(self, path: Path, line: int) -> list[str]:
        """Tests that run this line: a single one by its name, a whole file where its fixtures run the line."""
        found: dict[str, None] = {}
        for run in sorted(set(self._run_of.values())):
            for context in self._contexts(run, path).get(line, []):
                test, _, part = context.rpartition(_PART)
                file = test.partition("::")[0]
                if self._run_of.get(file) == run:
                    found[test if part == "run" else file] = None
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
            p.relative_to(self._root).as_posix(): digest([p]) for p in self._root.glob("tests/**/test_*.py")}
        was = json.loads(book.read_text()) if book.exists() else {}
        runs = was["tests"] if was.get("code") == code else {}
        new = sorted(name for name, digest in now.items() if runs.get(name, [""])[0] != digest)
        if new:
            run = 1 + max((n for _, n in runs.values()), default=0)
            print(f"which test runs which line: {len(new)} test files are run once", flush=True)
            self._measure(run, new)
            runs |= {name: [now[name], run] for name in new}
            book.write_text(json.dumps({"code": code, "tests": runs}))
        return {name: runs[name][1] for name in now}

    def _measure(self, run: int, files: list[str]) -> None:
        config = self._kept / "rc"
        config.write_text(f"{_CONFIG}data_file = {self._kept / f'run{run}'}\n", encoding="utf-8")
        (self._kept / f"run{run}").unlink(missing_ok=True)
        options = ["-q", "-p", "no:cacheprovider", "--cov", f"--cov-config={config}", "--cov-context=test",
                   "--cov-report="]
        subprocess.run([sys.executable, "-m", "pytest", *options, *files], cwd=self._root, check=False,
                       stdout=subprocess.DEVNULL)


def digest(places: Iterator[Path] | list[Path]) -> str:
    """Of the Python files there."""
    whole = hashlib.sha256()
    for place in places:
        for path in [place] if place.is_file() else sorted(place.rglob("*.py")):
            whole.update(path.read_bytes())
    return whole.hexdigest()
