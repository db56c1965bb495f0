"""What a plan is: the setting to begin with, its chances, and what stands against it."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.heat.limits import Limit, Melt
from monitor.heat.types import Band, HeatSetup
from monitor.plan.course import Course, Stage
from monitor.plan.measures import Measure
from monitor.plan.search import SettingMap

__all__ = ["Bound", "Plan", "Start"]


@dataclass(frozen=True)
class Start:
    """One setting and what the middle estimate and its members do with it.

    Attributes
    ----------
    sweep_m : semi-axes of the sweep along the part's sides [m].
    dwell_s : the dwell that is best when it is fixed beforehand, within every limit by the middle estimate [s].
    stages : height, sweep and seconds of each stage, up to the latest stop.
    temp_c : band of every site at the end of the dwell.
    ramp_k_s : fastest rise of the joint, mean over two seconds, with its band [K/s].
    solid_after_s : time from the jet's leaving until the joints are surely solid; None beyond the look-ahead [s].
    """

    setpoint_c: float
    height_m: float
    sweep_m: tuple[float, float]
    dwell_s: float
    stages: tuple[Stage, ...]
    temp_c: dict[str, Band]
    ramp_k_s: Band
    solid_after_s: float | None


@dataclass(frozen=True)
class Bound:
    """One of the two constraints that collide: the site, what it may or must reach, and what it comes to [C or K/s]."""

    site: str
    wanted: float
    comes_to: float
    unit: str
    why: str


@dataclass(frozen=True)
class Plan:
    """A plan; `start` is None when it is closed, `closest` is what comes nearest without passing a limit.

    Attributes
    ----------
    verdict : "open", "careful" or "closed".
    chance_stop_on_melt : that the melt comes, with its hold, before any limit, at this setting.
    chance_by_latest_stop : the same by the latest stop.
    chance_by_clock : that the start's dwell, fixed beforehand, hits it.
    melt_seen_s : 10, 50 and 90 % of the time at which the melt can be seen, of the members that melt; nan when none do.
    melt_band_s : 5 and 95 % of the same.
    passes : the stages up to the longest pass, which the chances are of.
    latest_stop_s, latest_stop_why : stop then whatever is seen, and what would pass its limit.
    """

    setup: HeatSetup
    verdict: str
    start: Start | None
    closest: Start
    chance_stop_on_melt: float
    chance_by_latest_stop: float
    chance_by_clock: float
    melt_seen_s: tuple[float, float, float]
    melt_band_s: tuple[float, float]
    latest_stop_s: float
    latest_stop_why: str
    colliding: tuple[Bound, ...]
    reason: str
    melt: Melt
    limits: dict[str, Limit]
    reflow: dict[str, float]
    measures: tuple[Measure, ...]
    cautions: tuple[str, ...]
    settings: SettingMap
    passes: tuple[Stage, ...]
    course: Course

    @property
    def is_open(self) -> bool:
        """Whether there is a start at all."""
        return self.start is not None
