"""What the person at the bench says of the work while it is recorded: a mark, joints molten, joints still solid."""

from __future__ import annotations

from collections.abc import Callable

from monitor.judging.marks import MARK_WORDS, MOLTEN, SOLID
from monitor.ui.bench_state import tr
from monitor.ui.bench_work import BenchWork

__all__ = ["SaidAtBench"]


class SaidAtBench:
    """Writes it into the running recording, and answers with a line; its methods are commands of the window."""

    def __init__(self, work: BenchWork, tell: Callable[[str], None]) -> None:
        self._work, self._tell = work, tell

    def mark(self) -> None:
        """A moment to be looked at later."""
        self._work.engine.in_session(lambda session: session.note("mark", "marked at the bench"))
        self._answer(tr("marked"))

    def molten(self) -> None:
        """The joints are seen to be molten."""
        self._joints(MOLTEN)

    def solid(self) -> None:
        """The joints are seen to be solid."""
        self._joints(SOLID)

    def take_back(self) -> None:
        """The last word on the joints does not count."""
        self._work.engine.in_session(lambda session: session.undo_mark())
        self._answer(tr("the last word on the joints is taken back"))

    def _joints(self, kind: str) -> None:
        self._work.engine.in_session(lambda session: session.mark_joints(kind))
        self._answer(tr("{} (U takes it back)").format(tr(MARK_WORDS[kind])))

    def _answer(self, text: str) -> None:
        self._tell(text if self._work.is_running else tr("no recording runs"))
