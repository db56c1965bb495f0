"""The live heat estimate: steps the chain under each measured input and puts a band on every number."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from monitor.heat import jet
from monitor.heat.calibration import Calibration
from monitor.heat.chain import Blow, Chain, Fineness, Sites
from monitor.heat.limits import SILICON_RISK_C, TARGET_MARGIN_K, melt_wanted, neighbour_melts_c, site_limits
from monitor.heat.melt import Lesson, MeltLearner, MeltSight
from monitor.heat.outlook import Outlook
from monitor.heat.types import Band, HeatInput, HeatReading, HeatSetup, JointState
from monitor.heat.uncertainty import PARAMETERS, Knowledge, band, draw_scores, parameters, prior

__all__ = ["SITES", "HeatEstimator", "joined", "joint_state", "member_blow"]

FloatArray = NDArray[np.float64]

SITES = ("package top", "joint centre", "joint corner", "board top", "underside")
N_MEMBERS = 33
# Frames are joined until they make about a step, four at 30 a second: beside a step for every frame that puts joints
# off by 0.6 % of their rise at most, faces under a jet that sweeps at 1.5 Hz by 2 %. While joints rise quickly, as a
# small part's do at first, three. What is missing is passed in longer ones.
STEP_S, QUICK_STEP_S, QUICK_K_S, LONGEST_STEP_S = 4 / 30, 0.1, 10.0, 0.25
UNSEEN_STEP_S = 0.5  # what becomes of a nozzle that is not seen mostly shows within this; practice, no source
COLDEST_KEPT = 20  # steps for which the coldest joint is remembered: a sight is told a moment later
HOLD_S = 3.0  # the coldest joint's lower bound must stay above its mark this long
UNDERCOOLING_K = 30.0  # tin stays liquid 10 to 30 K and more below its solidus when it cools; handbook, from memory
# "Surely solid" needs this many half-widths of the 90 % band between the estimate and the solidus: 3 sigma. See
# tests/benchmarks/heat_bands.py for how often it is wrong.
SOLID_REACH = 1.8
STILL_K_S = 0.15  # joints that rise more slowly than this gain nothing worth waiting for
HEIGHT_REACH = 1.25  # a thermocouple run speaks for heights up to a quarter beyond its own; a choice
SHARES = np.array([0.05, 0.95])  # of members, that a band of 90 % leaves beside it
RAMP_S = 1.0  # time constant of the smoothed ramps: a sweep's swing is evened out, a real rise is not
FORGET_S = 0.7  # how fast an unseen nozzle stops being where it was; practice, no source
_LEAST_HEIGHT_SIGMA_M, _LEAST_AIM_SIGMA_M, _UNKNOWN_SIGMA_M = 0.5e-3, 0.5e-3, 5e-3
_HEIGHT, _AIM_X, _AIM_Y = range(3)
_STAYED, _LEFT, _TO_REGION = 0, 1, 2  # what an unseen nozzle may do; one more for every region it may go to


class HeatEstimator:
    """Heat into the part and its surroundings while a nozzle moves, each number with a 90 % band.

    Parameters
    ----------
    setup : HeatSetup
    calibration : Calibration or None
        A thermocouple run's result; used when it was made for this kind of board, nozzle and airflow.
    n_members : int
        Members that carry the spread, odd; the first is the estimate itself.

    Raises
    ------
    InputError
        If the setup cannot be modelled; the text names what and why.
    """

    def __init__(self, setup: HeatSetup, calibration: Calibration | None = None, *, n_members: int = N_MEMBERS,
                 fineness: Fineness | None = None) -> None:
        self.setup = setup
        self.knowledge = _knowledge(setup, calibration)
        self._n_members, self._regions_m = n_members, _centres(setup)
        scores = draw_scores(len(PARAMETERS) + 3, n_members)
        scores = np.pad(scores, ((0, 0), (0, _TO_REGION + len(self._regions_m))))
        root = np.linalg.cholesky(self.knowledge.cov + 1e-12 * np.eye(len(PARAMETERS)))
        self._input_scores = scores[len(PARAMETERS):]
        self.scores = self.knowledge.mean[:, None] + root @ scores[:len(PARAMETERS)]
        self.chain = Chain(setup, parameters(self.scores), fineness)
        self.learner = MeltLearner(self.scores, self._input_scores, n_members)
        self._coldest: deque[tuple[float, FloatArray]] = deque(maxlen=COLDEST_KEPT)
        self.limits, self.melt = site_limits(setup), melt_wanted(setup.part)
        self._neighbour_melts_c = neighbour_melts_c(setup)
        self._last: HeatInput | None = None
        self._unseen_s = self._held_s = 0.0
        self._wet_s = math.inf  # since the joints may last have been molten; inf once they are surely solid again
        self._liquid_s = np.zeros(self.chain.n_members)
        self._before = self._named(self.chain.sites())
        self._start = {name: float(values[0]) for name, values in self._before.items()}
        self._ceiling_c = self._hottest_start_c()
        limited = ("package top", "board top", "underside", *(n.name for n in setup.neighbours))
        self._outlook = Outlook(self.chain, self.learner.told, {name: self.limits[name].value_c for name in limited},
                                self.melt.mark_c, self._is_solid)
        self._may_look = True
        self._waiting: list[HeatInput] = []
        self._reading: HeatReading  # of the last step; the first input always makes one
        self._kind: tuple[object, ...] | None = None
        self._rates: dict[str, FloatArray] = {}
        self._range_flags: tuple[str, ...] = ()

    def step(self, inp: HeatInput) -> HeatReading:
        """Take an input in and read the estimate.

        Inputs of one kind are joined until they make a step; until then the last reading stands.
        """
        is_new_kind = _kind(inp) != self._kind
        if is_new_kind and self._waiting:
            self._take(joined(self._waiting), has_left=not (inp.on or self._waiting[0].observed))
            self._waiting = []
        self._unseen_s = 0.0 if inp.observed else self._unseen_s + inp.dt_s
        if inp.observed and _meets_board(inp):
            self._last = inp
        self._kind = _kind(inp)
        self._waiting.append(inp)
        if not is_new_kind and sum(i.dt_s for i in self._waiting) + 0.5 * inp.dt_s < self._step_s:
            if self._may_look:  # a picture that brings no step has time for one
                self._outlook.go_on()
                self._may_look = False
            return replace(self._reading, t_s=inp.t_s, observed=inp.observed)
        group, self._waiting = self._waiting, []
        self._reading = self._take(joined(group))
        return self._reading

    @property
    def _step_s(self) -> float:
        """How long the next step is to be."""
        if self._unseen_s > 0:
            return UNSEEN_STEP_S
        return QUICK_STEP_S if abs(self._reading.ramp_k_s.mid) > QUICK_K_S else STEP_S

    def _take(self, inp: HeatInput, has_left: bool = False) -> HeatReading:
        """Advance to inp.t_s and read the estimate; whether an unseen nozzle has since been seen to have left."""
        blow = self._blow(inp, has_left)
        self._advance(blow, inp.dt_s)
        sites = self.chain.sites()
        self._note_range(blow)
        raw = self._named(sites)
        self._coldest.append((inp.t_s, raw["joint corner"].copy()))
        named = {name: self.learner.told(values) for name, values in raw.items()}
        temps = self._bands(named)
        ramp = self._ramps(raw, inp.dt_s)
        state, reason = self._joint(temps, inp.dt_s)
        self._liquid_s += inp.dt_s * (named["joint centre"] > self.chain.alloy.liquidus_c)
        self._foresee(blow, inp.dt_s)
        ahead = self._outlook
        power, energy = (self._regions(self.learner.told(v)) for v in (self.chain.power_w(), self.chain.energy_j))
        return HeatReading(inp.t_s, inp.observed, power, energy, temps, ramp, float(self._liquid_s[0]),
                           ahead.limit_in_s, state, reason, self._flags(temps),
                           {name: self._band(self.learner.told(rate)) for name, rate in self._rates.items()},
                           self._liquid_band(), self._molten(), ahead.solid_in_s, ahead.melt_in_s)

    def see(self, sight: MeltSight) -> Lesson | None:
        """Learn from a melt that was seen, or not seen, a moment ago; None before the first step."""
        if not self._coldest:
            return None
        t_s, coldest = min(self._coldest, key=lambda kept: abs(kept[0] - sight.t_s))
        first_s, first = self._coldest[0]
        slope = float((coldest[0] - first[0]) / (t_s - first_s)) if t_s > first_s else 0.0
        form_k = self.knowledge.form_share * abs(float(coldest[0]) - self.chain.start_c)
        return self.learner.see(sight, coldest, slope, self.chain.alloy.liquidus_c, form_k)

    def forget(self, sight: MeltSight) -> None:
        """Unlearn a sight that was taken back."""
        self.learner.forget(sight)

    def field(self, step_m: float = 1e-3) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Board-top temperature for a map: x centres, y centres in the bench frame [m], (ny, nx) [C], nan off the
        board.
        """
        chain, model = self.chain, self.chain.model
        lows, highs = zip(*((e[0], e[-1]) for e in (model.x_edges_m, model.y_edges_m)), strict=True)
        c, s = math.cos(chain.angle_rad), math.sin(chain.angle_rad)
        corners = np.array([(c * x - s * y, s * x + c * y) for x in (lows[0], highs[0]) for y in (lows[1], highs[1])])
        corners += np.array(chain.origin_m)
        x, y = (np.arange(corners[:, a].min() + step_m / 2, corners[:, a].max(), step_m) for a in (0, 1))
        gx, gy = chain.to_grid(*np.meshgrid(x, y))
        from scipy.interpolate import RegularGridInterpolator  # slow to load: not before a map is asked for

        read = RegularGridInterpolator((model.y_m, model.x_m), model.board_top_c()[..., 0], bounds_error=False,
                                       fill_value=None)
        temp = read(np.stack([np.clip(gy, model.y_m[0], model.y_m[-1]), np.clip(gx, model.x_m[0], model.x_m[-1])], -1))
        outside = (gx < lows[0]) | (gx > highs[0]) | (gy < lows[1]) | (gy > highs[1])
        return x, y, np.where(outside, np.nan, temp)

    def _blow(self, inp: HeatInput, has_left: bool) -> Blow | None:
        """The jet of every member: the measured one with each member's own error; None when there is none."""
        seen = inp if inp.observed else self._last
        if seen is None or not inp.on or not _meets_board(seen):
            return None
        blow = member_blow(seen, self.setup, self._input_scores)
        aim, duty = self._unseen(np.array([blow.aim_x_m, blow.aim_y_m]), has_left)
        return blow._replace(aim_x_m=aim[0], aim_y_m=aim[1], duty=duty)

    def _unseen(self, aim_m: FloatArray, has_left: bool) -> tuple[FloatArray, FloatArray | float]:
        """Aim and share of the jet of every member while the nozzle is not seen.

        The estimate itself takes half a jet where it was, and none once the bench was seen without it; the last
        members take what else may have happened: it stayed, it left, or it went to one of the regions. The band must
        reach all of them.
        """
        if self._unseen_s == 0:
            return aim_m, 1.0
        gone = -math.expm1(-self._unseen_s / FORGET_S)
        duty = np.full(aim_m.shape[1], 0.0 if has_left else 1 - 0.5 * gone)
        first = self._n_members
        duty[first + _STAYED], duty[first + _LEFT], duty[first + _TO_REGION:] = 1.0, 1 - gone, 1.0
        aim_m = aim_m.copy()
        aim_m[:, first + _TO_REGION:] += gone * (self._regions_m.T - aim_m[:, first + _TO_REGION:])
        return aim_m, duty

    def _advance(self, blow: Blow | None, dt_s: float) -> None:
        n_steps = max(1, math.ceil(dt_s / LONGEST_STEP_S))
        for _ in range(n_steps):
            self._push(blow, dt_s / n_steps)

    def _push(self, blow: Blow | None, dt_s: float) -> None:
        if blow is None or np.ravel(blow.airflow_m3_s)[0] <= 0:
            self.chain.rest(dt_s)
        else:
            self._exit = self.chain.blow(blow, dt_s)

    def _hottest_start_c(self) -> float:
        """The hottest that anything is before the jet comes: nothing can pass it and the jet."""
        given = [p.values["temp_c"] for p in self.setup.protections if "temp_c" in p.values]
        return max(self.setup.station.ambient_c, *given, *(float(v.max()) for v in self._before.values()))

    def _named(self, sites: Sites) -> dict[str, FloatArray]:
        """Members of every site by its name."""
        return dict(zip(SITES, sites[:5], strict=True)) | dict(
            zip((n.name for n in self.setup.neighbours), sites.neighbours, strict=True))

    def _bands(self, named: dict[str, FloatArray]) -> dict[str, Band]:
        if hasattr(self, "_exit"):
            self._ceiling_c = max(self._ceiling_c, self._band(self._exit.temp_c).high)
        return {name: self._under_ceiling(self._band(t,
                                                     self.knowledge.form_share * abs(float(t[0]) - self._start[name]),
                                                     min(self._start[name], self.setup.station.ambient_c)))
                for name, t in named.items()}

    def _under_ceiling(self, b: Band) -> Band:
        """Nothing is hotter than the hottest air that has left the nozzle."""
        return Band(b.low, b.mid, max(b.mid, min(b.high, self._ceiling_c)))

    def _molten(self) -> Band:
        """Share of the solder that has melted."""
        model = self.chain.model
        s, area = model.shape, model.area_m2
        inner = area[s.ja:s.jb, s.ia:s.ib]
        share = np.einsum("ji,jim->m", inner / inner.sum(), model.work.liquid)
        return self._share_band(share)

    def _band(self, values: FloatArray, extra_sigma: float = 0.0, lowest: float = -np.inf) -> Band:
        """Band of a quantity, reaching out to whatever an unseen nozzle may have done."""
        known, unseen = values[:self._n_members], values[self._n_members:]
        plain = band(known, extra_sigma, lowest)
        down, up = min(0.0, float(unseen.min()) - plain.mid), max(0.0, float(unseen.max()) - plain.mid)
        return Band(max(plain.low + down, min(plain.mid, lowest)), plain.mid, plain.high + up)

    def _liquid_band(self) -> Band:
        """Time above liquidus; a share of the members, as it is no normal law: many have none at all."""
        return self._share_band(self._liquid_s)

    def _share_band(self, values: FloatArray) -> Band:
        """Band of a quantity by shares of its members, reaching out to whatever an unseen nozzle may have done."""
        known, unseen, mid = np.sort(values[:self._n_members]), values[self._n_members:], float(values[0])
        low, high = np.interp(SHARES * (known.size - 1), np.arange(known.size), known)
        return Band(min(float(low), mid, float(unseen.min())), mid, max(float(high), mid, float(unseen.max())))

    def _regions(self, values: FloatArray) -> dict[str, Band]:
        names = [self.setup.part.region.name, *(n.name for n in self.setup.neighbours)]
        return {name: self._band(v) for name, v in zip(names, values, strict=True)}

    def _ramps(self, named: dict[str, FloatArray], dt_s: float) -> Band:
        """The joint's rate over this step; the smoothed rates of all sites are kept beside."""
        before = self._before
        self._before = {name: values.copy() for name, values in named.items()}
        if dt_s <= 0:
            return self._band(np.full(self.chain.n_members, np.nan))
        keep = math.exp(-dt_s / RAMP_S)
        rates = {name: (values - before[name]) / dt_s for name, values in named.items()}
        self._rates = {name: keep * self._rates.get(name, 0.0) + (1 - keep) * rate for name, rate in rates.items()}
        return self._band(self.learner.told(rates["joint centre"]))

    def _joint(self, temps: dict[str, Band], dt_s: float) -> tuple[JointState, str]:
        mark = self.chain.alloy.liquidus_c + TARGET_MARGIN_K
        self._held_s = self._held_s + dt_s if temps["joint corner"].low > mark else 0.0
        molten_s = self.learner.molten_s
        if math.isfinite(molten_s) and temps["joint corner"].mid >= self.chain.alloy.solidus_c:
            return JointState.SEEN_MOLTEN, f"seen molten at {molten_s:.1f} s; try with a light nudge, never pull"
        state, why = joint_state(temps, self._freezing_c(temps, dt_s), mark, self._held_s, self.knowledge,
                                 self._doubt())
        return state, (self._stuck(temps) + why if state is JointState.CANNOT_TELL else why)

    def _doubt(self) -> str:
        """Why the bands do not hold at present, in words; nothing when they do."""
        return "the nozzle is not seen" if self._unseen_s > 0 else self._outside_heights()

    def _stuck(self, temps: dict[str, Band]) -> str:
        """In words, when the joints take in so little more that waiting will not melt them; else nothing."""
        rate, corner = self._rates.get("joint corner"), temps["joint corner"]
        if rate is None or self._unseen_s > 0 or corner.mid >= self.chain.alloy.solidus_c or corner.mid < self._start[
                "joint corner"] + 20.0:
            return ""
        change = self._band(self.learner.told(rate))
        if change.high > STILL_K_S or change.low < -STILL_K_S:
            return ""
        return f"not melting: the coldest joint hardly gains heat any more at {corner.mid:.0f} C; "

    def _freezing_c(self, temps: dict[str, Band], dt_s: float) -> float:
        """Below it the joints are solid: the solidus on the way up, less on the way down and not for a while."""
        alloy, hottest = self.chain.alloy, _hottest_joint_c(temps)
        self._wet_s = 0.0 if hottest >= alloy.solidus_c else self._wet_s + dt_s
        if self._wet_s < alloy.wet_hold_s:
            return -math.inf
        if math.isfinite(self._wet_s) and hottest >= alloy.solidus_c - UNDERCOOLING_K:
            return alloy.solidus_c - UNDERCOOLING_K
        self._wet_s = math.inf
        return alloy.solidus_c

    def _outside_heights(self) -> str:
        """In words, when the nozzle is not within the heights of the thermocouple run; else nothing."""
        tried = self.knowledge.height_range_m
        if tried is None or self._last is None:
            return ""
        low, high = tried[0] / HEIGHT_REACH, tried[1] * HEIGHT_REACH
        if low <= self._last.height_m <= high:
            return ""
        return (f"the thermocouple run was made at {tried[0] * 1e3:.0f} to {tried[1] * 1e3:.0f} mm, the nozzle is at "
                f"{self._last.height_m * 1e3:.0f} mm")

    def _foresee(self, blow: Blow | None, dt_s: float) -> None:
        """Let the outlook know what passed, and let it look on unless it just did."""
        self._outlook.pass_by(dt_s, blow, self._wet_s)
        if self._may_look:
            self._outlook.go_on()
        self._may_look = True

    def _is_solid(self, sites: Sites) -> bool:
        """Whether joints that may have been molten are surely solid at those temperatures."""
        return _hottest_joint_c(self._bands(self._named(sites))) < self.chain.alloy.solidus_c - UNDERCOOLING_K

    def _note_range(self, blow: Blow | None) -> None:
        if blow is None or not hasattr(self, "_exit"):
            self._range_flags = ()
        else:
            path = float(np.ravel(blow.height_m)[0]) / math.cos(blow.tilt_rad)
            self._range_flags = jet.range_flags(self._exit, self.setup.station.bore_m, path)

    def _flags(self, temps: dict[str, Band]) -> tuple[str, ...]:
        flags = (*self.chain.notes, *self._range_flags)
        if math.isfinite(self._wet_s) and self._wet_s > 0:
            more = "" if self._outlook.solid_in_s is None else f" for about {self._outlook.solid_in_s:.0f} s more"
            flags += ("cooling joints may stay wet" + (
                f" for up to {self.chain.alloy.wet_hold_s:.0f} s (common practice)" if self.chain.alloy.wet_hold_s else
                " below their solidus") + f": keep the board still{more}",)
        if outside := self._outside_heights():
            flags += (f"{outside}: the band may be too narrow",)
        if soft := [name for name, melts_c in self._neighbour_melts_c.items() if temps[name].mid > melts_c]:
            flags += (f"joints of {', '.join(soft)} may be molten: do not touch it",)
        if temps["package top"].high > SILICON_RISK_C:
            flags += (f"package top may pass {SILICON_RISK_C:.0f} C, where silicon is at risk (common practice)",)
        if self._last is None:
            flags += ("nozzle not seen yet: heat before the first sight is not counted",)
        elif self._unseen_s > 0:
            flags += (f"nozzle not seen for {self._unseen_s:.1f} s: the heat of that time is unknown, band widened",)
        return flags


