"""Claims a folder for a new recording: what lies there is recovered, carried over, or a reason to refuse; never
lost.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import InputError, MonitorError
from monitor.recording import schema
from monitor.recording.folder import (
    LOCK,
    TRACE,
    files_of_others,
    free_name,
    has_trace,
    is_live,
    put_in_place,
    remove_own,
)
from monitor.recording.folder_lock import is_locked
from monitor.recording.trace_file import open_trace_file

__all__ = ["Claim", "claim_folder", "remove_unfinished"]

log = logging.getLogger("plumeline.recording")
EARLIER = " (under an earlier job)"


@dataclass(frozen=True)
class Claim:
    """A folder to write a recording into, and what becomes of the one that has its final name.

    Attributes
    ----------
    part : Path
        Where to write.
    folder : Path
        Final name.
    carries : bool
        Whether what people added to the old recording is taken along.
    keeps_old : bool
        Whether the old one stays beside under another name, since it cannot be read.
    """

    part: Path
    folder: Path
    carries: bool = False
    keeps_old: bool = False

    def carry_over(self, db: sqlite3.Connection, job_hash: str) -> None:
        """Take along what people added to the old recording; a what-if under another job says that it was one."""
        if not self.carries:
            return
        with open_trace_file(self.folder / TRACE, (*schema.PERSONAL_TABLES, "meta")) as old:
            for table in schema.PERSONAL_TABLES:
                names = [row[1] for row in old.execute(f"PRAGMA table_info({table})")]
                rows = old.execute(f"SELECT {', '.join(names)} FROM {table}").fetchall()
                if rows:
                    db.execute(f"DELETE FROM {table}")  # a rerun has brought its source's along
                db.executemany(f"INSERT OR REPLACE INTO {table} ({', '.join(names)}) VALUES "
                               f"({', '.join('?' * len(names))})", rows)
            meta = dict(old.execute("SELECT key, value FROM meta").fetchall())
        for key in schema.PERSONAL_KEYS:
            if key in meta:
                is_same_job = f'"{job_hash}"' in meta.get("hashes", "")
                db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)",
                           (key, meta[key] if is_same_job else _of_earlier_job(meta[key])))

    def settle(self) -> Path:
        """Give the finished recording its name, and let the old one go."""
        old = put_in_place(self.part, self.folder)
        if old is None:
            return self.folder
        if self.keeps_old:
            kept = free_name(self.folder.with_name(self.folder.name + "-unreadable"))
            os.replace(old, kept)
            log.warning("%s: could not be read, so it is kept as %s", self.folder, kept)
        elif not remove_own(old):
            log.warning("%s: what is left of the recording before holds files of others", old)
        return self.folder


def claim_folder(folder: str | Path, force: bool = False, video: Path | None = None,
                 source: Path | None = None) -> Claim:
    """Check that a recording may be written there.

    Parameters
    ----------
    folder : path
    force : bool
        Replace a recording that is there; what people added to it is carried over.
    video, source : Path, optional
        What the new one is made from: a clip; a recording.

    Raises
    ------
    InputError
        If something that must not be lost is there already.
    """
    folder = Path(folder)
    if folder.is_symlink():
        raise InputError(f"{folder}: is a link; --out needs the name of a folder itself")
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: is a file; --out needs the name of a folder")
    _clear_old(folder)
    _clear_part(folder)
    carries = keeps_old = False
    if folder.is_dir() and any(folder.iterdir()):
        carries, keeps_old = _replaceable(folder, force, video, source)
    part = _part(folder)
    part.mkdir(parents=True, mode=0o700)
    return Claim(part, folder, carries, keeps_old)


def _part(folder: Path) -> Path:
    return folder.with_name(folder.name + ".part")


def _clear_old(folder: Path) -> None:
    """A recording that was about to be replaced when the program was stopped: it is the only one left, or may go."""
    old = folder.with_name(folder.name + ".old")
    if not has_trace(old) or old.is_symlink():
        return
    if not folder.exists():
        os.replace(old, folder)
    elif has_trace(folder) and not files_of_others(old):
        remove_own(old)


def _clear_part(folder: Path) -> None:
    """What an earlier run left: a live recording is recovered, an analysis that can be made again goes away."""
    part = _part(folder)
    if part.is_symlink() or (part.exists() and not part.is_dir()):
        raise InputError(f"{part}: is in the way and no folder of this program; move it, or name another folder")
    if not part.exists():
        return
    if is_locked(part):
        raise InputError(f"{part}: is being written by another run at this moment; name another folder")
    if has_trace(part) and is_live(part):
        from monitor.recording.reader import finish_part

        kept = finish_part(part, free_name(folder.with_name(f"{folder.name}-recovered")))
        log.warning("%s: an unfinished recording was there; it is now %s", part, kept)
        return
    if (part / TRACE).exists() and (part / LOCK).exists() and is_live(part):
        kept = free_name(folder.with_name(f"{folder.name}-unreadable"))
        os.replace(part, kept)
        log.warning("%s: an unfinished recording was there that cannot be read; it is now %s", part, kept)
        return
    if not remove_unfinished(part):
        raise InputError(f"{part}: is in the way and holds what this program did not write; move it, or name another "
                         f"folder")


def remove_unfinished(part: Path) -> bool:
    """Remove what a recording that was never finished, and can be made again, left; False when it stays.

    The word that one is live is written before its trace is begun, so without a trace there is nothing to lose.
    """
    is_ours = has_trace(part) or (part / LOCK).exists() or not any(part.iterdir())
    may_go = is_ours and not is_locked(part) and not ((part / TRACE).exists() and is_live(part))
    return may_go and remove_own(part)


def _replaceable(folder: Path, force: bool, video: Path | None, source: Path | None) -> tuple[bool, bool]:
    """Whether what people added is to be carried over, and whether the old one stays beside."""
    if not (folder / TRACE).exists():
        raise InputError(f"{folder}: not empty and no recording; name another folder for --out")
    if not force:
        raise InputError(f"{folder}: holds a recording already; name another folder, or --force to replace it")
    if is_locked(folder):
        raise InputError(f"{folder}: is being recorded at this moment; name another folder")
    if others := files_of_others(folder):
        raise InputError(f"{folder}: holds {', '.join(others[:3])}, which would be lost; move it first, or name "
                         f"another folder")
    try:
        with open_trace_file(folder / TRACE, (*schema.PERSONAL_TABLES, "meta")) as db:
            meta = dict(db.execute("SELECT key, value FROM meta").fetchall())
            n_added = sum(db.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0] for table in schema.PERSONAL_TABLES)
    except MonitorError:
        return False, True
    n_added += sum(key in meta for key in schema.PERSONAL_KEYS)
    if not n_added:
        return False, False
    is_again = source is not None and source.exists() and os.path.samefile(source, folder)
    if not is_again and not _is_same_video(folder / meta["video"] if meta.get("video") else None, video):
        raise InputError(f"{folder}: holds {n_added} comments or what-ifs on another video, which would be lost; name "
                         f"another "
                         "folder, or export them first and remove the folder")
    return True, False


def _is_same_video(one: Path | None, other: Path | None) -> bool:
    if one is None or other is None or not one.is_file() or not other.is_file():
        return False
    if os.path.samefile(one, other):
        return True
    if one.stat().st_size != other.stat().st_size:
        return False
    digests = []
    for path in (one, other):
        with path.open("rb") as file:
            digests.append(hashlib.file_digest(file, "sha256").digest())
    return digests[0] == digests[1]


def _of_earlier_job(text: str) -> str:
    try:
        kept = json.loads(text)
        kept["words"] = kept["words"].removesuffix(EARLIER) + EARLIER
        kept["sentence"] = kept["sentence"].removesuffix(EARLIER) + EARLIER
        return json.dumps(kept)
    except (ValueError, TypeError, KeyError, AttributeError):
        return text
