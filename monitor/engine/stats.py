"""What a live session cost: latencies, drops, processor and memory, as one JSON object."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import numpy as np

from monitor.files import write_text_whole

__all__ = ["Delays", "Load", "write_stats"]

MOST_KEPT = 100_000
SAMPLE_EVERY_S = 5.0
SETTLED_S = 600.0  # memory before this is start-up: caches and rings that fill


class Delays:
    """Durations in seconds and their percentiles in ms; the last so many, in memory that does not grow."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._ring = np.full(most, np.nan, np.float32)  # filled, so that its memory is there from the start
        self._n = 0

    def add(self, value_s: float) -> None:
        """Keep one."""
        self._ring[self._n % len(self._ring)] = value_s
        self._n += 1

    def percentiles_ms(self) -> dict[str, float | int | None]:
        """n, p50, p95, p99 and the longest; None without values."""
        if not self._n:
            return {"n": 0, "p50": None, "p95": None, "p99": None, "max": None}
        ms = 1e3 * self._ring[:self._n].astype(float)
        p50, p95, p99, most = (round(float(v), 2) for v in (*np.percentile(ms, [50, 95, 99]), ms.max()))
        return {"n": self._n, "p50": p50, "p95": p95, "p99": p99, "max": most}


class Load:
    """Processor time and memory of this process while it runs; call `sample` now and then."""

    def __init__(self) -> None:
        self._cpu_s, self._wall_s = time.process_time(), time.monotonic()
        self._memory: list[tuple[float, float]] = []
        self._next_s = 0.0

    def sample(self) -> None:
        """Note the memory, at most every few seconds."""
        past_s = time.monotonic() - self._wall_s
        if past_s >= self._next_s:
            self._next_s = past_s + SAMPLE_EVERY_S
            self._memory.append((past_s, resident_mb()))

    def summary(self) -> dict[str, float | None]:
        """Cores used on average, memory now and at most, and its slope after start-up [MB/h]."""
        wall_s = max(time.monotonic() - self._wall_s, 1e-9)
        memory = np.array(self._memory or [(0.0, resident_mb())])
        late = memory[memory[:, 0] >= SETTLED_S]
        slope = float(np.polyfit(late[:, 0], late[:, 1], 1)[0] * 3600) if len(late) >= 12 else None
        return {"wall_s": round(wall_s, 1), "cpu_cores": round((time.process_time() - self._cpu_s) / wall_s, 2),
                "memory_mb": round(float(memory[-1, 1]), 1), "memory_max_mb": round(float(memory[:, 1].max()), 1),
                "memory_slope_mb_h": None if slope is None else round(slope, 2),
                "memory_each_minute_mb": [round(float(np.median(memory[memory[:, 0] // 60 == m, 1])), 1)
                                          for m in np.unique(memory[:, 0] // 60)]}


def resident_mb() -> float:
    """Memory of this process that lies in RAM [MB]; the most so far where the system does not tell the present one."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    except OSError:
        try:
            import resource
        except ImportError:
            return float("nan")
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if os.uname().sysname == "Darwin" else 1e3)


def write_stats(path: Path, stats: dict) -> None:
    """Write the whole as JSON in one step."""
    write_text_whole(path, json.dumps(stats, indent=1) + "\n")
