"""Every frame shown is the one that was asked for, and carries its own time."""

import numpy as np
import pytest

from monitor.review.playback import Playback
from tests.monitor.numbered import read_number, uneven_times, write_numbered
from vision.errors import SourceError

TIMES_S = uneven_times(240)
KINDS = {
    "h264.mp4": ("libx264", {"g": "40", "bf": "3", "preset": "veryfast"}),
    "h264.mkv": ("libx264", {"g": "90", "bf": "2", "preset": "veryfast"}),
    "open.mkv": ("libx264", {"g": "30", "bf": "3", "preset": "veryfast", "x264-params": "open-gop=1"}),
    "mjpeg.mkv": ("mjpeg", {}),
    "mjpeg.avi": ("mjpeg", {}),
}


@pytest.fixture(scope="module", params=list(KINDS))
def video(request, tmp_path_factory):
    codec, options = KINDS[request.param]
    return write_numbered(tmp_path_factory.mktemp("numbered") / request.param, TIMES_S, codec, options=options)


def jumps_and_steps(n: int, count: int) -> list[int]:
    """A walk as a person makes it: jumps anywhere, then some steps to either side."""
    rng, at, walk = np.random.default_rng(11), 0, []
    while len(walk) < count:
        at = int(rng.integers(n)) if rng.random() < 0.3 else at + int(rng.choice([-1, 1]))
        at = min(max(at, 0), n - 1)
        walk.append(at)
    return walk


def test_300_jumps_and_steps_each_show_the_right_frame(video):
    with Playback(video, cache_bytes=0) as playback:
        shown = [(i, read_number(playback.frame(i).image)) for i in jumps_and_steps(len(TIMES_S), 300)]

    assert [number for _, number in shown] == [i for i, _ in shown]


def test_every_frame_has_the_time_that_it_was_written_with(video):
    with Playback(video) as playback:
        np.testing.assert_allclose(playback.times_s, TIMES_S, atol=0.0011)  # Matroska keeps whole milliseconds


def test_walking_back_from_the_end_shows_every_frame(video):
    with Playback(video) as playback:
        numbers = [read_number(playback.frame(i).image) for i in reversed(range(len(TIMES_S)))]

    assert numbers == list(reversed(range(len(TIMES_S))))


def test_the_frame_on_show_at_a_time_is_the_last_that_had_begun(video):
    with Playback(video) as playback:
        between = (TIMES_S[50] + TIMES_S[51]) / 2

        assert read_number(playback.frame(playback.index_at(between)).image) == 50
        assert playback.index_at(-1.0) == 0 and playback.index_at(1e9) == len(TIMES_S) - 1


def test_a_video_cut_in_half_still_shows_what_it_has(tmp_path):
    whole = write_numbered(tmp_path / "whole.mkv", TIMES_S, "mjpeg")
    cut = tmp_path / "cut.mkv"
    cut.write_bytes(whole.read_bytes()[:whole.stat().st_size // 2])

    with Playback(cut) as playback:
        assert 60 < len(playback) < 200
        assert [read_number(playback.frame(i).image) for i in (50, 3, 51)] == [50, 3, 51]


@pytest.mark.parametrize("content", [b"", b"no video at all" * 40])
def test_what_is_no_video_is_refused_in_one_line(tmp_path, content):
    path = tmp_path / "bad.mp4"
    path.write_bytes(content)

    with pytest.raises(SourceError, match="bad.mp4") as fault:
        Playback(path)
    assert "\n" not in str(fault.value)


@pytest.mark.parametrize("seed", range(8))
def test_damage_never_brings_more_than_a_line(tmp_path, seed):
    rng = np.random.default_rng(seed)
    path = write_numbered(tmp_path / ("a.mp4" if seed % 2 else "a.mkv"), TIMES_S[:60], "libx264",
                          options={"g": "20", "bf": "2"})
    data = bytearray(path.read_bytes())
    for place in rng.integers(0, len(data), 25):
        data[place] ^= 1 << rng.integers(8)
    path.write_bytes(bytes(data))
    lines = []

    try:
        with Playback(path) as playback:
            for i in rng.integers(0, len(playback), 12):
                try:
                    assert playback.frame(int(i)).image.ndim == 3
                except SourceError as fault:
                    lines.append(str(fault))
    except SourceError as fault:
        lines.append(str(fault))
    assert all(str(path) in line and "\n" not in line for line in lines)
