"""The work behind `plumeline watch`."""

from __future__ import annotations

import argparse
import contextlib
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.cli.output import exit_code, say
from monitor.engine.analyse import Inputs, read_inputs
from monitor.errors import EnvironmentFault, InputError, MonitorError
from monitor.places import recordings_folder
from monitor.recording.reader import open_recording
from vision.errors import VisionError

if TYPE_CHECKING:
    from monitor.engine.source import LiveSource
    from monitor.judging.guide_pass import GuidePass

__all__ = ["run_watch"]


def run_watch(args: argparse.Namespace) -> int:
    """Open the bench window; 1 when the last recording passed limits, as for analyse."""
    if args.list_cameras:
        from monitor.engine.webcam import list_cameras

        cameras = list_cameras()
        for camera in cameras:
            say(f"{camera.number}  {camera.name}")
        if not cameras:
            say("no camera found; plug one in, or give --source a video file")
        return 0
    inputs = _inputs(args)
    if inputs is not None:
        threading.Thread(target=_load, args=(inputs,), name="load", daemon=True).start()
    source = _source(args)
    folder = _open(source, inputs, args)
    if folder is None:
        return 0
    say(f"recorded: {folder}")
    try:
        return exit_code(open_recording(folder))
    except InputError as error:
        raise EnvironmentFault(str(error)) from None


def _load(inputs: Inputs) -> None:
    """Load the compiled code while the window is built, so that the first picture need not wait for it."""
    from monitor.judging.tracking import make_tracker

    with contextlib.suppress(MonitorError, VisionError, OSError):  # told where the tracker is made that is used
        make_tracker(inputs.camera, inputs.nozzle_path, inputs.job, waits=False)


def _open(source: LiveSource, inputs: Inputs | None, args: argparse.Namespace) -> Path | None:
    """The window, opened as the arguments ask; gives the last recording."""
    from monitor.engine.feedback import Mode
    from monitor.heat.shelf import heat_calibration
    from monitor.judging.exposure import heat_setup
    from monitor.ui.app import application
    from monitor.ui.bench_open import Opening, open_bench
    from monitor.ui.bench_work import Settings

    app = application(theme=args.theme, language=args.language)
    settings = Settings(_path(args.out) or recordings_folder(), args.operator, Mode(args.coaching), args.band / 100,
                        not args.no_record, not args.no_video, camera=_path(args.camera), nozzle=_path(args.nozzle),
                        guide=_guide(args.guide, inputs))
    calibration = heat_calibration(args.heat, heat_setup(inputs.job) if inputs else None)
    return open_bench(app, source, inputs, Opening(settings, calibration, args.mute, _path(args.sound),
                                                   args.quit_at_end, args.minutes, _path(args.stats)))


def _guide(name: str | None, inputs: Inputs | None) -> GuidePass | None:
    """The guide in a file; one of another target is refused before a window opens."""
    if name is None:
        return None
    from monitor.judging.guide_pass import fit_to_job
    from monitor.recording.guide_file import load_guide

    guide = load_guide(Path(name))
    if inputs is not None:
        fit_to_job(guide, inputs.job)
    return guide


def _path(text: str | None) -> Path | None:
    return Path(text) if text else None


def _source(args: argparse.Namespace) -> LiveSource:
    """The video file or camera that --source names."""
    from monitor.engine.source import PlayedVideo
    from monitor.engine.webcam import Webcam, find_camera
    from vision.camera.sources import open_video

    path = Path(args.source) if args.source else None
    if path is not None and (path.exists() or path.suffix.lower() in (".mp4", ".mkv", ".avi", ".mov", ".webm", ".ts")):
        with open_video(path):  # a fault is told before a window opens
            pass
        return PlayedVideo(path, loop=not (args.once or args.quit_at_end))
    return Webcam(find_camera(args.source or ""), rate_hz=args.rate)


def _inputs(args: argparse.Namespace) -> Inputs | None:
    """Job and calibrations: those named, else those that lie beside the video; None when set-up must make them."""
    beside = Path(args.source).parent if args.source and Path(args.source).is_file() else None
    paths: dict[str, Path | None] = {}
    for name in ("job", "camera", "nozzle"):
        given = getattr(args, name)
        lying = beside / f"{name}.toml" if beside is not None else None
        paths[name] = Path(given) if given else lying if lying is not None and lying.is_file() else None
    missing = [name for name, path in paths.items() if path is None]
    there = [path for path in paths.values() if path is not None]
    if not missing:
        return read_inputs(args.source or "", *there)
    if args.quit_at_end:
        raise InputError(f"--quit-at-end records at once and needs --{' and --'.join(missing)}")
    if any(getattr(args, name) for name in paths) and sys.stderr is not None:
        print(f"plumeline: without --{' and --'.join(missing)} the window opens on set-up", file=sys.stderr)
    return None
