"""Warnings: when one is raised, when it ends, and what it asks for.

A warning is raised when its quantity has been past the limit for the on-delay, and ends when it has been back inside
by the deadband for the off-delay. The on-delay is a balance: time past the limit adds, time inside takes away, so a
noisy frame neither raises a warning nor saves anyone from it.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

__all__ = ["Priority", "Rule", "Reading", "TechniqueWarning", "AlertBook", "RULES", "EQUIPMENT", "MACHINE", "STALE_S"]

STALE_S = 0.2  # nothing about height or heat may rest on older data
LONGEST_STEP_S = 0.3


class Priority(enum.IntEnum):
    """How soon the hand must act."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3


@dataclass(frozen=True)
class Rule:
    """One kind of warning.

    Attributes
    ----------
    kind : str
    priority : Priority
    action : str
        What to do, in at most four words.
    on_s, off_s : float
        Delays [s].
    unit : str
        Of value and limit.
    says : str
        Sentence for the log with {region}, {value}, {limit}, {band}, {detail}.
    outlives_sight : bool
        Whether it stays when the nozzle is not measured; only warnings about the equipment do.
    """

    kind: str
    priority: Priority
    action: str
    on_s: float
    off_s: float
    unit: str
    says: str
    outlives_sight: bool = False


@dataclass(frozen=True)
class Reading:
    """What a rule looks at in one frame.

    Attributes
    ----------
    kind, region : str
    beyond : float
        How far past the limit, in the rule's unit or in mm; negative inside.
    deadband : float
        How far inside it must come back before the warning may end.
    value, limit : float
        For the record.
    band : tuple of float, optional
        90 % interval of the value.
    detail : str
        Words for the sentence, where a number says too little.
    """

    kind: str
    region: str
    beyond: float
    deadband: float
    value: float
    limit: float
    band: tuple[float, float] | None = None
    detail: str = ""


@dataclass(frozen=True)
class TechniqueWarning:
    """One warning from its start to its end.

    Attributes
    ----------
    number : int
    t_first_s : float
        When the quantity first went past the limit.
    t_start_s : float
        When the warning was raised.
    t_end_s : float or None
        When it ended; None while it stands.
    past_s : float
        Time for which the quantity was past the limit, so far.
    value : float
        The worst so far.
    text : str
        Of the worst so far.
    text_now : str
        Of the last frame that could be judged; empty when what is asked for does not arise there.
    is_back : bool
        Whether it is back inside its limit by the deadband, and ends when it stays there.
    """

    number: int
    kind: str
    region: str
    priority: Priority
    action: str
    t_first_s: float
    t_start_s: float
    t_end_s: float | None
    past_s: float
    value: float
    limit: float
    unit: str
    band: tuple[float, float] | None
    text: str
    text_now: str = ""
    is_back: bool = False


_MEDIUM, _HIGH, _LOW = Priority.MEDIUM, Priority.HIGH, Priority.LOW
RULES: dict[str, Rule] = {rule.kind: rule for rule in (
    Rule("too_far", _MEDIUM, "Lower the nozzle", 0.3, 2.0, "mm",
         "{value:.0f} mm over {region}, highest allowed {limit:.0f} mm"),
    Rule("too_close", _MEDIUM, "Raise the nozzle", 0.2, 2.0, "mm",
         "{value:.0f} mm over {region}, lowest allowed {limit:.0f} mm"),
    Rule("drift", _MEDIUM, "Back to target", 0.25, 1.0, "mm", "aimed at {region}, which is not the target"),
    Rule("long_dwell", _MEDIUM, "Lift and let cool", 0.3, 2.0, "s",
         "{value:.0f} s over {region}, longest allowed {limit:.0f} s"),
    Rule("not_seen", _MEDIUM, "Show the nozzle", 0.2, 0.3, "s", "no measurement: {detail}", outlives_sight=True),
    Rule("ramp", _LOW, "Raise or sweep wider", 1.0, 2.0, "K/s",
         "joint rises {value:.1f} K/s{band}, fastest allowed {limit:.1f} K/s (estimate)"),
    Rule("part_limit", _HIGH, "Lift off now", 0.1, 2.0, "C",
         "{region} about {value:.0f} C{band}, limit {limit:.0f} C (estimate)"),
    Rule("neighbour_limit", _HIGH, "Shield or lift off", 0.1, 2.0, "C",
         "{region} about {value:.0f} C{band}, limit {limit:.0f} C (estimate)"),
    Rule("limit_soon", _MEDIUM, "Get ready to lift", 0.3, 2.0, "s",
         "{region} at its limit in about {value:.0f} s{band} (forecast)"),
    Rule("underside_limit", _HIGH, "Lift off now", 0.1, 2.0, "C",
         "underside about {value:.0f} C{band}, limit {limit:.0f} C (estimate)"),
    Rule("bench_moved", _LOW, "Check the marks", 0.0, 4.0, "", "the board moved, the marks with it: {detail}", True),
    Rule("camera_moved", _MEDIUM, "Check camera and focus", 0.0, 4.0, "", "{detail}", True),
    Rule("part_moved", _MEDIUM, "Check that part", 0.0, 6.0, "mm", "{region} {detail}", True),
    Rule("no_picture", _MEDIUM, "Check the camera", 0.0, 1.0, "s", "no picture for {value:.1f} s: {detail}", True),
    Rule("no_sound", _LOW, "Watch the screen", 0.0, 1.0, "", "no sound: {detail}", True),
)}
EQUIPMENT = frozenset({"not_seen", "bench_moved", "camera_moved", "no_picture", "no_sound"})
MACHINE = frozenset({"camera_moved", "no_picture", "no_sound"})  # the hand is innocent of these


