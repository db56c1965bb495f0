"""What would help, alone and in pairs: each measure on the plan's own settings, those already there left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations

import numpy as np

from monitor.errors import InputError
from monitor.heat.alloy import find_alloy
from monitor.heat.jet import exit_state
from monitor.heat.limits import Limit, site_limits
from monitor.heat.types import HeatSetup, PartSetup, Protection
from monitor.plan.course import COARSE, Ensemble
from monitor.plan.search import PlanLimits, height_nodes, settings_map
from monitor.plan.surface import Surface

__all__ = ["Measure", "best_measures"]

Job = tuple[HeatSetup, PlanLimits]

PREHEAT_C, LOWEST_M, WIDER, STRONGER = 150.0, 5e-3, 1.5, 1.5
SHIELD_GAP_M, BLOCK_KG = 2e-3, 0.02
LARGEST_MACH = 0.3
HEIGHTS_MM, SETPOINT_STEP_C = (5.0, 10.0, 16.0), 30.0
SINGLES_KEPT, SHOWN = 3, 3
LEAST_GAIN = 0.05
NO_LIMIT_C = 2000.0
SHIELDS, BLOCKS = "stand-off shields over the neighbours", "metal blocks under the neighbours"


@dataclass(frozen=True)
class Measure:
    """One measure or a pair: what to do, and the chance of melt before any limit that it gives at its best setting.

    rank: by which it is chosen: the chance, and between equal ones the middle estimate's margin.
    """

    what: str
    chance: float
    setpoint_c: float
    height_m: float
    rank: float


def best_measures(
    setup: HeatSetup,
    limits: PlanLimits,
    ensemble: Ensemble,
    chance: float,
    sweep_m: tuple[float, float],
    told: Callable[[float], None],
) -> tuple[Measure, ...]:
    """The best by chance, among single measures and pairs of those that help.

    chance and sweep_m are the plan's own.
    """
    bench = _Bench(ensemble, sweep_m)
    singles = {what: job for what, change in _known(setup).items() if (job := change((setup, limits))) is not None}
    if setup.neighbours and not _is_held_back(setup, limits, bench):
        for what in _at_neighbours_alone(setup):
            singles.pop(what, None)
    found: dict[tuple[str, ...], Measure] = {(what,): bench.tried(what, job) for what, job in singles.items()}
    told(0.6)
    helpful = sorted(singles, key=lambda what: -found[what,].rank)[:SINGLES_KEPT]
    for first, second in combinations(helpful, 2):
        then = _known(singles[first][0]).get(second)
        if then is not None and (job := then(singles[first])) is not None:
            found[first, second] = bench.tried(f"{first} and {second}", job)
    told(1.0)
    best = sorted((m for m in found.values() if m.chance > chance + LEAST_GAIN), key=lambda m: -m.rank)
    return tuple(best[:SHOWN])


def _is_held_back(setup: HeatSetup, limits: PlanLimits, bench: _Bench) -> bool:
    """Whether the neighbours' limits cost enough that sparing them could help: what spares them does no more."""
    tough = tuple(replace(n, limit_c=NO_LIMIT_C, limit_source="", keep_solid=False) for n in setup.neighbours)
    freed = bench.tried("", (replace(setup, neighbours=tough), limits))
    return freed.chance > bench.tried("", (setup, limits)).chance + LEAST_GAIN


class _Bench:
    """Tries measures; what leaves bore and protections as they are is read from the surfaces that are there.

    The latent heat of another alloy is left as it was.
    """

    def __init__(self, ensemble: Ensemble, sweep_m: tuple[float, float]) -> None:
        self._ensemble, self._sweep_m = ensemble, sweep_m
        self._ran: list[tuple[tuple[object, ...], list[Surface]]] = []

    def tried(self, what: str, job: Job) -> Measure:
        """The best setting with a measure; none where it cannot be modelled."""
        setup, limits = job
        try:
            surfaces = self._surfaces(setup, limits)
        except InputError:
            return Measure(what, 0.0, limits.setpoint_c[0], limits.height_m[0], -np.inf)
        here = settings_map(setup, limits, self._ensemble, surfaces, HEIGHTS_MM, SETPOINT_STEP_C)
        at = here.best()
        chance = float(here.chance[at])
        rank = chance + 1e-3 * float(np.clip(here.middle_k.max(), -200.0, 100.0))
        return Measure(what, chance, float(here.setpoints_c[at[0]]), float(here.heights_m[at[1]]), rank)

    def _surfaces(self, setup: HeatSetup, limits: PlanLimits) -> list[Surface]:
        key = setup.station.bore_m, setup.protections
        for known, surfaces in self._ran:
            if known == key:
                return surfaces
        reach = replace(limits, height_m=(min(LOWEST_M, limits.height_m[0]), limits.height_m[1]))
        (surfaces,) = height_nodes(setup, reach, self._ensemble, (self._sweep_m,), COARSE, lambda share: None)
        self._ran.append((key, surfaces))
        return surfaces


