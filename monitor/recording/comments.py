"""What an instructor says about moments of a recording: kept in its trace, with every change undoable."""

from __future__ import annotations

import datetime
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.errors import EnvironmentFault, InputError, MonitorError
from monitor.recording.manifest import check_manifest, renew_manifest
from monitor.recording.reader import TRACE, Recording
from monitor.recording.trace_file import trace_for_writing
from monitor.steps import Steps

__all__ = ["Comment", "CommentBook", "comments_of", "save_comments", "LONGEST_TEXT"]

LONGEST_TEXT = 4000


@dataclass(frozen=True)
class Comment:
    """One remark.

    Attributes
    ----------
    t_s : float
        Moment in the recording, or where the span begins.
    text : str
    author : str
        A code, never a name.
    t_end_s : float or None
        Where the span ends; None for a moment.
    made_utc : str
        When it was written, ISO 8601.
    """

    t_s: float
    text: str
    author: str = ""
    t_end_s: float | None = None
    made_utc: str = ""


class CommentBook:
    """The comments of one recording, sorted by time, with undo and redo.

    Parameters
    ----------
    comments : iterable of Comment
    """

    def __init__(self, comments: Iterable[Comment] = ()) -> None:
        self._steps = Steps(_sorted(comments))

    @property
    def comments(self) -> tuple[Comment, ...]:
        """As they stand now."""
        return self._steps.now

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to take back."""
        return self._steps.can_undo

    @property
    def can_redo(self) -> bool:
        """Whether a change was taken back."""
        return self._steps.can_redo

    def add(self, comment: Comment) -> None:
        """Add a comment; its text is trimmed, an empty one is refused.

        Raises
        ------
        InputError
            When the text is empty or longer than LONGEST_TEXT.
        """
        text = _checked(comment.text)
        made = comment.made_utc or datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        self._push((*self.comments, replace(comment, text=text, made_utc=made)))

    def rewrite(self, comment: Comment, text: str) -> None:
        """Change what a comment says."""
        new = replace(comment, text=_checked(text))
        if new != comment:
            self._push(new if c is comment or c == comment else c for c in self.comments)

    def remove(self, comment: Comment) -> None:
        """Take a comment away."""
        self._push(c for c in self.comments if c != comment)

    def undo(self) -> None:
        """Take the last change back."""
        self._steps.undo()

    def redo(self) -> None:
        """Make the change again that was taken back last."""
        self._steps.redo()

    def _push(self, comments: Iterable[Comment]) -> None:
        self._steps.push(_sorted(comments))


def comments_of(recording: Recording) -> tuple[Comment, ...]:
    """The comments that a recording holds."""
    return _sorted(Comment(c["t_s"], c["text"], c["author"], c["t_end_s"], c["made_utc"]) for c in recording.comments)


def save_comments(folder: Path, comments: Iterable[Comment]) -> None:
    """Write all comments into a recording in one step; what stood there before is replaced.

    Raises
    ------
    EnvironmentFault
        When the recording may only be read, or another program holds it.
    """
    path = folder / TRACE
    try:
        before = check_manifest(folder, (TRACE,))
        with trace_for_writing(path) as db:
            db.execute("DELETE FROM comments")
            db.executemany("INSERT INTO comments (t_s, t_end_s, author, made_utc, text) VALUES (?, ?, ?, ?, ?)",
                           [(c.t_s, c.t_end_s, c.author, c.made_utc, c.text) for c in comments])
        renew_manifest(folder, (TRACE,), before)
    except (sqlite3.OperationalError, OSError, MonitorError) as fault:
        raise EnvironmentFault(f"{path}: comments cannot be saved: {fault}; is the recording yours to write?") from None


def _sorted(comments: Iterable[Comment]) -> tuple[Comment, ...]:
    return tuple(sorted(comments, key=lambda c: (c.t_s, c.made_utc)))


def _checked(text: str) -> str:
    text = text.replace("\0", "").strip()
    if not text:
        raise InputError("a comment needs some text")
    if len(text) > LONGEST_TEXT:
        raise InputError(f"a comment may have {LONGEST_TEXT} characters, this one has {len(text)}")
    return text
