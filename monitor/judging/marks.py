"""How a person saw the joints: molten, or still solid; one key each, and it can be taken back."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.heat.melt import MeltSight

__all__ = ["MARK_WORDS", "MOLTEN", "SOLID", "JointMark", "sight_of"]

MOLTEN, SOLID = "molten", "solid"
MARK_WORDS = {MOLTEN: "seen molten", SOLID: "still solid"}


@dataclass(frozen=True)
class JointMark:
    """One mark.

    Attributes
    ----------
    t_s : float
    kind : str
        MOLTEN or SOLID.
    author : str
        A code, never a name.
    made_utc, undone_utc : str
        When it was set, and taken back; empty while it stands.
    """

    t_s: float
    kind: str
    author: str
    made_utc: str
    undone_utc: str = ""


def sight_of(mark: JointMark) -> MeltSight:
    """A mark as the heat model sees it."""
    return MeltSight(mark.t_s, mark.kind, mark.author or "person")
