"""The work behind `plumeline watch`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.engine.analyse import Inputs, read_inputs
from monitor.cli.commands import say
from monitor.errors import InputError

__all__ = ["run_watch"]


def run_watch(args: argparse.Namespace) -> int:
    """Open the bench window; 1 when the last recording passed limits, as for analyse."""
    if args.list_cameras:
        from monitor.engine.webcam import list_cameras

        for camera in list_cameras():
            say(f"{camera.number}  {camera.name}")
        return 0
    inputs, source = _inputs(args), _source(args)
    from monitor.ui.app import application

    app = application(theme=args.theme)
    from monitor.ui.bench_open import open_bench

    return open_bench(app, source, inputs, args)


def _source(args: argparse.Namespace):
    """The video file or camera that --source names."""
    from monitor.engine.source import PlayedVideo
    from monitor.engine.webcam import Webcam, find_camera
    from vision.sources import open_video

    path = Path(args.source) if args.source else None
    if path is not None and (path.exists() or path.suffix.lower() in (".mp4", ".mkv", ".avi", ".mov", ".webm", ".ts")):
        with open_video(path):  # a fault is told before a window opens
            pass
        return PlayedVideo(path, loop=not (args.once or args.quit_at_end))
    return Webcam(find_camera(args.source or ""))


def _inputs(args: argparse.Namespace) -> Inputs | None:
    """Job and calibrations: those named, else those that lie beside the video; None when set-up must make them."""
    beside = Path(args.source).parent if args.source and Path(args.source).is_file() else None
    paths = {}
    for name in ("job", "camera", "nozzle"):
        given = getattr(args, name)
        lying = beside / f"{name}.toml" if beside is not None else None
        paths[name] = Path(given) if given else lying if lying is not None and lying.is_file() else None
    missing = [name for name, path in paths.items() if path is None]
    if not missing:
        return read_inputs(args.source or "", paths["job"], paths["camera"], paths["nozzle"])
    if args.quit_at_end:
        raise InputError(f"--quit-at-end records at once and needs --{' and --'.join(missing)}")
    if any(getattr(args, name) for name in paths) and sys.stderr is not None:
        print(f"plumeline: without --{' and --'.join(missing)} the window opens on set-up", file=sys.stderr)
    return None
