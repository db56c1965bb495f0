"""How a benchmark is started: its usage for --help or for too few arguments, else its figures."""

from __future__ import annotations

import sys
from collections.abc import Callable

__all__ = ["command"]


def command(main: Callable[[list[str]], int], usage: str | None, least: int = 0) -> int:
    """Exit code of a benchmark's `main` with the arguments that were given; 2 when they are fewer than it needs."""
    arguments = sys.argv[1:]
    if "--help" in arguments or len(arguments) < least:
        print((usage or "").strip())
        return 0 if "--help" in arguments else 2
    return main(arguments)
