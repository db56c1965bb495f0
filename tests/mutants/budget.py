"""A pytest plugin: no new test begins once so much processor time is spent."""

from __future__ import annotations

import os
import time

import pytest

__all__ = ["VARIABLE", "pytest_runtest_logfinish"]

VARIABLE = "MUTANTS_BUDGET_S"
_request: list[pytest.Session] = []


def pytest_sessionstart(session: pytest.Session) -> None:
    """Remember whom to stop."""
    _request.append(session)


def pytest_runtest_logfinish() -> None:
    """After every test: whether it was enough."""
    if time.process_time() > float(os.environ[VARIABLE]):
        _request[0].shouldstop = "budget spent"
