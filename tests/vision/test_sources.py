"""Recordings written here with known times and contents, sound and damaged."""

from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn import DATA, PHOTOS
from vision.camera.sources import brightness, open_video, read_photo
from vision.errors import SourceError

TIMES_MS = np.cumsum(np.random.default_rng(5).integers(30, 100, 40)) - 30


def written(path, times_ms=TIMES_MS, codec="libx264", size=(160, 120)):
    """A recording whose frame i is grey level 20 + 5 i, at those times."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=30, options={"bf": "2", "g": "12"} if codec == "libx264" else {})
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        stream.codec_context.time_base = Fraction(1, 1000)
        for i, t in enumerate(times_ms):
            picture = av.VideoFrame.from_ndarray(np.full((size[1], size[0], 3), (20 + 5 * i) % 250, np.uint8),
                                                 format="rgb24")
            picture.pts, picture.time_base = int(t), Fraction(1, 1000)
            out.mux(stream.encode(picture))
        out.mux(stream.encode())
    return path


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv"])
def test_every_frame_carries_the_time_it_was_written_with(tmp_path, name):
    with open_video(written(tmp_path / name)) as video:
        times = [frame.t_s for frame in video]

    assert_allclose(times, (TIMES_MS - TIMES_MS[0]) / 1000, atol=6e-4)


def test_frames_come_in_order_with_their_own_picture(tmp_path):
    with open_video(written(tmp_path / "a.mp4")) as video:
        levels = [frame.image.mean() for frame in video]

    assert_allclose(levels, 20 + 5 * np.arange(40), atol=3)


def test_a_recording_can_be_read_twice(tmp_path):
    with open_video(written(tmp_path / "a.mp4")) as video:
        assert len(list(video)) == len(list(video)) == 40


class CannotBeWoundBack:
    """A container that is read once."""

    def __init__(self, container):
        self._container = container

    def __getattr__(self, name):
        return getattr(self._container, name)

    def seek(self, *_, **__):
        raise av.error.PermissionError(1, "not seekable")


@pytest.mark.parametrize("name", ["a.mkv", "a.mp4"])
@pytest.mark.parametrize("is_wound_back", [True, False])
def test_a_recording_read_again_in_a_loop_gives_the_same_frames(tmp_path, name, is_wound_back):
    with open_video(written(tmp_path / name), n_threads=1) as video:
        once = list(video)
        if not is_wound_back:
            video._container = CannotBeWoundBack(video._container)
        twice = [list(video.again()) for _ in range(2)]

    for again in twice:
        assert [f.t_s for f in again] == [f.t_s for f in once] and len(once) == len(TIMES_MS)
        assert all((a.image == b.image).all() for a, b in zip(once, again, strict=False))


@pytest.mark.parametrize("i", [0, 1, 11, 12, 13, 27, 39])
def test_a_frame_looked_up_by_its_time_is_that_frame(tmp_path, i):
    with open_video(written(tmp_path / "a.mp4")) as video:
        frame = video.frame_at((TIMES_MS[i] - TIMES_MS[0]) / 1000)

    assert abs(frame.image.mean() - (20 + 5 * i)) < 3


def test_the_free_brightness_is_that_of_the_colours(tmp_path):
    with open_video(written(tmp_path / "a.mp4")) as video:
        frame = next(iter(video))

    assert_allclose(brightness(frame).astype(int), cv2.cvtColor(frame.image, cv2.COLOR_BGR2GRAY).astype(int), atol=3)


def test_a_wait_between_frames_is_reported(tmp_path):
    with open_video(written(tmp_path / "a.mkv", [0, 33, 67, 100, 433, 467, 500])) as video:
        list(video)
        report = video.report

    assert report.n_gaps == 1
    assert report.longest_gap_s == pytest.approx(0.333, abs=0.002)
    assert "frames are missing in 1 places" in report.sentences()[0]


def test_damaged_packets_are_counted_and_the_rest_is_read(tmp_path):
    noisy = tmp_path / "a.mp4"
    with av.open(str(noisy), "w") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 160, 120, "yuv420p"
        rng = np.random.default_rng(0)
        for _ in range(40):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(rng.integers(0, 255, (120, 160, 3)).astype(np.uint8),
                                                             format="rgb24")))
        out.mux(stream.encode())
    data = bytearray(noisy.read_bytes())
    for at in np.random.default_rng(1).integers(len(data) // 4, 3 * len(data) // 4, 400):
        data[at] ^= 0xFF
    noisy.write_bytes(bytes(data))

    with open_video(noisy) as video:
        n = sum(1 for _ in video)
        assert 5 < n <= 40 and video.report.n_errors > 0
        assert video.report.sentences()[0].startswith("damaged")


def test_a_recording_cut_short_says_so(tmp_path):
    whole = written(tmp_path / "a.mkv", np.arange(120) * 33, size=(320, 240)).read_bytes()
    (tmp_path / "b.mkv").write_bytes(whole[:len(whole) // 2])

    with open_video(tmp_path / "b.mkv") as video:
        list(video)
        assert any("cut short" in line for line in video.report.sentences())


@pytest.mark.parametrize(("content", "words"), [(None, "cannot be read"), (b"", "is empty"),
                                                (b"hello " * 99, "is not a video")])
def test_what_is_no_recording_is_refused_in_one_line(tmp_path, content, words):
    path = tmp_path / "a.mp4"
    if content is not None:
        path.write_bytes(content)

    with pytest.raises(SourceError, match=words) as caught:
        open_video(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


def test_an_mp4_cut_in_half_is_refused(tmp_path):
    data = written(tmp_path / "a.mp4").read_bytes()
    (tmp_path / "b.mp4").write_bytes(data[:len(data) // 2])

    with pytest.raises(SourceError, match="cut off"):
        open_video(tmp_path / "b.mp4")


def test_time_stamps_that_run_backwards_are_refused():
    backwards = pytest.raises(SourceError, match="time runs backwards at frame 2")
    with open_video(DATA / "video" / "backward_time.mp4") as video, backwards:
        list(video)


def test_sound_alone_is_no_recording(tmp_path):
    with av.open(str(tmp_path / "a.mkv"), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=8000)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        sound.sample_rate = 8000
        out.mux(stream.encode(sound))
        out.mux(stream.encode())

    with pytest.raises(SourceError, match="no video"):
        open_video(tmp_path / "a.mkv")


def test_a_photograph_is_read_and_a_text_file_is_not(tmp_path):
    (tmp_path / "a.jpg").write_text("no photograph")

    assert read_photo(PHOTOS / "aruco" / "choriginal.jpg").shape == (480, 640, 3)
    with pytest.raises(SourceError, match="not a photograph"):
        read_photo(tmp_path / "a.jpg")
