"""Another pass laid over one under review, both from the same contact: where it was, and how far apart they are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.job import Job
from monitor.judging.guide_pass import Gap, GuidePass, GuidePoint, fit_to_job, gap_to
from monitor.recording.reader import Recording
from vision.types import FloatArray

__all__ = ["LaidOver", "distance_words", "lay_over"]


@dataclass(frozen=True)
class LaidOver:
    """A guide over one pass of a recording.

    Attributes
    ----------
    name : str
    guide : GuidePass
        On the recording's own target.
    contact_s : float
        When the pass under review began, in its recording.
    """

    name: str
    guide: GuidePass
    contact_s: float

    def point(self, t_s: float) -> GuidePoint | None:
        """Where it was at a time of the recording under review; None before contact, after its end, where not known."""
        since_s = t_s - self.contact_s
        found = self.guide.at(since_s) if -1e-6 <= since_s <= self.guide.duration_s + 1e-6 else None
        return found if found is not None and found.is_known else None

    def gap(self, recording: Recording, i: int) -> Gap | None:
        """How far the i-th frame's hand was from it; None where either is not known."""
        f = recording.frames
        point = self.point(float(f["t_s"][i]))
        if point is None or not f["seen"][i] > 0:
            return None
        hand = GuidePoint(float(f["height_mm"][i]), float(f["height_sigma_mm"][i]),
                          np.array([f["aim_board_x_mm"][i], f["aim_board_y_mm"][i]]), float(f["aim_sigma_mm"][i]),
                          np.full(2, math.nan))
        return gap_to(point, hand)

    def distance(self, recording: Recording) -> tuple[FloatArray, FloatArray]:
        """Times [s] and distance with its 90 % interval, shape (n, 3) [mm], frame by frame; nan where not known."""
        gaps = [self.gap(recording, i) for i in range(len(recording.frames["t_s"]))]
        rows = [(math.nan,) * 3 if g is None else (g.low_mm, g.distance_mm, g.high_mm) for g in gaps]
        return recording.frames["t_s"], np.array(rows, float).reshape(-1, 3)

    def height(self) -> tuple[FloatArray, FloatArray]:
        """Its own height with its 90 % band over the recording's time; as `distance`."""
        mm, sigma = self.guide.track[:, 0], 1.645 * self.guide.track[:, 1]
        return self.contact_s + self.guide.t_s, np.stack([mm - sigma, mm, mm + sigma], -1)


def lay_over(guide: GuidePass, recording: Recording, job: Job, number: int, name: str = "") -> LaidOver:
    """Lay a guide over a pass of a recording.

    Raises
    ------
    InputError
        When it was led over another target.
    """
    own = next(p for p in recording.passes if p["number"] == number)
    return LaidOver(name or guide.name, fit_to_job(guide, job), float(own["t_start_s"]))


def distance_words(gap: Gap | None, name: str) -> str:
    """The distance in a line; empty where it is not known."""
    return "" if gap is None else (f"{gap.distance_mm:.1f} mm from {name} ({gap.low_mm:.1f} to {gap.high_mm:.1f})")
