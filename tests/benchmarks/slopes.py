"""How far edges of one side lie turned, or those of a rim bowed, beside a straight one: what `CHANGE_PX` rests on.

usage: python -m tests.benchmarks.slopes CLIPS OUT [NAME ...]

OUT as tests.benchmarks.clips wrote it. In every touch photograph the nozzle is fitted at its known height, all offsets
free within what is usual; a straight line along its side is then laid through the edges of each group. Prints, by
whether it is lighter outside, the root of the mean square of what edges at a side's ends are off by, less what their
scatter explains, over all groups that are seen for half their side or more.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.benchmarks.command import command
from tests.benchmarks.scene import touch_pictures
from vision.fit.bias import DEFAULT_BIAS
from vision.fit.least_squares import CORRELATION_MM
from vision.fit.pose import Rounds, fit_pose, inside_picture, weak_prior
from vision.nozzle.silhouette import outline
from vision.track.find import find_tool

LEAST_CUTS, CUT_MM = 8, 0.8


def main(arguments: list[str]) -> int:
    """Print both."""
    clips, out = map(Path, arguments[:2])
    found: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    for folder in sorted(job.parent for job in out.glob("*/job.toml")):
        if not arguments[2:] or folder.name in arguments[2:]:
            _look_at(clips / folder.name, folder, found)
            print(folder.name, flush=True)
    for is_lighter, rows in found.items():
        slope, sigma = np.array(rows).T
        weight = 1 / (sigma**2 + np.median(slope**2))
        beyond = max(np.average(slope**2 - sigma**2, weights=weight), 0.0)
        print(f"{'lighter' if is_lighter else 'darker'} outside: {np.sqrt(beyond):.2f} px at the ends of a side, from "
              f"{len(rows)} groups")
    return 0


def _look_at(clip: Path, folder: Path, found) -> None:
    for photo, picture, plane, sought in touch_pictures(clip, folder):
        start = find_tool(sought, picture, 0.3, heights_mm=(photo.height_mm,), plane=plane, most=12)
        fit = start and fit_pose(sought.camera, sought.body, picture, start.pose, DEFAULT_BIAS,
                                 prior=replace(weak_prior(sought.body, DEFAULT_BIAS, start.pose), plane=plane),
                                 rounds=Rounds((2.0, 1.0)))
        if fit is not None:
            out = outline(sought.camera, sought.body, fit.pose, CUT_MM)
            _take(inside_picture(out, picture.known.shape), fit, found)


def _take(out, fit, found) -> None:
    """The slope of each group's edges [px at its side's ends] and its sigma."""
    if len(out.px) != len(fit.label):  # the pose's last step brought a cut into the picture, or out of it
        return
    for label in np.unique(fit.label):
        at = (fit.label == label) & fit.good
        if at.sum() < LEAST_CUTS or np.ptp(out.place[at]) < 1.0:
            continue
        place = out.place[at] - out.place[at].mean()
        slope = (place * fit.edge_px[at]).sum() / (place**2).sum()
        left = fit.edge_px[at] - fit.edge_px[at].mean() - slope * place
        alike = max(CORRELATION_MM / out.mm_per_sample[at].mean(), 1.0)  # so many cuts scatter as one
        found[bool(label % 2)].append((slope, np.sqrt(alike * (left**2).sum() / (at.sum() - 2) / (place**2).sum())))


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
