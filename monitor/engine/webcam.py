"""A webcam by its name: explicit back end, MJPG before the size, exposure, white balance and focus locked and read
back.
"""

from __future__ import annotations

import logging
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from monitor.engine.source import Arrival, SourceLost
from monitor.errors import EnvironmentFault
from vision.types import Frame

__all__ = ["CameraName", "Locked", "Webcam", "list_cameras", "find_camera"]

SIZE_PX, RATE_HZ = (1280, 720), 30
V4L2_AUTO, V4L2_MANUAL = 3.0, 1.0  # the driver's menu; other back ends take 0.75 and 0.25
MOST_EMPTY = 10
log = logging.getLogger("plumeline.camera")


@dataclass(frozen=True)
class CameraName:
    """A camera that the system has: what it calls it, and the number that opens it."""

    name: str
    number: int


@dataclass(frozen=True)
class Locked:
    """One setting that was asked to hold still: what was asked and what the driver says now."""

    setting: str
    asked: float
    got: float

    @property
    def is_held(self) -> bool:
        """Whether the driver says that it did; only the picture proves it."""
        return abs(self.got - self.asked) < 1e-3


def list_cameras(root: Path = Path("/sys/class/video4linux")) -> list[CameraName]:
    """Cameras by name. Where the system does not tell names to us, the first four numbers stand for them."""
    if not sys.platform.startswith("linux"):
        return [CameraName(f"camera {i}", i) for i in range(4)]
    found = []
    for folder in sorted(root.glob("video*"), key=lambda p: int(p.name.removeprefix("video"))):
        try:
            is_picture = (folder / "index").read_text().strip() == "0"  # others of the same camera carry its metadata
            if is_picture:
                found.append(CameraName((folder / "name").read_text().strip(), int(folder.name.removeprefix("video"))))
        except (OSError, ValueError):
            continue
    return found


def find_camera(wanted: str, cameras: list[CameraName] | None = None) -> CameraName:
    """The camera whose name or number is wanted; the only or first one for an empty wish.

    Raises
    ------
    EnvironmentFault
        When there is none; names those that there are.
    """
    cameras = list_cameras() if cameras is None else cameras
    names = ", ".join(f"{c.name!r}" for c in cameras) or "none"
    if not wanted and cameras:
        return cameras[0]
    for fits in (lambda c: c.name == wanted, lambda c: str(c.number) == wanted,
                 lambda c: wanted.lower() in c.name.lower()):
        hits = [c for c in cameras if wanted and fits(c)]
        if len(hits) == 1:
            return hits[0]
        if len(hits) > 1:
            raise EnvironmentFault(f"camera {wanted!r}: fits {', '.join(repr(c.name) for c in hits)}; give the whole "
                                   f"name or its number")
    if not cameras:
        raise EnvironmentFault("no camera found here; plug one in, or give --source a video file")
    raise EnvironmentFault(f"camera {wanted!r}: not found; cameras here: {names}; --source also takes a video file")


