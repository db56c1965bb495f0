"""Runs tests against a faulty copy of the project, so that the checkout is never touched."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.covering import CODE, FAILED, digest

__all__ = ["Outcome", "Shadow", "first_failure"]

_COPIED = ("vision", "monitor", "tests", "calibration", "sample_video", "pyproject.toml", "README.md", "DEVELOPERS.md")
_NOISE = shutil.ignore_patterns("__pycache__", "*.egg-info", ".hypothesis")
BUDGET_S = 80.0  # processor seconds after which no new test begins
COMPILING_S = 90.0  # and so many more where compiled code has to be made anew
ENDLESS_S = 240.0  # beyond both: one test that does not end
MOST_WALL_S = 3600.0
WARMING_S = 400.0
_COMPILED = "tests/vision/test_tracker.py", "tests/vision", "tests/heat"


@dataclass(frozen=True)
class Outcome:
    """How a run of tests ended.

    Attributes
    ----------
    failed : str
        The test that failed first, or that it does not end; empty when none did.
    told : str
        pytest's last line.
    cpu_s : float
        Processor time that it took.
    """

    failed: str
    told: str
    cpu_s: float


class Shadow:
    """A copy of the checkout with its own cache of compiled code.

    Numba keeps compiled code by the file that it is called from, so a fault in one file lies hidden in what its callers
    have kept: the cache of each trial begins as that of the faultless copy, less the faulty file and everything that
    uses it. The copy is made anew each time; the cache of one that stood in this place before is used again.
    """

    def __init__(self, root: Path, place: Path) -> None:
        self.tree, self._clean, self._cache = place / "tree", place / "cache_clean", place / "cache"
        self.tree.mkdir(parents=True, exist_ok=True)
        self._clean.mkdir(exist_ok=True)
        self._sound: dict[tuple[str, bool], bool] = {}
        variables = {**os.environ, "OMP_NUM_THREADS": "1", "QT_QPA_PLATFORM": "offscreen",
                     "HYPOTHESIS_STORAGE_DIRECTORY": str(place / "hypothesis")}
        self._server = subprocess.Popen([sys.executable, "-B", "-m", "tests.mutants.server"], stdin=subprocess.PIPE,
                                        stdout=subprocess.PIPE, text=True, cwd=root, env=variables)
        for name in _COPIED:
            source = root / name
            shutil.rmtree(self.tree / name, ignore_errors=True)
            if source.is_dir():
                shutil.copytree(source, self.tree / name, ignore=_NOISE, dirs_exist_ok=True)
            else:
                shutil.copy2(source, self.tree / name)

    def close(self) -> None:
        """End the process that runs the tests."""
        self._server.stdin.close()
        self._server.wait()

    def fails_anyway(self, test: str, is_plain: bool = False) -> bool:
        """Whether a test fails without a fault too, so that its failure says nothing."""
        if (test, is_plain) not in self._sound:
            self._sound[test, is_plain] = not self._run([test], self._clean, BUDGET_S + COMPILING_S, is_plain).failed
        return not self._sound[test, is_plain]

    def warm(self) -> None:
        """Compile what the tests of the compiled code use, so that no trial pays for it; once for the same code."""
        mark, code = self._clean / "warmed", digest(self.tree / top for top in CODE)
        if not mark.exists() or mark.read_text() != code:
            self._run(list(_COMPILED), self._clean, WARMING_S)
            mark.write_text(code)

    def plain_trial(self, path: Path, source: str, tests: list[str]) -> Outcome:
        """Run tests against the copy with one file replaced, nothing being compiled."""
        with self._replaced(path, source):
            return self._run(tests, self._clean, BUDGET_S, is_plain=True)

    def trial(self, path: Path, source: str, users: set[str], tests: list[str], left_out: Sequence[str]) -> Outcome:
        """Run tests, but for some that fail anyway, against the copy with one file replaced; `users` are names of files
        whose compiled code is void.
        """
        def is_void(_: str, names: list[str]) -> list[str]:
            return [name for name in names if name.split(".")[0].split("-")[0] in users]

        shutil.rmtree(self._cache, ignore_errors=True)
        shutil.copytree(self._clean, self._cache, ignore=is_void)
        is_compiled = any("njit" in p.read_text(encoding="utf-8") for top in ("vision", "monitor")
                          for p in (self.tree / top).rglob("*.py") if p.stem in users)
        with self._replaced(path, source):
            outcome = self._run([*tests, *(f"--deselect={t}" for t in left_out)], self._cache,
                                BUDGET_S + COMPILING_S * is_compiled)
        shutil.copytree(self._cache, self._clean, ignore=is_void, dirs_exist_ok=True)
        return outcome

    @contextlib.contextmanager
    def _replaced(self, path: Path, source: str) -> Iterator[None]:
        """The copy with one file replaced, for as long as this lasts."""
        target = self.tree / path
        kept, stamp = target.read_bytes(), target.stat()
        try:
            target.write_text(source, encoding="utf-8")
            yield
        finally:
            target.write_bytes(kept)
            os.utime(target, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))

    def _run(self, tests: list[str], cache: Path, budget_s: float, is_plain: bool = False) -> Outcome:
        asked = {"folder": str(self.tree), "tests": tests, "cache": str(cache), "budget_s": budget_s,
                 "most_cpu_s": budget_s + ENDLESS_S, "most_wall_s": MOST_WALL_S, "is_plain": is_plain}
        self._server.stdin.write(json.dumps(asked) + "\n")
        self._server.stdin.flush()
        answer = json.loads(self._server.stdout.readline())
        told = answer["told"].strip()
        last = told.splitlines()[-1] if told else f"exit code {answer['code']}"
        return Outcome(first_failure(told, answer["code"]), last, answer["cpu_s"])


def first_failure(told: str, code: int) -> str:
    """The test that failed first, by what pytest printed; empty when none did."""
    if code < 0:
        return "does not end"
    found = re.search(FAILED, told, re.MULTILINE)
    if found is not None:
        return found.group(1)
    if code == 4:
        raise RuntimeError(f"pytest was asked for what is not there: {told[-400:]}")
    return "" if code in (0, 2, 5) else f"exit code {code}"  # 2: the budget is spent
