"""A recording process that is killed leaves a recording that opens; the benchmark does it twenty times."""

import os

import pytest

from tests.engine.kill import kill_once

pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.name == "nt", reason="SIGKILL is not there")]


@pytest.mark.parametrize("kind, after_s", [("dark", 2.3), ("busy", 1.7)])
def test_a_killed_recording_opens_and_lost_half_a_second_at_most(tmp_path, kind, after_s):
    loss = kill_once(tmp_path / "r", kind, after_s)

    assert loss.integrity == "ok"
    assert loss.video_s <= 0.5 and loss.trace_s <= 0.5  # T1
