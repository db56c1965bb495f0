"""What all melts seen so far teach about a station and nozzle, kept on the shelf and used by every job with them.

Outlet factor, film gain, decay, spread and airflow belong to station and nozzle; conductivity, losses, heat capacity
and what
the chain leaves out belong to each board and part. All are learned together, so that ten melts on one board do not
pass for ten boards. Expectation propagation keeps it Gaussian; each melt may be wrong altogether.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.files import read_json, write_text_whole
from monitor.heat.melt import LAW, LIQUIDUS_SIGMA_K, Lesson, scalar_update
from monitor.heat.types import HeatSetup
from monitor.heat.uncertainty import PARAMETERS, Knowledge

__all__ = ["SHARED", "Melt", "board_key", "keep_melts", "melt_of", "melts_of", "read_melts", "taught"]

FloatArray = NDArray[np.float64]

SHARED = ("exit_factor", "film_gain", "decay", "spread", "airflow")  # of station and nozzle
BORE_SHARE = 0.05  # bores that differ by more are other nozzles
MOST_MELTS = 200  # the newest count
_SWEEPS = 4
_FILE = "melts.json"


@dataclass(frozen=True)
class Melt:
    """One sight of a melt, reduced to what it says of the scores.

    Attributes
    ----------
    kind : str
        A key of `melt.LAW`.
    recording, told_by : str
    t_s : float
        In the recording.
    bore_m : float
    board : str
        Key of board and part.
    at_zero_c, per_score_k : float, tuple of float
        The coldest joint at scores of zero, and its change with each of PARAMETERS.
    mark_c : float
        What it crossed, or passed [C].
    sight_k, input_k, form_k : float
        1 sigma of the sight alone; by what was measured of the jet; of what the chain leaves out, the same for one
        board.
    """

    kind: str
    recording: str
    told_by: str
    t_s: float
    bore_m: float
    board: str
    at_zero_c: float
    per_score_k: tuple[float, ...]
    mark_c: float
    sight_k: float
    input_k: float
    form_k: float


def board_key(setup: HeatSetup) -> str:
    """Short key of a job's board and part."""
    points = np.array(setup.part.region.polygon_m)
    size = np.round(1e3 * np.ptp(points, axis=0), 1).tolist()
    text = repr((setup.board.thickness_m, setup.board.layers, setup.board.size_m, setup.part.kind, size))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def melt_of(lesson: Lesson, setup: HeatSetup, recording: str) -> Melt:
    """A lesson as it is kept."""
    law = LAW[lesson.sight.kind]
    sight = math.hypot(lesson.slope_k_s * law.lag_sigma_s, LIQUIDUS_SIGMA_K)
    return Melt(
        lesson.sight.kind,
        recording,
        lesson.sight.told_by,
        lesson.sight.t_s,
        setup.station.bore_m,
        board_key(setup),
        lesson.at_zero_c,
        tuple(float(v) for v in lesson.per_score_k),
        lesson.liquidus_c + lesson.slope_k_s * law.lag_s,
        sight,
        lesson.input_sigma_k,
        lesson.form_sigma_k,
    )


def melts_of(melts: tuple[Melt, ...], setup: HeatSetup) -> tuple[Melt, ...]:
    """Those with a job's nozzle."""
    return tuple(m for m in melts if abs(m.bore_m / setup.station.bore_m - 1) <= BORE_SHARE)


def taught(base: Knowledge, melts: tuple[Melt, ...], board: str) -> tuple[Knowledge, tuple[float, ...]]:
    """What is known of the scores for one board after melts, and the probability of each of being wrong.

    Parameters
    ----------
    base : Knowledge
        Without the melts: the prior, or a thermocouple run's.
    """
    boards = list(dict.fromkeys([board, *(m.board for m in melts)]))
    mean, cov = _joint(base, boards)
    rows = np.array([_row(m, boards) for m in melts]).reshape(len(melts), len(mean))
    mean, cov, wrong = _propagate(mean, cov, rows, melts)
    n = len(PARAMETERS)
    here = np.array([PARAMETERS.index(name) if name in SHARED else _place(name, 0) for name in PARAMETERS])
    note = f"{base.note}; sights of melts that taught it: {len(melts)}" if melts else base.note
    return replace(base, mean=mean[here], cov=cov[np.ix_(here, here)] + 1e-9 * np.eye(n), note=note), wrong


