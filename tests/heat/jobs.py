"""Jobs of a repair bench, each with what an experienced hand would expect of it.

The expectations are common practice, no source. They were written down before any of the jobs was planned.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.heat.types import BoardSetup, HeatSetup, Layer, PartSetup, Protection, RegionSetup, StationSetup
from monitor.plan.search import PlanLimits
from tests.heat.cases import rectangle

__all__ = ["JOBS", "BenchJob"]

UM = 35e-6
TWO = (Layer(UM, 0.3), Layer(UM, 0.6))
FOUR = (Layer(UM, 0.3), Layer(UM, 0.8), Layer(UM, 0.8), Layer(UM, 0.3))
EIGHT = (Layer(UM, 0.3), *(Layer(UM, 0.8),) * 6, Layer(UM, 0.3))


@dataclass(frozen=True)
class BenchJob:
    """A job, its ranges, the verdicts that a hand would accept, and why."""

    setup: HeatSetup
    limits: PlanLimits
    expected: tuple[str, ...]
    why: str


def _board(layers=TWO, thickness_mm=1.6, size_mm=(100, 80), **more) -> BoardSetup:
    return BoardSetup(thickness_mm * 1e-3, layers, (size_mm[0] * 1e-3, size_mm[1] * 1e-3), (0.0, 0.0), **more)


def _part(size_mm, height_mm, kind, alloy="SAC305", limit_c=None, **more) -> PartSetup:
    region = RegionSetup("U1", rectangle(0, 0, *size_mm), height_mm * 1e-3, limit_c, "datasheet" if limit_c else "")
    return PartSetup(region, kind, None, alloy, **more)


def _beside(name, x_mm, y_mm, size_mm, height_mm=1.0, limit_c=None, why="", **more) -> RegionSetup:
    return RegionSetup(name, rectangle(x_mm, y_mm, *size_mm), height_mm * 1e-3, limit_c, why, **more)


def _station(bore_mm, l_min, setpoint_c=350.0) -> StationSetup:
    return StationSetup(setpoint_c, l_min / 6e4, bore_m=bore_mm * 1e-3)


def _heater(temp_c) -> tuple[Protection, ...]:
    return (Protection("preheater", None, {"temp_c": temp_c}),)


RANGE = PlanLimits()
SOIC = _part((10, 4), 1.75, "leaded", "Sn63Pb37", 260.0, work="remove")
QFN = _part((7, 7), 0.9, "leadless", work="remove", pad_m=(5.2e-3, 5.2e-3), vias=16)
BGA = _part((23, 23), 2.0, "ball_grid", limit_c=250.0, work="remove")
PASSIVES = (_beside("C1", 9, 0, (1.6, 0.8), 0.8), _beside("R1", 0, 6, (1.6, 0.8), 0.5))

JOBS: dict[str, BenchJob] = {
    "0603 beside a plastic header": BenchJob(
        HeatSetup(
            _board(),
            _part((1.6, 0.8), 0.5, "chip", work="remove"),
            (_beside("J1", 6.3, 0, (5, 12), 8.0, 223.0, "PBT"),),
            _station(4, 15),
        ),
        RANGE,
        ("open", "careful"),
        "done every day; a fine nozzle, quick, aimed away from the header",
    ),
    "QFN with ground pad, four layers": BenchJob(
        HeatSetup(_board(FOUR), QFN, PASSIVES, _station(8, 40)),
        RANGE,
        ("careful",),
        "comes off in about a minute, but the pad draws heat; a preheater makes it easy",
    ),
    "QFP, 0.5 mm pitch": BenchJob(
        HeatSetup(
            _board(FOUR),
            _part((14, 14), 1.4, "leaded", work="remove"),
            (_beside("Y1", 14, 0, (5, 3.2), 1.0),),
            _station(12, 60),
        ),
        RANGE,
        ("open", "careful"),
        "round and round over the leads with a wide nozzle; routine with patience",
    ),
    "BGA on eight layers, no preheater": BenchJob(
        HeatSetup(_board(EIGHT, 1.6, (150, 120)), BGA, (), _station(8, 40)),
        PlanLimits(dwell_s=120.0),
        ("closed",),
        "nobody lifts a large ball grid off a full board without heat from below",
    ),
    "BGA on eight layers, preheater and wide nozzle": BenchJob(
        HeatSetup(_board(EIGHT, 1.6, (150, 120)), BGA, (), _station(20, 100), _heater(150.0)),
        PlanLimits(dwell_s=180.0),
        ("open", "careful"),
        "the usual way: board hot from below, a nozzle nearly as wide as the part",
    ),
    "shield can": BenchJob(
        HeatSetup(
            _board(FOUR, 1.0, (70, 50)),
            _part((18, 14), 2.0, "connector", limit_c=280.0, work="remove"),
            PASSIVES[:0],
            _station(12, 80),
        ),
        PlanLimits(dwell_s=150.0),
        ("open", "careful"),
        "a thin can warms fast, its frame along the rim slowly; a wide nozzle round the edge",
    ),
    "SOIC, leaded": BenchJob(
        HeatSetup(_board(), SOIC, PASSIVES, _station(8, 40)),
        RANGE,
        ("open",),
        "the first thing that a trainee takes off",
    ),
    "lead-free part of the 245 C class": BenchJob(
        HeatSetup(
            _board(FOUR),
            _part((20, 20), 2.0, "leaded", limit_c=245.0, work="remove"),
            (),
            _station(14, 90),
            _heater(140.0),
        ),
        PlanLimits(dwell_s=150.0),
        ("careful", "open"),
        "20 K between melt and limit: only warm from below, slowly, watching",
    ),
    "SOIC with parts on the underside": BenchJob(
        HeatSetup(_board(), SOIC, (_beside("C9", 0, 0, (3.2, 1.6), 1.2, is_below=True),), _station(8, 40)),
        RANGE,
        ("open", "careful"),
        "as without them, but they may melt too: do not knock the board",
    ),
    "tiny nozzle held high": BenchJob(
        HeatSetup(_board(FOUR), _part((10, 10), 1.2, "leaded", work="remove"), (), _station(3, 10)),
        PlanLimits((20e-3, 30e-3)),
        ("closed",),
        "no heat arrives; go down and take a larger nozzle",
    ),
    "removal with low-melt alloy": BenchJob(
        HeatSetup(
            _board(FOUR),
            _part((14, 14), 1.4, "leaded", "Sn42Bi58", 260.0, alloy_before="SAC305", work="remove"),
            (),
            _station(10, 50),
        ),
        RANGE,
        ("open",),
        "flooded with bismuth solder it stays molten for half a minute; the gentlest way",
    ),
    "ceramic part, 3 K/s": BenchJob(
        HeatSetup(
            _board(FOUR),
            _part((5.7, 5.0), 2.2, "chip", "Sn63Pb37", work="remove", ceramic=True),
            (),
            _station(8, 40),
            _heater(120.0),
        ),
        PlanLimits((5e-3, 40e-3), dwell_s=150.0),
        ("open", "careful"),
        "preheated, high first, then down: never fast, or it cracks",
    ),
    "SOIC beside an electrolytic": BenchJob(
        HeatSetup(
            _board(),
            _part((10, 4), 1.75, "leaded", work="remove"),
            (_beside("C5", 9.5, 0, (6.6, 6.6), 7.0, 150.0, "electrolytic"),),
            _station(8, 40),
        ),
        RANGE,
        ("closed", "careful"),
        "shield the can, or take it off first",
    ),
    "LED fitted with low-melt alloy": BenchJob(
        HeatSetup(
            _board(TWO, 1.6, (60, 40)),
            _part((3.5, 2.8), 1.9, "leadless", "Sn42Bi58", 200.0, work="fit"),
            (),
            _station(5, 20),
        ),
        RANGE,
        ("open",),
        "melts at 138 C, far below what the lens stands",
    ),
}
