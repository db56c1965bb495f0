"""Values of options: numbers, dates and sizes that mean something; others end the program with 2 before any work."""

from __future__ import annotations

import argparse
import datetime
import math
from collections.abc import Callable

__all__ = ["between", "moment", "squares", "whole"]


def between(low: float, high: float) -> Callable[[str], float]:
    """A type for argparse: a finite number from low to high."""
    def check(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text}: expected a number from {low:g} to {high:g}")
        return value
    return check


def whole(low: int, high: int) -> Callable[[str], int]:
    """A type for argparse: a whole number from low to high."""
    def check(text: str) -> int:
        value = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else low - 1
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text}: expected a whole number from {low} to {high}")
        return value
    return check


def moment(text: str) -> str:
    """A type for argparse: a date or time in ISO 8601."""
    try:
        datetime.datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text}: no date; expected YYYY-MM-DD, or YYYY-MM-DDTHH:MM, in UTC") from None
    return text


def squares(text: str) -> tuple[int, int]:
    """A type for argparse: "9x6" as squares across and down."""
    parts = text.lower().split("x")
    if len(parts) != 2 or not all(p.isascii() and p.isdigit() and 2 <= int(p[:6]) <= 200 for p in parts):
        raise argparse.ArgumentTypeError(f"{text}: expected two whole numbers from 2 to 200 such as 9x6")
    return int(parts[0]), int(parts[1])