def member_blow(inp: HeatInput, setup: HeatSetup, scores: FloatArray) -> Blow:
    """The measured jet with each member's own error of height and aim, scores shape (3, members) [-]."""
    station = setup.station
    height_sigma = _sigma(inp.height_sigma_m, _LEAST_HEIGHT_SIGMA_M)
    aim_sigma = _sigma(inp.aim_sigma_m, _LEAST_AIM_SIGMA_M)
    return Blow(
        station.setpoint_c if inp.setpoint_c is None else inp.setpoint_c,
        station.airflow_m3_s if inp.airflow_m3_s is None else inp.airflow_m3_s,
        np.maximum(inp.height_m + height_sigma * scores[_HEIGHT], 0.2e-3),
        inp.aim_m[0] + aim_sigma * scores[_AIM_X], inp.aim_m[1] + aim_sigma * scores[_AIM_Y],
        inp.tilt_rad, inp.azimuth_rad)


def joint_state(temps: dict[str, Band], solidus_c: float, mark_c: float, held_s: float, knowledge: Knowledge,
                doubt: str = "") -> tuple[JointState, str]:
    """What may be said about the joints, and why.

    Parameters
    ----------
    temps : bands of "joint centre" and "joint corner" at least.
    solidus_c, mark_c : float
        Below the first nothing is molten (lower while cooling: tin stays liquid for a while); above the second
        (liquidus and margin) all is [C].
    held_s : float
        How long the coldest joint's lower bound has been above mark_c.
    doubt : str
        Why the bands do not hold at present, in words; nothing when they do.
    """
    centre, corner = temps["joint centre"], temps["joint corner"]
    if _hottest_joint_c(temps) < solidus_c:
        return JointState.SURELY_SOLID, f"the hottest joint is below {solidus_c:.0f} C by three times its spread"
    if not knowledge.is_calibrated:
        why = f"the band is {corner.low:.0f} to {corner.high:.0f} C and {knowledge.note}"
    elif doubt:
        why = doubt
    elif corner.high < mark_c:
        why = (f"the hottest joint may be at {centre.high:.0f} C: too cold to be sure of a melt, too hot to be sure of "
               f"none"
               if centre.high < mark_c
               else f"the coldest joint comes to {corner.high:.0f} C at most, below {mark_c:.0f} C")
    elif held_s >= HOLD_S:
        return JointState.LIKELY_MOLTEN, (f"the coldest joint's lower bound has been above {mark_c:.0f} C for "
                                          f"{held_s:.0f} s; try with a light nudge, never pull")
    else:
        why = f"the coldest joint may still be at {corner.low:.0f} C, below {mark_c:.0f} C"
    return JointState.CANNOT_TELL, why + "; a part lifted while some joints are solid tears its pads"


