"""Where the program keeps what it keeps: the usual folders of each system, and the sample that comes with it."""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

import platformdirs

__all__ = ["heat_folder", "log_file", "recordings_folder", "sample_folder"]

_NAME = "plumeline"


def recordings_folder() -> Path:
    """Where live recordings go unless --out names a place."""
    return platformdirs.user_data_path(_NAME, appauthor=False) / "recordings"


def heat_folder() -> Path:
    """Where heat calibrations are kept."""
    return platformdirs.user_data_path(_NAME, appauthor=False) / "heat"


def log_file() -> Path:
    """The newest of the rotating logs; older ones lie beside it."""
    return platformdirs.user_log_path(_NAME, appauthor=False) / "plumeline.log"


def sample_folder() -> Path | None:
    """The rendered sample recording with its job and calibrations: in the checkout, or where the wheel put it."""
    beside = Path(__file__).resolve().parents[1] / "sample_video"
    if (beside / "clip.mp4").is_file():
        return beside
    try:
        installed = metadata.files(_NAME) or []
    except metadata.PackageNotFoundError:
        return None
    clips = (Path(str(path.locate())).resolve() for path in installed
             if path.parts[-2:] == ("sample_video", "clip.mp4"))
    return next((clip.parent for clip in clips if clip.is_file()), None)
