"""The fault list: python -m tests.faults [--full] [--seed N] [--only T16,T2]. Ends with 1 when anything was lost.

Small by default, for every run of the suite; --full takes 1000 hostile inputs of every kind and 20 kills of every work.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.faults import checks
from tests.faults.hostile import run_kind
from tests.faults.kills import WORKS, kill_at_steps

__all__ = ["ROWS", "main", "rows"]


@dataclass(frozen=True)
class Row:
    """One fault of the list: what it is, and how it is brought about, or where else, or why not here."""

    number: str
    fault: str
    run: Callable[[Path, bool, int], tuple[str, list[str]]] | None = None
    elsewhere: str = ""


def _kills(into: Path, full: bool, seed: int) -> tuple[str, list[str]]:
    words, lost = [], []
    for name in WORKS:
        place = into / name
        place.mkdir()
        found = kill_at_steps(name, 20 if full else 2, place)
        words.append(f"{name} {found.n}")
        lost += found.lost
    return "kills: " + ", ".join(words), lost


def _hostile(*kinds: str) -> Callable[[Path, bool, int], tuple[str, list[str]]]:
    def run(into: Path, full: bool, seed: int) -> tuple[str, list[str]]:
        counts = {kind: run_kind(kind, 1000 if full else 20, seed, into) for kind in kinds}
        return "; ".join(f"{kind}: {c.sentence}" for kind, c in counts.items()), [f for c in counts.values()
                                                                                  for f in c.faults]
    return run


def _check(work: Callable[..., tuple[int, list[str]]], small: int = 0, full_n: int = 0,
           seeded: bool = False) -> Callable[[Path, bool, int], tuple[str, list[str]]]:
    def run(into: Path, full: bool, seed: int) -> tuple[str, list[str]]:
        n, lost = work(into, *([full_n if full else small] if small else []), *([seed] if seeded else []))
        return f"{n} tried", lost
    return run


ROWS = (
    Row("T1", "killed while recording",
        elsewhere="tests/engine/test_kill.py; by the hundred: tests/benchmarks/live_kill.py"),
    Row("T2", "killed while replacing, migrating, exporting, indexing, calibrating, batching", _kills),
    Row("T3", "power cut", elsewhere="by hand: a virtual machine switched off 30 times; nothing in software shows it"),
    Row("T4", "disk full at any point", _check(checks.full_disk, 2, 10)),
    Row("T5", "little room on the disk", elsewhere="tests/engine/test_bounded.py, tests/benchmarks/live_full_disk.py"),
    Row("T6", "folder that may not be read or written", _check(checks.no_rights)),
    Row("T7", "camera unplugged and back", elsewhere="tests/engine/test_capture.py"),
    Row("T8", "camera slow or in bursts", elsewhere="tests/engine/test_capture.py, tests/engine/test_mailbox.py"),
    Row("T9", "exposure, focus or place of the camera changed", elsewhere="tests/engine/test_picture_check.py"),
    Row("T10", "wall clock jumps", _check(checks.clock_jumps)),
    Row("T11", "suspended for ten minutes", _check(checks.suspended)),
    Row("T12", "eight hours", elsewhere="plumeline watch --source CLIP --minutes 60 --stats FILE.json"),
    Row("T13", "processor starved", elsewhere="tests/benchmarks/live_latency.py"),
    Row("T14", "no sound device", elsewhere="tests/engine/test_sound.py"),
    Row("T15", "malformed video", _hostile("video")),
    Row("T16", "malformed or hostile trace", _hostile("trace")),
    Row("T17", "hostile job, camera, nozzle, heat file and table",
        _hostile("job", "camera", "nozzle", "heat", "table")),
    Row("T18", "picture bombs and damaged pictures", _hostile("picture")),
    Row("T19", "hostile names and remarks",
        elsewhere="tests/monitor/test_hostile_files.py, tests/monitor/test_recording.py"),
    Row("T20", "many programs at one index", _check(checks.many_writers, 4, 20)),
    Row("T21", "old versions", _check(checks.old_versions)),
    Row("T22", "one bit flipped", _check(checks.flipped_bits, 20, 100, seeded=True)),
    Row("T23", "privacy: sockets, rights", _check(checks.privacy)),
    Row("T24", "the same twice", _check(checks.same_twice)),
)


def rows(full: bool, seed: int, only: set[str]) -> Iterator[tuple[Row, str, list[str]]]:
    """Bring the faults about, one row after the other."""
    for row in ROWS:
        if only and row.number not in only:
            continue
        if row.run is None:
            yield row, f"elsewhere: {row.elsewhere}", []
            continue
        with tempfile.TemporaryDirectory(prefix="plumeline-") as into:
            yield row, *row.run(Path(into), full, seed)


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__.split("\n")[0])
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--seed", type=int, default=None, help="default: a fresh one")
    parser.add_argument("--only", default="", help="such as T16,T2")
    args = parser.parse_args()
    seed = int.from_bytes(os.urandom(4)) if args.seed is None else args.seed
    print(f"seed {seed}")
    logging.getLogger("plumeline").addHandler(logging.NullHandler())  # the table is what is printed
    n_lost, began_s = 0, time.monotonic()
    for row, words, lost in rows(args.full, seed, set(filter(None, args.only.split(",")))):
        print(f"{row.number:4} {row.fault}: {words}; lost {len(lost)}", flush=True)
        for line in lost:
            print(f"       {line}", flush=True)
        n_lost += len(lost)
    print(f"{n_lost} lost or at fault, after {time.monotonic() - began_s:.0f} s")
    return int(n_lost > 0)


if __name__ == "__main__":
    sys.exit(main())