class Webcam:
    """A live source on a webcam.

    Parameters
    ----------
    camera : CameraName
    size_px : tuple of int
    rate_hz : float
        Pictures a second to ask for.
    make : callable
        Makes the capture; for tests.

    Attributes
    ----------
    locks : tuple of Locked
        What the driver said when exposure, white balance and focus were locked.
    """

    def __init__(self, camera: CameraName, size_px: tuple[int, int] = SIZE_PX, rate_hz: float = RATE_HZ, *,
                 make: Callable[[int, int], cv2.VideoCapture] = cv2.VideoCapture,
                 clock: Callable[[], float] = time.monotonic) -> None:
        self.name, self._camera, self._size_px, self._make, self._clock = camera.name, camera, size_px, make, clock
        self._rate_hz = rate_hz
        self._capture: cv2.VideoCapture | None = None
        self._start_s: float | None = None
        self._index, self._last_s, self._n_empty = 0, -1.0, 0
        self._closed = False
        self.locks: tuple[Locked, ...] = ()

    def open(self) -> None:
        """Open and lock the camera; SourceLost when it cannot be had now."""
        if self._capture is not None:
            return
        if sys.platform == "win32":
            os.environ.setdefault("OPENCV_VIDEOIO_MSMF_ENABLE_HW_TRANSFORMS", "0")  # else opening takes many seconds
        for back_end in _back_ends():
            capture = self._make(self._camera.number, back_end)
            if capture.isOpened():
                self._capture = capture
                self._set_up(capture, back_end)
                return
            capture.release()
        raise SourceLost(f"{self.name}: cannot be opened; is it plugged in, and not in use by another program?")

    def read(self) -> Arrival | None:
        """The next frame, stamped when it is there; SourceLost when the camera gives none."""
        if self._closed:
            return None
        if self._capture is None:
            raise SourceLost(f"{self.name}: is not open")
        done, image = self._capture.read()
        now_s = self._clock()
        if not done or image is None or image.size == 0:
            self._n_empty += 1
            if self._n_empty >= MOST_EMPTY or not self._capture.isOpened():
                self._let_go()
                raise SourceLost(f"{self.name}: gives no picture; check the cable")
            return self.read()
        self._n_empty = 0
        self._start_s = now_s if self._start_s is None else self._start_s
        t_s = max(now_s - self._start_s, self._last_s + 1e-4)
        frame = Frame(self._index, t_s, np.asarray(image, np.uint8), self.name)
        self._index, self._last_s = self._index + 1, t_s
        return Arrival(frame, now_s)

    def close(self) -> None:
        """End reading; the reader lets go of the device."""
        self._closed = True

    def release(self) -> None:
        """Let go of the device; from the thread that reads."""
        self._let_go()

    def _set_up(self, capture: cv2.VideoCapture, back_end: int) -> None:
        width, height = self._size_px
        # before the size, or 720p comes at 10 a second
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, width)
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, height)
        capture.set(cv2.CAP_PROP_FPS, self._rate_hz)
        capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        capture.read()
        self.locks = tuple(_lock(capture, back_end))
        for lock in self.locks:
            log.info("%s: %s asked %g, got %g", self.name, lock.setting, lock.asked, lock.got)

    def _let_go(self) -> None:
        if self._capture is not None:
            self._capture.release()
            self._capture = None


def _lock(capture: cv2.VideoCapture, back_end: int) -> list[Locked]:
    """Hold exposure, white balance and focus where they are now, and read back what the driver says."""
    v4l2 = back_end == cv2.CAP_V4L2
    manual = V4L2_MANUAL if v4l2 else 0.25
    if v4l2:
        capture.set(cv2.CAP_PROP_AUTO_EXPOSURE, V4L2_AUTO)
    held = {cv2.CAP_PROP_EXPOSURE: "exposure", cv2.CAP_PROP_WB_TEMPERATURE: "white balance",
            cv2.CAP_PROP_FOCUS: "focus"}
    values = {prop: capture.get(prop) for prop in held}
    switches = {cv2.CAP_PROP_AUTO_EXPOSURE: ("automatic exposure off", manual),
                cv2.CAP_PROP_AUTO_WB: ("automatic white balance off", 0.0),
                cv2.CAP_PROP_AUTOFOCUS: ("autofocus off", 0.0)}
    found = []
    for prop, (name, asked) in switches.items():
        capture.set(prop, asked)
        found.append(Locked(name, asked, float(capture.get(prop))))
    for prop, name in held.items():
        capture.set(prop, values[prop])
        found.append(Locked(name, float(values[prop]), float(capture.get(prop))))
    return found


def _back_ends() -> tuple[int, ...]:
    if sys.platform == "win32":
        return cv2.CAP_DSHOW, cv2.CAP_MSMF
    if sys.platform == "darwin":
        return (cv2.CAP_AVFOUNDATION,)
    return (cv2.CAP_V4L2,)
