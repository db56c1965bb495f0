"""Which setpoint, height, sweep and dwell can work on a job, what binds first, and what would open a window."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.heat import material
from monitor.heat.alloy import joint_alloy
from monitor.heat.calibration import Calibration
from monitor.heat.chain import UNKNOWN_MARGIN_M, Blow, Chain, Fineness, Sites
from monitor.heat.estimate import SITES
from monitor.heat.limits import SILICON_RISK_C, TARGET_MARGIN_K, Limit, practice_words, ramp_limits_k_s, site_limits
from monitor.heat.part import part_shape
from monitor.heat.types import Band, HeatSetup, Protection
from monitor.heat.uncertainty import PARAMETERS, Knowledge, band, draw_scores, parameters, prior
from monitor.plan.chart import draw_plan

__all__ = ["Change", "Opener", "Plan", "PlanLimits", "Start", "draw_plan", "make_plan"]

FloatArray = NDArray[np.float64]
Progress = Callable[[float], None]

STEP_S = 0.25
SWEEP_PERIOD_S = 2.0
HEIGHT_SIGMA_M, AIM_SIGMA_M = 2e-3, 1.5e-3  # how well a hand holds what the plan says; practice, no source
N_MEMBERS = 33
LIVE = Fineness(part_cells=8, smallest_m=0.2e-3, coarsest_m=8e-3, neighbour_m=2.5e-3, growth=0.5, board_levels=4, package_levels=2,
                shrink=1.0)
LOSS_W_M2K = 15.0  # of each side of a hot board, convection and radiation: 15-22 by handbook formulas
DWELL_COST_K_S = 0.1  # a second saved is worth this many kelvin of margin; a choice


@dataclass(frozen=True)
class PlanLimits:
    """What the plan may choose from: ranges, longest dwell, and how far and long the joints must be above liquidus."""

    height_m: tuple[float, float] = (5e-3, 30e-3)
    setpoint_c: tuple[float, float] = (200.0, 480.0)
    dwell_s: float = 90.0
    margin_k: float = TARGET_MARGIN_K
    hold_s: float = 5.0


@dataclass(frozen=True)
class Start:
    """One setting and what it is expected to do at the end of its dwell; chances from the spread of the chain."""

    setpoint_c: float
    height_m: float
    sweep_m: float
    dwell_s: float
    temp_c: dict[str, Band]
    ramp_k_s: float
    chance_joints: float
    chance_limits: float


@dataclass(frozen=True)
class Change:
    """What one change to the start does to each site at the same dwell [K]."""

    what: str
    rise_k: dict[str, float]


@dataclass(frozen=True)
class Opener:
    """A measure tried because there is no window: whether it opens one, what binds then, and by how much [K].

    margin_k is the distance to the first limit, or from the coldest joint to its mark when binding is "heat".
    """

    what: str
    opens: bool
    margin_k: float
    binding: str


@dataclass(frozen=True)
class Plan:
    """The window over setpoint, height and sweep; arrays (setpoints, heights, sweeps).

    need_s: dwell until the coldest joint has been above its mark for the hold; nan when never.
    limit_s: dwell at which the first site reaches its limit; inf when none does.
    margin_k: smallest distance of a site to its limit at need_s; nan when need_s is.
    site_margin_k: the same for every limited site, first axis in the order of `sites`; where need_s is nan, at the end.
    reach_k: how far the coldest joint passes its mark early enough to hold there; negative where need_s is nan.
    """

    setpoints_c: FloatArray
    heights_m: FloatArray
    sweeps_m: FloatArray
    need_s: FloatArray
    limit_s: FloatArray
    margin_k: FloatArray
    site_margin_k: FloatArray
    reach_k: FloatArray
    sites: tuple[str, ...]
    limits: dict[str, Limit]
    mark_c: float
    is_open: bool
    is_sure: bool
    start: Start | None
    closest: Start
    binding: str
    reason: str
    changes: tuple[Change, ...]
    openers: tuple[Opener, ...]
    cautions: tuple[str, ...]
    history_s: FloatArray
    history: dict[str, FloatArray]

    def window(self) -> NDArray[np.bool_]:
        """Which settings work by the estimate itself, (setpoints, heights, sweeps)."""
        return np.nan_to_num(self.margin_k, nan=-1.0) > 0

    def to_json(self) -> dict:
        """Everything but the history, as plain values; what cannot be known is None."""
        starts = {name: s and asdict(s) for name, s in (("start", self.start), ("closest", self.closest))}
        grids = {name: _plain(getattr(self, name)) for name in (
            "setpoints_c", "heights_m", "sweeps_m", "need_s", "limit_s", "margin_k")}
        return {"is_open": self.is_open, "is_sure": self.is_sure, **starts, "binding": self.binding,
                "reason": self.reason, "mark_c": self.mark_c, "changes": [asdict(c) for c in self.changes],
                "openers": [asdict(o) for o in self.openers],
                "limits": {k: asdict(v) for k, v in self.limits.items()}, "cautions": list(self.cautions), **grids}

    def table(self) -> str:
        """The plan as text: start, sites against limits, what changes buy, what would open a window."""
        s = self.closest
        word = "start" if self.is_open else "closest"
        setting = f"{s.setpoint_c:.0f} C, {s.height_m * 1e3:.0f} mm high, sweep radius {s.sweep_m * 1e3:.1f} mm"
        lines = [self.reason, "", f"{word}: {setting}, {s.dwell_s:.0f} s",
                 f"{'site':<16}{'low':>6}{'mid':>6}{'high':>6}{'limit':>7}  source"]
        for name, b in s.temp_c.items():
            limit = self.limits.get(name)
            told = f"{limit.value_c:>7.0f}  {limit.source}" if limit else (
                f"{self.mark_c:>7.0f}  to be passed: liquidus and margin" if name == "joint corner" else "")
            lines.append(f"{name:<16}{b.low:>6.0f}{b.mid:>6.0f}{b.high:>6.0f}{told}")
        lines.append(f"chance that all joints pass their mark {s.chance_joints:.0%}, that every limit holds "
                     f"{s.chance_limits:.0%}")
        for change in self.changes:
            lines.append(f"{change.what}: " + ", ".join(f"{n} {k:+.0f} K" for n, k in change.rise_k.items()))
        lines += [f"{o.what}: " + (f"opens a window, {o.margin_k:.0f} K to spare" if o.opens else
                                   f"does not open one, {np.ceil(-o.margin_k):.0f} K " + (
                                       "short at the joints" if o.binding == "heat" else f"over at {o.binding}"))
                  for o in self.openers]
        return "\n".join([*lines, *self.cautions])


def make_plan(setup: HeatSetup, limits: PlanLimits | None = None, *, calibration: Calibration | None = None,
              progress: Progress | None = None) -> Plan:
    """Search the settings of a job.

    Parameters
    ----------
    setup : HeatSetup
    limits : PlanLimits or None
        The ranges to search.
    calibration : Calibration or None
        Narrows the bands where it applies.
    progress : callable or None
        Told the share done, 0 to 1.

    Raises
    ------
    InputError
        If the setup cannot be modelled.
    """
    limits, told = limits or PlanLimits(), progress or (lambda share: None)
    knowledge = _knowledge(setup, calibration)
    grid = _Grid.over(setup, limits, (9, 8, 3))
    search = _search(setup, limits, knowledge, grid, lambda s: told(0.6 * s))
    best, dwell_s = _best(search)
    start = _start(setup, knowledge, search, best, dwell_s)
    told(0.75)
    is_open = bool(search.margin_k[best] > 0)
    changes = _changes(setup, limits, knowledge, start)
    told(0.8)
    openers = _openers(setup, limits, knowledge, lambda s: told(0.8 + 0.2 * s)) if not is_open else ()
    told(1.0)
    binding, reason = _say(search, best, start, limits, setup)
    cautions = _cautions(setup, start, knowledge, search.notes)
    is_sure = is_open and all(start.temp_c[n].high < limit.value_c for n, limit in search.limits.items()) and (
        start.temp_c["joint corner"].low > search.mark_c)
    column = {name: search.history[(slice(None), i, *best)] for i, name in enumerate(search.names)}
    return Plan(grid.setpoints_c, grid.heights_m, grid.sweeps_m, search.need_s, search.limit_s, search.margin_k,
                search.site_margin_k, search.reach_k, tuple(search.limits), search.limits, search.mark_c,
                is_open, is_sure, start if is_open else None, start, binding, reason, changes, openers, cautions,
                search.times, column)


@dataclass(frozen=True)
class _Grid:
    setpoints_c: FloatArray
    heights_m: FloatArray
    sweeps_m: FloatArray

    @classmethod
    def over(cls, setup: HeatSetup, limits: PlanLimits, counts: tuple[int, int, int]) -> _Grid:
        shape = part_shape(setup.part)
        reach = 0.5 * min(shape.length_m, shape.width_m)
        return cls(np.linspace(*limits.setpoint_c, counts[0]), np.linspace(*limits.height_m, counts[1]),
                   np.linspace(0.0, 1.0, counts[2]) * max(reach, 1e-3))

    @property
    def counts(self) -> tuple[int, int, int]:
        return self.setpoints_c.size, self.heights_m.size, self.sweeps_m.size

    def flat(self) -> list[FloatArray]:
        mesh = np.meshgrid(self.setpoints_c, self.heights_m, self.sweeps_m, indexing="ij")
        return [m.ravel() for m in mesh]


@dataclass(frozen=True)
class _Search:
    """History of the joint corner and every limited site over the grid, and what follows from it."""

    grid: _Grid
    times: FloatArray
    history: FloatArray  # (times, sites, setpoints, heights, sweeps)
    names: tuple[str, ...]
    limits: dict[str, Limit]
    mark_c: float
    need_s: FloatArray
    limit_s: FloatArray
    margin_k: FloatArray
    site_margin_k: FloatArray
    reach_k: FloatArray
    notes: tuple[str, ...]


def _knowledge(setup: HeatSetup, calibration: Calibration | None) -> Knowledge:
    return calibration.knowledge if calibration is not None and calibration.mismatch(setup) is None else prior()


def _search(setup: HeatSetup, limits: PlanLimits, knowledge: Knowledge, grid: _Grid, told: Progress) -> _Search:
    setpoint, height, sweep = grid.flat()
    chain = Chain(setup, parameters(np.tile(knowledge.mean[:, None], (1, setpoint.size))), LIVE)
    times, rows = _run(chain, setpoint, height, sweep, limits.dwell_s, told)
    history = rows.reshape(*rows.shape[:2], *grid.counts)
    bounds = site_limits(setup)
    names = ("joint corner", *bounds)
    mark = chain.alloy.liquidus_c + limits.margin_k
    need, limit, margins = _judge(times, history, np.array([b.value_c for b in bounds.values()]), mark, limits.hold_s)
    margin = np.where(np.isnan(need), np.nan, margins.min(axis=0))
    reach = history[times <= max(times[-1] - limits.hold_s, 0.0), 0].max(axis=0) - mark
    return _Search(grid, times, history, names, bounds, mark, need, limit, margin, margins, reach, chain.notes)


def _run(chain: Chain, setpoint: FloatArray, height: FloatArray, sweep: FloatArray, dwell_s: float,
         told: Progress, aim_error_m: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Circle over the part's centre for the dwell; times and (times, sites, members) of the judged sites."""
    station, centre = chain.setup.station, chain.shape.centre_m
    off = np.zeros((2, setpoint.size)) if aim_error_m is None else aim_error_m
    n_steps = round(dwell_s / STEP_S)
    rows = [_judged(chain.sites())]
    for n in range(n_steps):
        angle = 2 * np.pi * n * STEP_S / SWEEP_PERIOD_S
        chain.blow(Blow(setpoint, station.airflow_m3_s, height, centre[0] + sweep * np.cos(angle) + off[0],
                        centre[1] + sweep * np.sin(angle) + off[1]), STEP_S)
        rows.append(_judged(chain.sites()))
        told((n + 1) / n_steps)
    return STEP_S * np.arange(n_steps + 1), np.array(rows)


