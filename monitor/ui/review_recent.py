"""Which recordings were opened lately."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt6.QtWidgets import QMenu

from monitor.recording.reader import TRACE
from monitor.ui.review_keys import settings, tr

__all__ = ["fill_recent", "remember"]

MOST_RECENT = 10


def remember(folder: Path) -> None:
    """Put a recording first in the list."""
    store, name = settings(), str(folder.absolute())
    known = [str(n) for n in (store.value("recent", []) or [])]
    store.setValue("recent", [name, *(n for n in known if n != name)][:MOST_RECENT])
    store.setValue("folder", str(folder.absolute().parent))


def fill_recent(menu: QMenu, open_folder: Callable[[Path], None]) -> None:
    """List them; what is not there any more cannot be chosen."""
    menu.clear()
    for name in settings().value("recent", []) or []:
        is_there = (Path(name) / TRACE).is_file()
        action = menu.addAction(name if is_there else tr("{name} (not there)").format(name=name))
        action.setEnabled(is_there)
        action.triggered.connect(lambda _=False, name=name: open_folder(Path(name)))
