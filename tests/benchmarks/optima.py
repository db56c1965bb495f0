"""How often a fit that starts near a tool ends in another place than the tool's own, by what it says of itself: what
`vision.track.evidence.log_odds_right` rests on.

usage: python -m tests.benchmarks.optima CLIPS OUT [NAME ...]

OUT as tests.benchmarks.clips wrote it. In every touch photograph the tool is looked for as the tracker follows it, from
some places around where it stands, and the height that is found is held against the known one. Prints how many fits
ended elsewhere by their log-likelihood ratio, the logistic regression of that, and how far away they ended.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from statsmodels.api import GLM, add_constant
from statsmodels.genmod.families import Binomial

from tests.benchmarks.command import command
from tests.benchmarks.scene import touch_pictures
from vision.fit.pose import Rounds, fit_pose, weak_prior
from vision.nozzle.silhouette import moved_pose
from vision.track.evidence import log_likelihood_ratio
from vision.track.find import find_tool
from vision.track.following import Follower, NozzleModel
from vision.types import BenchPose

SPREAD = 5.0, 0.06, 0.1  # of tip [mm], direction and roll [rad], about as a travelling tool is foretold
SIZES = 0.5, 1.0, 2.0  # times that
STARTS = 20  # of each size
BINS = -2.0, 0.0, 2.0, 4.0, 6.0, 9.0, 13.0, 20.1
ELSEWHERE_MM = 4.0  # to the side


def main(arguments: list[str]) -> int:
    """Print the table."""
    clips, out = map(Path, arguments[:2])
    rows = np.concatenate([_rows(clips / folder.name, folder) for folder in sorted(
        job.parent for job in out.glob("*/job.toml")) if not arguments[2:] or folder.name in arguments[2:]])
    ratio, off_mm, sigma_mm, aside_mm, turned_rad = rows.T
    elsewhere = (np.abs(off_mm) > 3 * np.hypot(sigma_mm, 0.7)) | (aside_mm > ELSEWHERE_MM)
    for lowest, highest in pairwise(BINS):
        here = (ratio >= lowest) & (ratio < highest)
        print(f"log ratio {lowest:5.1f} to {highest:5.1f}: {here.sum():4d} fits, "
              f"elsewhere {elsewhere[here].mean():.3f}")
    told = ratio >= BINS[0]
    model = GLM(~elsewhere[told], add_constant(ratio[told]), family=Binomial()).fit()
    print("log odds of the right place: {:.2f} + {:.2f} x log ratio".format(*model.params)
          + " (sigmas {:.2f}, {:.2f})".format(*model.bse))
    away = elsewhere & told
    print(f"of {away.sum()} elsewhere, rms: {np.sqrt(np.mean(off_mm[away] ** 2)):.1f} mm in height, "
          f"{np.sqrt(np.mean(aside_mm[away] ** 2)):.1f} mm aside, {np.sqrt(np.mean(turned_rad[away] ** 2)):.3f} rad")
    return 0


def _rows(clip: Path, folder: Path) -> np.ndarray:
    """Of each fit: log-likelihood ratio, error of the height [mm], its sigma, distance to the side [mm], turn [rad]."""
    rng, rows = np.random.default_rng(3), []
    for photo, picture, plane, sought in touch_pictures(clip, folder):
        start = find_tool(sought, picture, 0.3, heights_mm=(photo.height_mm,), plane=plane, most=12)
        known = start and fit_pose(
            sought.camera, sought.body, picture, start.pose, sought.bias, rounds=Rounds((2.5, 1.0)),
            prior=replace(weak_prior(sought.body, sought.bias, start.pose), plane=plane))
        if known is None:
            continue
        follower = Follower(sought.camera, NozzleModel(sought.body, sought.bias), sought.board_top_mm)
        seen = follower.begin(known, picture, BenchPose(0.0, sought.cam_from_bench, np.zeros((6, 6)), 0, 0.0), (), 5.0,
                              0.0)
        up = sought.cam_from_bench[:3, 2]
        for size in np.repeat(SIZES, STARTS):
            spread = size * np.array(SPREAD)
            expected = moved_pose(known.pose, np.repeat(spread, (3, 2, 1)) * rng.normal(size=6))
            prior = weak_prior(sought.body, sought.bias, expected, *spread)
            fit, _ = follower._fit_from(seen, picture, prior, expected, allows_smoke=False)
            if fit is not None:
                away_mm = fit.pose.tip_mm - known.pose.tip_mm
                off_mm = float(up @ away_mm)
                rows.append((log_likelihood_ratio(sought.body, fit), off_mm, np.sqrt(up @ fit.cov[:3, :3] @ up),
                             np.linalg.norm(away_mm - off_mm * up),
                             np.arccos(min(fit.pose.axis @ known.pose.axis, 1.0))))
    print(clip.name, len(rows), "fits", flush=True)
    return np.array(rows).reshape(-1, 5)


if __name__ == "__main__":
    sys.exit(command(main, __doc__, 2))
