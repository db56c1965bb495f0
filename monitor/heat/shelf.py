"""Where heat calibrations are kept, one per kind of board, nozzle and airflow, and which one applies to a job."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from monitor.errors import InputError
from monitor.heat.calibration import ANY_HEIGHT_M, Calibration, load_calibration, save_calibration
from monitor.heat.taught import board_key, melts_of, read_melts, taught
from monitor.heat.types import HeatSetup
from monitor.heat.uncertainty import prior
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


def heat_calibration(path: str | None, setup: HeatSetup | None = None, but_for: str = "") -> Calibration | None:
    """The heat calibration to use, with what melts seen under this station and nozzle have taught.

    Parameters
    ----------
    path : str or None
        What --heat names: a file, "none", or None for the one on the shelf that applies.
    setup : HeatSetup or None
        The job; without it nothing is taken from the shelf.
    but_for : str
        A recording whose own melts do not count.
    """
    if path == NONE:
        return None
    if path is not None:
        return load_calibration(Path(path))
    found = applying(setup) if setup is not None else None
    if found is not None:
        _tell(f"heat calibration {found[1]} applies and is used; --heat none for none")
    if setup is None:
        return None
    return _with_melts(None if found is None else found[0], setup, but_for)


def _with_melts(calibration: Calibration | None, setup: HeatSetup, but_for: str) -> Calibration | None:
    """A calibration, or general knowledge, sharpened by the shelf's melts."""
    try:
        melts = tuple(m for m in melts_of(read_melts(shelf()), setup) if m.recording != but_for)
    except InputError as fault:
        _tell(f"{fault}; passed over")
        return calibration
    if not melts:
        return calibration
    knowledge, wrong = taught(prior() if calibration is None else calibration.knowledge, melts, board_key(setup))
    aside = sum(w > 0.5 for w in wrong)
    but = f", {aside} of them left aside as they do not fit" if aside else ""
    _tell(f"melts seen under this nozzle are used: {len(melts)}{but}; --heat none for none")
    if calibration is not None:
        return replace(calibration, knowledge=knowledge)
    layers = tuple((layer.thickness_m, layer.coverage) for layer in setup.board.layers)
    return Calibration(knowledge, setup.board.thickness_m, layers, setup.station.bore_m, setup.station.airflow_m3_s,
                       ANY_HEIGHT_M, 0.0, ())


def _kind(calibration: Calibration) -> str:
    """A file name that says what it holds for."""
    copper = "-".join(f"{t * 1e6:.0f}um{100 * c:.0f}" for t, c in calibration.layers) or "unknown"
    return (f"board{calibration.thickness_m * 1e3:.2f}mm_copper{copper}_bore{calibration.bore_m * 1e3:.1f}mm_"
            f"{calibration.airflow_m3_s * 6e4:.0f}lmin")


def _tell(line: str) -> None:
    if sys.stderr is not None:
        print(f"plumeline: {line}", file=sys.stderr)  # noqa: T201  a word to the user, whoever asked