def joined(inputs: Sequence[HeatInput]) -> HeatInput:
    """One input for several of a kind, weighted by their durations; the last one's time."""
    last = inputs[-1]
    total = sum(i.dt_s for i in inputs)
    if len(inputs) == 1 or total <= 0 or not all(_meets_board(i) for i in inputs):
        return replace(last, dt_s=total)

    def mean(values: list[float]) -> float:
        return sum(i.dt_s * v for i, v in zip(inputs, values, strict=True)) / total

    aim = mean([i.aim_m[0] for i in inputs]), mean([i.aim_m[1] for i in inputs])
    return replace(last, dt_s=total, height_m=mean([i.height_m for i in inputs]), aim_m=aim)


def _kind(inp: HeatInput) -> tuple[object, ...]:
    """Inputs that differ in this are not joined."""
    return inp.observed, inp.on, inp.setpoint_c, inp.airflow_m3_s, _meets_board(inp)


def _hottest_joint_c(temps: dict[str, Band]) -> float:
    """Highest temperature that a joint can be thought to have."""
    return max(b.mid + SOLID_REACH * (b.high - b.mid) for b in (temps["joint centre"], temps["joint corner"]))


def _knowledge(setup: HeatSetup, calibration: Calibration | None) -> Knowledge:
    if calibration is None:
        return prior()
    reason = calibration.mismatch(setup)
    if reason is None:
        return calibration.knowledge
    plain = prior()
    return Knowledge(plain.mean, plain.cov, note=f"the heat calibration does not apply: {reason}")


def _meets_board(inp: HeatInput) -> bool:
    """Whether the axis meets the board at a known place."""
    return all(math.isfinite(v) for v in (inp.height_m, *inp.aim_m, inp.tilt_rad, inp.azimuth_rad))


def _sigma(given_m: float, least_m: float) -> float:
    """A given spread, never below what a camera can do; a generous one where none is known."""
    return max(given_m, least_m) if math.isfinite(given_m) else _UNKNOWN_SIGMA_M


def _centres(setup: HeatSetup) -> FloatArray:
    """Middle of the target and of every neighbour, (regions, 2) [m]."""
    regions = (setup.part.region, *setup.neighbours)
    return np.array([np.mean(r.polygon_m, axis=0) for r in regions])
