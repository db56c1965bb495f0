"""Names and remarks as plain text: what could steer a terminal, turn the line or break a file is shown as an escape."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["plain", "plain_figure"]

# control characters but for tab and line end (ECMA-48, C0 and C1), marks that turn the direction of writing (Unicode
# UAX 9), halves of pairs that stand for no character, and what XML 1.0 does not allow
_STEERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufeff"
                     "\ufffe\uffff]")


def plain(text: str) -> str:
    r"""The text with every character that does not stand for itself written out, such as \x1b."""
    return _STEERS.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)


def plain_figure(figure: Figure) -> None:
    """Show all text in a figure as it is: a dollar sign begins no formula."""
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        text.set_parse_math(False)
        text.set_text(plain(text.get_text()))
