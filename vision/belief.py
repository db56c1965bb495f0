"""How far a track is believed: by its sightings, and by how long its height has been known well enough to be told."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.metal import METAL_EARNS
from vision.types import TrackStatus

__all__ = ["Belief", "CLEAR_QUALITY", "FIND_QUALITY", "SURE_QUALITY", "TOLD_SIGMA_MM"]

SURE_QUALITY, FIND_QUALITY = 0.5, 0.45  # share of the outline that must agree
CLEAR_QUALITY = 0.33  # that a pose found anew, and one that makes a new track, must have
# sightings that explain enough before a new track is believed, and what one that explains less counts
_CONFIRM, _FAIR = 3, 0.25
TOLD_SIGMA_MM = 6.0  # of the height
_TOLD_LEAN_RAD = 0.05  # sigma of the jet's direction, 3 degrees, with which a height is told
# a height that was vague, and a new track's, is told when it has been good for so long; and looked for anew within the last
_SETTLES_S, _SETTLES_NEW_S, _UNSURE_S = 0.3, 0.2, 0.5
_BRIEF_S = 0.11  # a doubt so short, as a picture or two, needs no settling


@dataclass(frozen=True)
class Belief:
    """Of one track, at one instant.

    Attributes
    ----------
    sightings : float
        How often the tool was seen, a fair sighting counting for a part of one.
    t_vague_s : float
        When its height was last not known well enough to be told; never is -inf.
    t_told_s : float
        When it was last told, of this track or one before; never is nan.
    is_untold : bool
        Whether no height of this track was told.
    """

    sightings: float = 0.0
    t_vague_s: float = -np.inf
    t_told_s: float = np.nan
    is_untold: bool = True

    @property
    def is_new(self) -> bool:
        """Whether it is not yet believed, nor known how fast the tool moves."""
        return self.sightings < _CONFIRM

    def is_unsure(self, t_s: float) -> bool:
        """Whether the height was vague, or the track begun, a moment ago."""
        return t_s - self.t_vague_s < _UNSURE_S

    def begun(self, t_s: float, quality: float, is_back: bool = False) -> Belief:
        """Of a track that begins with a fit of that quality, perhaps where a believed one was lost a moment ago."""
        return replace(self, sightings=float(_CONFIRM if is_back else quality > SURE_QUALITY),
                       t_vague_s=t_s - (_SETTLES_S - _SETTLES_NEW_S), is_untold=True)

    def sighted(self, quality: float, is_metal: bool = False) -> Belief:
        """After one more fit of that quality, perhaps of what is known to look like the nozzle."""
        explains = quality / METAL_EARNS if is_metal else quality
        if not self.is_new or explains > FIND_QUALITY:
            return replace(self, sightings=self.sightings + 1)
        return replace(self, sightings=self.sightings + _FAIR) if explains > CLEAR_QUALITY else self

    def continued(self, before: Belief) -> Belief:
        """Of a track found anew that goes on with the one before."""
        return replace(self, sightings=max(self.sightings, before.sightings), t_vague_s=before.t_vague_s, is_untold=before.is_untold)

    def judged(self, t_s: float, height_sigma_mm: float, lean_sigma_rad: float,
               is_little_seen: bool) -> tuple[Belief, TrackStatus, str]:
        """What is told of a track seen at that time, and why no more."""
        is_vague = height_sigma_mm > TOLD_SIGMA_MM or lean_sigma_rad > _TOLD_LEAN_RAD
        belief = replace(self, t_vague_s=t_s) if is_vague else self
        if self.is_new:
            return belief, TrackStatus.TENTATIVE, ""
        if is_vague:
            return belief, TrackStatus.VAGUE, ("too little of the nozzle in view" if is_little_seen else
                                               "the nozzle is seen too faintly to tell its height")
        was_brief = not self.is_untold and t_s - self.t_told_s < _BRIEF_S
        if t_s - self.t_vague_s < _SETTLES_S and not was_brief:
            return belief, TrackStatus.VAGUE, "the height has not settled yet"
        return replace(belief, t_told_s=t_s, is_untold=False), TrackStatus.TRACKING, ""
