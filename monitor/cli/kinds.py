"""Recognises files that were given in one another's place, such as a camera calibration as the job."""

from __future__ import annotations

import argparse
from pathlib import Path

from monitor.errors import InputError
from monitor.files import read_toml

__all__ = ["check_kinds", "kind_of"]

NAMES = {"job": "a job file", "camera": "a camera calibration", "nozzle": "a nozzle calibration"}
MARKS = {"job": {"target", "limits", "station"}, "camera": {"camera_matrix_px"}, "nozzle": {"camera_id", "edge"}}


def check_kinds(args: argparse.Namespace) -> None:
    """InputError when --job, --camera or --nozzle names a file of another kind; other faults are left to who reads
    it.
    """
    for name in NAMES:
        path = getattr(args, name, None)
        found = kind_of(Path(path)) if isinstance(path, str) and path.endswith(".toml") else ""
        if found and found != name:
            raise InputError(f"--{name} {path}: this is {NAMES[found]}, not {NAMES[name]}; give it with --{found}")


def kind_of(path: Path) -> str:
    """"job", "camera" or "nozzle" by what stands in the file; empty when that cannot be said."""
    try:
        keys = set(read_toml(path, "TOML file", InputError))
    except InputError:
        return ""
    fits = [kind for kind, marks in MARKS.items() if keys >= marks or (kind == "job" and len(keys & marks) >= 2)]
    return fits[0] if len(fits) == 1 else ""
