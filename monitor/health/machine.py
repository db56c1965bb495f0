"""Looks at what the program stands on, without a window: versions, codecs, folders, compiled code, cameras."""

from __future__ import annotations

import contextlib
import os
import platform
import re
import shutil
from importlib import metadata
from pathlib import Path
from typing import Literal

from monitor.health.finding import Finding, State
from monitor.places import heat_folder, log_file, recordings_folder, sample_folder
from monitor.version import code_version

__all__ = ["camera_findings", "machine_findings"]

DECODERS = {"h264": "most cameras and this program", "hevc": "newer telephones", "mjpeg": "webcams", "vp9": "browsers",
            "mpeg4": "older cameras"}
ENCODER = "libx264"
HOUR_MB = 2300  # one recorded hour at 720p: 1.9 GB of video (the sample, less its size; 4.2 GB at 1080p) and the trace
LEAST_MB, FEW_HOURS = 200, 3


def machine_findings() -> list[Finding]:
    """Everything that can be looked at without a screen and without switching a camera on."""
    return [_program(), *_libraries(), *_codecs(), _sample(), _folder("recordings", recordings_folder()),
            _folder("heat", heat_folder()), _folder("log", log_file().parent), _space(recordings_folder()), _compiled()]


def camera_findings() -> list[Finding]:
    """Every camera, opened for a moment: what it gives and which settings it lets us lock.

    Notes
    -----
    What a driver says that it holds is its word only; the picture proves it (`camera_moved` while recording).
    """
    from monitor.engine.webcam import list_cameras

    cameras = list_cameras()
    if not cameras:
        return [Finding("camera", State.NOTE, "none found", "plug one in; videos can be analysed without")]
    return [_camera(camera.number, camera.name) for camera in cameras]


def _program() -> Finding:
    version = code_version()
    text = f"plumeline {version}, Python {platform.python_version()}, {platform.platform()}, {os.cpu_count()} cores"
    if version == "unknown":
        return Finding("program", State.FAULT, text, "not installed: run `pip install .` in the checkout")
    return Finding("program", State.GOOD, text)


def _libraries() -> list[Finding]:
    """What the installed program asks for, extras left out."""
    try:
        wanted = [line for line in metadata.requires("plumeline") or [] if "extra ==" not in line]
    except metadata.PackageNotFoundError:
        return []
    there, missing = [], []
    for line in wanted:
        name = re.match(r"[A-Za-z0-9_.-]+", line)
        if name is None:
            continue
        try:
            there.append(f"{name[0]} {metadata.version(name[0])}")
        except metadata.PackageNotFoundError:
            missing.append(line)
    found = [Finding("libraries", State.GOOD, ", ".join(there))]
    if missing:
        found.append(Finding("libraries", State.FAULT, f"missing: {', '.join(missing)}", "install plumeline again"))
    return found


def _codecs() -> list[Finding]:
    gone = [f"{name} ({whose})" for name, whose in DECODERS.items() if not _has_codec(name, "r")]
    read = Finding("codecs", State.GOOD, f"read {', '.join(DECODERS)}")
    if gone:
        read = Finding("codecs", State.NOTE, f"cannot read {', '.join(gone)}", "convert such videos to H.264 first")
    if not _has_codec(ENCODER, "w"):
        return [read, Finding("codecs", State.FAULT, f"cannot write video ({ENCODER} is missing)",
                              "install the `av` package from PyPI; until then record with --no-video")]
    return [read, Finding("codecs", State.GOOD, f"write {ENCODER}")]


def _has_codec(name: str, mode: Literal["r", "w"]) -> bool:
    import av

    try:
        av.Codec(name, mode)
    except ValueError:  # what av raises for an unknown codec
        return False
    return True


def _sample() -> Finding:
    folder = sample_folder()
    if folder is None:
        return Finding("sample", State.NOTE, "the sample recording is not there",
                       "`plumeline demo` needs a whole install")
    return Finding("sample", State.GOOD, str(folder))


def _folder(topic: str, folder: Path) -> Finding:
    """A folder that the program writes, or the first one above that is there."""
    there = _nearest(folder)
    text = str(folder) if there == folder else f"{folder} (made when needed)"
    if not there.is_dir():
        return Finding(topic, State.FAULT, f"{folder}: {there} is a file", "move that file away")
    if not os.access(there, os.W_OK | os.X_OK):
        return Finding(topic, State.FAULT, f"{there}: may not be written",
                       "take ownership of it, or name another: --out")
    return Finding(topic, State.GOOD, text)


def _space(folder: Path) -> Finding:
    """Free space where recordings go, in hours of recording."""
    free_mb = shutil.disk_usage(_nearest(folder)).free / 1e6
    text = f"{free_mb / 1000:.1f} GB free, some {free_mb / HOUR_MB:.0f} hours of recording"
    if free_mb < LEAST_MB:
        return Finding("space", State.FAULT, text, "free some space, or record to another disk: --out")
    if free_mb < FEW_HOURS * HOUR_MB:
        return Finding("space", State.NOTE, text, "free some space before a long session")
    return Finding("space", State.GOOD, text)


def _compiled() -> Finding:
    """Whether compiled code outlives the process: without, every start takes most of a minute longer."""
    from vision.camera.lens import pixel

    place = getattr(getattr(pixel, "stats", None), "cache_path", None)
    if place is None:
        return Finding("compiled code", State.NOTE, "not kept: every start compiles anew, a minute or so",
                       "name a folder that may be written in NUMBA_CACHE_DIR")
    folder = Path(place)
    if not os.access(_nearest(folder), os.W_OK):
        return Finding("compiled code", State.NOTE, f"{folder}: may not be written, so starts may compile anew",
                       "name a folder that may be written in NUMBA_CACHE_DIR")
    size_mb = sum(p.stat().st_size for p in folder.glob("*.nb?")) / 1e6 if folder.is_dir() else 0.0
    return Finding("compiled code", State.GOOD, f"{folder} ({size_mb:.0f} MB kept)")


def _camera(number: int, name: str) -> Finding:
    from monitor.engine.source import SourceLost
    from monitor.engine.webcam import CameraName, Webcam

    device = Path(f"/dev/video{number}")
    if device.exists() and not os.access(device, os.R_OK | os.W_OK):
        return Finding("camera", State.FAULT, f"{name} ({device}): may not be opened",
                       "join the group that owns the device (often `video`), then log in again")
    webcam = Webcam(CameraName(name, number))
    try:
        webcam.open()
        arrival = webcam.read()
    except SourceLost as fault:
        return Finding("camera", State.FAULT, str(fault), "close other programs that use it, try another port")
    finally:
        with contextlib.suppress(SourceLost):
            webcam.release()
    size = "no picture" if arrival is None else "{1} x {0}".format(*arrival.frame.image.shape[:2])
    loose = [lock.setting for lock in webcam.locks if not lock.is_held]
    if loose:
        return Finding("camera", State.NOTE, f"{name}: {size}; does not hold {', '.join(loose)}",
                       "hold them in the camera's own settings, or keep light and distance as they are")
    return Finding("camera", State.GOOD, f"{name}: {size}; exposure, white balance and focus can be held")


def _nearest(folder: Path) -> Path:
    """The folder, or what is there above it."""
    return next(p for p in (folder, *folder.parents) if p.exists())
