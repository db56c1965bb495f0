"""Recordings made from invented traces, for tests and for trying the windows; no video, no vision."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from monitor.heat.estimate import HeatEstimator
from monitor.judging.exposure import heat_setup
from monitor.judging.pipeline import Judge
from monitor.recording.recorder import Origin, Recorder
from tests.monitor.make import JOB_TEXT, hover, job

__all__ = ["invented_path", "record_passes"]


def invented_path(heights_mm, dwell_s=3.0, gap_s=2.0, wander_mm=0.3, seed=0):
    """A path over the target, once for each height, with slow wander; led away between."""
    rng = np.random.default_rng(seed)
    dwells = np.broadcast_to(np.asarray(dwell_s, float), len(heights_mm))
    starts = 0.5 + np.concatenate([[0], np.cumsum(dwells + gap_s)])
    phases = rng.uniform(0, 6.28, size=(len(heights_mm), 3))

    def where(t):
        i = int(np.searchsorted(starts, t, side="right")) - 1
        if i < 0 or i >= len(heights_mm) or t - starts[i] > dwells[i]:
            return (60, 60, 60)
        s = t - starts[i]
        z = heights_mm[i] + wander_mm * sum(np.sin((k + 1) * 1.3 * s + phases[i, k]) for k in range(3))
        return (3.5 * np.sin(2.1 * s + phases[i, 0]), 3.5 * np.sin(3.3 * s), z)
    return float(starts[-1]), where


def record_passes(folder: Path, heights_mm, *, heat: bool = False, operator: str = "", rate_hz: float = 20.0,
                  job_text: str = JOB_TEXT, **path) -> Path:
    """Write one recording with a pass for each height."""
    judge = Judge(job(), HeatEstimator(heat_setup(job())) if heat else None)
    with Recorder(folder, Origin(job_text, "# camera\n", "# nozzle\n", operator=operator)) as recorder:
        for result in hover(judge, invented_path(heights_mm, **path), rate_hz=rate_hz):
            recorder.add(result)
        if (last := judge.finish()) is not None:
            recorder.add_pass(last)
        for warning in judge.alerts.standing:
            recorder.add_warning(warning)
    return folder
