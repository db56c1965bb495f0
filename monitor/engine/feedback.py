"""How a pass is coached: which mode, which band, how often, and which passes are muted to see what was learned.

Fading, probes and a silent band are what motor-learning studies favour; their numbers here are choices. Warnings are
never faded.
"""

from __future__ import annotations

import datetime
import enum
import json
import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from monitor.errors import InputError
from monitor.files import read_json, write_text_whole
from monitor.job import Limits
from monitor.recording.recorder import PassNote

__all__ = ["Mode", "Skill", "Coach", "load_skill", "save_skill", "AUDIBLE_SHARES"]

AUDIBLE_SHARES = (1.0, 0.7, 0.5, 0.3, 0.1)
GOOD_SHARE, POOR_SHARE, GOOD_IN_A_ROW = 0.80, 0.60, 3
PROBE_EVERY = 5
SKILLS = "table of skills"
DEFAULT_BAND, BAND_RANGE = 0.15, (0.05, 0.30)
NARROWEST_REACH_MM = 2.0


class Mode(enum.Enum):
    """When the height tone may be heard."""

    ALWAYS = "always"
    BAND = "outside the band"
    FADED = "faded by skill"
    MUTED = "muted"


@dataclass(frozen=True)
class Skill:
    """What is remembered of one trainee on one job between sessions."""

    level: int = 0
    n_good: int = 0
    n_passes: int = 0
    last_day: str = ""

    @property
    def audible_share(self) -> float:
        """Share of passes that are coached at this level."""
        return AUDIBLE_SHARES[self.level]

    def after(self, in_band_share: float, day: str) -> Skill:
        """The skill after a pass: one step down after three good passes, one up after a poor one."""
        kept = replace(self, n_passes=self.n_passes + 1, last_day=day)
        if not math.isfinite(in_band_share):
            return kept
        if in_band_share < POOR_SHARE:
            return replace(kept, level=max(0, self.level - 1), n_good=0)
        n_good = self.n_good + 1 if in_band_share >= GOOD_SHARE else 0
        if n_good < GOOD_IN_A_ROW:
            return replace(kept, n_good=n_good)
        return replace(kept, level=min(len(AUDIBLE_SHARES) - 1, self.level + 1), n_good=0)


