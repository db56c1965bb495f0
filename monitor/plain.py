"""Names and remarks as plain text: what could steer a terminal, turn the line or break a file is shown as an escape."""

from __future__ import annotations

import re

__all__ = ["plain"]

# control characters but for tab and line end (ECMA-48, C0 and C1), marks that turn the direction of writing (Unicode UAX 9),
# halves of pairs that stand for no character, and what XML 1.0 does not allow
_STEERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufeff"
                     "\ufffe\uffff]")


def plain(text: str) -> str:
    """The text with every character that does not stand for itself written out, such as \\x1b."""
    return _STEERS.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)
