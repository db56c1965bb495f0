"""Where heat calibrations are kept, one per kind of board, nozzle and airflow, and which one applies to a job."""

from __future__ import annotations

import sys
from pathlib import Path

from monitor.errors import InputError
from monitor.heat.calibration import Calibration, load_calibration, save_calibration
from monitor.heat.types import HeatSetup
from monitor.places import heat_folder

__all__ = ["NONE", "applying", "heat_calibration", "keep", "shelf"]

NONE = "none"  # what --heat is given to use no calibration at all


def shelf() -> Path:
    """The folder of kept calibrations."""
    return heat_folder()


def keep(calibration: Calibration) -> Path:
    """Put a calibration on the shelf, in place of an older one for the same board, nozzle and airflow."""
    path = shelf() / f"{_kind(calibration)}.toml"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise OSError(fault.errno, fault.strerror, str(path.parent)) from None
    save_calibration(calibration, path)
    return path


def applying(setup: HeatSetup) -> tuple[Calibration, Path] | None:
    """The kept calibration that holds for a job, the newest of several; files that cannot be used are passed over."""
    newest_first = sorted(shelf().glob("*.toml"), key=lambda p: (p.stat().st_mtime, p.name), reverse=True)
    for path in newest_first:
        try:
            calibration = load_calibration(path)
        except InputError as fault:
            _tell(f"{fault}; passed over")
            continue
        if calibration.mismatch(setup) is None:
            return calibration, path
    return None


def heat_calibration(path: str | None, setup: HeatSetup | None = None) -> Calibration | None:
    """The heat calibration to use.

    Parameters
    ----------
    path : str or None
        What --heat names: a file, "none", or None for the one on the shelf that applies.
    setup : HeatSetup or None
        The job; without it nothing is taken from the shelf.
    """
    if path == NONE:
        return None
    if path is not None:
        return load_calibration(Path(path))
    found = applying(setup) if setup is not None else None
    if found is None:
        return None
    _tell(f"heat calibration {found[1]} applies and is used; --heat none for none")
    return found[0]


def _kind(calibration: Calibration) -> str:
    """A file name that says what it holds for."""
    copper = "-".join(f"{t * 1e6:.0f}um{100 * c:.0f}" for t, c in calibration.layers) or "unknown"
    return (f"board{calibration.thickness_m * 1e3:.2f}mm_copper{copper}_bore{calibration.bore_m * 1e3:.1f}mm_"
            f"{calibration.airflow_m3_s * 6e4:.0f}lmin")


def _tell(line: str) -> None:
    if sys.stderr is not None:
        print(f"plumeline: {line}", file=sys.stderr)
