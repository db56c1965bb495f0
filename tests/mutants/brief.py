"""A pytest plugin: a test that takes longer is ended, and so is one that only waits."""

from __future__ import annotations

import os
import signal
from collections.abc import Generator
from types import FrameType

import pytest

__all__ = ["VARIABLE", "TooLong", "pytest_runtest_call", "pytest_runtest_setup"]

VARIABLE = "MUTANTS_BRIEF_S"  # of processor
WAITS = 10  # so many times as long by the clock


class TooLong(BaseException):
    """Not caught by what catches every Exception."""


def _ended(_number: int, _frame: FrameType | None) -> None:
    raise TooLong


def _briefly() -> Generator[None, None, None]:
    signal.signal(signal.SIGVTALRM, _ended)
    signal.signal(signal.SIGALRM, _ended)
    most_s = float(os.environ[VARIABLE])
    signal.setitimer(signal.ITIMER_VIRTUAL, most_s)
    signal.setitimer(signal.ITIMER_REAL, WAITS * most_s)
    try:
        return (yield)
    except TooLong:
        pytest.fail(f"takes longer than {most_s:g} s")
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.setitimer(signal.ITIMER_REAL, 0.0)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup() -> Generator[None, None, None]:
    """The fixtures of a test."""
    return (yield from _briefly())


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call() -> Generator[None, None, None]:
    """The test itself."""
    return (yield from _briefly())
