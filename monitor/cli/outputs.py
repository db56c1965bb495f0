"""Names of files to write on the command line: their endings fit, and none is what the same command reads."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

from monitor.recording.outputs import check_output

__all__ = ["OutputName", "check_outputs", "to_write"]


class OutputName(str):
    """The name of a file to write.

    Attributes
    ----------
    word : str
        What a file of that name must hold to be replaced; empty: anything.
    """

    word = ""


def to_write(*endings: str, word: str = "") -> Callable[[str], OutputName]:
    """A type for argparse: a name with one of the endings."""
    def check(text: str) -> OutputName:
        if endings and not text.lower().endswith(endings):
            raise argparse.ArgumentTypeError(f"{text}: the name must end in {' or '.join(endings)}")
        name = OutputName(text)
        name.word = word
        return name
    return check


def check_outputs(args: argparse.Namespace) -> None:
    """Refuse an output that would land on what the command reads, or on what is not its own.

    Raises
    ------
    InputError
    """
    given = [value for key, value in vars(args).items() if key not in ("run", "command")]
    outputs = [value for value in given if isinstance(value, OutputName)]
    inputs = [path for value in given for path in _files(value)] if outputs else []
    for name in outputs:
        check_output(Path(name), inputs, name.word)


def _files(value: object) -> Iterator[Path]:
    """Files that an argument names: itself, or those directly in a folder."""
    texts = value if isinstance(value, list) else [value]
    for text in texts:
        if not isinstance(text, str) or isinstance(text, OutputName) or not text or "\0" in text:
            continue
        path = Path(text)
        try:
            if path.is_file():
                yield path
            elif path.is_dir() and not (path / "trace.sqlite").exists():
                yield from (other for other in path.iterdir()
                            if other.suffix.lower() in (".png", ".jpg", ".jpeg", ".csv"))
            elif path.is_dir():
                yield from path.glob("video.*")
        except OSError:
            continue  # a name too long to be one
