"""Which of the standing warnings are shown and sounded now: shelving, floods, and one repeat after a minute.

The alert book says what stands; nothing here starts or ends a warning.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from monitor.errors import InputError
from monitor.judging.alerts import MACHINE, Priority, TechniqueWarning

__all__ = ["Alarm", "Annunciator", "Shelved"]

LONGEST_SHELF_S = 600.0
REPEAT_AFTER_S = 60.0
FLOOD_RAISES, FLOOD_S = 5, 60.0
FLOOD_SOUND_EVERY_S = 10.0


@dataclass(frozen=True)
class Shelved:
    """A warning put aside by the user, until when, and why."""

    kind: str
    region: str
    until_s: float
    reason: str


@dataclass(frozen=True)
class Alarm:
    """What to show and sound at one instant.

    Attributes
    ----------
    shown : tuple of TechniqueWarning
        The most urgent first; without what is shelved.
    shelved : tuple of Shelved
    is_flood : bool
        So many at once that the only advice is to stop and look.
    sounds : tuple of Priority
        Warning sounds to start now, the most urgent first.
    """

    shown: tuple[TechniqueWarning, ...] = ()
    shelved: tuple[Shelved, ...] = ()
    is_flood: bool = False
    sounds: tuple[Priority, ...] = ()


class Annunciator:
    """State between frames; `step` once a frame."""

    def __init__(self) -> None:
        self._shelved: dict[tuple[str, str], Shelved] = {}
        self._raises: deque[float] = deque()
        self._repeated: set[int] = set()
        self._sounded_s: dict[Priority, float] = {}

    def shelve(self, warning: TechniqueWarning, t_s: float, for_s: float = LONGEST_SHELF_S,
               reason: str = "") -> Shelved:
        """Put a warning aside for a while; it comes back by itself.

        Raises
        ------
        InputError
            When a warning of high priority is shelved without a reason.
        """
        if warning.priority is Priority.HIGH and not reason.strip():
            raise InputError(f"{warning.kind}: protects the work; to shelve it, say why")
        put = Shelved(warning.kind, warning.region, t_s + min(for_s, LONGEST_SHELF_S), reason.strip())
        self._shelved[warning.kind, warning.region] = put
        return put

    @property
    def shelved(self) -> tuple[Shelved, ...]:
        """What is put aside now."""
        return tuple(self._shelved.values())

    def unshelve(self, kind: str, region: str) -> None:
        """Take a warning back before its time."""
        self._shelved.pop((kind, region), None)

    def step(self, t_s: float, started: tuple[TechniqueWarning, ...], standing: tuple[TechniqueWarning, ...]) -> Alarm:
        """What to show and sound, given what started in this frame and what stands."""
        self._shelved = {key: s for key, s in self._shelved.items() if s.until_s > t_s}
        shown = tuple(w for w in standing if (w.kind, w.region) not in self._shelved)
        fresh = [w for w in started if (w.kind, w.region) not in self._shelved]
        self._raises.extend(w.t_start_s for w in fresh if w.kind not in MACHINE)
        while self._raises and t_s - self._raises[0] > FLOOD_S:
            self._raises.popleft()
        is_flood = len(self._raises) > FLOOD_RAISES
        due = [w for w in shown if t_s - w.t_start_s >= REPEAT_AFTER_S and w.number not in self._repeated]
        self._repeated = {w.number for w in standing if w.number in self._repeated or w in due}
        wanted = sorted({w.priority for w in (*fresh, *due)}, reverse=True)
        sounds = tuple(p for p in wanted if not is_flood or t_s - self._sounded_s.get(p, -1e9) >= FLOOD_SOUND_EVERY_S)
        self._sounded_s |= dict.fromkeys(sounds, t_s)
        return Alarm(shown, tuple(self._shelved.values()), is_flood, sounds)
