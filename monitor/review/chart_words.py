"""What the charts show, in a sentence each: for screen readers, and for who cannot see them well."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from monitor.job import Job
from monitor.recording.reader import Recording

__all__ = ["heat_words", "height_words", "joint_words", "map_words"]

JOINT, PACKAGE = "joint centre", "package top"


def height_words(recording: Recording, job: Job) -> str:
    """The height over time."""
    frames = recording.frames
    height = frames["height_mm"][frames["seen"] > 0]
    height = height[np.isfinite(height)]
    low, high = job.limits.height_mm
    if not len(height):
        return "Height against time: no height was measured."
    inside = 100 * float(np.mean((height >= low) & (height <= high)))
    n = len(recording.passes)
    return (f"Height against time: from {height.min():.0f} to {height.max():.0f} mm, half of the time below "
            f"{np.median(height):.0f} mm; {inside:.0f} % of the measured frames inside the allowed {low:g} to {high:g} "
            f"mm; "
            f"{n} pass{'es' if n != 1 else ''}.")


def heat_words(recording: Recording, job: Job) -> str:
    """The estimated temperatures and the heat into the part."""
    parts = []
    for site, name in ((JOINT, "the joints' centre"), (PACKAGE, f"the top of {job.target.name}"),
                       *((n, n) for n in job.neighbour_names)):
        peak = _peak(recording, site)
        if peak is not None:
            parts.append(f"{name} peaks at about {peak[1]:.0f} C ({peak[0]:.0f} to {peak[2]:.0f})")
    last = recording.heat[-1]["energy_j"].get(job.target.name) if recording.heat else None
    if last and last[1] is not None:
        parts.append(f"{job.target.name} takes about {last[1]:.0f} J since the start ({last[0]:.0f} to {last[2]:.0f})")
    return f"Estimated temperatures against time, with 90 % bands: {'; '.join(parts) or 'none'}."


def map_words(recording: Recording, name: str, title: str) -> str:
    """A map over the board: where it is highest, and how high."""
    found = recording.maps.get(name)
    cells = None if found is None else np.asarray(found["cells"], float)
    if found is None or cells is None or not np.isfinite(cells).any():
        return f"{title}: nothing is known."
    row, column = np.unravel_index(int(np.nanargmax(cells)), cells.shape)
    x = found["left_mm"] + (column + 0.5) * found["step_mm"]
    y = found["bottom_mm"] + (row + 0.5) * found["step_mm"]
    return f"{title}: highest, {cells[row, column]:.3g} {found['unit']}, at x {x:.0f}, y {y:.0f} mm of the bench."


def joint_words(recording: Recording, kept: dict[str, Any]) -> str:
    """The joints' centre as recorded and as it would have been."""
    then, now = _peak(recording, JOINT), _highest([row[1:] for row in kept["joint_c"]])
    if then is None or now is None:
        return "The joints' centre as recorded and with other settings."
    return (f"The joints' centre: peaks at about {then[1]:.0f} C as recorded and at about {now[1]:.0f} C "
            f"{kept['words']}, "
            "both estimated.")


def _peak(recording: Recording, site: str) -> list[float] | None:
    return _highest([row["temp_c"].get(site) for row in recording.heat])


def _highest(rows: list[Any]) -> list[float] | None:
    known = [r for r in rows if r is not None and r[1] is not None and math.isfinite(r[1])]
    return max(known, key=lambda r: r[1]) if known else None