def read_melts(folder: Path) -> tuple[Melt, ...]:
    """The shelf's melts, the newest last; none when there are none.

    Raises
    ------
    InputError
        When the file cannot be used.
    """
    path = folder / _FILE
    if not path.exists():
        return ()
    try:
        rows = read_json(path, "shelf of melts", InputError)
        melts = tuple(Melt(**{**row, "per_score_k": tuple(map(float, row["per_score_k"]))}) for row in rows["melts"])
    except (InputError, ValueError, TypeError, KeyError) as fault:
        raise InputError(f"{path}: cannot be used ({fault}); move it away to begin anew") from None
    numbers = [
        v
        for m in melts
        for v in (m.t_s, m.bore_m, m.at_zero_c, *m.per_score_k, m.mark_c, m.sight_k, m.input_k, m.form_k)
    ]
    if (
        rows.get("scores") != list(PARAMETERS)
        or not np.isfinite(numbers).all()
        or any(m.kind not in LAW for m in melts)
    ):
        raise InputError(f"{path}: made for another version of the heat chain, or damaged; move it away to begin anew")
    return melts


def keep_melts(folder: Path, melts: tuple[Melt, ...], recording: str) -> None:
    """Put a recording's melts on the shelf, in place of what it had taught before."""
    kept = tuple(m for m in read_melts(folder) if m.recording != recording)
    folder.mkdir(parents=True, exist_ok=True)
    rows = [asdict(m) for m in (*kept, *melts)[-MOST_MELTS:]]
    write_text_whole(
        folder / _FILE, json.dumps({"kind": "melts seen", "scores": list(PARAMETERS), "melts": rows}, indent=1) + "\n"
    )


_OWN = tuple(name for name in PARAMETERS if name not in SHARED)


def _place(name: str, i_board: int) -> int:
    """Where a board's own score stands in the joint vector: all scores, then each further board's and what the
    chain leaves out."""
    if i_board == 0:
        return PARAMETERS.index(name)
    return len(PARAMETERS) + 1 + (i_board - 1) * (len(_OWN) + 1) + _OWN.index(name)


def _form_place(i_board: int) -> int:
    return len(PARAMETERS) if i_board == 0 else len(PARAMETERS) + 1 + (i_board - 1) * (len(_OWN) + 1) + len(_OWN)


def _joint(base: Knowledge, boards: list[str]) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of the scores here, and of every further board's own."""
    n = len(PARAMETERS)
    size = n + 1 + (len(boards) - 1) * (len(_OWN) + 1)
    mean, cov = np.zeros(size), np.eye(size)
    mean[:n], cov[:n, :n] = base.mean, base.cov
    return mean, cov


def _row(melt: Melt, boards: list[str]) -> FloatArray:
    """How the coldest joint of one melt changes with the joint vector."""
    i_board = boards.index(melt.board)
    row = np.zeros(len(PARAMETERS) + 1 + (len(boards) - 1) * (len(_OWN) + 1))
    for name, slope in zip(PARAMETERS, melt.per_score_k, strict=True):
        row[PARAMETERS.index(name) if name in SHARED else _place(name, i_board)] = slope
    row[_form_place(i_board)] = melt.form_k
    return row


def _propagate(
    mean: FloatArray, cov: FloatArray, rows: FloatArray, melts: tuple[Melt, ...]
) -> tuple[FloatArray, FloatArray, tuple[float, ...]]:
    """Each melt's own Gaussian factor on its row, improved in turn against all the others."""
    start_info = np.linalg.inv(cov)
    start_push = start_info @ mean
    info, push, wrong = np.zeros(len(melts)), np.zeros(len(melts)), np.zeros(len(melts))
    for _ in range(_SWEEPS if len(melts) > 1 else 1):
        for i, melt in enumerate(melts):
            joint = start_info + (rows.T * info) @ rows
            cov = np.asarray(np.linalg.inv(joint), float)
            mean = cov @ (start_push + rows.T @ push)
            row = rows[i]
            variance, middle = float(row @ cov @ row), float(row @ mean)
            free = 1.0 / variance - info[i]
            if free <= 1e-9:
                continue
            free_mean = (middle / variance - push[i]) / free
            sigma = math.sqrt(1.0 / free)
            after, spread, wrong[i] = scalar_update(
                LAW[melt.kind], free_mean + melt.at_zero_c, sigma, melt.mark_c, math.hypot(melt.sight_k, melt.input_k)
            )
            info[i] = max(1.0 / spread**2 - free, 0.0)
            push[i] = (after - melt.at_zero_c) / spread**2 - free_mean * free if info[i] > 0 else 0.0
    cov = np.asarray(np.linalg.inv(start_info + (rows.T * info) @ rows), float)
    return cov @ (start_push + rows.T @ push), cov, tuple(wrong.tolist())
