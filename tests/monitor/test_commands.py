"""The work that the command line names as text, so that it is loaded late, is there."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import pytest

CLI = Path(__file__).parents[2] / "monitor" / "cli"
WORK = sorted(set(re.findall(r'"(monitor\.[\w.]+):(\w+)"', (CLI / "main.py").read_text(encoding="utf-8"))))


@pytest.mark.parametrize(("module", "function"), WORK)
def test_the_work_of_every_command_is_there(module, function):
    assert callable(getattr(import_module(module), function))
    assert len(WORK) > 15
