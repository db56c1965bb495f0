"""How quickly any frame of a 1080p video is on show, and whether it is the right one.

usage: python -m tests.benchmarks.playback [OUT]

Makes numbered videos with uneven times (OUT keeps them), then walks through each as a person does: 300 jumps and steps.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from monitor.review.playback import Playback
from monitor.review.proxy import FAR_FRAMES, Proxy, needs_proxy
from tests.benchmarks.command import command
from tests.monitor.numbered import read_number, uneven_times, write_numbered
from tests.monitor.test_playback import jumps_and_steps

SIZE, N = (1920, 1080), 600
KINDS = {"h264_key_every_30.mkv": ("libx264", {"g": "30", "preset": "ultrafast"}),
         "h264_b_frames_key_every_60.mp4": ("libx264", {"g": "60", "bf": "3", "preset": "veryfast"}),
         "h264_key_every_250.mp4": ("libx264", {"g": "250", "bf": "3", "preset": "veryfast"}),
         "mjpeg.mkv": ("mjpeg", {})}


def walk(path: Path, n: int) -> tuple[np.ndarray, int]:
    """Milliseconds of each jump or step, and how many showed a wrong frame."""
    spent, wrong = [], 0
    with Playback(path) as playback:
        for i in jumps_and_steps(n, 300):
            start = time.perf_counter()
            picture = playback.frame(i)
            spent.append(1e3 * (time.perf_counter() - start))
            wrong += read_number(picture.image) != i
    return np.array(spent), wrong


def walk_with_stand_in(path: Path, n: int) -> tuple[np.ndarray, int, float]:
    """The same with the stand-in that the review makes: time to the first picture, wrong ones, seconds it took to
    make.
    """
    spent, wrong = [], 0
    with Playback(path) as playback:
        start = time.perf_counter()
        proxy = Proxy(path, n).start()
        proxy.is_made.wait(600)
        made_s = time.perf_counter() - start
        for i in jumps_and_steps(n, 300):
            start = time.perf_counter()
            quick = proxy.picture(i) if playback.n_to_decode(i) > FAR_FRAMES else None
            image = playback.frame(i).image if quick is None else quick
            spent.append(1e3 * (time.perf_counter() - start))
            wrong += read_number(image) != i
            wrong += read_number(playback.frame(i).image) != i  # the video's own picture follows
        proxy.close()
    return np.array(spent), wrong, made_s


def main(arguments: list[str]) -> int:
    """Print one line a kind of video; 1 when a frame was wrong."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(arguments[0] if arguments else scratch)
        folder.mkdir(parents=True, exist_ok=True)
        times, failed = uneven_times(N), 0
        for name, (codec, options) in KINDS.items():
            path = folder / name
            if not path.exists():
                write_numbered(path, times, codec, SIZE, options)
            start = time.perf_counter()
            Playback(path).close()
            opened = time.perf_counter() - start
            ms, wrong = walk(path, N)
            failed += wrong
            print(f"{name:32} opens in {opened:5.2f} s; jump or step: median {np.median(ms):6.1f} ms, "
                  f"p95 {np.percentile(ms, 95):6.1f} ms, longest {ms.max():6.1f} ms; wrong frames: {wrong}", flush=True)
            with Playback(path) as playback:
                is_far = needs_proxy(playback)
            if is_far:
                ms, wrong, made_s = walk_with_stand_in(path, N)
                failed += wrong
                print(f"{'  with its stand-in':32} made in {made_s:5.2f} s; median {np.median(ms):6.1f} ms, p95 "
                      f"{np.percentile(ms, 95):6.1f} ms, longest {ms.max():6.1f} ms; wrong frames: {wrong}", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
