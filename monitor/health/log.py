"""The rotating log: what went wrong and when, in one file of the user's that never grows large."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from logging.handlers import RotatingFileHandler
from pathlib import Path

__all__ = ["KEPT", "logging_to"]

MOST_BYTES, KEPT = 1 << 20, 3  # one file, and how many older ones are kept beside it
NAMES = ("plumeline", "vision")


@contextlib.contextmanager
def logging_to(path: Path) -> Iterator[None]:
    """Append what the program notes to a file while the block runs; where that cannot be, go on without."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = RotatingFileHandler(path, maxBytes=MOST_BYTES, backupCount=KEPT, encoding="utf-8")
    except OSError:
        yield
        return
    handler.setFormatter(logging.Formatter("%(asctime)s %(process)d %(levelname)s %(name)s: %(message)s"))
    loggers = [logging.getLogger(name) for name in NAMES]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.addHandler(handler)
        if logger.level == logging.NOTSET:
            logger.setLevel(logging.INFO)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.removeHandler(handler)
            logger.setLevel(level)
        handler.close()
