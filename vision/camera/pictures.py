"""Pictures that may come from anywhere: their size is read before anything is decoded, and decoders keep quiet."""

from __future__ import annotations

import contextlib
import os
import struct
import sys
import threading
from collections.abc import Iterator

import cv2
import numpy as np

from vision.errors import SourceError

__all__ = ["LARGEST_PIXELS", "decoded", "quiet_stderr", "size_of"]

LARGEST_PIXELS = 64 << 20  # several times those of a webcam's picture [convention]
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}  # of a PNG, by its colour type (ISO/IEC 15948, table 11.1)
_MOST_DEFLATED = 1032  # bytes out of one (zlib's technical details: 1032:1 at best)
_PNG = b"\x89PNG\r\n\x1a\n"
_LOCK = threading.Lock()


def decoded(data: bytes, where: object) -> np.ndarray:
    """A JPEG or PNG file's picture as BGR, shape (h, w, 3), uint8.

    Raises
    ------
    SourceError
        In one line that begins with `where`: empty, another kind of file, too large, or damaged.
    """
    if not data:
        raise SourceError(f"{where}: is empty")
    size = size_of(data)
    if size is None:
        raise SourceError(f"{where}: is not a photograph that can be read (JPEG or PNG)")
    if min(size) < 1 or size[0] * size[1] > LARGEST_PIXELS:
        raise SourceError(f"{where}: {size[0]} x {size[1]} px; a photograph may have {LARGEST_PIXELS >> 20} megapixels")
    with quiet_stderr():
        image = None if _is_cut_off(data, size) else cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if image is None:
        raise SourceError(f"{where}: is not a photograph that can be read (JPEG or PNG); it is damaged or was cut off")
    return image


def size_of(data: bytes) -> tuple[int, int] | None:
    """Width and height as the head of a PNG (ISO/IEC 15948, 11.2.2) or JPEG file (ITU-T T.81, B.2.2) says; None for
    others.
    """
    if data.startswith(_PNG):
        return struct.unpack(">II", data[16:24]) if data[12:16] == b"IHDR" and len(data) >= 24 else None
    if not data.startswith(b"\xff\xd8"):
        return None
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF or 0xD0 <= marker <= 0xD8 or marker == 0x01:  # fill bytes, and markers without a length
            at += 1 if marker == 0xFF else 2
        elif 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height, width = struct.unpack(">HH", data[at + 5:at + 9])
            return width, height
        else:
            at += 2 + struct.unpack(">H", data[at + 2:at + 4])[0]
    return None


def _is_cut_off(data: bytes, size: tuple[int, int]) -> bool:
    """Whether a PNG holds less than its size or one of its chunks needs, before memory is taken for all of it."""
    if not data.startswith(_PNG) or len(data) < 26 or data[25] not in _CHANNELS:
        return False
    row_bytes = 1 + size[0] * data[24] * _CHANNELS[data[25]] // 8  # its filter stands before each row
    at, kind = 8, b""
    while at + 8 <= len(data) and kind != b"IEND":
        length, kind = struct.unpack(">I4s", data[at:at + 8])
        at += 12 + length
    return at > len(data) or size[1] * row_bytes > _MOST_DEFLATED * len(data)


@contextlib.contextmanager
def quiet_stderr() -> Iterator[None]:
    """Keep what decoders written in C say off the terminal."""
    with _LOCK:
        if sys.stderr is not None:
            sys.stderr.flush()
        try:
            kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
        except OSError:  # no stderr at all
            yield
            return
        try:
            os.dup2(nowhere, 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            os.close(nowhere)
