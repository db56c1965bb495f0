"""The manifest of a recording: the SHA-256 of every file, written on closing, so that later changes are found.

It finds accidents (a bad disk, a copy cut off, a file edited by hand), not someone who writes a new manifest.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import EnvironmentFault
from monitor.files import write_text_whole
from monitor.recording.folder import BENCH_PICTURE, CAMERA, GUIDE, HEAT, JOB, MANIFEST, META, NOZZLE, PICTURE, TRACE

__all__ = ["Answer", "check_manifest", "entries_of", "renew_manifest", "sha256_of", "write_manifest"]

_FIXED = (TRACE, JOB, CAMERA, NOZZLE, META, PICTURE, BENCH_PICTURE, HEAT, GUIDE)
_VERSION = 1
_LONGEST_BYTES = 1 << 20


@dataclass(frozen=True)
class Answer:
    """What a manifest says of a recording as it lies there now.

    Attributes
    ----------
    whole, altered, missing : tuple of str
        Names of files.
    fault : str
        Why nothing can be told; empty when it can.
    """

    whole: tuple[str, ...] = ()
    altered: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    fault: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether every file is as it was."""
        return not (self.altered or self.missing or self.fault)

    @property
    def sentence(self) -> str:
        """In words."""
        if self.fault:
            return self.fault
        parts = [f"{word}: {', '.join(names)}" for word, names in (("altered", self.altered), ("missing", self.missing))
                 if names]
        return "; ".join(parts) if parts else f"whole: {len(self.whole)} files as they were when it was closed"


def write_manifest(folder: Path, known: dict[str, dict[str, Any]] | None = None) -> None:
    """Take the hash of every file of a recording.

    Parameters
    ----------
    folder : Path
    known : dict, optional
        Entries of another manifest: one of a video of the same size and time is taken over, not computed again.
    """
    entries = {}
    for path in _files(folder):
        entry = _entry(path)
        before = (known or {}).get(path.name, {})
        is_known = all(before.get(key) == entry[key] for key in entry)
        entries[path.name] = entry | {"sha256": before["sha256"] if is_known and "sha256" in before
                                      else sha256_of(path)}
    write_text_whole(folder / MANIFEST, _text(entries))
    (folder / MANIFEST).chmod(0o600)


def renew_manifest(folder: Path, names: Iterable[str], before: Answer) -> None:
    """Take the hashes of files anew that the program itself changed; what was altered before that stays altered."""
    entries = entries_of(folder)
    if entries is None:
        return
    for name in names:
        if name in before.whole:
            entries[name] = _entry(folder / name) | {"sha256": sha256_of(folder / name)}
    write_text_whole(folder / MANIFEST, _text(entries))


def check_manifest(folder: Path, only: Iterable[str] | None = None) -> Answer:
    """Compare a recording with its manifest.

    Parameters
    ----------
    folder : Path
    only : iterable of str, optional
        Names to look at; all by default.

    Raises
    ------
    EnvironmentFault
        When a file is there and cannot be read.
    """
    if not (folder / MANIFEST).exists():
        return Answer(fault="cannot be told: it has no manifest (made by an older program, or not closed)")
    entries = entries_of(folder)
    if entries is None:
        return Answer(altered=(MANIFEST,))
    whole, altered, missing = [], [], []
    for name, entry in entries.items():
        path = folder / name
        if only is not None and name not in only:
            continue
        if not path.is_file():
            missing.append(name)
        elif path.stat().st_size == entry.get("bytes") and sha256_of(path) == entry.get("sha256"):
            whole.append(name)
        else:
            altered.append(name)
    if only is None:
        altered += [path.name for path in _files(folder) if path.name not in entries]
    return Answer(tuple(whole), tuple(altered), tuple(missing))


def entries_of(folder: Path) -> dict[str, dict[str, Any]] | None:
    """The manifest's entries by name; None when there is none, or it was altered itself."""
    path = folder / MANIFEST
    try:
        if not stat.S_ISREG(path.lstat().st_mode) or path.stat().st_size > _LONGEST_BYTES:
            return None
        text = path.read_text(encoding="utf-8")
        entries = json.loads(text)["files"]
        names = {path.name for path in _files(folder)} | set(_FIXED)
        is_ours = all(isinstance(e, dict) and (n in names or n.startswith("video.")) and "/" not in n and "\\" not in n
                      for n, e in entries.items())
        return entries if is_ours and text == _text(entries, json.loads(text)["made_utc"]) else None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _files(folder: Path) -> list[Path]:
    """The files of a recording that are there; not what is made from it."""
    videos = sorted(path for path in folder.glob("video.*") if path.is_file())
    return [*(folder / name for name in _FIXED if (folder / name).is_file()), *videos]


def _entry(path: Path) -> dict[str, Any]:
    found = path.stat()
    entry: dict[str, Any] = {"bytes": found.st_size}
    return entry | {"changed_ns": found.st_mtime_ns} if path.name.startswith("video.") else entry


def _text(entries: dict[str, dict[str, Any]], made_utc: str | None = None) -> str:
    """One line a file, and a hash over them all, so that a change of the manifest shows too."""
    made = made_utc or datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    rows = ",\n".join(f" {json.dumps(name)}: {json.dumps(entry)}" for name, entry in entries.items())
    body = f'"version": {_VERSION},\n"made_utc": {json.dumps(made)},\n"files": {{\n{rows}\n}},\n'
    return f'{{{body}"sha256": "{hashlib.sha256(body.encode()).hexdigest()}"}}\n'


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal; EnvironmentFault when it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as fault:
        raise EnvironmentFault(f"{path}: cannot be read: {fault.strerror or fault}") from None
