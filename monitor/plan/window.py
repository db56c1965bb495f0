"""What to set for a job: the setting, when the melt is likely, when to stop, and the two chances that it works."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.heat.calibration import Calibration
from monitor.heat.estimate import SOLID_REACH, UNDERCOOLING_K
from monitor.heat.limits import Limit, Melt, melt_wanted, neighbour_melts_c, ramp_wanted_k_s, site_limits
from monitor.heat.types import Band, HeatSetup
from monitor.heat.uncertainty import band, prior
from monitor.plan.chance import Judged, chance_above, judge
from monitor.plan.chart import draw_plan
from monitor.plan.course import AIM_SIGMA_M, COARSE, HEIGHT_SIGMA_M, Course, Ensemble, Progress, Stage, run_stages
from monitor.plan.measures import Measure, best_measures
from monitor.plan.search import PlanLimits, SettingMap, search
from monitor.plan.stages import best_descent, cut, find_stages
from monitor.plan.words import cautions, plan_json, plan_table, reason

__all__ = ["CAREFUL", "OPEN", "Bound", "Plan", "PlanLimits", "Start", "draw_plan", "make_plan"]

FloatArray = NDArray[np.float64]

OPEN, CAREFUL = 0.7, 0.3  # chance of melt before any limit from which a job is open, or to be done with care
WORTH_STAGES = 0.08  # what coming down in stages must add to the chance before it is asked for
MAP_MEMBERS, START_MEMBERS = 25, 97
COOLING_STEPS_S = (1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0, 5.0, 5.0, 10.0, 10.0, 20.0, 20.0, 40.0, 40.0)


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

    def to_json(self) -> dict[str, Any]:
        """Everything but the course, as plain values; what cannot be known is None."""
        return plan_json(self)

    def table(self) -> str:
        """The plan as text."""
        return plan_table(self)


def make_plan(
    setup: HeatSetup,
    limits: PlanLimits | None = None,
    *,
    calibration: Calibration | None = None,
    progress: Progress | None = None,
) -> Plan:
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
    melt, bounds = melt_wanted(setup.part), site_limits(setup)
    ensemble = Ensemble.draw(knowledge, MAP_MEMBERS)
    settings = search(setup, limits, ensemble, melt, lambda s: told(0.45 * s))
    setpoint, stages = _setting(setup, limits, ensemble, settings, melt, lambda s: told(0.45 + 0.15 * s))
    wide = Ensemble.draw(knowledge, START_MEMBERS)
    course, notes = _run(setup, wide, setpoint, stages)
    told(0.75)
    judged = judge(course, bounds, melt)
    stop, why = _latest_stop(judged, bounds, limits)
    dwell, chance, by_stop, by_clock = _counted(judged, wide.scores, judged.spare_k[:, 0] > 0, stop)
    start = _start(setup, wide, course, setpoint, cut(stages, stop), dwell)
    ramp = ramp_wanted_k_s(setup)
    colliding = _colliding(course, judged, bounds, melt, ramp)
    too_fast = ramp is not None and start.ramp_k_s.mid > ramp
    verdict = "closed" if too_fast or chance < CAREFUL or dwell <= 0 else "open" if chance >= OPEN else "careful"
    measures = (
        ()
        if verdict == "open"
        else best_measures(setup, limits, ensemble, chance, settings.sweep_m, lambda s: told(0.75 + 0.25 * s))
    )
    told(1.0)
    seen = _melt_times(judged, (0.1, 0.5, 0.9, 0.05, 0.95))
    plan = Plan(
        setup,
        verdict,
        start if verdict != "closed" else None,
        start,
        chance,
        by_stop,
        by_clock,
        seen[:3],
        seen[3:],
        stop,
        why,
        colliding if verdict != "open" else (),
        "",
        melt,
        bounds,
        _reflow(setup, course, wide, dwell),
        measures,
        (),
        settings,
        stages,
        course,
    )
    return replace(plan, reason=reason(plan), cautions=cautions(plan, knowledge, notes))


def _setting(
    setup: HeatSetup, limits: PlanLimits, ensemble: Ensemble, settings: SettingMap, melt: Melt, told: Progress
) -> tuple[float, tuple[Stage, ...]]:
    """Setpoint and stages up to the longest pass: one stage, or several where the rise must be kept back."""
    i, j = settings.best()
    setpoint = float(settings.setpoints_c[i])
    one = (Stage(float(settings.heights_m[j]), settings.sweep_m, limits.dwell_s),)
    ramp = ramp_wanted_k_s(setup)
    if ramp is None:
        found = best_descent(setup, limits, ensemble, site_limits(setup), melt, settings.sweep_m)
        is_better = found is not None and found.chance > settings.chance[i, j] + WORTH_STAGES
        return (found.setpoint_c, found.stages) if is_better else (setpoint, one)
    quick = Ensemble(ensemble.scores[:, :1], ensemble.knowledge)
    course, _ = _run(setup, quick, setpoint, one, is_coarse=True)
    if course.ramp_k_s().max() <= ramp and settings.chance[i, j] >= OPEN:
        return setpoint, one
    found = find_stages(setup, limits, ensemble, site_limits(setup), melt, ramp, told)
    return found.setpoint_c, found.stages


def _run(
    setup: HeatSetup, ensemble: Ensemble, setpoint: float, stages: tuple[Stage, ...], is_coarse: bool = False
) -> tuple[Course, tuple[str, ...]]:
    """All members through the stages, on the grid of the live estimate."""
    chain = ensemble.chain(setup, COARSE if is_coarse else None)
    error = ensemble.scores[-3:]
    heights = [np.maximum(s.height_m + HEIGHT_SIGMA_M * error[0], 1e-3) for s in stages]
    return run_stages(chain, stages, setpoint, heights, AIM_SIGMA_M * error[1:]), chain.notes


def _counted(
    many: Judged, scores: FloatArray, kept: NDArray[np.bool_], stop_s: float
) -> tuple[float, float, float, float]:
    """The best dwell by the clock, and shares of the members: melt before any limit, by the latest stop, at that dwell.

    A plain count moves in steps, and the law of `chance_above` leans on what is not linear: the mean of both is told.
    kept: times at which the middle estimate keeps every limit; the dwell is one of them.
    """
    both = np.minimum(many.joint_k, many.spare_k)[:, 1:]
    chance = _both_ways(many.best_k, scores)
    by_stop = _both_ways(np.minimum(many.joint_k, many.spare_k)[many.times_s <= stop_s + 1e-9].max(axis=0), scores)
    if not kept.any():
        return 0.0, chance, by_stop, 0.0
    shares = (both > 0).mean(axis=1)
    merit = np.where(kept, shares + 1e-4 * np.clip(many.joint_k[:, 0], -100, 0), -np.inf)
    best = int(merit.argmax())
    return float(many.times_s[best]), chance, by_stop, float(shares[best])


def _both_ways(values: FloatArray, scores: FloatArray) -> float:
    return 0.5 * float(np.mean(values[1:] > 0) + chance_above(values, scores))


def _start(
    setup: HeatSetup, ensemble: Ensemble, course: Course, setpoint: float, stages: tuple[Stage, ...], dwell: float
) -> Start:
    begun, share = course.temp_c[0], ensemble.knowledge.form_share
    lowest = setup.station.ambient_c
    temps = {
        name: band(row, share * abs(float(row[0] - begun[n, 0])), min(lowest, float(begun[n, 0])))
        for n, (name, row) in enumerate(zip(course.names, course.at(dwell), strict=True))
    }
    until = course.times_s <= dwell + 1e-9
    ramp = band(course.ramp_k_s()[until].max(axis=0))
    last = cut(stages, dwell)[-1] if dwell > 0 else Stage(0.0, (0.0, 0.0), 0.0)
    return Start(
        setpoint,
        last.height_m,
        last.sweep_m,
        dwell,
        stages,
        temps,
        ramp,
        _solid_after(setup, ensemble, setpoint, cut(stages, dwell)) if dwell > 0 else None,
    )


def _solid_after(setup: HeatSetup, ensemble: Ensemble, setpoint: float, stages: tuple[Stage, ...]) -> float | None:
    """Time until even the upper bound of the hottest joint is as far below the solidus as tin may undercool [s]."""
    chain = ensemble.chain(setup, COARSE)
    run_stages(chain, stages, setpoint)
    passed, solid_c = 0.0, chain.alloy.solidus_c - UNDERCOOLING_K
    for step_s in (0.0, *COOLING_STEPS_S):
        chain.rest(step_s or 1e-3)
        passed += step_s
        hottest = chain.model.joint_c().max(axis=(0, 1))
        b = band(hottest)
        if b.mid + SOLID_REACH * (b.high - b.mid) < solid_c:
            return max(passed, chain.alloy.wet_hold_s)
    return None


def _melt_times(judged: Judged, shares: tuple[float, ...]) -> tuple[float, ...]:
    """Quantiles of the time of melt over the members that melt, as a lognormal law; nan when hardly any do."""
    times = judged.melt_s[1:][np.isfinite(judged.melt_s[1:])]
    if times.size < 3:
        return tuple(float("nan") for _ in shares)
    return tuple(float(np.quantile(times, share, method="median_unbiased")) for share in shares)


def _latest_stop(judged: Judged, bounds: dict[str, Limit], limits: PlanLimits) -> tuple[float, str]:
    """When the middle estimate passes its first limit, and which; the longest pass when it passes none."""
    if np.isfinite(judged.limit_s[0]):
        at = int(np.searchsorted(judged.times_s, judged.limit_s[0] - 1e-9))
        name = list(bounds)[int(judged.site[min(at, judged.times_s.size - 1), 0])]
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
    name = list(bounds)[int(judged.site[k, 0])]
    reached = float(course.of(name)[: k + 1, 0].max())
    return joints, Bound(name, bounds[name].value_c, reached, "C", bounds[name].source)


def _reflow(setup: HeatSetup, course: Course, ensemble: Ensemble, dwell: float) -> dict[str, float]:
    """Chance that each neighbour's own joints melt by the end of the dwell."""
    now = dict(zip(course.names, course.at(dwell), strict=True))
    return {
        name: float(chance_above(now[name] - melts_c, ensemble.scores))
        for name, melts_c in neighbour_melts_c(setup).items()
    }
