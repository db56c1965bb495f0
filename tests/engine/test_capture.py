"""The capture thread and the played video: what a camera does wrong is noticed, told, and lived with (T7, T8)."""

import sys

import cv2
import numpy as np
import pytest

from monitor.engine.capture import Capture
from monitor.engine.mailbox import Line, Mailbox
from monitor.engine.source import Arrival, PlayedVideo, SourceLost
from monitor.engine.webcam import CameraName, Webcam, find_camera, list_cameras
from monitor.errors import EnvironmentFault
from tests.engine.make import SAMPLE
from vision.errors import SourceError
from vision.types import Frame


class Scripted:
    """A source that does what a list says: a number is a frame of that shade, an exception is raised, None ends it."""

    name = "scripted"

    def __init__(self, *script):
        self.script, self.i, self.n_opened = list(script), 0, 0

    def open(self):
        self.n_opened += 1

    def read(self):
        act = self.script.pop(0) if self.script else None
        if act is None:
            return None
        if isinstance(act, Exception):
            raise act
        self.i += 1
        return Arrival(Frame(self.i - 1, self.i / 30, np.full((32, 32, 3), act, np.uint8)), 0.0)

    def close(self):
        pass


def run(*script, monkeypatch=None, **options):
    source, box, line = Scripted(*script), Mailbox(), Line(100)
    capture = Capture(source, box, **options)
    capture.every = line
    capture._stop_asked.wait = lambda s: False  # no waiting between tries
    capture.run()
    return capture, line, source


def test_every_frame_goes_to_the_encoder_and_the_newest_to_the_analysis():
    capture, line, _ = run(1, 2, 3)

    assert capture.n_frames == 3 and [line.take(0.0).frame.index for _ in range(3)] == [0, 1, 2]


def test_a_lost_camera_is_opened_again_and_counted():
    capture, _, source = run(1, SourceLost("unplugged"), 2)

    assert capture.n_losses == 1 and source.n_opened == 2 and capture.n_frames == 2 and capture.trouble == ""


def test_a_camera_that_repeats_its_last_picture_is_noticed_at_the_third():
    capture, _, _ = run(1, 7, 7, 7, 7, 7)

    assert capture.n_frozen == 3 and capture.trouble == "the camera repeats one picture"


def test_a_frozen_camera_that_moves_again_is_fine_again():
    capture, _, _ = run(7, 7, 7, 7, 8, 9)

    assert capture.trouble == "" and capture.n_frames == 4


def test_a_source_that_cannot_be_used_at_all_ends_with_its_reason():
    class Broken(Scripted):
        def open(self):
            raise SourceError("x.mp4: is empty")
    capture = Capture(Broken(), Mailbox())
    capture.run()

    assert str(capture.fault) == "x.mp4: is empty"


class Clock:
    """Time that only passes when someone waits."""

    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now

    def wait(self, s):
        self.now += s


def test_a_played_video_gives_each_frame_when_its_stamp_says():
    clock = Clock()
    video = PlayedVideo(SAMPLE / "clip.mp4", clock=clock, wait=clock.wait)
    video.open()
    arrivals = [video.read() for _ in range(20)]
    video.release()

    assert [a.arrived_s - 100.0 for a in arrivals] == pytest.approx([a.frame.t_s for a in arrivals], abs=1e-6)


def test_a_looped_video_goes_on_in_time_and_number():
    clock = Clock()
    video = PlayedVideo(SAMPLE / "clip.mp4", loop=True, clock=clock, wait=clock.wait)
    video.open()
    frames = [video.read().frame for _ in range(140)]  # the clip has 128
    video.release()

    steps = np.diff([f.t_s for f in frames])
    assert [f.index for f in frames] == list(range(140)) and steps == pytest.approx(np.full(139, 0.05), abs=1e-3)


class FakeDevice:
    """An OpenCV capture that notes the order in which it is set, and ignores the focus."""

    def __init__(self, number=0, back_end=0):
        self.back_end, self.calls, self.values = back_end, [], {cv2.CAP_PROP_FOCUS: 40.0, cv2.CAP_PROP_EXPOSURE: 156.0}
        self.empty = 0

    def isOpened(self):
        return True

    def set(self, prop, value):
        self.calls.append(prop)
        if prop != cv2.CAP_PROP_AUTOFOCUS:
            self.values[prop] = value
        return True

    def get(self, prop):
        return self.values.get(prop, 1.0 if prop == cv2.CAP_PROP_AUTOFOCUS else 0.0)

    def read(self):
        return (False, None) if self.empty else (True, np.zeros((4, 4, 3), np.uint8))

    def release(self):
        self.calls.append("released")


def webcam():
    made = []
    camera = Webcam(CameraName("bench cam", 2), make=lambda n, b: made.append(FakeDevice(n, b)) or made[-1])
    camera.open()
    return camera, made[-1]


def test_the_format_is_set_before_the_size_and_the_back_end_is_named():
    camera, device = webcam()

    assert device.calls.index(cv2.CAP_PROP_FOURCC) < device.calls.index(cv2.CAP_PROP_FRAME_WIDTH)
    assert device.values[cv2.CAP_PROP_FOURCC] == cv2.VideoWriter_fourcc(*"MJPG")
    assert device.back_end == (cv2.CAP_V4L2 if sys.platform.startswith("linux") else device.back_end) != cv2.CAP_ANY


def test_a_lock_that_the_driver_ignores_is_told():
    camera, _ = webcam()
    held = {lock.setting: lock.is_held for lock in camera.locks}

    assert held["exposure"] and not held["autofocus off"]


def test_a_webcam_without_pictures_is_lost_and_let_go():
    camera, device = webcam()
    device.empty = True

    with pytest.raises(SourceLost, match="check the cable"):
        camera.read()
    assert device.calls[-1] == "released"


def test_cameras_are_listed_by_their_names(tmp_path):
    for number, (name, index) in enumerate([("Bench Cam", 0), ("Bench Cam", 1), ("Lid Cam", 0)]):
        folder = tmp_path / f"video{number}"
        folder.mkdir()
        (folder / "name").write_text(name + "\n")
        (folder / "index").write_text(f"{index}\n")

    if sys.platform.startswith("linux"):
        assert list_cameras(tmp_path) == [CameraName("Bench Cam", 0), CameraName("Lid Cam", 2)]


def test_a_camera_is_found_by_part_of_its_name_or_refused_with_those_there_are():
    cameras = [CameraName("Bench Cam", 0), CameraName("Lid Cam", 2)]

    assert find_camera("bench", cameras).number == 0 and find_camera("2", cameras).name == "Lid Cam"
    with pytest.raises(EnvironmentFault, match="'Bench Cam', 'Lid Cam'"):
        find_camera("door", cameras)
    with pytest.raises(EnvironmentFault, match="whole name"):
        find_camera("cam", cameras)
