"""The stand-in of a video with far-apart key frames shows the same frames."""

import pytest

from monitor.review.playback import Playback
from monitor.review.proxy import FAR_FRAMES, Proxy, needs_proxy
from tests.monitor.numbered import read_number, uneven_times, write_numbered

N = 120


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("far") / "far.mp4"
    write_numbered(path, uneven_times(N), "libx264", (320, 240), {"g": "250", "bf": "3", "preset": "veryfast"})
    return path


@pytest.fixture(scope="module")
def proxy(clip):
    made = Proxy(clip, N).start()
    assert made.is_made.wait(60)
    yield made
    made.close()


def test_a_video_with_one_key_frame_needs_a_stand_in_and_one_with_many_none(clip, tmp_path):
    write_numbered(tmp_path / "near.mkv", uneven_times(40), "libx264", (320, 240), {"g": "10", "preset": "ultrafast"})

    with Playback(clip) as far, Playback(tmp_path / "near.mkv") as near:
        assert far.longest_group == N and needs_proxy(far) and near.longest_group == 10 and not needs_proxy(near)


@pytest.mark.parametrize("index", [0, 1, 37, 63, N - 1])
def test_the_stand_in_shows_the_very_frame(proxy, index):
    assert read_number(proxy.picture(index)) == index


def test_what_is_to_decode_counts_from_where_one_is(clip):
    with Playback(clip) as playback:
        before = playback.n_to_decode(100)
        playback.frame(90)

        assert before == 100 > FAR_FRAMES and playback.n_to_decode(100) <= 10 and playback.n_to_decode(90) == 0


def test_a_stand_in_with_other_frames_than_the_video_is_not_used(clip):
    made = Proxy(clip, N + 1).start()
    assert made.is_made.wait(60)

    assert made.picture(5) is None
    made.close()


def test_a_video_that_cannot_be_read_gets_none(tmp_path):
    (tmp_path / "bad.mp4").write_bytes(b"no video")
    made = Proxy(tmp_path / "bad.mp4", 3).start()
    made._thread.join(20)

    assert made.picture(0) is None
    made.close()


def test_its_folder_is_gone_when_it_is_closed(clip):
    made = Proxy(clip, N).start()
    folder = made._path.parent
    made.close()

    assert not folder.exists()
