"""Runs tests against a faulty copy of the project, so that the checkout is never touched."""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Outcome", "Shadow"]

_COPIED = ("vision", "monitor", "tests", "calibration", "sample_video", "pyproject.toml", "README.md", "DEVELOPERS.md")
_NOISE = shutil.ignore_patterns("__pycache__", "*.egg-info", ".hypothesis")
COMPILING_S = 150.0  # processor seconds that compiling anew may take beside the tests themselves
MOST_WALL_S = 900.0


@dataclass(frozen=True)
class Outcome:
    """How a run of tests ended.

    Attributes
    ----------
    passed : bool
    told : str
        The first failure, or why it ended.
    cpu_s : float
        Processor time that it took.
    """

    passed: bool
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
        for name in _COPIED:
            source = root / name
            if source.is_dir():
                shutil.copytree(source, self.tree / name, ignore=_NOISE, dirs_exist_ok=True)
            else:
                shutil.copy2(source, self.tree / name)

    def clean_run(self, tests: list[Path]) -> Outcome:
        """Run tests against the faultless copy; fills the cache."""
        return self._run(tests, self._clean, None)

    def trial(self, path: Path, source: str, users: set[str], tests: list[Path], most_cpu_s: float) -> Outcome:
        """Run tests against the copy with one file replaced; `users` are names of files whose compiled code is void."""
        target = self.tree / path
        kept, stamp = target.read_bytes(), target.stat()
        shutil.rmtree(self._cache, ignore_errors=True)
        shutil.copytree(self._clean, self._cache,
                        ignore=lambda _, names: [n for n in names if n.split(".")[0].split("-")[0] in users])
        try:
            target.write_text(source, encoding="utf-8")
            return self._run(tests, self._cache, most_cpu_s)
        finally:
            target.write_bytes(kept)
            os.utime(target, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))

    def _run(self, tests: list[Path], cache: Path, most_cpu_s: float | None) -> Outcome:
        command = [sys.executable, "-B", "-m", "pytest", "-n", "0", "-x", "-q", "--no-header", "--tb=line", "-p",
                   "no:cacheprovider", *map(str, tests)]
        variables = {**os.environ, "NUMBA_CACHE_DIR": str(cache), "OMP_NUM_THREADS": "1",
                     "QT_QPA_PLATFORM": "offscreen",
                     "PYTHONPATH": str(self.tree), "PYTHONDONTWRITEBYTECODE": "1",
                     "HYPOTHESIS_STORAGE_DIRECTORY": str(cache)}
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        child = subprocess.Popen(command, cwd=self.tree, env=variables, stdout=subprocess.PIPE,
                                 stderr=subprocess.STDOUT, text=True,
                                 start_new_session=True, preexec_fn=_limit(most_cpu_s))
        try:
            told = child.communicate(timeout=MOST_WALL_S)[0]
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, 9)
            told = child.communicate()[0] + "\nno end"
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return Outcome(child.returncode == 0, _first_failure(told, child.returncode), cpu_s)


def _limit(most_cpu_s: float | None):
    """Ends a child that computes for too long: processor time, because others may use the machine."""
    def limit() -> None:
        os.nice(5)
        if most_cpu_s is not None:
            resource.setrlimit(resource.RLIMIT_CPU, (round(most_cpu_s), round(most_cpu_s) + 5))
    return limit


def _first_failure(told: str, code: int) -> str:
    if code < 0 or told.endswith("no end"):
        return "does not end"
    found = re.search(r"^(?:FAILED|ERROR) (.*)$", told, re.MULTILINE)
    return found.group(1) if found else told.strip().splitlines()[-1] if told.strip() else f"exit code {code}"


def elapsed(since_s: float) -> str:
    """Minutes and seconds since then."""
    minutes, seconds = divmod(round(time.monotonic() - since_s), 60)
    return f"{minutes}:{seconds:02d}"