class Coach:
    """Decides the height tone of each frame and keeps the account of each pass.

    Parameters
    ----------
    limits : Limits
        Of the job; the aimed-at height is their middle unless given.
    mode : Mode
    band_share : float
        Half width of the silent band as a share of the aimed-at height.
    skill : Skill
    aim_mm : float, optional
        Height to hold, as from the plan.
    today : str, optional
        Date, for the first pass of a day.
    stages : sequence of (height [mm], seconds, glides)
        As a plan has them, from the pass's begin on; the last one lasts. One that glides comes evenly from the height
        before. They take the place of aim_mm.
    """

    def __init__(self, limits: Limits, mode: Mode = Mode.FADED, band_share: float = DEFAULT_BAND,
                 skill: Skill = Skill(), aim_mm: float | None = None, today: str | None = None,
                 stages: tuple[tuple[float, float, bool], ...] = ()) -> None:
        self.low_mm, self.high_mm = limits.height_mm
        self.aim_mm = (self.low_mm + self.high_mm) / 2 if aim_mm is None else aim_mm
        self.mode, self.skill = mode, skill
        self.band_share = min(max(band_share, BAND_RANGE[0]), BAND_RANGE[1])
        self._today = today or datetime.datetime.now().astimezone().date().isoformat()
        self._coached, self._is_probe = self._decide()
        self._seen_s = self._in_band_s = 0.0
        self._in_pass = False
        self.stages, self._pass_s = stages, 0.0
        self._follow_stages()

    @property
    def stage_words(self) -> str:
        """Where the pass is in the plan's stages, in words; nothing without more than one."""
        if len(self.stages) < 2:
            return ""
        n, left_s = self._stage()
        more = "" if n == len(self.stages) - 1 else f", {left_s:.0f} s to go"
        way = "evenly down to " if self.stages[n][2] else ""
        return f"stage {n + 1} of {len(self.stages)}: {way}{self.stages[n][0]:.0f} mm{more}"

    def _stage(self) -> tuple[int, float]:
        """Number of the present stage, and what is left of it [s]."""
        left_s = -self._pass_s
        for n, (_, seconds, _) in enumerate(self.stages):
            left_s += seconds
            if left_s > 0 or n == len(self.stages) - 1:
                return n, max(left_s, 0.0)
        return 0, 0.0

    def _follow_stages(self) -> None:
        if not self.stages:
            return
        n, left_s = self._stage()
        self.aim_mm, seconds, glides = self.stages[n]
        if glides and n:
            self.aim_mm += (self.stages[n - 1][0] - self.aim_mm) * left_s / seconds

    @property
    def band_mm(self) -> tuple[float, float]:
        """The silent band, never wider than the job's limits."""
        half = self.band_share * self.aim_mm
        return max(self.low_mm, self.aim_mm - half), min(self.high_mm, self.aim_mm + half)

    @property
    def is_coached(self) -> bool:
        """Whether the present pass, or the next one, is coached by sound."""
        return self._coached

    @property
    def is_probe(self) -> bool:
        """Whether it is a muted probe."""
        return self._is_probe

    def step(self, dt_s: float, height_mm: float, in_pass: bool) -> float:
        """The height tone's error of this frame: 0 silent, +1 an octave up at the upper limit, nan for no tone."""
        if in_pass and not self._in_pass:
            self._seen_s = self._in_band_s = self._pass_s = 0.0
        self._in_pass = in_pass
        if in_pass:
            self._pass_s += dt_s
        self._follow_stages()
        if not in_pass or not math.isfinite(height_mm):
            return math.nan
        low, high = self.band_mm
        self._seen_s += dt_s
        self._in_band_s += dt_s * (low <= height_mm <= high)
        return self.error(height_mm) if self._coached else math.nan

    def error(self, height_mm: float) -> float:
        """How far the height is off, -1 to 1; 0 inside the band (always 0 only at the aim in mode ALWAYS)."""
        low, high = (self.aim_mm, self.aim_mm) if self.mode is Mode.ALWAYS else self.band_mm
        if height_mm > high:
            return min(1.0, (height_mm - high) / max(self.high_mm - high, NARROWEST_REACH_MM))
        return -min(1.0, max(0.0, low - height_mm) / max(low - self.low_mm, NARROWEST_REACH_MM))

    def note(self) -> PassNote:
        """What to keep with the pass that runs or has just ended."""
        return PassNote(self.mode.value, self.band_share, self.skill.audible_share if self.mode is Mode.FADED else
                        float(self.mode is not Mode.MUTED), self._coached, self._is_probe)

    def end_pass(self) -> float:
        """Close the account; the share of the measured time that lay in the band [-], nan when nothing was measured."""
        share = self._in_band_s / self._seen_s if self._seen_s > 0 else math.nan
        self.skill = self.skill.after(share, self._today)
        self._coached, self._is_probe = self._decide()
        return share

    def _decide(self) -> tuple[bool, bool]:
        """Whether the next pass is coached, and whether it is a probe."""
        if self.mode is Mode.MUTED:
            return False, False
        k = self.skill.n_passes
        is_probe = self.skill.last_day != self._today or (k + 1) % PROBE_EVERY == 0
        if self.mode is not Mode.FADED:
            return not is_probe, is_probe
        share = self.skill.audible_share
        return not is_probe and math.floor((k + 1) * share) > math.floor(k * share), is_probe


def load_skill(path: Path, key: str) -> Skill:
    """A trainee's skill on a job; a fresh one when nothing usable is kept."""
    try:
        skill = Skill(**read_json(path, SKILLS, InputError)[key])
        return replace(skill, level=min(max(int(skill.level), 0), len(AUDIBLE_SHARES) - 1))
    except (InputError, ValueError, KeyError, TypeError):
        return Skill()


def save_skill(path: Path, key: str, skill: Skill) -> None:
    """Keep a trainee's skill; other entries stay."""
    try:
        kept = read_json(path, SKILLS, InputError)
    except InputError:
        kept = {}
    kept = kept if isinstance(kept, dict) else {}
    write_text_whole(path, json.dumps(kept | {key: asdict(skill)}, indent=1) + "\n")
