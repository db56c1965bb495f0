"""Files that appear whole or not at all, and TOML read with its faults named."""

from __future__ import annotations

import contextlib
import os
import secrets
import tomllib
from pathlib import Path

from vision.errors import CalibrationError

__all__ = ["write_text_whole", "write_bytes_whole", "read_toml", "check_keys"]


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
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as fault:
        raise OSError(fault.errno, fault.strerror, str(path)) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def read_toml(path: Path, what: str) -> dict:
    """Keys of a TOML file.

    Raises
    ------
    CalibrationError
        When it is missing, unreadable or not TOML; the text names the file, and `what` it should have been.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CalibrationError(f"{path}: cannot read the {what}: {error.strerror or error}") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CalibrationError(f"{path}: not a {what} (TOML expected): {error}") from error


def check_keys(path: Path, found: dict, needed: set[str], optional: set[str] = frozenset()) -> None:
    """Refuse missing and unknown keys, all of them named in one line."""
    missing, unknown = sorted(needed - found.keys()), sorted(found.keys() - needed - optional)
    faults = [f"missing {', '.join(missing)}"] * bool(missing) + [f"unknown {', '.join(unknown)}"] * bool(unknown)
    if faults:
        raise CalibrationError(f"{path}: keys: {'; '.join(faults)}")
