"""Changes files at random: cut off, bits flipped, runs of zeros, pieces swapped or put in twice, words exchanged."""

from __future__ import annotations

import re

import numpy as np

__all__ = ["mutated", "mutated_text"]

WORDS = (b"nan", b"inf", b"-1", b"0", b"1e300", b"-0.0", b"true", b'"x"', b"[]", b"[[[[[[[[[[[[[[[[", b"9" * 400, b"{}",
         b"\x00", b"\xff\xfe", b'"""', b"1979-05-27", b"\\u0000", b"../../x", b"=1+1", "\u202e".encode(), b"\x1b[2J")


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """One to four random changes of a file."""
    out = bytearray(data)
    for _ in range(rng.integers(1, 5)):
        if not out:
            break
        at, length = int(rng.integers(len(out))), int(rng.integers(1, 1 + min(400, len(out))))
        kind = rng.integers(6)
        if kind == 0:
            del out[at:]
        elif kind == 1:
            for place in rng.integers(len(out), size=rng.integers(1, 9)):
                out[place] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            out[at:at + length] = bytes(len(out[at:at + length]))
        elif kind == 3:
            out[:min(64, len(out))] = rng.integers(0, 256, min(64, len(out)), np.uint8).tobytes()
        elif kind == 4:
            other = int(rng.integers(len(out)))
            out[at:at + length] = out[other:other + length]
        else:
            out[at:at] = out[at:at + length]
    return bytes(out)


def mutated_text(data: bytes, rng: np.random.Generator) -> bytes:
    """As `mutated`, or one to three values exchanged for others."""
    if rng.random() < 0.4:
        return mutated(data, rng)
    for _ in range(rng.integers(1, 4)):
        places = [m.span() for m in re.finditer(rb"-?[0-9][0-9.e+-]*|\"[^\"\n]*\"|\btrue\b|\bfalse\b|[a-z_]{3,}", data)]
        if not places:
            return mutated(data, rng)
        begin, end = places[rng.integers(len(places))]
        data = data[:begin] + WORDS[rng.integers(len(WORDS))] + data[end:]
    return data
