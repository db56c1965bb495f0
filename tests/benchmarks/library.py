"""Time of a search among many recordings.

usage: python -m tests.benchmarks.library FOLDER [N]

Makes N (default 10000) small recordings with invented jobs, codes, dates and warnings under FOLDER unless they are
there, then prints the time to index them, to look for changes, and of searches. Wall clock, one core, so let the
machine rest.
"""

from __future__ import annotations

import datetime
import shutil
import sqlite3
import statistics
import sys
import time
from pathlib import Path

import numpy as np

from monitor.repeat.library import CACHE, Library, Query
from tests.benchmarks.command import command
from tests.compare.make import record_passes
from tests.monitor.make import JOB_TEXT

QUERIES = {
    "job": Query(job="regulator 3"), "operator": Query(operator="T07"),
    "date": Query(since="2026-03-01", until="2026-03-07"), "warning": Query(warning="drift"),
    "no warning": Query(warning="none"), "everything": Query(),
    "job, operator, date, warning": Query("regulator 3", "T07", "2026-02-01", "2026-08-31", "too_far"),
}


def make(root: Path, n: int) -> None:
    """Copies of one small recording, each with its own meta data."""
    rng = np.random.default_rng(1)
    first = record_passes(root / "first", [15.0], dwell_s=0.5, gap_s=0.2, rate_hz=10.0)
    kinds, start = ("drift", "too_far", "too_close", "long_dwell"), datetime.datetime(2026, 1, 1, 8,
                                                                                      tzinfo=datetime.UTC)
    for i in range(n):
        folder = root / f"batch_{i // 250:03d}" / f"rec_{i:05d}"
        folder.mkdir(parents=True)
        shutil.copyfile(first / "trace.sqlite", folder / "trace.sqlite")
        (folder / "job.toml").write_text(f'title = "regulator {i % 40}"\n' + JOB_TEXT, encoding="utf-8")
        with sqlite3.connect(folder / "trace.sqlite", isolation_level=None) as db:
            db.execute("PRAGMA synchronous = OFF")
            db.execute("BEGIN")
            when = start + datetime.timedelta(minutes=int(i * 50))
            for key, value in (("started_utc", when.isoformat()), ("operator", f"T{rng.integers(30):02d}")):
                db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))
            for number in range(int(rng.integers(0, 4))):
                kind = kinds[int(rng.integers(4))]
                db.execute("INSERT INTO warnings (number, kind, region, priority, action, t_start_s) "
                           "VALUES (?, ?, 'U7', 'low', 'x', 0.1)", (100 + number, kind))
            db.execute("COMMIT")
    shutil.rmtree(first)


def main(arguments: list[str]) -> int:
    """Print one line a step."""
    root, n = Path(arguments[0]), int(arguments[1]) if len(arguments) > 1 else 10000
    if not root.exists():
        make(root, n)
    (root / CACHE).unlink(missing_ok=True)
    start = time.perf_counter()
    with Library(root) as library:
        read, _, _ = library.refresh()
        print(f"indexed {read} recordings in {time.perf_counter() - start:.1f} s")
        start = time.perf_counter()
        library.refresh()
        print(f"looked for changes in {time.perf_counter() - start:.3f} s")
    for name, query in QUERIES.items():
        times = []
        for _ in range(9):
            start = time.perf_counter()
            with Library(root) as library:
                found = library.search(query)
            times.append(time.perf_counter() - start)
        print(f"{name}: {len(found)} found, median {1000 * statistics.median(times):.1f} ms, worst "
              f"{1000 * max(times):.1f} ms")
    return 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 1))
