"""The record of what a comparison rests on: passes left out, and where it began anew, each with a reason and a name."""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import tomli_w

from monitor.errors import InputError
from monitor.files import write_text_whole
from monitor.repeat.compare.passes import Pass

__all__ = ["BEGUN_ANEW", "LEFT_OUT", "Decision", "aside_of", "decide", "read_decisions", "words_of"]

LEFT_OUT, BEGUN_ANEW = "left out", "begun anew"


@dataclass(frozen=True)
class Decision:
    """One decision about one pass.

    Attributes
    ----------
    what : str
        LEFT_OUT, or BEGUN_ANEW: this pass and those after it count, those before it no longer.
    recording, recorded_utc, number : str, str, int
        Which pass: its folder's name, when the recording began, its number there.
    why, by, decided_utc : str
    """

    what: str
    recording: str
    recorded_utc: str
    number: int
    why: str
    by: str
    decided_utc: str


def read_decisions(path: Path) -> list[Decision]:
    """The record, oldest first; none when there is no file yet.

    Raises
    ------
    InputError
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        return [Decision(**row) for row in data.get("decision", [])]
    except FileNotFoundError:
        return []
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, TypeError, AttributeError):
        raise InputError(f"{path}: no record of a baseline; name another file with --baseline") from None


def decide(path: Path, what: str, p: Pass, why: str, by: str) -> Decision:
    """Add a decision to the record; what stands there stays.

    Raises
    ------
    InputError
        Without a reason or a name.
    """
    if not why.strip() or not by.strip():
        raise InputError(f"{p.label} {what}: say why with --why and who decides with --by")
    made = Decision(what, p.folder.name, p.started_utc, p.number, why.strip(), by.strip(),
                    datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"))
    write_text_whole(path, tomli_w.dumps({"decision": [asdict(d) for d in (*read_decisions(path), made)]}))
    return made


def aside_of(passes: Sequence[Pass], decisions: Sequence[Decision]) -> dict[int, str]:
    """Passes that no longer count, and why; the last new beginning that is among the passes holds."""
    place = {(p.folder.name, p.started_utc, p.number): i for i, p in enumerate(passes)}
    out: dict[int, str] = {}
    for d in decisions:
        at = place.get((d.recording, d.recorded_utc, d.number))
        if at is None:
            continue
        if d.what == BEGUN_ANEW:
            out |= dict.fromkeys(range(at), f"before the new beginning at {passes[at].label} ({d.why}; {d.by})")
        else:
            out[at] = f"{d.why} ({d.by})"
    return out


def words_of(decisions: Sequence[Decision]) -> list[str]:
    """The record in lines for people."""
    return [f"{d.recording}/{d.number} {d.what} on {d.decided_utc[:10]} by {d.by}: {d.why}" for d in decisions]