def _judged(sites: Sites) -> FloatArray:
    return np.concatenate([[sites.joint_corner, sites.package_top, sites.board_top, sites.underside], sites.neighbours])


def _judge(times: FloatArray, history: FloatArray, limit_c: FloatArray, mark_c: float,
           hold_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Dwell needed, dwell allowed, and each site's margin at the dwell needed, or at the end when there is none."""
    above = history[:, 0] > mark_c
    need = np.where(above.any(axis=0), times[above.argmax(axis=0)] + hold_s, np.nan)
    need = np.where(need <= times[-1], need, np.nan)
    passed = history[:, 1:] >= limit_c[:, None, None, None]
    first = np.where(passed.any(axis=0), times[passed.argmax(axis=0)], np.inf)
    at = np.rint(np.nan_to_num(need, nan=times[-1]) / STEP_S).astype(int)
    running = np.maximum.accumulate(history[:, 1:], axis=0)  # a sweep makes temperatures swing
    then = np.take_along_axis(running, at[None, None], axis=0)[0]
    return need, first.min(axis=0), limit_c[:, None, None, None] - then


def _best(search: _Search) -> tuple[tuple[int, int, int], float]:
    """The setting and dwell to begin with.

    In a window: where the joints' distance above their mark and the sites' distance below their limits are as
    large as they can be together, shorter dwells preferred. Else the setting that comes closest.
    """
    margin, history = search.margin_k, search.history
    if not np.isfinite(margin).any():
        peak = history[:, 0].max(axis=0)
        return np.unravel_index(int(peak.argmax()), peak.shape), float(search.times[-1])
    if np.nanmax(margin) <= 0:
        best = np.unravel_index(int(np.nanargmax(margin)), margin.shape)
        return best, float(search.need_s[best])
    limit_c = np.array([b.value_c for b in search.limits.values()])[:, None, None, None]
    spare = (limit_c - np.maximum.accumulate(history[:, 1:], axis=0)).min(axis=1)
    held = np.where(search.times[:, None, None, None] >= search.need_s, history[:, 0] - search.mark_c, -np.inf)
    score = np.minimum(spare, held) - DWELL_COST_K_S * search.times[:, None, None, None]
    at = np.unravel_index(int(score.argmax()), score.shape)
    return at[1:], float(search.times[at[0]])


def _start(setup: HeatSetup, knowledge: Knowledge, search: _Search, at: tuple[int, int, int], dwell: float) -> Start:
    """Run one setting with its spread."""
    i, j, k = at
    grid = search.grid
    scores = draw_scores(len(PARAMETERS) + 3, N_MEMBERS)
    root = np.linalg.cholesky(knowledge.cov + 1e-12 * np.eye(len(PARAMETERS)))
    chain = Chain(setup, parameters(knowledge.mean[:, None] + root @ scores[:-3]), LIVE)
    n = np.ones(N_MEMBERS)
    _, rows = _run(chain, grid.setpoints_c[i] * n, np.maximum(grid.heights_m[j] + HEIGHT_SIGMA_M * scores[-3], 1e-3),
                       grid.sweeps_m[k] * n, dwell, lambda s: None, AIM_SIGMA_M * scores[-2:])
    last, start_c = chain.sites(), chain.start_c
    named = dict(zip(SITES, last[:5], strict=True)) | {
        r.name: t for r, t in zip(setup.neighbours, last.neighbours, strict=True)}
    bands = {name: band(t, knowledge.form_share * abs(float(t[0]) - start_c), start_c) for name, t in named.items()}
    window = max(1, round(2.0 / STEP_S))
    ramp = float(((rows[window:, 0, 0] - rows[:-window, 0, 0]) / (window * STEP_S)).max()) if len(rows) > window else np.nan
    bounds = np.array([search.limits[name].value_c for name in search.limits])
    joints = float(np.mean(rows[-1, 0, 1:] > search.mark_c))
    kept = float(np.mean((rows[:, 1:, 1:] < bounds[None, :, None]).all(axis=(0, 1))))
    return Start(float(grid.setpoints_c[i]), float(grid.heights_m[j]), float(grid.sweeps_m[k]), dwell, bands, ramp,
                 joints, kept)


def _changes(setup: HeatSetup, limits: PlanLimits, knowledge: Knowledge, start: Start) -> tuple[Change, ...]:
    """The start with one thing changed at a time."""
    step_m = 0.01 if start.height_m - 0.01 >= limits.height_m[0] else 0.0025
    tried = [("as it is", 0.0, 0.0, 0.0), ("20 C hotter", 20.0, 0.0, 0.0), ("20 C cooler", -20.0, 0.0, 0.0),
             (f"{step_m * 1e3:g} mm lower", 0.0, -step_m, 0.0), ("10 mm higher", 0.0, 0.01, 0.0),
             ("2 mm wider sweep", 0.0, 0.0, 0.002)]
    setpoint, height, sweep = (np.array([start_value + t[n] for t in tried]) for n, start_value in (
        (1, start.setpoint_c), (2, start.height_m), (3, start.sweep_m)))
    chain = Chain(setup, parameters(np.tile(knowledge.mean[:, None], (1, len(tried)))), LIVE)
    longer = 10.0
    _, rows = _run(chain, setpoint, np.maximum(height, 1e-3), sweep, start.dwell_s + longer, lambda s: None)
    at = round(start.dwell_s / STEP_S)
    names = ["joint corner", *site_limits(setup)]
    changes = [Change(t[0], _by_name(names, rows[at, :, m] - rows[at, :, 0])) for m, t in enumerate(tried) if m]
    return (*changes, Change("10 s longer", _by_name(names, rows[-1, :, 0] - rows[at, :, 0])))


def _by_name(names: list[str], values: FloatArray) -> dict[str, float]:
    return {name: float(v) for name, v in zip(names, values, strict=True)}


def _openers(setup: HeatSetup, limits: PlanLimits, knowledge: Knowledge, told: Progress) -> tuple[Opener, ...]:
    """Try the measures that a bench has."""
    station, part = setup.station, setup.part
    shields = tuple(Protection("shield_above", n.polygon_m, {"gap_m": 2e-3}) for n in setup.neighbours)
    blocks = tuple(Protection("metal_block", n.polygon_m, {"mass_kg": 0.02}) for n in setup.neighbours)
    tried = [("preheat the board from below at 150 C", replace(setup, protections=(
        *setup.protections, Protection("preheater", None, {"temp_c": 150.0})))),
        ("nozzle half again as wide, airflow to match", replace(setup, station=replace(
            station, bore_m=1.5 * station.bore_m, airflow_m3_s=1.5 * station.airflow_m3_s)))]
    if setup.neighbours:
        tried += [("stand-off shields over the neighbours", replace(setup, protections=(*setup.protections, *shields))),
                  ("metal blocks under the neighbours", replace(setup, protections=(*setup.protections, *blocks)))]
    if part.alloy != "Sn42Bi58":
        bounds = site_limits(setup)  # the neighbours keep the solder that they have
        others = tuple(replace(n, limit_c=bounds[n.name].value_c, limit_source=bounds[n.name].source)
                       for n in setup.neighbours)
        tried.append(("low-melt alloy Sn42Bi58 on clean pads", replace(
            setup, part=replace(part, alloy="Sn42Bi58", alloy_before=None), neighbours=others)))
    found = []
    for n, (what, changed) in enumerate(tried):
        search = _search(changed, limits, knowledge, _Grid.over(changed, limits, (6, 4, 2)), lambda s: None)
        found.append(_opener(what, search))
        told((n + 1) / len(tried))
    return tuple(found)


def _opener(what: str, search: _Search) -> Opener:
    if not np.isfinite(search.margin_k).any():
        return Opener(what, False, float(search.history[:, 0].max() - search.mark_c), "heat")
    best = np.unravel_index(int(np.nanargmax(search.margin_k)), search.margin_k.shape)
    margin = float(search.margin_k[best])
    return Opener(what, margin > 0, margin, tuple(search.limits)[int(np.argmin(search.site_margin_k[(slice(None), *best)]))])


def _say(search: _Search, best: tuple[int, int, int], start: Start, limits: PlanLimits,
         setup: HeatSetup) -> tuple[str, str]:
    """What binds first, and the plan's sentence."""
    if np.isnan(search.margin_k[best]):
        peak = search.history[:, 0].max()
        return "heat", (f"no window: the coldest joint of {setup.part.region.name} comes to {peak:.0f} C at most, "
                        f"{search.mark_c - peak:.0f} K short of {search.mark_c:.0f} C within {limits.dwell_s:.0f} s: "
                        f"too little heat (the board around it would draw about {_draw_w(setup, search.mark_c):.0f} W)")
    until = search.times <= start.dwell_s
    spare = {name: limit.value_c - float(search.history[(until, i + 1, *best)].max())
             for i, (name, limit) in enumerate(search.limits.items())}
    site = min(spare, key=spare.__getitem__)
    limit = search.limits[site]
    if spare[site] <= 0:
        return site, (f"no window: by the time the coldest joint of {setup.part.region.name} is at {search.mark_c:.0f} C, "
                      f"{site} is {-spare[site]:.0f} K over its limit of {limit.value_c:.0f} C ({limit.source})")
    share = float(np.mean(np.nan_to_num(search.margin_k, nan=-1) > 0))
    return site, (f"window: {share:.0%} of the settings tried; {start.setpoint_c:.0f} C at {start.height_m * 1e3:.0f} mm "
                  f"for {start.dwell_s:.0f} s leaves {spare[site]:.0f} K to the first limit ({site}, "
                  f"{limit.value_c:.0f} C)")


def _draw_w(setup: HeatSetup, at_c: float) -> float:
    """What the board around the part draws in the long run at a temperature of the part's edge: a ring as large as it."""
    board, layers = setup.board, material.board_layers(setup.board)
    inner = np.sqrt(part_shape(setup.part).area_m2 / np.pi)
    outer = inner + UNKNOWN_MARGIN_M if board.size_m is None else np.sqrt(np.prod(board.size_m) / np.pi)
    k_w_mk = material.stack_in_plane_w_mk(board.thickness_m, layers)
    _, conductance = material.annular_fin(inner, max(outer, 1.01 * inner), board.thickness_m, k_w_mk, LOSS_W_M2K)
    return conductance * (at_c - setup.station.ambient_c)


def _cautions(setup: HeatSetup, start: Start, knowledge: Knowledge, notes: tuple[str, ...]) -> tuple[str, ...]:
    """What the reader must know before trusting the plan."""
    said = [f"{n[0].upper()}{n[1:]}." for n in notes]
    if not knowledge.is_calibrated:
        said.append("No thermocouple run has been used: the plan ranks settings, it does not prove that joints melt. "
                    "Try on a scrap board first.")
    if start.ramp_k_s > ramp_limits_k_s()[0]:
        said.append(f"Joints rise by {start.ramp_k_s:.0f} K/s at first, above the {ramp_limits_k_s()[0]:.0f} K/s of the "
                    "J-STD-020 profile: start higher, come down slowly, or preheat.")
    if start.temp_c["package top"].high > SILICON_RISK_C:
        said.append(f"Package top may pass {SILICON_RISK_C:.0f} C, where silicon is at risk (common practice, no source).")
    words = practice_words(joint_alloy(setup.part.alloy, setup.part.alloy_before))
    said.append(f"{words[0].upper()}{words[1:]}.")
    said.append("Lifting a part while some joints are solid tears pads. Datasheets of part, board and solder come first; "
                "mind heat, fumes, eyes, ESD, batteries and mains.")
    return tuple(said)


def _plain(value: Any) -> Any:
    """Arrays as nested lists, with None for what is not finite."""
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value]
    return float(value) if np.isfinite(value) else None
