"""Where results may be written: never onto what a command reads, never onto a recording's own files, nor through a
link.

Every writer of results asks here before it writes; the command line asks for all that its arguments name.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from monitor.errors import InputError
from monitor.recording.folder import TRACE, is_own
from monitor.recording.reader import Recording

__all__ = ["check_output", "sources_of"]

_HEAD_BYTES = 4000


def check_output(path: Path, inputs: Iterable[Path] = (), word: str = "") -> Path:
    """Make sure that a file may be written under a name; gives the path.

    Parameters
    ----------
    path : Path
    inputs : iterable of Path
        Files that are read meanwhile.
    word : str
        What a text file that is there must hold, so that only one of the same kind is replaced.

    Raises
    ------
    InputError
        When something would be lost; the text says what.
    """
    for place in (path, path.resolve()):
        if is_own(place.name) and (place.parent / TRACE).exists():
            raise InputError(f"{path}: is a file of the recording {place.parent.name} itself; name another file")
    if not path.exists():
        return path
    if not path.is_file():
        raise InputError(f"{path}: is {'a folder' if path.is_dir() else 'no plain file'}; name a file")
    for other in inputs:
        if other.exists() and path.samefile(other):
            raise InputError(f"{path}: is read by this command and would be lost; name another file")
    if word and path.stat().st_size and word not in _head(path):
        raise InputError(f"{path}: is there already and holds something else; name another file, or remove it first")
    return path


def sources_of(recording: Recording) -> list[Path]:
    """What a recording's report or overlay is made from, its linked video among it."""
    return [recording.folder / TRACE, *([recording.video] if recording.video is not None else [])]


def _head(path: Path) -> str:
    with path.open("rb") as file:
        return file.read(_HEAD_BYTES).decode("utf-8", "replace")
