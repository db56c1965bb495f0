"""A good pass to follow: where its nozzle was at each moment from contact, and how far the hand is from there.

Both are counted from contact with the target, and both lie on the board of the job, wherever that was marked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from monitor.errors import InputError
from monitor.job import Job
from monitor.judging.exposure import Exposure
from vision import rigid
from vision.types import FloatArray

__all__ = ["Gap", "GuidePass", "GuidePoint", "fit_to_job", "gap_to", "guide_from", "hand_at"]

STEP_S = 0.1
BLUR_S = 0.1  # one standard deviation of the weights round each moment: less than a hand's own movements take
REACH_S = 0.3  # without a measurement for longer on either side nothing is known, as for every gap
LEAST_KNOWN = 0.5
FIT_MM = 0.5  # within so much the corners of both targets lie, else they are two
# 90 % of errors in space are shorter than so many of the worst sigma, whatever the aim's share in them; of those along
# one direction
ROOM_SIGMAS, ALONG_SIGMAS = math.sqrt(-2.0 * math.log(0.10)), 1.645


@dataclass(frozen=True)
class GuidePoint:
    """Where a nozzle was at one moment, the guide's or the hand's; nan where it was not measured.

    Attributes
    ----------
    height_mm, height_sigma_mm : float
        Of the outlet over the board's top.
    aim_mm : array, shape (2,)
        On the board, in the coordinates of the job's outlines.
    aim_sigma_mm : float
    lean : array, shape (2,)
        How far the jet runs sideways along x and y for each mm that it goes down [-].
    """

    height_mm: float
    height_sigma_mm: float
    aim_mm: FloatArray
    aim_sigma_mm: float
    lean: FloatArray

    @property
    def is_known(self) -> bool:
        """Whether it was measured."""
        return math.isfinite(self.height_mm) and bool(np.isfinite(self.aim_mm).all())

    @property
    def tip_mm(self) -> FloatArray:
        """The outlet: x and y as the aim, and the height over the board's top; shape (3,)."""
        return np.array([*(self.aim_mm - self.height_mm * self.lean), self.height_mm])


@dataclass(frozen=True)
class GuidePass:
    """One pass, as a track from contact on.

    Attributes
    ----------
    t_s : array, shape (n,)
        From contact, evenly spaced, from 0 on.
    track : array, shape (n, 7)
        height, its sigma, aim x and y, its sigma [mm], lean x and y [-]; nan where not known.
    target_mm : array, shape (m, 2)
        Outline of the target when it was made.
    bore_diameter_mm : float
    source : dict of str to str
        Which pass it was: recording, recorded_utc, pass, operator, job.
    """

    t_s: FloatArray
    track: FloatArray
    target_mm: FloatArray
    bore_diameter_mm: float
    source: dict[str, str]

    @property
    def duration_s(self) -> float:
        """From contact to lift-off."""
        return float(self.t_s[-1])

    @property
    def name(self) -> str:
        """For a person."""
        return f"pass {self.source.get('pass', '?')} of {self.source.get('recording', '?')}"

    def at(self, t_s: float) -> GuidePoint:
        """Where it was so long after contact; it waits at its first point before, and at its last one after."""
        i = min(max(t_s, 0.0), self.duration_s) / STEP_S
        low = min(int(i), len(self.t_s) - 1)
        high, share = min(low + 1, len(self.t_s) - 1), i - low
        row = self.track[low] if share < 1e-9 else (1 - share) * self.track[low] + share * self.track[high]
        return GuidePoint(float(row[0]), float(row[1]), row[2:4], float(row[4]), row[5:7])


@dataclass(frozen=True)
class Gap:
    """How far the hand is from the guide, in space.

    Attributes
    ----------
    distance_mm : float
        Between the two, over height and both directions on the board.
    low_mm, high_mm : float
        The true distance lies between in at least 90 % of cases.
    sigma_mm : float
        Of the distance, along it; of the worst direction where it is no longer than that.
    """

    distance_mm: float
    low_mm: float
    high_mm: float
    sigma_mm: float


