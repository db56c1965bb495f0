"""What to set for a job: the setting, when the melt is likely, when to stop, and the two chances that it works."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.heat.alloy import joint_alloy
from monitor.heat.calibration import Calibration
from monitor.heat.estimate import SOLID_REACH, UNDERCOOLING_K
from monitor.heat.limits import Limit, Melt, melt_wanted, neighbour_melts_c, ramp_wanted_k_s, site_limits
from monitor.heat.types import Band, HeatSetup
from monitor.heat.uncertainty import prior
from monitor.plan.chance import Judged, judge
from monitor.plan.course import COARSE, Course, Ensemble, Progress, Stage, repeated, run_stages
from monitor.plan.measures import best_measures
from monitor.plan.search import NEAR, PlanLimits, SettingMap, search
from monitor.plan.stages import best_descent, cut, find_stages
from monitor.plan.surface import Way, cool_star, coordinates, run_members
from monitor.plan.types import Bound, Plan, Start
from monitor.plan.words import cautions, reason

__all__ = ["CAREFUL", "OPEN", "make_plan"]

FloatArray = NDArray[np.float64]

OPEN, CAREFUL = 0.7, 0.3  # chance of melt before any limit from which a job is open, or to be done with care
NEARLY = 0.01  # of chance: a dwell that comes so near the best is as good, and the first of them is taken
WORTH_STAGES = 0.08  # what coming down in stages must add to the chance before it is asked for
MAP_MEMBERS, START_MEMBERS = 129, 1001
COOLING_STEPS_S = (1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 5.0, 5.0, 10.0, 10.0, 20.0, 20.0, 40.0, 40.0)


def make_plan(setup: HeatSetup, limits: PlanLimits | None = None, *, calibration: Calibration | None = None,
              progress: Progress | None = None) -> Plan:
    """Find the setting to begin with, and say how likely it works.

    Parameters
    ----------
    setup : HeatSetup
    limits : PlanLimits or None
        The ranges to search.
    calibration : Calibration or None
        Narrows the spread where it applies.
    progress : callable or None
        Told the share done, 0 to 1.

    Raises
    ------
    InputError
        If the setup cannot be modelled.
    """
    limits, told = limits or PlanLimits(), progress or (lambda share: None)
    knowledge = calibration.knowledge if calibration is not None and calibration.mismatch(setup) is None else prior()
    few = Ensemble.draw(knowledge, MAP_MEMBERS, setup)
    settings = search(setup, limits, few, lambda s: told(0.4 * s))
    way = Way(*_setting(setup, limits, few, settings, lambda s: told(0.4 + 0.2 * s)))
    plan, notes = _plan_for(setup, limits, settings, way, Ensemble.draw(knowledge, START_MEMBERS, setup))
    told(0.75)
    if plan.verdict != "open":
        rest = lambda s: told(0.75 + 0.25 * s)
        measures = best_measures(setup, limits, few, plan.chance_stop_on_melt, settings.sweep_m, rest)
        plan = replace(plan, measures=measures)
    told(1.0)
    return replace(plan, reason=reason(plan), cautions=cautions(plan, knowledge, notes))


def _plan_for(setup: HeatSetup, limits: PlanLimits, settings: SettingMap, way: Way,
              ensemble: Ensemble) -> tuple[Plan, tuple[str, ...]]:
    """The plan of a way up to the longest pass, as yet without measures and words; and the notes of its heat model."""
    melt, bounds = melt_wanted(setup.part), site_limits(setup)
    course, notes = run_members(setup, ensemble, way)
    judged = judge(course, bounds, melt)
    stop, why = _latest_stop(judged, bounds, limits)
    chances = _chances(judged, stop)
    start = _start(setup, ensemble, course, Way(way.setpoint_c, cut(way.stages, stop)), chances.dwell_s)
    verdict = _verdict(setup, start, chances)
    early, middle, late, earliest, latest = _melt_times(judged, (0.1, 0.5, 0.9, 0.05, 0.95))
    return Plan(
        setup, melt=melt, limits=bounds, settings=settings, passes=way.stages, course=course,
        verdict=verdict, start=start if verdict != "closed" else None, closest=start,
        chance_stop_on_melt=chances.stop_on_melt, chance_by_latest_stop=chances.by_stop,
        chance_by_clock=chances.by_clock, melt_seen_s=(early, middle, late), melt_band_s=(earliest, latest),
        latest_stop_s=stop, latest_stop_why=why,
        colliding=_colliding(course, judged, bounds, melt, ramp_wanted_k_s(setup)) if verdict != "open" else (),
        reflow=_reflow(setup, course, chances.dwell_s), measures=(), reason="", cautions=(),
    ), notes


class _Chances(NamedTuple):
    """A dwell by the clock, and the shares of members that melt, with the hold, before any limit.

    stop_on_melt: at any time up to the longest pass; by_stop: by the latest stop; by_clock: at that dwell.
    """

    dwell_s: float
    stop_on_melt: float
    by_stop: float
    by_clock: float


def _verdict(setup: HeatSetup, start: Start, chances: _Chances) -> str:
    """Closed where hardly any member melts in time, no dwell keeps the limits, or the joints warm too fast."""
    ramp = ramp_wanted_k_s(setup)
    if (ramp is not None and start.ramp_k_s.mid > ramp) or chances.stop_on_melt < CAREFUL or chances.dwell_s <= 0:
        return "closed"
    return "open" if chances.stop_on_melt >= OPEN else "careful"


def _setting(
    setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, settings: SettingMap, told: Progress
) -> tuple[float, tuple[Stage, ...]]:
    """Setpoint and stages up to the longest pass: one stage, or several where the rise must be kept back."""
    i, j = settings.best()
    setpoint = float(settings.setpoints_c[i])
    one = (Stage(float(settings.heights_m[j]), settings.sweep_m, limits.dwell_s),)
    ramp = ramp_wanted_k_s(setup)
    if ramp is None:
        if settings.chance[i, j] > 1.0 - WORTH_STAGES:
            return setpoint, one
        found = best_descent(setup, limits, ensemble, settings.sweep_m)
        if found is not None and found.chance > settings.chance[i, j] + WORTH_STAGES:
            return found.setpoint_c, found.stages
        return setpoint, one
    course = run_stages(repeated(setup, ensemble.middle(), COARSE, 1), one, setpoint)
    if course.ramp_k_s().max() <= ramp and settings.chance[i, j] >= OPEN:
        return setpoint, one
    slowed = find_stages(setup, limits, ensemble, ramp, told)
    return slowed.setpoint_c, slowed.stages


def _chances(many: Judged, stop_s: float) -> _Chances:
    """The chances, and the dwell by the clock.

    The dwell is the first one nearly as good as the best at which the middle estimate keeps every limit.
    """
    both, kept = np.minimum(many.joint_k, many.spare_k)[:, 1:], many.spare_k[:, 0] > 0
    chance = float((many.best_k[1:] > 0).mean())
    by_stop = float((both[many.times_s <= stop_s + 1e-9] > 0).any(axis=0).mean())
    if not kept.any():
        return _Chances(0.0, chance, by_stop, 0.0)
    shares = (both > 0).mean(axis=1)
    merit = np.where(kept, shares + 1e-4 * np.clip(many.joint_k[:, 0], -100, 0), -np.inf)
    is_told = merit.max() > NEAR  # where hardly any member gets there, the one that comes nearest
    best = int((merit >= merit.max() - NEARLY).argmax()) if is_told else int(merit.argmax())
    return _Chances(float(many.times_s[best]), chance, by_stop, float(shares[best]))


def _start(setup: HeatSetup, ensemble: Ensemble, course: Course, way: Way, dwell: float) -> Start:
    """The start at its dwell; way: up to the latest stop."""
    begun = Way(way.setpoint_c, cut(way.stages, dwell))
    last = begun.stages[-1] if dwell > 0 else Stage(0.0, (0.0, 0.0), 0.0)
    until = course.times_s <= dwell + 1e-9
    return Start(
        way.setpoint_c,
        last.height_m,
        last.sweep_m,
        dwell,
        way.stages,
        {name: _band(row) for name, row in zip(course.names, course.at(dwell), strict=True)},
        _band(course.ramp_k_s()[until].max(axis=0)),
        _solid_after(setup, ensemble, begun) if dwell > 0 else None,
    )


def _band(members: FloatArray) -> Band:
    """The middle between the 5 and 95 % of its members."""
    low, high = np.quantile(members[1:], [0.05, 0.95])
    return Band(min(float(low), float(members[0])), float(members[0]), max(float(high), float(members[0])))


def _solid_after(setup: HeatSetup, ensemble: Ensemble, way: Way) -> float | None:
    """Time until even the upper bound of the hottest joint is as far below the solidus as tin may undercool [s]."""
    surface = cool_star(setup, ensemble, way, COARSE, COOLING_STEPS_S)
    (at,) = coordinates(setup, ensemble, [surface], way.setpoint_c, way.stages)
    cooling = ensemble.with_form(surface.course(surface.log_rise(at)), setup.station.ambient_c)
    alloy = joint_alloy(setup.part.alloy, setup.part.alloy_before)
    for passed, hottest in zip(cooling.times_s, cooling.temp_c[:, 0], strict=True):
        b = _band(hottest)
        if b.mid + SOLID_REACH * (b.high - b.mid) < alloy.solidus_c - UNDERCOOLING_K:
            return max(float(passed), alloy.wet_hold_s)
    return None


def _melt_times(judged: Judged, shares: tuple[float, ...]) -> tuple[float, ...]:
    """Quantiles of the time of melt over the members that melt, median unbiased; nan when hardly any do."""
    times = judged.melt_s[1:][np.isfinite(judged.melt_s[1:])]
    if times.size < 3:
        return tuple(float("nan") for _ in shares)
    return tuple(float(np.quantile(times, share, method="median_unbiased")) for share in shares)


def _latest_stop(judged: Judged, bounds: dict[str, Limit], limits: PlanLimits) -> tuple[float, str]:
    """When the middle estimate passes its first limit, and which; the longest pass when it passes none."""
    if np.isfinite(judged.limit_s[0]):
        at = int(np.searchsorted(judged.times_s, judged.limit_s[0] - 1e-9))
        name = list(bounds)[judged.nearest(at)]
        return float(judged.limit_s[0]), f"{name} would pass its limit of {bounds[name].value_c:.0f} C"
    return limits.dwell_s, "that is the longest pass the job allows"


def _colliding(
    course: Course, judged: Judged, bounds: dict[str, Limit], melt: Melt, ramp_k_s: float | None
) -> tuple[Bound, ...]:
    """The joints and what stands against them, by the middle estimate: at the melt, or at the end."""
    done = float(judged.done_s[0])
    at = done if np.isfinite(done) else float(course.times_s[-1])
    k = min(int(np.searchsorted(course.times_s, at - 1e-9)), course.times_s.size - 1)
    corner = float(course.of("joint corner")[: k + 1, 0].max())
    joints = Bound("joint corner", melt.mark_c, corner, "C", melt.why)
    steepest = float(course.ramp_k_s()[:, 0].max())
    if ramp_k_s is not None and steepest > ramp_k_s:
        return joints, Bound("joint centre", ramp_k_s, steepest, "K/s", "fastest rise allowed")
    name = list(bounds)[judged.nearest(k)]
    reached = float(course.of(name)[: k + 1, 0].max())
    return joints, Bound(name, bounds[name].value_c, reached, "C", bounds[name].source)


def _reflow(setup: HeatSetup, course: Course, dwell: float) -> dict[str, float]:
    """Chance that each neighbour's own joints melt by the end of the dwell."""
    now = dict(zip(course.names, course.at(dwell), strict=True))
    return {name: float((now[name][1:] > melts_c).mean()) for name, melts_c in neighbour_melts_c(setup).items()}
