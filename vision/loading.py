"""Reads text, TOML and tables that may come from anywhere: plain files only, of a size that fits, in UTF-8, faults
named.
"""

from __future__ import annotations

import csv
import io
import json
import math
import stat
import tomllib
from collections.abc import Iterable, Set
from pathlib import Path
from typing import Any

from vision.errors import CalibrationError

__all__ = ["check_keys", "number", "read_bytes", "read_json", "read_table", "read_text", "read_toml", "toml_of"]

# what is read, so that a file of another kind ends in one line and not in a full memory [convention]
LARGEST_TEXT_BYTES = 200_000
LARGEST_TABLE_BYTES = 20_000_000
LARGEST_JSON_BYTES = 5_000_000
DEEPEST = 12  # levels of tables and lists in a TOML file
LARGEST_NUMBER = 1e12
LONGEST_FIELD = 4_000


def read_bytes(path: Path, what: str, most: int, fault: type[Exception] = CalibrationError) -> bytes:
    """All of a plain file that is not larger than it may be.

    Parameters
    ----------
    path : Path
    what : str
        What it should have been, for the message.
    most : int
        Bytes.
    fault : exception type
        Raised with one line that names the file and the cause.
    """
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):
            raise fault(f"{path}: is {'a folder' if stat.S_ISDIR(mode) else 'no plain file'}; expected a {what}")
        with path.open("rb") as file:
            data = file.read(most + 1)
    except FileNotFoundError:
        raise fault(f"{path}: no such file; expected a {what}") from None
    except (OSError, ValueError) as error:  # a NUL in a name is a ValueError
        raise fault(f"{path}: cannot be read as a {what}: {getattr(error, 'strerror', None) or error}") from None
    if len(data) > most:
        raise fault(f"{path}: larger than {most // 1000} kB; that is no {what}")
    return data


def read_text(path: Path, what: str, fault: type[Exception] = CalibrationError, most: int = LARGEST_TEXT_BYTES) -> str:
    """Text in UTF-8, as `read_bytes` reads it; a NUL is refused."""
    data = read_bytes(path, what, most, fault)
    try:
        text = data.decode("utf-8-sig" if data.startswith(b"\xef\xbb\xbf") else "utf-8")
    except UnicodeDecodeError as error:
        raise fault(f"{path}: not text in UTF-8 (byte {error.start}); expected a {what}") from None
    if "\0" in text:
        raise fault(f"{path}: holds a NUL character at place {text.index(chr(0))}; that is no {what}")
    return text


def read_toml(path: Path, what: str, fault: type[Exception] = CalibrationError) -> dict[str, Any]:
    """Keys of a TOML file; CalibrationError, or the fault named, in one line that names the file and `what` it should
    be.
    """
    return toml_of(read_text(path, what, fault), path, what, fault)


def read_json(path: Path, what: str, fault: type[Exception] = CalibrationError) -> Any:
    """What a JSON file holds, read as `read_text` does."""
    try:
        return json.loads(read_text(path, what, fault, LARGEST_JSON_BYTES))
    except (ValueError, RecursionError) as error:
        words = " ".join(str(error).split()) or type(error).__name__
        raise fault(f"{path}: not a {what} (JSON expected): {words[:200]}") from None


def toml_of(text: str, where: object, what: str, fault: type[Exception] = CalibrationError,
            numbers: bool = True) -> dict[str, Any]:
    """Keys of TOML text; nesting is not deep, and `numbers` are finite and of a size that means something."""
    try:
        found = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        words = " ".join(str(error).split()) or type(error).__name__
        raise fault(f"{where}: not a {what} (TOML expected): {words[:200]}") from None
    wrong = _wrong(found, "", 0, numbers)
    if wrong:
        raise fault(f"{where}: {wrong}")
    return found


def check_keys(path: Path, found: dict[str, Any], needed: set[str],
               optional: Set[str] = frozenset()) -> None:
    """Refuse missing and unknown keys, all of them named in one line."""
    missing, unknown = sorted(needed - found.keys()), sorted(map(_short, found.keys() - needed - optional))
    faults = [f"missing {', '.join(missing)}"] * bool(missing) + [f"unknown {', '.join(unknown)}"] * bool(unknown)
    if faults:
        raise CalibrationError(f"{path}: keys: {'; '.join(faults)}")


def number(path: Path, key: str, value: object, low: float = -LARGEST_NUMBER, high: float = LARGEST_NUMBER) -> float:
    """A number within its range; CalibrationError names file and key."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise CalibrationError(f"{path}: {key}: must be a finite number, got {_short(value)}")
    if not low <= value <= high:
        raise CalibrationError(f"{path}: {key}: must lie between {low:g} and {high:g}, got {value:g}")
    return float(value)


def read_table(path: Path, needed: Iterable[str], what: str,
               fault: type[Exception] = CalibrationError) -> list[dict[str, str]]:
    """Rows of a CSV table in UTF-8, by the names of its first line; a cell that may be missing is empty.

    Parameters
    ----------
    path : Path
    needed : iterable of str
        Columns that must be there.
    what : str
        What it should have been, for the message.
    fault : exception type
        Raised with one line that names file, line and cause.
    """
    text, needed = read_text(path, what, fault, LARGEST_TABLE_BYTES), tuple(needed)
    before = csv.field_size_limit(LONGEST_FIELD)
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
        names = reader.fieldnames or []
        if missing := [name for name in needed if name not in names]:
            raise fault(f"{path}: column {', '.join(missing)} is missing; expected a {what}")
        rows = []
        for row in reader:
            if None in row or any(row[name] is None for name in needed):
                word = "more" if None in row else "fewer"
                raise fault(f"{path}: line {reader.line_num}: has {word} cells than the first line names")
            rows.append({name: cell or "" for name, cell in row.items()})
        return rows
    except csv.Error as error:
        raise fault(f"{path}: not a table (CSV): {error}; expected a {what}") from None
    finally:
        csv.field_size_limit(before)


def _wrong(value: object, key: str, depth: int, numbers: bool) -> str:
    """What is wrong with a value in a TOML file; empty when nothing is."""
    if depth > DEEPEST:
        return f"{key[:60]}: nested more than {DEEPEST} deep"
    if isinstance(value, dict):
        pairs = ((f"{key}.{_short(name)}" if key else _short(name), item) for name, item in value.items())
    elif isinstance(value, list):
        pairs = ((f"{key}[{i}]", item) for i, item in enumerate(value, 1))
    else:
        if not numbers or isinstance(value, bool) or not isinstance(value, (int, float)):
            return ""
        if isinstance(value, float) and not math.isfinite(value):
            return f"{key}: must be a finite number, got {value}"
        return f"{key}: beyond all measure" if abs(value) > LARGEST_NUMBER else ""
    return next((wrong for name, item in pairs if (wrong := _wrong(item, name, depth + 1, numbers))), "")


def _short(value: object) -> str:
    text = ascii(value) if isinstance(value, str) else repr(value)
    text = text[1:-1] if isinstance(value, str) else text
    return text if len(text) <= 40 else text[:37] + "..."