def guide_from(t_s: FloatArray, measured: FloatArray, duration_s: float) -> tuple[FloatArray, FloatArray]:
    """The even track of a pass from its frames.

    Parameters
    ----------
    t_s : array, shape (n,)
        Times of the frames from contact, rising.
    measured : array, shape (n, 7)
        Columns as in `GuidePass.track`; nan where the frame did not measure.
    duration_s : float

    Returns
    -------
    t_s, track : array
        As in `GuidePass`; the sigma is that of a frame, since most of it is common to neighbouring frames.

    Raises
    ------
    InputError
        When less than half of the pass is known.
    """
    at: FloatArray = STEP_S * np.arange(math.floor(duration_s / STEP_S + 1e-9) + 1, dtype=float)
    known = np.isfinite(measured).all(axis=1)
    track = np.full((len(at), measured.shape[1]), math.nan)
    t, rows = t_s[known], measured[known]
    for i, moment in enumerate(at):
        near = np.abs(t - moment) <= REACH_S
        if near.any() and (t[near] <= moment + 0.5 * STEP_S).any() and (t[near] >= moment - 0.5 * STEP_S).any():
            weights = np.exp(-0.5 * ((t[near] - moment) / BLUR_S) ** 2)
            track[i] = weights @ rows[near] / weights.sum()
    share = float(np.isfinite(track[:, 0]).mean())
    if share < LEAST_KNOWN:
        raise InputError(f"the nozzle was measured in only {100 * share:.0f} % of this pass; take one that is seen")
    return at, track


def fit_to_job(guide: GuidePass, job: Job) -> GuidePass:
    """The guide on the job's target, wherever on the mat that was marked this time.

    Raises
    ------
    InputError
        When the target is another one.
    """
    here, there = np.array(job.target.outline_mm), guide.target_mm
    if here.shape != there.shape:
        raise InputError(_other(guide, job))
    turn, shift = rigid.aligned(there, here)
    if np.abs(there @ turn.T + shift - here).max() > FIT_MM:
        raise InputError(_other(guide, job))
    track = guide.track.copy()
    track[:, 2:4] = track[:, 2:4] @ turn.T + shift
    track[:, 5:7] = track[:, 5:7] @ turn.T
    return replace(guide, track=track, target_mm=here)


def hand_at(now: Exposure) -> GuidePoint:
    """Where the hand holds the nozzle; not known where this frame did not measure it. Its lean is not told."""
    height_mm = now.height_mm if now.observed else math.nan
    return GuidePoint(height_mm, now.height_sigma_mm, now.aim_board_mm, now.aim_sigma_mm, np.full(2, math.nan))


def gap_to(point: GuidePoint, hand: GuidePoint) -> Gap | None:
    """How far the hand is from a point of the guide; None where either is not measured.

    Notes
    -----
    Errors of guide and hand are taken as independent; where both rest on the same calibration they share some, and the
    true spread is smaller. A leaning nozzle's aim moves with its height, so their errors are taken to go together in
    the worst way. Noise makes a distance longer rather than shorter, so its lower end reaches further.
    """
    if not (point.is_known and hand.is_known):
        return None
    apart = np.array([*(hand.aim_mm - point.aim_mm), hand.height_mm - point.height_mm])
    aim, height = (math.hypot(a, b) for a, b in ((point.aim_sigma_mm, hand.aim_sigma_mm),
                                                 (point.height_sigma_mm, hand.height_sigma_mm)))
    if not math.isfinite(aim + height):
        return None
    distance, worst = float(np.linalg.norm(apart)), math.hypot(aim, height)
    along = (aim * float(np.linalg.norm(apart[:2])) + height * abs(float(apart[2]))) / max(distance, 1e-9)
    sigma = along if distance > worst else worst
    return Gap(distance, max(0.0, distance - ROOM_SIGMAS * worst), distance + ALONG_SIGMAS * worst, sigma)


def _other(guide: GuidePass, job: Job) -> str:
    sizes = [" x ".join(f"{side:.1f}" for side in np.ptp(np.array(corners), axis=0))
             for corners in (guide.target_mm, job.target.outline_mm)]
    return (f"the guide ({guide.name}) was led over another target: {sizes[0]} mm, {job.target.name} is {sizes[1]} mm "
            "with other corners; take a pass of this job")
