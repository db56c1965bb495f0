"""Runs pytest again and again without loading the libraries again: loads them once, then forks for every run.

Reads one JSON object a line, the arguments of a run; answers with one (code, cpu_s, told).
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import sys
import tempfile
import time
from pathlib import Path

__all__ = ["main"]

WAIT_S = 0.05
BRIEF_S = 10.0  # of a plain test, that takes a fifth of it without a fault
LOADED = ("av", "cv2", "hypothesis", "matplotlib.figure", "numba", "pydantic", "pytest", "scipy.optimize",
          "scipy.stats", "shapely")  # what nearly every test loads, and no code of the project


def main() -> None:
    """Serve until the input ends."""
    _load()
    for line in sys.stdin:
        print(json.dumps(_run(**json.loads(line))), flush=True)


def _load() -> None:
    for name in LOADED:
        importlib.import_module(name)
    sys.dont_write_bytecode = True


def _run(folder: str, tests: list[str], cache: str, budget_s: float, most_cpu_s: float,
         most_wall_s: float, is_plain: bool) -> dict[str, object]:
    with tempfile.TemporaryFile("w+") as told:
        pid = os.fork()
        if pid == 0:
            os._exit(_child(told.fileno(), folder, tests, cache, budget_s, most_cpu_s, is_plain))
        deadline_s = time.monotonic() + most_wall_s
        while (ended := os.wait4(pid, os.WNOHANG))[0] == 0:
            if time.monotonic() > deadline_s:
                os.kill(pid, 9)
                deadline_s += most_wall_s
            time.sleep(WAIT_S)
        _, status, used = ended
        told.seek(0)
        return {"code": os.waitstatus_to_exitcode(status), "cpu_s": used.ru_utime + used.ru_stime, "told": told.read()}


def _child(told: int, folder: str, tests: list[str], cache: str, budget_s: float, most_cpu_s: float,
           is_plain: bool) -> int:
    os.dup2(told, 1)
    os.dup2(told, 2)
    os.chdir(folder)
    resource.setrlimit(resource.RLIMIT_CPU, (round(most_cpu_s), round(most_cpu_s) + 5))
    sys.path[:] = [folder, *(p for p in sys.path if not (Path(p) / "monitor").is_dir())]
    for name in [n for n in sys.modules if n.partition(".")[0] in ("tests", "monitor", "vision")]:
        del sys.modules[name]
    os.environ["MUTANTS_BUDGET_S"], os.environ["MUTANTS_BRIEF_S"] = str(budget_s), str(BRIEF_S)
    from numba.core import config

    config.CACHE_DIR, config.DISABLE_JIT = cache, is_plain
    import pytest

    sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
    plugins = ["-p", "no:cacheprovider", "-p", "tests.mutants.budget"] + ["-p", "tests.mutants.brief"] * is_plain
    code = int(pytest.main(["-n", "0", "-x", "-q", "--no-header", "--tb=line", *plugins, *tests]))
    sys.stdout.flush()
    sys.stderr.flush()
    return code


if __name__ == "__main__":
    main()
