"""Leads the hand along a guide: where the guide is now, how far the hand is from it, and the tone that says so."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.job import Job
from monitor.judging.exposure import Exposure
from monitor.judging.guide_pass import ALONG_SIGMAS, Gap, GuidePass, GuidePoint, fit_to_job, gap_to, hand_at

__all__ = ["Leader", "GuideNow"]

TONE_REACH_MM = 8.0  # past the free distance the tone has risen by an octave; a choice


@dataclass(frozen=True)
class GuideNow:
    """The guide at one moment of the work.

    Attributes
    ----------
    since_contact_s : float
        nan before contact: the guide waits at its first point.
    duration_s : float
        Of the guide.
    point : GuidePoint
    gap : Gap or None
        None before contact, after the guide's end, and where either is not measured.
    is_shown : bool
        Whether the hand is led; in a pass without help it is not.
    """

    since_contact_s: float
    duration_s: float
    point: GuidePoint
    gap: Gap | None
    is_shown: bool

    @property
    def is_over(self) -> bool:
        """Whether the guide has lifted off by now."""
        return self.since_contact_s > self.duration_s


class Leader:
    """Follows one guide through the passes of a session; `step` once a frame.

    Parameters
    ----------
    guide : GuidePass
    job : Job
        A target of the same shape; the height that matters is the distance that is free of any tone.

    Raises
    ------
    InputError
        When the guide is of another target.
    """

    def __init__(self, guide: GuidePass, job: Job) -> None:
        self.guide = fit_to_job(guide, job)
        self._free_mm = job.matters.height_mm
        self._held: list[tuple[float, float, Gap | None]] = []  # of the pass: since contact, dt [s]
        self._in_pass = False

    def step(self, now: Exposure, in_pass: bool, since_contact_s: float, is_shown: bool) -> GuideNow:
        """Where the guide is in this frame, and how far the hand is from it."""
        if in_pass and not self._in_pass:
            self._held.clear()
        self._in_pass = in_pass
        if not in_pass:
            return GuideNow(math.nan, self.guide.duration_s, self.guide.at(0.0), None, is_shown)
        point = self.guide.at(since_contact_s)
        gap = gap_to(point, hand_at(now)) if since_contact_s <= self.guide.duration_s else None
        self._held.append((since_contact_s, now.dt_s, gap))
        return GuideNow(since_contact_s, self.guide.duration_s, point, gap, is_shown)

    def tone(self, guide: GuideNow) -> float:
        """Error of the tone, 0 silent to 1: it rises with the distance beyond what matters, and beyond what can be
        told; nan where there is no distance.
        """
        if guide.gap is None:
            return math.nan
        free = max(self._free_mm, ALONG_SIGMAS * guide.gap.sigma_mm)
        return min(1.0, max(0.0, guide.gap.distance_mm - free) / TONE_REACH_MM)

    def words(self, duration_s: float) -> str:
        """How the pass that has just ended, and lasted so long, was held to the guide."""
        held = [(dt_s, gap) for at_s, dt_s, gap in self._held if at_s <= min(duration_s, self.guide.duration_s)]
        known = [(dt_s, gap) for dt_s, gap in held if gap is not None]
        known_s = sum(dt_s for dt_s, _ in known)
        if not known_s > 0:
            return "distance from the guide unknown"
        mean, sigma = (sum(dt_s * getattr(gap, of) for dt_s, gap in known) / known_s
                       for of in ("distance_mm", "sigma_mm"))
        share = known_s / sum(dt_s for dt_s, _ in held)
        return (f"{mean:.1f} mm from the guide on average (± {ALONG_SIGMAS * sigma:.1f} mm), known for "
                f"{100 * share:.0f} % of it")
