"""The values that vision hands on; frozen, lengths in mm, angles in rad, times in s."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FloatArray", "Frame", "BenchPose", "PoseMiss", "NozzleObservation", "NozzleMiss",
    "TrackStatus", "NozzleTrack", "BenchEvent", "PartMotion", "PartEvent", "VisionResult",
]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Frame:
    """One picture with its own time.

    Attributes
    ----------
    index : int
        Count of the frame in its source, from 0.
    t_s : float
        Time from the first frame, from the file's stamps or the capture clock [s].
    image : array, shape (height, width, 3), uint8
        BGR picture as it came, still distorted.
    source : str
        Where it came from, for messages.
    luma : array, shape (height, width), uint8, or None
        Brightness, where the source has it without computing; 0 to 255.
    """

    index: int
    t_s: float
    image: NDArray[np.uint8]
    source: str = ""
    luma: NDArray[np.uint8] | None = None


@dataclass(frozen=True)
class BenchPose:
    """Where the printed mat is, seen from the camera.

    Attributes
    ----------
    t_s : float
    cam_from_bench : array, shape (4, 4)
        Rigid transform, bench frame [mm] to camera frame [mm] (z forward).
    cov : array, shape (6, 6)
        Of (rotation vector [rad], translation [mm]) applied on the left, in the camera frame.
    n_markers : int
    rms_px : float
    """

    t_s: float
    cam_from_bench: FloatArray
    cov: FloatArray
    n_markers: int
    rms_px: float


@dataclass(frozen=True)
class PoseMiss:
    """Why there is no bench pose at this moment."""

    t_s: float
    reason: str


@dataclass(frozen=True)
class NozzleObservation:
    """The nozzle's pose from one frame alone.

    Attributes
    ----------
    t_s : float
    tip_bench_mm : array, shape (3,)
        Centre of the outlet face, bench frame [mm].
    axis_bench : array, shape (3,)
        Unit vector along the jet (out of the nozzle), bench frame [-].
    cov : array, shape (6, 6)
        Covariance of (tip [mm], axis [-]) in the bench frame; rank 5, as the axis has unit length.
    chi2_dof : float
        Chi-square of the fit per degree of freedom [-].
    """

    t_s: float
    tip_bench_mm: FloatArray
    axis_bench: FloatArray
    cov: FloatArray
    chi2_dof: float


@dataclass(frozen=True)
class NozzleMiss:
    """Why the nozzle was not measured in this frame, in words for the user."""

    t_s: float
    reason: str


class TrackStatus(enum.Enum):
    """What a track's numbers rest on."""

    TENTATIVE = "tentative"  # seen, but not yet confirmed
    VAGUE = "vague"  # seen, now or a moment ago, but too little of it, or too short a time, to tell how high it is
    TRACKING = "tracking"  # measured in this frame
    COASTING = "coasting"  # predicted; last measured at t_seen_s
    LOST = "lost"  # not known
    GONE = "gone"  # it was told, and since then the bench was seen without it, or anything else over it


@dataclass(frozen=True)
class NozzleTrack:
    """The filtered nozzle at one instant; arrays are nan when the status is LOST or GONE.

    Attributes
    ----------
    t_s : float
    status : TrackStatus
    tip_mm : array, shape (3,)
        Centre of the outlet face, bench frame [mm].
    velocity_mm_s : array, shape (3,)
    axis : array, shape (3,)
        Unit vector along the jet, bench frame [-].
    cov : array, shape (6, 6)
        Covariance of (tip [mm], axis [-]), bench pose and calibration included.
    t_seen_s : float
        Time of the last frame that measured it and told where it is [s]; nan before the first.
    reason : str
        Why it was not measured, empty when it was.
    """

    t_s: float
    status: TrackStatus
    tip_mm: FloatArray
    velocity_mm_s: FloatArray
    axis: FloatArray
    cov: FloatArray
    t_seen_s: float
    reason: str = ""

    @property
    def is_seen(self) -> bool:
        """Whether this frame itself measured the nozzle."""
        return self.status is TrackStatus.TRACKING


