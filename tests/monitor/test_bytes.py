"""Damage that is no text, and sizes that a file cannot hold, are told in one line."""

import struct
import zlib

import pytest

from monitor.errors import InputError
from monitor.recording.trace_file import open_trace_file
from tests.compare.make import record_passes
from vision.camera.pictures import decoded
from vision.errors import SourceError


def test_a_trace_whose_schema_is_no_text_is_damaged(tmp_path):
    path = record_passes(tmp_path / "r", [12.0], dwell_s=0.5) / "trace.sqlite"
    data = path.read_bytes()
    assert data.count(b"CREATE TABLE passes") == 1
    path.write_bytes(data.replace(b"CREATE TABLE passes", b"CREATE TABL\xe5 p\xccsses"))

    with pytest.raises(InputError, match="damaged or not a trace"), open_trace_file(path):
        pass


def png(width, height, rows):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
    head = struct.pack(">IIBBBBB", width, height, 16, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows, 9)) + chunk(b"IEND", b"")


def test_a_picture_whose_file_cannot_hold_its_size_is_refused_before_memory_is_taken(monkeypatch):
    monkeypatch.setattr("cv2.imdecode", lambda *a: pytest.fail("was decoded"))

    whole = png(40, 30, bytes(9000))
    at = whole.index(b"IDAT") - 4
    for data in (png(8000, 8000, bytes(9000)), whole[:at] + b"\x7a" + whole[at + 1:]):  # a chunk of 2 GB
        with pytest.raises(SourceError, match="cut off"):
            decoded(data, "a.png")


def test_a_picture_of_one_colour_is_small_and_still_read():
    rows = (b"\x00" + bytes(8 * 2000)) * 1500

    assert decoded(png(2000, 1500, rows), "a.png").shape == (1500, 2000, 3)
