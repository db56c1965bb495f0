"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["write_text_whole", "write_bytes_whole"]


def write_text_whole(path: Path, text: str) -> None:
    """Write UTF-8 text under its final name in one step; an interruption leaves the old file or none."""
    write_bytes_whole(path, text.encode("utf-8"))


def write_bytes_whole(path: Path, data: bytes) -> None:
    """Write bytes under their final name in one step, through a temporary file beside it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