@dataclass(frozen=True)
class BenchEvent:
    """Something that happened to the bench, not to the nozzle.

    Attributes
    ----------
    t_s : float
    kind : str
        "camera_moved", "board_moved", "mat_lost" or "mat_found".
    detail : str
        One line for the user.
    """

    t_s: float
    kind: str
    detail: str


@dataclass(frozen=True)
class PartMotion:
    """A part in one frame.

    Attributes
    ----------
    t_s : float
    name : str
    shift_mm : array, shape (2,)
        From where it lay first, against the board, axes of the bench frame; nan when not measured.
    turn_rad : float
    sigma_mm, turn_sigma_rad : float
        Of each coordinate of the shift; of the turn.
    noise_mm : float
        The same without what a part that melts may sink by: of a change of the shift, unseen.
    seen : float
        Share of its top face that shows what it showed first [-]; nan without a reference.
    clear : float
        Of the board on its most covered side, how much shows what it showed first, in light or shade [-].
    is_present : bool or None
        None: covered, or not looked at yet.
    edges : float
        Share of the contrast along its edge that is still there [-]; this and the next only where something else is
        seen.
    stands : float
        How much more of what it would hide, did it stand on its short side, has changed than of the rest beside it
        [-]; nan where that cannot be told.
    change : float
        Of its picture since the frame before, but for a factor [grey levels].
    gain : float
        Brightness over the reference's [-].
    px_per_mm : float
    """

    t_s: float
    name: str
    shift_mm: FloatArray = field(default_factory=lambda: np.full(2, np.nan))
    turn_rad: float = math.nan
    sigma_mm: float = math.nan
    turn_sigma_rad: float = math.nan
    noise_mm: float = math.nan
    seen: float = math.nan
    clear: float = 0.0
    is_present: bool | None = None
    edges: float = math.nan
    stands: float = math.nan
    change: float = math.nan
    gain: float = math.nan
    px_per_mm: float = math.nan

    @property
    def is_measured(self) -> bool:
        """Whether the shift is known."""
        return math.isfinite(self.sigma_mm)


@dataclass(frozen=True)
class PartEvent:
    """One thing that happened to one part.

    Attributes
    ----------
    t_s : float
        From which it was told.
    t_start_s : float
        Of the first frame that shows it.
    name, kind : str
        Of the part; "settled", "sprang_back", "moved", "stood_up" or "removed".
    shift_mm : array, shape (2,)
        From before to after, or the furthest of one that sprang back; nan for one that is gone.
    turn_rad : float
    sigma_mm : float
        Of each coordinate.
    before, after : arrays, shape (s, s, 3), uint8, or None
        Its place from above, at one scale: the last look before it moved, and the one when this was told.
    """

    t_s: float
    t_start_s: float
    name: str
    kind: str
    shift_mm: FloatArray
    turn_rad: float
    sigma_mm: float
    before: NDArray[np.uint8] | None = None
    after: NDArray[np.uint8] | None = None

    @property
    def size_mm(self) -> float:
        """Length of the shift."""
        return float(np.hypot(*self.shift_mm))


@dataclass(frozen=True)
class VisionResult:
    """All that one frame says.

    Attributes
    ----------
    frame_index : int
    t_s : float
    bench : BenchPose or PoseMiss
    observation : NozzleObservation or NozzleMiss
    track : NozzleTrack
    board_shift : array, shape (3,)
        How far the board lies from where it lay at the start: x, y [mm] and turn about z [rad];
        the turn is about the bench's origin: p_now = R(turn) p_start + (x, y).
    events : tuple of BenchEvent
    parts : tuple of PartMotion
        Of every part that is watched.
    part_events : tuple of PartEvent
    """

    frame_index: int
    t_s: float
    bench: BenchPose | PoseMiss
    observation: NozzleObservation | NozzleMiss
    track: NozzleTrack
    board_shift: FloatArray = field(default_factory=lambda: np.zeros(3))
    events: tuple[BenchEvent, ...] = ()
    parts: tuple[PartMotion, ...] = ()
    part_events: tuple[PartEvent, ...] = ()
