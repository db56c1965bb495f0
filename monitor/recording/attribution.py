"""Who did the work, when, and as what: told with a clip, since the clip cannot tell it itself."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import InputError

__all__ = ["KINDS", "Attribution", "attributed", "from_meta", "when_words"]

KINDS = ("practice", "probe", "work")
LONGEST_CODE = 24
SANE_YEAR = 1990  # a camera whose clock was never set says 1904 or 1970


@dataclass(frozen=True)
class Attribution:
    """Who, when, as what.

    Attributes
    ----------
    operator : str
        A code, never a name; empty when not told.
    recorded_utc : str
        ISO 8601; empty: the moment at which the recording is written.
    recorded_from : str
        "told", "file" (the video file's own time) or "clock" (recorded live).
    kind : str
        One of KINDS; empty when not told. A probe is a pass without help, from which learning is judged.
    """

    operator: str = ""
    recorded_utc: str = ""
    recorded_from: str = "clock"
    kind: str = ""


def attributed(clip: Path, operator: str = "", recorded: str = "", kind: str = "") -> Attribution:
    """What was told of a clip; a time that was not told is the file's own.

    Parameters
    ----------
    clip : Path
    operator, kind : str
    recorded : str
        ISO 8601; without an offset it is the time of the clocks here.

    Raises
    ------
    InputError
    """
    if kind and kind not in KINDS:
        raise InputError(f"--kind {kind}: expected one of {', '.join(KINDS)}")
    if len(operator) > LONGEST_CODE or not operator.isprintable():
        raise InputError(f"--operator {operator[:40]!r}: expected a code of at most {LONGEST_CODE} characters")
    if not recorded:
        return Attribution(operator, _file_time(clip), "file", kind)
    try:
        moment = datetime.datetime.fromisoformat(recorded.strip())
    except ValueError:
        raise InputError(f"--recorded {recorded}: no time; expected YYYY-MM-DDTHH:MM") from None
    return Attribution(operator, moment.astimezone(datetime.UTC).isoformat(timespec="seconds"), "told", kind)


def from_meta(meta: dict[str, Any]) -> Attribution:
    """What a recording keeps of it; older ones do not tell where their time comes from."""
    return Attribution(meta.get("operator", ""), meta.get("started_utc", ""), meta.get("recorded_from", ""),
                       meta.get("kind", ""))


def when_words(meta: dict[str, Any]) -> str:
    """The time of a recording for people: "2026-05-01 14:10 UTC (by the video file's own time)"."""
    text = meta.get("started_utc", "")
    if not text:
        return "at an unknown time"
    how = {"file": " (by the video file's own time)", "told": " (as told)"}.get(meta.get("recorded_from", ""), "")
    return f"{text[:16].replace('T', ' ')} UTC{how}"


def _file_time(clip: Path) -> str:
    """The time that the file's container tells, else that of its last change; empty when there is neither."""
    moment = _container_time(clip)
    try:
        moment = moment or datetime.datetime.fromtimestamp(clip.stat().st_mtime, datetime.UTC)
    except OSError:
        return ""
    return moment.astimezone(datetime.UTC).isoformat(timespec="seconds")


def _container_time(clip: Path) -> datetime.datetime | None:
    import av

    try:
        with av.open(str(clip)) as video:
            moment = datetime.datetime.fromisoformat(video.metadata.get("creation_time", ""))
    except (OSError, ValueError, av.error.FFmpegError):
        return None
    return moment if moment.year >= SANE_YEAR else None
