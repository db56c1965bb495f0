"""What the machine did beside the work, folded to counts: of none of it the hand is to blame."""

from __future__ import annotations

from typing import Any

from monitor.judging.alerts import MACHINE
from monitor.recording.reader import Recording

__all__ = ["machine_words", "skipped_words", "work_events", "work_warnings"]

# events that are in the counts, or keep time
TOLD_AS_COUNT = frozenset({"picture_changed", "camera_lost", "camera_back", "clock"})


def machine_words(recording: Recording) -> list[str]:
    """Each kind of trouble once, with how often."""
    warnings = recording.warnings
    words = ["sound was off"] if _of(warnings, "no_sound") else []
    words += [skipped_words(recording)] if recording.drops else []
    lost = _of(warnings, "no_picture")
    if lost:
        words.append(f"no picture {_times(len(lost))}, {sum(w['past_s'] or 0.0 for w in lost):.1f} s in all")
    if changed := _of(warnings, "camera_moved"):
        words.append(f"camera, focus or light changed {_times(len(changed))}")
    return words


def skipped_words(recording: Recording) -> str:
    """How many of the pictures were not analysed."""
    skipped = sum(d["count"] for d in recording.drops)
    whole = skipped + len(recording.frames["t_s"])
    return f"{skipped} of {whole} picture{'s' if whole != 1 else ''} skipped"


def work_warnings(recording: Recording) -> list[dict[str, Any]]:
    """The warnings that are about the work."""
    return [w for w in recording.warnings if w["kind"] not in MACHINE]


def work_events(recording: Recording) -> list[dict[str, Any]]:
    """The events that are not told as counts."""
    return [e for e in recording.events if e["kind"] not in TOLD_AS_COUNT]


def _of(warnings: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    return [w for w in warnings if w["kind"] == kind]


def _times(n: int) -> str:
    return {1: "once", 2: "twice"}.get(n, f"{n} times")