@dataclass(frozen=True)
class _State:
    """One rule for one region between frames."""

    is_past: bool = False
    t_first_s: float = math.nan
    on_s: float = 0.0
    off_s: float = 0.0
    past_s: float = 0.0
    standing: TechniqueWarning | None = None


class AlertBook:
    """Keeps all warnings of a session; `step` is the only way in."""

    def __init__(self, rules: dict[str, Rule] | None = None) -> None:
        self._rules = RULES if rules is None else rules
        self._states: dict[tuple[str, str], _State] = {}
        self._t_s = math.nan
        self._count = 0

    @property
    def standing(self) -> tuple[TechniqueWarning, ...]:
        """Warnings that stand now, the most urgent first."""
        found = [s.standing for s in self._states.values() if s.standing is not None]
        return tuple(sorted(found, key=lambda w: (-w.priority, w.t_start_s)))

    def step(self, t_s: float, readings: Iterable[Reading], age_s: float,
             ) -> tuple[tuple[TechniqueWarning, ...], tuple[TechniqueWarning, ...]]:
        """Take one frame's readings; give back the warnings that started and those that ended.

        Parameters
        ----------
        t_s : float
        readings : iterable of Reading
            A rule and region that is absent counts as well inside its limit.
        age_s : float
            Age of the measurement that the readings rest on; 0 when this frame made it.
        """
        dt = min(t_s - self._t_s, LONGEST_STEP_S) if math.isfinite(self._t_s) else 0.0
        self._t_s = t_s
        given = {(r.kind, r.region): r for r in readings}
        started, ended = [], []
        for key in list(dict.fromkeys([*self._states, *given])):
            before = self._states.get(key, _State())
            after = self._advance(key, before, given.get(key), t_s, dt, age_s)
            if after.standing is not None and before.standing is None:
                started.append(after.standing)
            if before.standing is not None and after.standing is None:
                ended.append(replace(before.standing, t_end_s=t_s, past_s=after.past_s))
                after = _State()
            self._states[key] = after
        return tuple(started), tuple(ended)

    def _advance(self, key: tuple[str, str], state: _State, reading: Reading | None, t_s: float, dt: float,
                 age_s: float) -> _State:
        rule = self._rules[key[0]]
        if not rule.outlives_sight and age_s > 0.0:
            # a short gap holds everything still, a longer one leaves nothing to stand on
            return state if age_s <= STALE_S else replace(state, standing=None, on_s=0.0, off_s=0.0, is_past=False)
        beyond = -math.inf if reading is None else reading.beyond
        deadband = 0.0 if reading is None else reading.deadband
        if math.isnan(beyond):
            return state
        if state.standing is None:
            state = _count_on(state, beyond, deadband, t_s, dt)
            if reading is None or not state.is_past or state.on_s < rule.on_s:
                return state
            self._count += 1
            return replace(state, standing=_raise(self._count, rule, reading, state, t_s), off_s=0.0)
        return _count_off(state, rule, reading, beyond, deadband, dt)


def _count_on(state: _State, beyond: float, deadband: float, t_s: float, dt: float) -> _State:
    """Balance of time past the limit before a warning stands."""
    if beyond > 0:
        first = state.t_first_s if math.isfinite(state.t_first_s) else t_s
        step = dt if state.is_past else 0.0
        return replace(state, is_past=True, t_first_s=first, on_s=state.on_s + step, past_s=state.past_s + step)
    left = 0.0 if beyond < -deadband else max(0.0, state.on_s - dt)
    if left == 0.0:
        return _State()
    return replace(state, is_past=False, on_s=left)


def _count_off(state: _State, rule: Rule, reading: Reading | None, beyond: float, deadband: float,
               dt: float) -> _State:
    """Time back inside by the deadband while a warning stands."""
    past_s = state.past_s + (dt if beyond > 0 else 0.0)
    off_s = 0.0 if beyond > -deadband else state.off_s + dt
    if state.standing is None or off_s >= rule.off_s:
        return replace(state, standing=None, past_s=past_s)
    now = "" if reading is None else _text(rule, reading)
    standing = replace(state.standing, past_s=past_s, text_now=now, is_back=off_s > 0.0)
    if reading is not None and beyond > 0 and _is_worse(reading, standing):
        standing = replace(standing, value=reading.value, band=reading.band, text=_text(rule, reading))
    return replace(state, is_past=beyond > 0, past_s=past_s, off_s=off_s, standing=standing)


def _raise(number: int, rule: Rule, reading: Reading, state: _State, t_s: float) -> TechniqueWarning:
    return TechniqueWarning(number, rule.kind, reading.region, rule.priority, rule.action, state.t_first_s, t_s, None,
                            state.past_s, reading.value, reading.limit, rule.unit, reading.band,
                            _text(rule, reading), _text(rule, reading))


def _is_worse(reading: Reading, standing: TechniqueWarning) -> bool:
    return abs(reading.value - reading.limit) > abs(standing.value - standing.limit)


def _text(rule: Rule, reading: Reading) -> str:
    band = "" if reading.band is None else f" ({reading.band[0]:.0f} to {reading.band[1]:.0f})"
    return rule.says.format(region=reading.region, value=_Figure(reading.value, reading.limit),
                            limit=_Figure(reading.limit, reading.value), band=band, detail=reading.detail)


class _Figure(float):
    """A value that is written with one more digit where it would else read like the other one beside it."""

    beside: float

    def __new__(cls, value: float, beside: float) -> _Figure:
        made = super().__new__(cls, value)
        made.beside = beside
        return made

    def __format__(self, form: str) -> str:
        plain = format(float(self), form)
        if form == ".0f" and plain == format(self.beside, form) and float(self) != self.beside:
            return format(float(self), ".1f")
        return plain
