"""Reads the table of check values, each of which names its own source."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

TABLE = Path(__file__).parents[1] / "data" / "heat" / "checks.toml"
CHECKS: dict[str, dict[str, Any]] = {c["id"]: c for c in tomllib.loads(TABLE.read_text(encoding="utf-8"))["check"]}


def inputs(check_id: str) -> dict[str, Any]:
    """The inputs of one check."""
    return CHECKS[check_id]["inputs"]


def agrees(check_id: str, value: object, tolerance: float | None = None) -> None:
    """Assert that a value meets a check within its tolerance, or a wider one that the caller explains."""
    check = CHECKS[check_id]
    allowed = tolerance if tolerance is not None else check["tolerance"]
    kind = {"rel": {"rtol": allowed, "atol": 0}, "abs": {"rtol": 0, "atol": allowed}}[check["tolerance_kind"]]
    np.testing.assert_allclose(value, check["expected"], err_msg=f"{check_id}: {check['source']}", **kind)


def with_prefix(*prefixes: str) -> list[pytest.param]:
    """All check ids that start with one of the prefixes."""
    return [i for i in CHECKS if i.startswith(prefixes)]
