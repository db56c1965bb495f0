"""Guides the taking of touch photographs: which height is next, whether the picture will do, and the verdict at the
end.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from monitor.files import write_bytes_whole, write_text_whole
from vision.calibrate.nozzle_file import NozzleCalibration
from vision.types import BenchPose, PoseMiss

__all__ = ["Step", "NozzleGuide", "NozzleVerdict", "STEPS", "judge_nozzle", "steps_for"]

CHANGED_GREY, STILL_SHARE = 8.0, 0.002  # pixels of the small picture that change by so much; share while all lies still
REST_LOOKS = 3  # looks in a row without a change, a second or so
WORST_RMS_MM, DOUBTFUL_RMS_MM = 1.0, 0.5
LEAST_FOUND = 0.7


@dataclass(frozen=True)
class Step:
    """One photograph: over the "board" or the bare "mat", at what height above it [mm]."""

    over: str
    height_mm: float

    def words(self) -> str:
        """What to do for it."""
        place = "the board" if self.over == "board" else "the bare mat"
        if self.height_mm == 0:
            return f"stand the cold nozzle upright on {place}, its rim flat on it"
        return f"hold the cold nozzle {self.height_mm:g} mm over {place}, on a block, card or coin"


STEPS = tuple(Step("board", h) for h in (0.0, 5.0, 10.0, 15.0, 20.0, 30.0)) + tuple(Step("mat", h)
                                                                                    for h in (10.0, 20.0, 30.0, 40.0))


def steps_for(blocks_mm: Sequence[float], n_over_mat: int = 4) -> tuple[Step, ...]:
    """Steps with the blocks that there are, 0 for none: each over the board, then the lower ones over the bare mat."""
    blocks = sorted(b for b in blocks_mm if b >= 0)
    over_mat = sorted({b for b in blocks if b > 0})[:n_over_mat]
    return (*(Step("board", b) for b in blocks), *(Step("mat", b) for b in over_mat))


@dataclass(frozen=True)
class NozzleVerdict:
    """Whether a nozzle's calibration may be used, and why."""

    is_usable: bool
    reason: str


class NozzleGuide:
    """Takes photographs step by step into a folder that `calibrate nozzle` reads.

    Parameters
    ----------
    folder : Path
    steps : tuple of Step
    """

    def __init__(self, folder: Path, steps: tuple[Step, ...] = STEPS) -> None:
        self.folder, self.steps = folder, steps
        self._rows: list[tuple[str, Step]] = []
        self._before: np.ndarray | None = None
        self.is_still, self._has_moved, self._n_still = False, False, 0

    @property
    def step(self) -> Step | None:
        """The one to take next; None when all are taken."""
        return self.steps[len(self._rows)] if len(self._rows) < len(self.steps) else None

    @property
    def has_come_to_rest(self) -> bool:
        """Whether something moved since the last photograph and has lain still for a while: time for the next one."""
        return self.step is not None and self._has_moved and self.lies_still

    @property
    def lies_still(self) -> bool:
        """Whether nothing has moved for a while."""
        return self._n_still >= REST_LOOKS

    def wanted(self) -> str:
        """The photographs that are still to be taken, in words."""
        left = self.steps[len(self._rows):]
        places = [(name, [f"{s.height_mm:g}" for s in left if s.over == over])
                  for name, over in (("board", "board"), ("bare mat", "mat"))]
        return "; ".join(f"over the {name}: {', '.join(heights)} mm" for name, heights in places if heights)

    @property
    def n_taken(self) -> int:
        """How many are taken."""
        return len(self._rows)

    def look(self, image: np.ndarray, bench: BenchPose | PoseMiss) -> str:
        """What to do now, given what the camera sees."""
        small = cv2.resize(image, (160, 90), interpolation=cv2.INTER_AREA).astype(np.float32)
        change = np.inf if self._before is None else float((np.abs(small - self._before).max(axis=2)
                                                            > CHANGED_GREY).mean())
        self._before, self.is_still = small, change < STILL_SHARE
        self._has_moved |= change > STILL_SHARE and math.isfinite(change)
        self._n_still = self._n_still + 1 if self.is_still else 0
        if self.step is None:
            return "all taken: calibrate now"
        if isinstance(bench, PoseMiss):
            return f"the mat is not seen: {bench.reason}"
        if not self.is_still:
            return "hold still"
        return self.step.words()

    def take(self, image: np.ndarray, bench: BenchPose | PoseMiss, height_mm: float | None = None) -> str:
        """Take the photograph of this step, at its height or at the one that was really set; "" or why not."""
        if self.step is None:
            return "all taken"
        if isinstance(bench, PoseMiss):
            return "not taken: the mat is not seen"
        step = self.step if height_mm is None else Step(self.step.over, height_mm)
        done, data = cv2.imencode(".png", image)
        name = f"{len(self._rows):02d}_{step.over}.png"
        if not done:
            return "not taken: the picture could not be written"
        write_bytes_whole(self.folder / name, data.tobytes())
        self._rows.append((name, step))
        self._has_moved, self._n_still = False, 0
        self._write_list()
        return ""

    def take_back(self) -> None:
        """Forget the last photograph."""
        if self._rows:
            name, _ = self._rows.pop()
            (self.folder / name).unlink(missing_ok=True)
            self._write_list()

    def _write_list(self) -> None:
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["file", "over", "height_above_it_mm"])
        writer.writerows([name, step.over, f"{step.height_mm:g}"] for name, step in self._rows)
        write_text_whole(self.folder / "heights.csv", out.getvalue())


def judge_nozzle(found: NozzleCalibration, n_photos: int) -> NozzleVerdict:
    """Whether the heights that the photographs were taken at come back well enough."""
    rms = found.height_error_rms_mm
    if found.n_photos < LEAST_FOUND * n_photos:
        return NozzleVerdict(False,
                             f"refused: the nozzle was found in {found.n_photos} of {n_photos} photographs only; is "
                             f"the whole "
                                    "tool in view, and are its measures right?")
    if not math.isfinite(rms) or rms > WORST_RMS_MM:
        return NozzleVerdict(False,
                             f"refused: the known heights come back within {rms:.2f} mm (rms) only, {WORST_RMS_MM:g} "
                             f"mm is the "
                                    "most; check the heights, the measures, and that nothing moved")
    doubt = "" if rms <= DOUBTFUL_RMS_MM else "; fair, not good: heights close to a limit will be doubtful"
    return NozzleVerdict(True,
                         f"usable: the known heights come back within {rms:.2f} mm (rms) in {found.n_photos} "
                         f"photographs{doubt}")
