"""How much of the outline is found where a nozzle stands, and where it does not, by kind of edge: what
`vision.track.evidence` rests on.

usage: python -m tests.benchmarks.evidence CLIPS OUT [NAME ...]

OUT as tests.benchmarks.clips wrote it. In every touch photograph the nozzle is fitted where it stands, and so are
bodies that are not there: thicker and thinner ones, where a search finds most of them. Prints for each kind of edge
which shares of a side's cuts agree.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.benchmarks.command import command
from tests.benchmarks.scene import touch_pictures
from vision.fit.bias import group_key
from vision.fit.pose import Rounds, fit_pose
from vision.nozzle.body import NozzleBody
from vision.track.find import find_tool

SCALES = (0.6, 1.5)
BINS = np.array([0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.01])


def main(arguments: list[str]) -> int:
    """Print the shares."""
    clips, out = map(Path, arguments[:2])
    there, elsewhere = {}, {}
    for folder in sorted(job.parent for job in out.glob("*/job.toml")):
        if not arguments[2:] or folder.name in arguments[2:]:
            _look_at(clips / folder.name, folder, there, elsewhere)
            print(folder.name, flush=True)
    for name, shares in (("there", there), ("elsewhere", elsewhere)):
        for kind, values in sorted(shares.items()):
            counts = np.histogram(values, BINS)[0] / len(values)
            print(f"{name:10} {kind:7} {len(values):4d} sides, share of its cuts: " +
                  ", ".join(f"{lo:.1f}+ {100 * n:.0f} %" for lo, n in zip(BINS, counts, strict=False)))
    return 0


def _look_at(clip: Path, folder: Path, there, elsewhere) -> None:
    for photo, picture, plane, sought in touch_pictures(clip, folder):
        start = find_tool(sought, picture, 0.3, heights_mm=(photo.height_mm,), plane=plane, most=12)
        _take(sought.body, start and fit_pose(sought.camera, sought.body, picture, start.pose, sought.bias,
                                              rounds=Rounds((2.5, 1.0))), there)
        for scale in SCALES:
            other = scaled(sought.body, scale)
            _take(other, find_tool(replace(sought, body=other), picture, 0.0, most=12), elsewhere)


def scaled(body: NozzleBody, scale: float) -> NozzleBody:
    """The same body with all radii so many times as large."""
    return replace(
        body,
        frusta=tuple(
            replace(f, start_radius_mm=scale * f.start_radius_mm, end_radius_mm=scale * f.end_radius_mm)
            for f in body.frusta
        ),
    )


def _take(body: NozzleBody, fit, shares) -> None:
    if fit is None:
        return
    for side in np.unique(fit.label // 2):
        at = fit.label // 2 == side
        if at.sum() >= 4:
            shares.setdefault(group_key(body, 2 * side)[0], []).append(fit.good[at].mean())


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
