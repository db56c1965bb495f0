"""Recordings that several tests compare."""

import pytest

from tests.compare.make import record_passes


@pytest.fixture(scope="module")
def two_days(tmp_path_factory):
    root = tmp_path_factory.mktemp("days")
    record_passes(root / "a", [15.0, 15.5, 14.5], operator="T3")
    record_passes(root / "b", [15.2, 8.0], seed=1)
    return root
