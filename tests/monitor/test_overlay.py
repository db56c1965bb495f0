"""The video with the measurement drawn over it."""

import av
import numpy as np

from monitor.review.overlay import write_overlay
from tests.monitor.made_recording import make_recording


def frames_of(path):
    with av.open(str(path)) as video:
        return [(f.time, f.to_ndarray(format="bgr24").astype(int)) for f in video.decode(video=0)]


def test_every_frame_keeps_its_time_and_is_drawn_over(tmp_path):
    recording = make_recording(tmp_path / "r", duration_s=2.0, video=True)

    drawn, plain = frames_of(write_overlay(recording, tmp_path / "o.mp4")), frames_of(recording.video)

    np.testing.assert_allclose([t for t, _ in drawn], recording.frames["t_s"], atol=2e-3)
    assert all(np.abs(a - b).max() > 100 for (_, a), (_, b) in zip(drawn, plain, strict=True))
