"""The live path and `analyse` say the same of the same clip when nothing is dropped."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.engine.analyse import analyse
from monitor.judging.alerts import EQUIPMENT
from monitor.recording.reader import open_recording
from tests.engine.make import SAMPLE, TruthTracker, run_lockstep, sample_inputs

pytestmark = pytest.mark.slow


class Lifted(TruthTracker):
    """The sample's truth, drawn back 25 mm between 2 and 3.5 s."""

    state = None

    def step(self, frame):
        seen = super().step(frame)
        back_mm = 25.0 if 2.0 <= frame.t_s < 3.5 else 0.0  # along the axis: the aim stays
        return replace(seen, track=replace(seen.track, tip_mm=seen.track.tip_mm - back_mm * seen.track.axis))


def told(recording):
    return [(w["kind"], w["region"], w["t_start_s"], w["t_end_s"]) for w in recording.warnings
            if w["kind"] not in EQUIPMENT]


def test_live_warnings_and_passes_equal_those_of_analyse(tmp_path, monkeypatch):
    inputs = sample_inputs()
    monkeypatch.setattr("monitor.engine.analyse.make_tracker", lambda *_: Lifted(inputs.camera))
    recorded = analyse(inputs, tmp_path / "recorded")

    live = open_recording(run_lockstep(inputs, SAMPLE / "clip.mp4", Lifted(inputs.camera), tmp_path / "live"))

    assert told(live) == told(recorded) and "too_far" in {kind for kind, *_ in told(live)}
    np.testing.assert_array_equal(live.frames["t_s"], recorded.frames["t_s"])
    assert [p["t_start_s"] for p in live.passes] == [p["t_start_s"] for p in recorded.passes]
