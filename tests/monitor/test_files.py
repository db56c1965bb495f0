"""Files appear whole or not at all, with the rights of any new file, and folders are marked while they are written."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import threading

import pytest

from monitor.recording.folder_lock import FolderLock, is_locked
from vision.files import write_bytes_whole, write_text_whole

LOCKING = """
import sys
from pathlib import Path
from monitor.recording.folder_lock import FolderLock
lock = FolderLock(Path(sys.argv[1]))
print("locked", flush=True)
sys.stdin.read()
"""


def test_text_is_written_as_utf8_into_folders_that_are_made(tmp_path):
    path = tmp_path / "new" / "name.toml"

    write_text_whole(path, "Ω\n")

    assert path.read_bytes() == "Ω\n".encode()


def test_a_write_that_fails_leaves_the_old_file_and_nothing_beside_it(tmp_path, monkeypatch):
    path = tmp_path / "kept.txt"
    path.write_text("old")
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left on device")))

    with pytest.raises(OSError, match=r"kept\.txt"):
        write_bytes_whole(path, b"new")

    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]


@pytest.mark.skipif(os.name == "nt", reason="rights of another kind")
@pytest.mark.parametrize("mask", [0o022, 0o077])
def test_a_file_gets_the_rights_that_the_users_mask_leaves(tmp_path, mask):
    before = os.umask(mask)
    try:
        write_bytes_whole(tmp_path / "a", b"")
    finally:
        os.umask(before)

    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o666 & ~mask


def test_asking_whether_a_folder_is_being_written_leaves_no_trace_in_it(tmp_path):
    assert not is_locked(tmp_path)
    assert not list(tmp_path.iterdir())


def test_a_folder_begun_by_one_thread_is_marked_until_another_ends_it(tmp_path):
    lock = FolderLock(tmp_path)
    marked = is_locked(tmp_path)
    ending = threading.Thread(target=lock.free)
    ending.start()
    ending.join()

    assert marked
    assert not is_locked(tmp_path)
    assert not list(tmp_path.iterdir())


def test_the_mark_goes_away_with_the_process_that_was_killed(tmp_path):
    child = subprocess.Popen([sys.executable, "-c", LOCKING, str(tmp_path)], stdin=subprocess.PIPE,
                             stdout=subprocess.PIPE)
    child.stdout.readline()
    marked = is_locked(tmp_path)
    child.kill()
    child.communicate()

    assert marked
    assert not is_locked(tmp_path)
