"""Videos of which every frame carries its own number as blocks of black and white, with uneven times."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

BITS, CELL = 16, 16  # cells are as large as a coding block, so that coding does not blur them


def draw_number(number: int, size: tuple[int, int] = (320, 240)) -> np.ndarray:
    """A grey picture with 16 cells of one bit each in its upper left, and their complements below."""
    picture = np.full((size[1], size[0], 3), 110, np.uint8)
    for bit in range(BITS):
        left, value = bit * CELL, 255 * (number >> bit & 1)
        picture[:CELL, left:left + CELL] = value
        picture[CELL:2 * CELL, left:left + CELL] = 255 - value
    # something that moves, so that frames depend on each other
    picture[60:, number * 7 % (size[0] - 40):][:, :40] = 200
    return picture


def read_number(picture: np.ndarray) -> int:
    """The number drawn in a picture; AssertionError when cells and complements disagree."""
    cells = picture[:2 * CELL, :BITS * CELL].mean(-1).reshape(2, CELL, BITS, CELL)[:, 4:12, :, 4:12].mean((1, 3)) > 127
    assert (cells[0] != cells[1]).all(), "the picture is torn"
    return int(sum(1 << i for i, is_set in enumerate(cells[0]) if is_set))


def uneven_times(n: int, seed: int = 3) -> np.ndarray:
    """Times from 0 with gaps of 5 to 200 ms, whole milliseconds."""
    gaps = np.random.default_rng(seed).integers(5, 200, n - 1)
    return np.concatenate([[0], np.cumsum(gaps)]) / 1000.0


def write_numbered(path: Path, times_s: np.ndarray, codec: str, size: tuple[int, int] = (320, 240),
                   options: dict[str, str] | None = None) -> Path:
    """Write one frame a time, numbered from 0."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=30, options=options or {})
        stream.width, stream.height = size
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        for number, t_s in enumerate(times_s):
            picture = av.VideoFrame.from_ndarray(draw_number(number, size), "rgb24")
            picture.pts, picture.time_base = round(float(t_s) * 1000), Fraction(1, 1000)
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    return path
