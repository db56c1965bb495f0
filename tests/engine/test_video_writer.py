"""What the recording's video shows: the colours and times of the frames, of whatever size."""

import av
import numpy as np
import pytest

from monitor.engine.source import Arrival
from monitor.engine.video_writer import VideoWriter
from vision.types import Frame


def written(path, images, rate_hz=20.0, size_px=None):
    """Decoded pictures (h, w, 3) BGR, and their times [s]."""
    writer = VideoWriter(path, rate_hz, size_px)
    writer.start()
    for i, image in enumerate(images):
        assert writer.line.put(Arrival(Frame(i, 5.0 + i / rate_hz, image), 0.0))
        while writer.n_written <= i and writer.is_alive():
            writer.join(0.01)
    writer.finish()
    assert not writer.trouble and writer.n_written == len(images)
    with av.open(str(path)) as video:
        frames = [(f.to_ndarray(format="bgr24").astype(int), f.time) for f in video.decode(video=0)]
    return [f for f, _ in frames], [t for _, t in frames]


def coloured(width, height):
    """Quarters of unlike colours."""
    image = np.zeros((height, width, 3), np.uint8)
    image[:height // 2, :width // 2], image[:height // 2, width // 2:] = (200, 40, 60), (50, 190, 80)
    image[height // 2:, :width // 2], image[height // 2:, width // 2:] = (70, 60, 210), (160, 170, 150)
    return image


@pytest.mark.parametrize(("width", "height"), [(320, 240), (200, 128), (201, 129)])
def test_a_video_shows_the_colours_of_its_frames(tmp_path, width, height):
    image = coloured(width, height)

    seen, times = written(tmp_path / "v.mkv", [image, image[:, ::-1].copy(), image])

    assert seen[0].shape[:2] == (height // 2 * 2, width // 2 * 2)
    for drawn, given in zip(seen, (image, image[:, ::-1], image), strict=True):
        for y, x in ((0.25, 0.25), (0.25, 0.75), (0.75, 0.25), (0.75, 0.75)):
            at = int(y * height), int(x * width)
            assert np.abs(drawn[at] - given[at]).max() < 14
    np.testing.assert_allclose(np.diff(times), 0.05, atol=2e-3)


def test_a_camera_that_comes_back_with_another_size_is_recorded_in_the_first_one_s(tmp_path):
    seen, _ = written(tmp_path / "v.mkv", [coloured(320, 240), coloured(640, 480)], size_px=(320, 240))

    assert [s.shape for s in seen] == [(240, 320, 3)] * 2
    assert np.abs(seen[1][60, 80] - [200, 40, 60]).max() < 14
