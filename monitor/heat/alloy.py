"""Solder alloys: melting range, heat of fusion, and what must not be mixed."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

from monitor.errors import InputError

__all__ = ["Alloy", "alloy_names", "find_alloy", "mixing_warning"]

MIXED_MELT_C = 96.0  # Bi46Sn34Pb20 eutectic, public alloy table


@dataclass(frozen=True)
class Alloy:
    """One alloy. wet_hold_s is how long it may stay wet afterwards (common practice, no source), 0 when short."""

    name: str
    composition: str
    solidus_c: float
    liquidus_c: float
    fusion_kj_kg: float
    density_kg_m3: float
    lead_free: bool
    wet_hold_s: float = 0.0

    @property
    def elements(self) -> frozenset[str]:
        """Symbols of the metals in it."""
        letters = "".join(c if c.isalpha() else " " for c in self.composition)
        return frozenset(letters.split())


def find_alloy(name: str) -> Alloy:
    """The alloy of that name or composition; capitals and blanks do not matter.

    Raises
    ------
    InputError
        If the table has none of that name; lists the known ones.
    """
    table = _table()
    try:
        return table[_key(name)]
    except KeyError:
        raise InputError(f"alloy: {name!r} is not in the table; known: {', '.join(alloy_names())}") from None


def alloy_names() -> tuple[str, ...]:
    """Names of all alloys in the table."""
    return tuple(dict.fromkeys(alloy.name for alloy in _table().values()))


def mixing_warning(first: Alloy, second: Alloy) -> str | None:
    """What to tell about two alloys that meet in one joint; None when nothing is known against it."""
    both = first.elements | second.elements
    if {"Bi", "Pb"} <= both:
        return (f"bismuth and lead in one joint can melt near {MIXED_MELT_C:.0f} C (Bi46Sn34Pb20): "
                "remove the old solder first; such a joint may fail warm")
    if first.lead_free != second.lead_free:
        return "leaded and lead-free solder mix into a joint with an unknown melting range: remove the old solder first"
    return None


@cache
def _table() -> dict[str, Alloy]:
    raw = tomllib.loads(resources.files("monitor.heat").joinpath("alloys.toml").read_text(encoding="utf-8"))
    table: dict[str, Alloy] = {}
    for name, entry in raw.items():
        other_names = entry.pop("names")
        alloy = Alloy(name=name, **entry)
        for key in (name, alloy.composition, *other_names):
            table[_key(key)] = alloy
    return table


def _key(name: str) -> str:
    return "".join(name.split()).lower()
