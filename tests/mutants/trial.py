"""Runs tests against a faulty copy of the project, so that the checkout is never touched."""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.budget import VARIABLE

__all__ = ["Outcome", "Shadow"]

_COPIED = ("vision", "monitor", "tests", "calibration", "sample_video", "pyproject.toml", "README.md", "DEVELOPERS.md")
_NOISE = shutil.ignore_patterns("__pycache__", "*.egg-info", ".hypothesis")
BUDGET_S = 40.0  # processor seconds after which no new test begins
COMPILING_S = 90.0  # and so many more where compiled code has to be made anew
ENDLESS_S = 240.0  # beyond both: one test that does not end
MOST_WALL_S = 3600.0


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
    uses it.
    """

    def __init__(self, root: Path, place: Path) -> None:
        self.tree, self._clean, self._cache = place / "tree", place / "cache_clean", place / "cache"
        self.tree.mkdir(parents=True, exist_ok=True)
        self._clean.mkdir(exist_ok=True)
        self._sound: dict[str, bool] = {}
        for name in _COPIED:
            source = root / name
            if source.is_dir():
                shutil.copytree(source, self.tree / name, ignore=_NOISE, dirs_exist_ok=True)
            else:
                shutil.copy2(source, self.tree / name)

    def fails_anyway(self, test: str) -> bool:
        """Whether a test fails without a fault too, so that its failure says nothing."""
        if test not in self._sound:
            self._sound[test] = not self._run([test], self._clean, BUDGET_S + COMPILING_S).failed
        return not self._sound[test]

    def trial(self, path: Path, source: str, users: set[str], tests: list[Path]) -> Outcome:
        """Run tests against the copy with one file replaced; `users` are names of files whose compiled code is void."""
        target = self.tree / path
        kept, stamp = target.read_bytes(), target.stat()

        def is_void(_: str, names: list[str]) -> list[str]:
            return [name for name in names if name.split(".")[0].split("-")[0] in users]

        shutil.rmtree(self._cache, ignore_errors=True)
        shutil.copytree(self._clean, self._cache, ignore=is_void)
        is_compiled = "njit" in source or any("njit" in p.read_text(encoding="utf-8") for p in
                                              (self.tree / "vision").glob("*.py") if p.stem in users)
        try:
            target.write_text(source, encoding="utf-8")
            return self._run([str(t) for t in tests], self._cache, BUDGET_S + COMPILING_S * is_compiled)
        finally:
            target.write_bytes(kept)
            os.utime(target, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
            shutil.copytree(self._cache, self._clean, ignore=is_void, dirs_exist_ok=True)

    def _run(self, tests: list[str], cache: Path, budget_s: float) -> Outcome:
        command = [sys.executable, "-B", "-m", "pytest", "-n", "0", "-x", "-q", "--no-header", "--tb=line",
                   "-p", "no:cacheprovider", "-p", "tests.mutants.budget", *tests]
        variables = {**os.environ, VARIABLE: str(budget_s), "NUMBA_CACHE_DIR": str(cache), "OMP_NUM_THREADS": "1",
                     "QT_QPA_PLATFORM": "offscreen", "PYTHONPATH": str(self.tree), "PYTHONDONTWRITEBYTECODE": "1",
                     "HYPOTHESIS_STORAGE_DIRECTORY": str(cache)}
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        child = subprocess.Popen(command, cwd=self.tree, env=variables, stdout=subprocess.PIPE,
                                 stderr=subprocess.STDOUT, text=True, start_new_session=True,
                                 preexec_fn=_limit(budget_s + ENDLESS_S))
        try:
            told = child.communicate(timeout=MOST_WALL_S)[0]
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, 9)
            told = child.communicate()[0]
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        last = told.strip().splitlines()[-1] if told.strip() else f"exit code {child.returncode}"
        return Outcome(_first_failure(told, child.returncode), last, cpu_s)


def _limit(most_cpu_s: float) -> Callable[[], None]:
    """Ends a child that computes for too long: processor time, because others may use the machine."""
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (round(most_cpu_s), round(most_cpu_s) + 5))
    return limit


def _first_failure(told: str, code: int) -> str:
    if code < 0:
        return "does not end"
    found = re.search(r"^(?:FAILED|ERROR) (\S+)", told, re.MULTILINE)
    if found is not None:
        return found.group(1)
    return "" if code in (0, 2, 5) else f"exit code {code}"  # 2: the budget is spent
