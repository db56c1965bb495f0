"""The record of what a comparison rests on: passes left out, and where it began anew, each with a reason and a name."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import tomli_w

from monitor.errors import InputError
from monitor.files import read_text, toml_of, write_text_whole
from monitor.repeat.compare.passes import Pass
from monitor.steps import Steps

__all__ = ["BEGUN_ANEW", "LEFT_OUT", "TAKEN_BACK", "BaselineBook", "Decision", "aside_of", "decide", "read_decisions",
           "standing", "words_of"]

LEFT_OUT, BEGUN_ANEW, TAKEN_BACK = "left out", "begun anew", "taken back"
WHAT = "record of a baseline"
LARGEST_BYTES = 5_000_000  # some ten thousand decisions


@dataclass(frozen=True)
class Decision:
    """One decision about one pass.

    Attributes
    ----------
    what : str
        LEFT_OUT; BEGUN_ANEW: this pass and those after it count, those before it no longer; or TAKEN_BACK: what was
        decided on this pass before holds no longer.
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
    if not path.exists() and not path.is_symlink():
        return []
    rows = toml_of(read_text(path, WHAT, InputError, LARGEST_BYTES), path, WHAT, InputError).get("decision", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) and _is_decision(row) for row in rows):
        raise InputError(f"{path}: no {WHAT}; name another file with --baseline")
    return [Decision(**row) for row in rows]


def _is_decision(row: dict[str, object]) -> bool:
    """Whether a row says what every decision says, and nothing else."""
    kinds = {field.name: int if field.name == "number" else str for field in fields(Decision)}
    is_whole = {key: type(value) for key, value in row.items()} == kinds
    return is_whole and row["what"] in (LEFT_OUT, BEGUN_ANEW, TAKEN_BACK)


class BaselineBook:
    """The record while it is worked on: every decision is written at once, and can be undone as long as the book is
    open; what was decided before stays, and can be taken back with a reason of its own.

    Parameters
    ----------
    path : Path
        Of the record; made with the first decision.

    Raises
    ------
    InputError
        When the file is no such record.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._steps = Steps(tuple(read_decisions(path)))

    @property
    def decisions(self) -> tuple[Decision, ...]:
        """As they stand now, oldest first."""
        return self._steps.now

    @property
    def can_undo(self) -> bool:
        """Whether something was decided since the book was opened."""
        return self._steps.can_undo

    @property
    def can_redo(self) -> bool:
        """Whether a decision was undone."""
        return self._steps.can_redo

    def decide(self, what: str, p: Pass, why: str, by: str) -> Decision:
        """Add a decision.

        Raises
        ------
        InputError
            Without a reason or a name, when there is nothing to take back, or when somebody else wrote to the record
            meanwhile.
        """
        if not why.strip() or not by.strip():
            raise InputError(f"{p.label} {what}: say why with --why and who decides with --by")
        if what == TAKEN_BACK and not any(_is_of(d, p) for d in standing(self.decisions)):
            raise InputError(f"{p.label}: nothing was decided on this pass that could be taken back")
        made = Decision(what, p.folder.name, p.started_utc, p.number, why.strip(), by.strip(),
                        datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"))
        self._write((*self.decisions, made))
        self._steps.push((*self.decisions, made))
        return made

    def undo(self) -> None:
        """As if the last decision had not been made; nothing when there is none since the book was opened."""
        if self.can_undo:
            self._write(self._steps.before)
            self._steps.undo()

    def redo(self) -> None:
        """Make the decision again that was undone last."""
        if self.can_redo:
            self._write(self._steps.after)
            self._steps.redo()

    def _write(self, decisions: Sequence[Decision]) -> None:
        if tuple(read_decisions(self.path)) != self.decisions:
            raise InputError(f"{self.path}: somebody else wrote to it meanwhile; open the comparison again")
        write_text_whole(self.path, tomli_w.dumps({"decision": [asdict(d) for d in decisions]}))


def decide(path: Path, what: str, p: Pass, why: str, by: str) -> Decision:
    """Add a decision to the record; what stands there stays. Raises as `BaselineBook.decide`."""
    return BaselineBook(path).decide(what, p, why, by)


def standing(decisions: Sequence[Decision]) -> list[Decision]:
    """Those that hold: not taken back since."""
    out: list[Decision] = []
    for d in decisions:
        if d.what == TAKEN_BACK:
            out = [o for o in out if _key(o) != _key(d)]
        else:
            out.append(d)
    return out


def aside_of(passes: Sequence[Pass], decisions: Sequence[Decision]) -> dict[int, str]:
    """Passes that no longer count, and why; the last new beginning that is among the passes holds."""
    place = {(p.folder.name, p.started_utc, p.number): i for i, p in enumerate(passes)}
    out: dict[int, str] = {}
    for d in standing(decisions):
        at = place.get(_key(d))
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


def _key(d: Decision) -> tuple[str, str, int]:
    return d.recording, d.recorded_utc, d.number


def _is_of(d: Decision, p: Pass) -> bool:
    return _key(d) == (p.folder.name, p.started_utc, p.number)
