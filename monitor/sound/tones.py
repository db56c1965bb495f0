"""Makes the sound, sample by sample: one height tone, warnings told apart by rhythm, and the sign of a lost nozzle.

The height tone is continuous and nearly pure; everything else comes in pulses of a rich sound. The two never share a
pattern. Pure arithmetic: no device, no clock.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from monitor.judging.alerts import Priority

__all__ = ["Pattern", "Cue", "Synth", "WARNING_PATTERNS", "LOST", "MELTED", "REFERENCE", "RATE_HZ", "CENTRE_HZ",
           "render_track"]

RATE_HZ = 48_000
CENTRE_HZ = 523.25  # the height to hold; an octave up and down at the limits: 262 to 1047 Hz
FULL_LEVEL = 0.30
SMOOTH_HZ = 1.5  # the tone follows the hand, not the tracker's noise
EDGE_S = 0.006
LOST_EVERY_S = 2.0
MOST_WAITING = 4


@dataclass(frozen=True)
class Pattern:
    """A rhythm: pulses and pauses in seconds, and the sound of a pulse.

    Attributes
    ----------
    name : str
    pulses : tuple of (float, float)
        Length of each pulse and of the pause after it [s].
    base_hz : float
    harmonics : tuple of float
        Level of the base and its multiples [-].
    """

    name: str
    pulses: tuple[tuple[float, float], ...]
    base_hz: float
    harmonics: tuple[float, ...]

    def samples(self) -> np.ndarray:
        """The whole pattern, float32, -1 to 1."""
        return np.concatenate([part for on, off in self.pulses for part in (self._pulse(on), _silence(off))])

    def _pulse(self, on_s: float) -> np.ndarray:
        t = np.arange(round(on_s * RATE_HZ)) / RATE_HZ
        wave = sum(level * np.sin(2 * np.pi * self.base_hz * n * t) for n, level in enumerate(self.harmonics, 1))
        fade = np.minimum(1.0, np.minimum(t, t[::-1]) / EDGE_S)
        return (0.6 * fade * wave / sum(self.harmonics)).astype(np.float32)


_RICH = (1.0, 0.9, 0.8, 0.7, 0.6)
WARNING_PATTERNS = {
    Priority.HIGH: Pattern("six quick", ((0.07, 0.055),) * 6, 330.0, _RICH),
    Priority.MEDIUM: Pattern("three", ((0.15, 0.12),) * 3, 330.0, _RICH),
    Priority.LOW: Pattern("one long", ((0.45, 0.1),), 330.0, _RICH),
}
LOST = Pattern("long, short", ((0.30, 0.10), (0.08, 0.10)), 220.0, _RICH)
MELTED = Pattern("short, short, long", ((0.08, 0.06), (0.08, 0.06), (0.36, 0.05)), 660.0, (1.0, 0.3, 0.1))
REFERENCE = Pattern("the height to hold", ((0.18, 0.02),), CENTRE_HZ, (1.0, 0.15))


@dataclass(frozen=True)
class Cue:
    """What should be heard from now on.

    Attributes
    ----------
    error : float
        Of the height, -1 to 1; 0 or nan is silence.
    starts : tuple of Pattern
        To begin now, in this order.
    is_lost : bool
        Whether the nozzle should be seen and is not.
    arrived_s : float
        When the frame was there that this cue comes from; nan for none.
    """

    error: float = math.nan
    starts: tuple[Pattern, ...] = ()
    is_lost: bool = False
    arrived_s: float = math.nan


class Synth:
    """Turns cues into samples; `tell` and `render` from one thread."""

    def __init__(self) -> None:
        self._error, self._smooth, self._phase = 0.0, 0.0, 0.0
        self._waiting: deque[np.ndarray] = deque()
        self._playing, self._at = np.zeros(0, np.float32), 0
        self._is_lost, self._lost_in_s = False, 0.0
        self._made = {p.name: p.samples() for p in (*WARNING_PATTERNS.values(), LOST, MELTED, REFERENCE)}

    def tell(self, cue: Cue) -> None:
        """Follow a cue from the next sample on."""
        self._error = cue.error if math.isfinite(cue.error) else 0.0
        if cue.is_lost and not self._is_lost:
            self._lost_in_s = 0.0
        self._is_lost = cue.is_lost
        for pattern in cue.starts:
            if len(self._waiting) < MOST_WAITING:
                self._waiting.append(self._made[pattern.name])

    def render(self, n: int) -> np.ndarray:
        """The next n samples, float32, -1 to 1."""
        pulses, n_filled = self._pulses(n)
        tone = self._tone(n)
        return np.clip(pulses if n_filled else tone, -1.0, 1.0)

    def _tone(self, n: int) -> np.ndarray:
        """The height tone: pitch and loudness grow with the error together."""
        start = self._smooth
        keep = math.exp(-2 * math.pi * SMOOTH_HZ * n / RATE_HZ)
        self._smooth = keep * self._smooth + (1 - keep) * self._error
        if self._error == 0.0 and abs(self._smooth) < 0.02:
            self._smooth = 0.0
        if start == 0.0 and self._smooth == 0.0:
            return np.zeros(n, np.float32)
        error = np.linspace(start, self._smooth, n, endpoint=False)
        phase = self._phase + 2 * np.pi * np.cumsum(CENTRE_HZ * 2.0**error) / RATE_HZ
        self._phase = float(phase[-1] % (2 * np.pi))
        level = FULL_LEVEL * np.minimum(np.abs(error), 1.0)
        return (level * (np.sin(phase) + 0.15 * np.sin(2 * phase)) / 1.15).astype(np.float32)

    def _pulses(self, n: int) -> tuple[np.ndarray, int]:
        """Samples of the patterns that play, pauses among them, and how many they fill."""
        out = np.zeros(n, np.float32)
        self._lost_in_s -= n / RATE_HZ
        if self._is_lost and self._lost_in_s <= 0 and not self._waiting and self._at >= len(self._playing):
            self._waiting.append(self._made[LOST.name])
            self._lost_in_s = LOST_EVERY_S
        filled = 0
        while filled < n:
            if self._at >= len(self._playing):
                if not self._waiting:
                    break
                self._playing, self._at = self._waiting.popleft(), 0
            part = self._playing[self._at:self._at + n - filled]
            out[filled:filled + len(part)] = part
            filled, self._at = filled + len(part), self._at + len(part)
        return out, filled


def render_track(cues: list[tuple[float, Cue]], duration_s: float, block_s: float = 0.01) -> np.ndarray:
    """The sound of a whole session from its cues and their times: what a device would have played without delay."""
    synth, blocks, due = Synth(), [], deque(sorted(cues, key=lambda c: c[0]))
    n = round(block_s * RATE_HZ)
    for i in range(math.ceil(duration_s / block_s)):
        while due and due[0][0] <= i * block_s:
            synth.tell(due.popleft()[1])
        blocks.append(synth.render(n))
    return np.concatenate(blocks) if blocks else np.zeros(0, np.float32)


def _silence(s: float) -> np.ndarray:
    return np.zeros(round(s * RATE_HZ), np.float32)
