"""One thing that was looked at: how it is, and what to do when it is not well."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["Finding", "State", "as_lines"]


class State(Enum):
    """How it is."""

    GOOD = "ok"
    NOTE = "note"  # works, with something missing that not everybody needs
    FAULT = "fault"


@dataclass(frozen=True)
class Finding:
    """What was found.

    Attributes
    ----------
    topic : str
        What was looked at, one or two words.
    state : State
    text : str
        How it is, one line.
    remedy : str
        What to do; empty when it is well.
    """

    topic: str
    state: State
    text: str
    remedy: str = ""


def as_lines(findings: list[Finding]) -> list[str]:
    """Findings for the terminal, the remedy under what it is for."""
    wide = max((len(f.topic) for f in findings), default=0)
    lines = []
    for found in findings:
        lines.append(f"{found.state.value:5s}  {found.topic:{wide}s}  {found.text}")
        if found.remedy:
            lines.append(f"{'':5s}  {'':{wide}s}  -> {found.remedy}")
    return lines
