"""Files that appear whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

__all__ = ["replace_file", "write_bytes_whole", "write_text_whole"]


def write_text_whole(path: Path, text: str) -> None:
    """Write UTF-8 text under its final name in one step; an interruption leaves the old file or none."""
    write_bytes_whole(path, text.encode("utf-8"))


def write_bytes_whole(path: Path, data: bytes) -> None:
    """Write bytes under their final name in one step, through a file beside it; rights are those of any new file.

    Raises
    ------
    OSError
        When it cannot be written; it names `path`, which is then as it was.
    """
    with replace_file(path) as part, part.open("wb") as file:
        file.write(data)


@contextlib.contextmanager
def replace_file(path: Path) -> Iterator[Path]:
    """A new file beside `path` to write into, with the same ending, which takes its name in one step when all went
    well.

    Raises
    ------
    OSError
        When it cannot be written; it names `path`, which is then as it was.
    """
    part = path.with_name(f".{path.stem}.{secrets.token_hex(4)}.part{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("xb"):
            pass
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as fault:
        raise OSError(fault.errno, fault.strerror or str(fault), str(path)) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