def _at_neighbours_alone(setup: HeatSetup) -> list[str]:
    """Measures that do no more than spare the neighbours."""
    return [SHIELDS, BLOCKS, f"take {_weakest(setup)} off first"]


def _weakest(setup: HeatSetup) -> str:
    bounds = site_limits(setup)
    return min(setup.neighbours, key=lambda n: bounds[n.name].value_c).name


def _known(setup: HeatSetup) -> dict[str, Callable[[Job], Job | None]]:
    """Measures of a bench in the job's own words; each turns a job into one with it, or into None where it is there."""
    known: dict[str, Callable[[Job], Job | None]] = {
        f"preheat the board from below at {PREHEAT_C:.0f} C": _preheat,
        "take a nozzle half again as wide, airflow to match": _wider,
        f"hold the nozzle lower, down to {1e3 * LOWEST_M:.0f} mm": _lower,
        "half again the airflow": _stronger,
        SHIELDS: partial(
            _at_neighbours, kind="shield_above", values={"gap_m": SHIELD_GAP_M}
        ),
        BLOCKS: partial(_at_neighbours, kind="metal_block", values={"mass_kg": BLOCK_KG}),
    }
    if setup.neighbours:
        known[f"take {_weakest(setup)} off first"] = partial(_without, name=_weakest(setup))
    if setup.part.work != "fit":
        known["flood the joints with low-melt alloy Sn42Bi58"] = _flood
    else:
        for alloy in ("Sn63Pb37", "Sn42Bi58"):
            known[f"clean the pads and fit with {alloy}"] = partial(_other_alloy, alloy=alloy)
    return known


def _preheat(job: Job) -> Job | None:
    setup, limits = job
    if any(p.kind == "preheater" for p in setup.protections) or setup.board.start_faces_c() is not None:
        return None
    heater = Protection("preheater", None, {"temp_c": PREHEAT_C})
    return replace(setup, protections=(*setup.protections, heater)), limits


def _wider(job: Job) -> Job | None:
    setup, limits = job
    station = setup.station
    return replace(
        setup, station=replace(station, bore_m=WIDER * station.bore_m, airflow_m3_s=WIDER * station.airflow_m3_s)
    ), limits


def _stronger(job: Job) -> Job | None:
    setup, limits = job
    station = replace(setup.station, airflow_m3_s=STRONGER * setup.station.airflow_m3_s)
    middle_c = 0.5 * sum(limits.setpoint_c)
    try:
        mach = exit_state(middle_c, station.airflow_m3_s, station.bore_m, ambient_c=station.ambient_c).mach
    except InputError:
        return None
    return None if float(np.max(mach)) > LARGEST_MACH else (replace(setup, station=station), limits)


def _lower(job: Job) -> Job | None:
    setup, limits = job
    if limits.height_m[0] <= LOWEST_M + 1e-9:
        return None
    return setup, replace(limits, height_m=(LOWEST_M, limits.height_m[1]))


def _at_neighbours(job: Job, kind: str, values: dict[str, float]) -> Job | None:
    setup, limits = job
    on_top = [n for n in setup.neighbours if not n.is_below]
    if not on_top or any(p.kind == kind for p in setup.protections):
        return None
    more = tuple(Protection(kind, n.polygon_m, values) for n in on_top)
    return replace(setup, protections=(*setup.protections, *more)), limits


def _without(job: Job, name: str) -> Job | None:
    setup, limits = job
    kept = tuple(n for n in setup.neighbours if n.name != name)
    return None if len(kept) == len(setup.neighbours) else (replace(setup, neighbours=kept), limits)


def _flood(job: Job) -> Job | None:
    setup, limits = job
    if "Bi" in find_alloy(setup.part.alloy).elements:
        return None
    part = replace(setup.part, alloy="Sn42Bi58", alloy_before=setup.part.alloy_before or setup.part.alloy)
    return _with_part(setup, part), limits


def _other_alloy(job: Job, alloy: str) -> Job | None:
    setup, limits = job
    if find_alloy(alloy).liquidus_c >= find_alloy(setup.part.alloy).liquidus_c:
        return None
    return _with_part(setup, replace(setup.part, alloy=alloy, alloy_before=None)), limits


def _with_part(setup: HeatSetup, part: PartSetup) -> HeatSetup:
    """The job with another solder at the part; the part and its neighbours keep the limits that they have."""
    bounds: dict[str, Limit] = site_limits(setup)
    region = replace(part.region, limit_c=bounds["package top"].value_c, limit_source=bounds["package top"].source)
    kept = tuple(
        replace(n, limit_c=bounds[n.name].value_c, limit_source=bounds[n.name].source, keep_solid=False)
        for n in setup.neighbours
    )
    return replace(setup, part=replace(part, region=region), neighbours=kept)
