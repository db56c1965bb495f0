"""What a running session costs: latencies, processor and memory, as one JSON object."""

from __future__ import annotations

import json
import os
import time
from collections import deque
from pathlib import Path

import numpy as np

from monitor.files import write_text_whole

__all__ = ["Delays", "Load", "write_stats"]

MOST_KEPT = 100_000
SAMPLE_EVERY_S = 5.0
MOST_MINUTES = 24 * 60
SETTLED_MIN, LEAST_MINUTES = 5, 5  # memory before is start-up: caches and rings that fill


class Delays:
    """Durations in seconds and their percentiles in ms, of the last so many; number and longest are of all."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._ring = np.full(most, np.nan, np.float32)  # filled, so that its memory is there from the start
        self._n, self._longest_s = 0, 0.0

    def add(self, value_s: float) -> None:
        """Keep one."""
        self._ring[self._n % len(self._ring)] = value_s
        self._n += 1
        self._longest_s = max(self._longest_s, value_s)

    def percentiles_ms(self) -> dict[str, float | int | None]:
        """n, p50, p95, p99 and the longest; None without values."""
        if not self._n:
            return {"n": 0, "p50": None, "p95": None, "p99": None, "max": None}
        ms = 1e3 * self._ring[:self._n].astype(float)
        p50, p95, p99 = (round(float(v), 2) for v in np.percentile(ms, [50, 95, 99]))
        return {"n": self._n, "p50": p50, "p95": p95, "p99": p99, "max": round(1e3 * self._longest_s, 2)}


class Load:
    """Processor time and memory of this process while it runs; call `sample` now and then.

    Of each minute the least memory is kept: frames on their way come and go with the load of the machine, what is never
    given back stays.
    """

    def __init__(self) -> None:
        self._cpu_s, self._wall_s = time.process_time(), time.monotonic()
        self._least_mb: deque[tuple[int, float]] = deque(maxlen=MOST_MINUTES)
        self._most_mb = self._next_s = 0.0

    def sample(self) -> None:
        """Note the memory, at most every few seconds."""
        past_s = time.monotonic() - self._wall_s
        if past_s >= self._next_s:
            self._next_s = past_s + SAMPLE_EVERY_S
            self.note(past_s, resident_mb())

    def note(self, past_s: float, memory_mb: float) -> None:
        """Take one figure of the memory in."""
        minute, least_mb = int(past_s // 60), memory_mb
        if self._least_mb and self._least_mb[-1][0] == minute:
            least_mb = min(least_mb, self._least_mb.pop()[1])
        self._least_mb.append((minute, least_mb))
        self._most_mb = max(self._most_mb, memory_mb)

    def slope_mb_h(self) -> float | None:
        """How fast the memory grows after start-up: the median slope between two minutes (Theil-Sen); None when too
        short.
        """
        late = np.array([pair for pair in self._least_mb if pair[0] >= SETTLED_MIN]).reshape(-1, 2)
        if len(late) < LEAST_MINUTES:
            return None
        earlier, later = np.triu_indices(len(late), 1)
        minutes, grown_mb = (late[later] - late[earlier]).T
        return float(np.median(grown_mb / minutes) * 60)

    def summary(self) -> dict[str, float | list[float] | None]:
        """Cores used on average, memory now and at most, its least in each minute, and its slope."""
        wall_s, slope = max(time.monotonic() - self._wall_s, 1e-9), self.slope_mb_h()
        return {"wall_s": round(wall_s, 1), "cpu_cores": round((time.process_time() - self._cpu_s) / wall_s, 2),
                "memory_mb": round(resident_mb(), 1), "memory_max_mb": round(self._most_mb, 1),
                "memory_slope_mb_h": None if slope is None else round(slope, 2),
                "memory_each_minute_mb": [round(least_mb, 1) for _, least_mb in self._least_mb]}


def resident_mb() -> float:
    """Memory of this process that lies in RAM [MB]; the most so far where the system does not tell the present one."""
    try:
        with Path("/proc/self/statm").open(encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    except OSError:
        try:
            import resource
        except ImportError:
            return float("nan")
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if os.uname().sysname == "Darwin" else 1e3)


def write_stats(path: Path, stats: dict[str, object]) -> None:
    """Write the whole as JSON in one step."""
    write_text_whole(path, json.dumps(stats, indent=1) + "\n")
