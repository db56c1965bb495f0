"""Solder alloys: melting range, heat of fusion, and what must not be mixed."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources

from monitor.errors import InputError

__all__ = ["Alloy", "alloy_names", "find_alloy", "joint_alloy", "mixing_warning"]

MIXED_MELT_C = 96.0  # Bi46Sn34Pb20 eutectic, public alloy table
# Metals that together melt below either of their alloys: the lowest melt known with tin [C].
_LOW_MELTS_C = ((frozenset({"Bi", "Pb"}), MIXED_MELT_C),
                (frozenset({"Bi", "In"}), 60.0),  # indium, bismuth and tin; handbook, from memory
                (frozenset({"Pb", "Ag"}), 179.0))  # Sn62Pb36Ag2, public alloy table


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


def joint_alloy(name: str, before: str | None = None) -> Alloy:
    """The solder as it will be in the joint: the named alloy, with what was on the pads before when that is given.

    Notes
    -----
    A mix begins to melt at the lower of its two alloys or at a low melt of their metals (bismuth and lead: near 96 C),
    and has melted for sure only above the higher liquidus. Which share of each there is, nobody measured.
    """
    alloy = find_alloy(name)
    if before is None or find_alloy(before).name == alloy.name:
        return alloy
    old = find_alloy(before)
    both = alloy.elements | old.elements
    lowest = min(alloy.solidus_c, old.solidus_c, *(melt for metals, melt in _LOW_MELTS_C if metals <= both))
    return replace(alloy, name=f"{alloy.name} on {old.name}", composition=f"{alloy.composition} {old.composition}",
                   solidus_c=lowest, liquidus_c=max(alloy.liquidus_c, old.liquidus_c))


def mixing_warning(first: Alloy, second: Alloy) -> str | None:
    """What to tell about two alloys that meet in one joint; None when nothing is known against it."""
    both = first.elements | second.elements
    if first.name == second.name:
        return None
    if {"Bi", "Pb"} <= both:
        return (f"bismuth and lead in one joint can melt near {MIXED_MELT_C:.0f} C (Bi46Sn34Pb20): "
                "remove the old solder first; such a joint may fail warm")
    if {"Bi", "In"} <= both:
        return "bismuth and indium in one joint can melt near 60 C: remove the old solder first"
    if first.lead_free != second.lead_free:
        return "leaded and lead-free solder mix into a joint with an unknown melting range: remove the old solder first"
    return (f"{first.name} on {second.name}: the joint has melted for sure only above "
            f"{max(first.liquidus_c, second.liquidus_c):.0f} C; remove the old solder first")


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
