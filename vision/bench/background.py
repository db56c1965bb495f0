"""The bench without the tool: composed from photographs, checked against a frame, kept up to date while the tool
moves.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from vision.bench.lamp import Lamp
from vision.compiled import njit
from vision.edges.cuts import LINEAR, brightest, linear_light
from vision.edges.likelihood import noise_sigma
from vision.edges.search import USUAL_NOISE
from vision.types import FloatArray

__all__ = ["compose_bench", "redrawn_bench", "known_of", "log_colours", "cast_of", "with_cast", "BenchView",
           "MASK_SCALE", "BLOCK_PX", "OWN_NOISE"]

BLOCK_PX = 16  # a JPEG's block, colour included, so that black ones stay black [published: ITU-T T.81]
MASK_SCALE = 4  # masks of the tool are drawn at this part of the picture's size [convention]
_BLACK = 0.0015  # linear light below which a whole block counts as not known [convention]
_DARK = 0.01  # linear light below which a picture tells no colour [convention]
_RESTLESS = 2.0  # times the usual spread among photographs: a hand [convention]


class _Tones(NamedTuple):
    """For each grey level, (256,): its linear light, how far it may be from the stored bench, and what a difference of
    two such pixels counts, squared."""

    linear: np.ndarray
    tolerances: np.ndarray
    weights: np.ndarray


class _Bench(NamedTuple):
    """The bench as it is stored: light, how sure it is; and what has been seen instead, for how many visits."""

    light: np.ndarray
    known: np.ndarray
    candidate: np.ndarray
    age: np.ndarray


class _Visit(NamedTuple):
    """One visit: its rows; light of each row (h,) over the bench's [-]; how much of a difference it takes over [-]; and
    after how many visits something else is taken over where there was nothing, what was learned, what was given."""

    first: int
    last: int
    gain: np.ndarray
    takes: float
    patience: tuple[int, int, int]


# tolerances grow with the grey level [trial]; weights [derived]
_TONES = _Tones(LINEAR, (0.012 + 0.10 * np.sqrt(LINEAR)).astype(np.float32),
                (0.5 / noise_sigma(LINEAR) ** 2).astype(np.float32))


def compose_bench(groups: list[list[np.ndarray]]) -> np.ndarray:
    """The bench's picture from photographs in which the tool stands at a few places.

    Parameters
    ----------
    groups : list of lists of arrays, shape (h, w, 3), float32
        Linear light; one list for each place of the tool, at least two places, the camera at rest.

    Returns
    -------
    array, shape (h, w, 3), float32
        Where the groups disagree, the one that varies least around there: a held tool is never quite still. Blocks
        of BLOCK_PX where every group seems to show a hand are black: not known.
    """
    middles = [np.median(np.stack(g), axis=0).astype(np.float32) for g in groups]
    spreads = []
    for g, m in zip(groups, middles, strict=False):
        dev = np.mean([brightest(np.abs(im - m)) for im in g], axis=0) / (0.05 + brightest(m))
        small = cv2.resize(dev.astype(np.float32), None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        spreads.append(cv2.GaussianBlur(small, (0, 0), 3.0))
    spread = np.stack(spreads)
    h, w = middles[0].shape[:2]
    choice = cv2.resize(spread.argmin(0).astype(np.uint8), (w, h), interpolation=cv2.INTER_NEAREST)
    out = middles[0].copy()
    for i, m in enumerate(middles):
        out[choice == i] = m[choice == i]
    apart = np.max([brightest(np.abs(m - middles[0])) / (0.05 + brightest(m)) for m in middles], axis=0)
    both = apart < 0.15
    out[both] = np.mean([m[both] for m in middles], axis=0)
    least = cv2.resize(spread.min(0), (w, h), interpolation=cv2.INTER_LINEAR)
    _black_out(out, ~both & (least > _RESTLESS * np.median(least[both])) if both.any() else ~both)
    return out


def _black_out(bench: np.ndarray, uncertain: np.ndarray, most: float = 0.15) -> None:
    """Black the blocks of which more than a share is doubtful."""
    h, w = uncertain.shape
    rows, columns = -(-h // BLOCK_PX), -(-w // BLOCK_PX)
    share = cv2.resize(uncertain.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
    blocks = np.repeat(np.repeat(share > most, BLOCK_PX, 0), BLOCK_PX, 1)[:h, :w]
    bench[blocks] = 0.0


def known_of(bench: np.ndarray) -> np.ndarray:
    """Where a bench (h, w, 3) as `compose_bench` makes it is known: 255, uint8, but in its black blocks."""
    h, w = bench.shape[:2]
    bright = brightest(bench)
    rows, columns = -(-h // BLOCK_PX), -(-w // BLOCK_PX)
    padded = np.zeros((rows * BLOCK_PX, columns * BLOCK_PX), np.float32)
    padded[:h, :w] = bright
    top = padded.reshape(rows, BLOCK_PX, columns, BLOCK_PX).max((1, 3))
    return np.repeat(np.repeat(np.where(top > _BLACK, 255, 0), BLOCK_PX, 0), BLOCK_PX, 1)[:h, :w].astype(np.uint8)


def redrawn_bench(bench: np.ndarray, seen_px: np.ndarray) -> np.ndarray:
    """A bench as `compose_bench` makes it, seen from elsewhere: `seen_px` (h, w, 2), float32, is where in it each pixel
    is found; blocks that are not wholly known are black."""
    light, known = _redrawn(bench, known_of(bench), seen_px)
    _black_out(light, known == 0, most=0.0)
    return light


def _redrawn(light: np.ndarray, known: np.ndarray, seen_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    at = np.nan_to_num(seen_px, nan=-1e4)
    light = cv2.remap(light, at, None, cv2.INTER_CUBIC,  # type: ignore[call-overload]  # its stub wants two maps
                      borderMode=cv2.BORDER_REPLICATE)
    light = np.maximum(light, 0.0)
    whole = cv2.erode(known, np.ones((3, 3), np.uint8))  # beside what is not known the light is mixed with it
    return light, cv2.remap(whole, at, None, cv2.INTER_NEAREST)  # type: ignore[call-overload]  # as above


def log_colours(light: np.ndarray) -> FloatArray:
    """Natural logarithms of light (n, 3), blue, green, red: blue over green, red over green, and green, shape (n,
    3).
    """
    logs = np.log(light + _DARK)
    return np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1], logs[:, 1]], 1)


def cast_of(image: np.ndarray, bench: np.ndarray, known: np.ndarray) -> FloatArray:
    """By how much a picture (h, w, 3), uint8, is tinted and exposed unlike the stored bench where that is known: the
    middle of what `log_colours` tells of both, shape (3,)."""
    grid = np.s_[BLOCK_PX // 2::BLOCK_PX, BLOCK_PX // 2::BLOCK_PX]  # a pixel of each block
    there = known[grid] > 0
    if not there.any():
        return np.zeros(3)
    now = linear_light(np.ascontiguousarray(image[grid]))[there]
    return np.median(log_colours(now) - log_colours(bench[grid][there]), axis=0)


def with_cast(bench: np.ndarray, cast: FloatArray) -> np.ndarray:
    """A bench in linear light as it would look tinted and exposed like that."""
    return bench * np.exp([cast[0] + cast[2], cast[2], cast[1] + cast[2]]).astype(np.float32)


_PATCH_PX = 9  # around a pixel, in which two pictures of the bench are compared with a frame [convention]
_CLEARLY = 0.2  # of the tolerance by which one must be the better [convention]
# of a picture's noise counts for each cut alone; what else cuts scatter by is told from them, and shared by neighbours
OWN_NOISE = 0.6  # [convention]
_APART = 4  # pixels, beyond what a codec smooths together, between which noise is told [convention]
_BESIDE = 13  # width, in a mask's pixels, by which the tool's mask grows to where it is told [convention]
_LEAST_BESIDE = 300  # pairs of pixels by which it can be told [convention]
_MOST_SHARED = 0.6  # of a pixel's error with its neighbour's [convention]
# of brightness and of the two colours: shades and mirrored surroundings change a colour by as much [convention]
_QUIETEST, _NOISIEST = (0.12, 0.6, 0.6), 2.0


class BenchView:
    """What the bench looks like behind the tool, learned while it runs.

    Each frame visits one band of rows. A pixel that agrees with the stored bench (but for exposure and shadow) is
    averaged in; one that has shown something else, unmoving, for several visits is taken over.

    Attributes
    ----------
    light : array, shape (h, w, 3), float32
        As it was lit at first.
    gain : array, shape (h,), float32
        Light of each row of the newest picture over that.
    known : array, shape (h, w), uint8
        How sure that is: 255 given, 128 learned, 0 never seen.
    noise : tuple of float
        Scatter of the picture about the bench beside the tool, as in `Tolerance`: a codec smooths what rests.
    """

    # of pixels, about: so many bands that a visit takes as long whatever the picture's size, 0.4 s apart in one of
    # 1280 x 720 at 30 frames a second [derived]
    _BAND_PX, _USUAL_BANDS = 76_800, 12
    # visits then, never seen, learned, given: a still hand is not bench; and how much of a difference each takes over
    # [convention]
    _PATIENCE, _TAKES = (2, 3, 25), 0.1

    def __init__(self, first: np.ndarray, bench: np.ndarray | None = None):
        h, w = first.shape[:2]
        light = linear_light(first)
        self.noise, self._lamp = USUAL_NOISE, Lamp(h)
        self._turn, self._n_bands = 0, max(self._USUAL_BANDS, round(h * w / self._BAND_PX))
        rarer = self._n_bands / self._USUAL_BANDS
        unseen, learned, given = (max(1, round(n / rarer)) for n in self._PATIENCE)
        self._patience = unseen, learned, given
        self._takes = 1.0 - (1.0 - self._TAKES) ** rarer
        if bench is not None and (bench.shape != first.shape or not self._agreement(light, bench) > 0.5):
            bench = None
        self.is_given = bench is not None
        self.light = light.copy() if bench is None else bench.copy()
        self.known = np.full((h, w), 128, np.uint8) if bench is None else known_of(bench)
        self._candidate = first.copy()
        self._age = np.zeros((h, w), np.uint8)

    def see(self, frame: np.ndarray, tool: np.ndarray | None) -> None:
        """Bring the gain up to a frame, leaving out where the tool may be, as in `learn`."""
        self._lamp.step(frame, self.light, self.known, tool)

    @property
    def gain(self) -> np.ndarray:
        """As `Lamp` has it."""
        return self._lamp.gain

    def redraw(self, light: np.ndarray, known: np.ndarray, seen_px: np.ndarray) -> None:
        """Take over a bench seen from elsewhere.

        Parameters
        ----------
        light, known : arrays
            As the attributes.
        seen_px : array, shape (h, w, 2), float32
            Where in them each pixel is found [px]; what lies outside, or is nan, is not known.
        """
        self.light, self.known = _redrawn(light, known, seen_px)
        self._age[:] = 0

    def take_over(self, frame: np.ndarray, tool: np.ndarray | None, seen_px: np.ndarray, surely: np.ndarray) -> None:
        """Let a part of the bench lie elsewhere: that which explains a frame better so.

        Parameters
        ----------
        frame : array, shape (h, w, 3), uint8
        tool : array, shape (h // MASK_SCALE, w // MASK_SCALE), uint8, or None
            Nonzero where the frame may show the tool instead.
        seen_px : array, shape (h, w, 2), float32
            Where each pixel is found so [px].
        surely : array, shape (h, w), uint8
            Nonzero where the part lies, behind the tool too; nothing moves when it is not in view.
        """
        if not surely.any():
            return
        x, y, w, h = cv2.boundingRect(surely)
        near = np.s_[max(y - h, 0):y + 2 * h, max(x - w, 0):x + 2 * w]
        light, known = self.light[near], self.known[near]
        moved_light, moved_known = _redrawn(self.light, self.known, seen_px[near])
        now, gain = linear_light(frame[near]), self.gain[near[0], None, None]
        off_stayed, off_moved = (cv2.blur(brightest(np.abs(now - gain * there)), (_PATCH_PX, _PATCH_PX))
                                 for there in (light, moved_light))
        allowed = cv2.blur(_TONES.tolerances[frame[near][..., 1]], (_PATCH_PX, _PATCH_PX))
        behind = np.zeros(surely.shape, bool) if tool is None else cv2.resize(tool, surely.shape[::-1],
                                                                              interpolation=cv2.INTER_NEAREST) > 0
        moves = np.where(behind[near], surely[near] > 0, off_moved + _CLEARLY * allowed < off_stayed)
        light[moves] = moved_light[moves]
        known[moves] = np.minimum(moved_known, 128)[moves]
        known[~behind[near] & (np.minimum(off_stayed, off_moved) > allowed)] = 0  # uncovered, or of another height
        self._age[:] = 0

    def learn(self, frame: np.ndarray, tool: np.ndarray | None) -> None:
        """Take in one band of rows of a frame (h, w, 3), uint8, leaving out the tool.

        Parameters
        ----------
        tool : array, shape (h // MASK_SCALE, w // MASK_SCALE), uint8, or None
            Nonzero where the tool may be.
        """
        h, w = frame.shape[:2]
        first, last = self._turn * h // self._n_bands, (self._turn + 1) * h // self._n_bands
        self._turn = (self._turn + 1) % self._n_bands
        mask = np.zeros((h // MASK_SCALE, w // MASK_SCALE), np.uint8) if tool is None else tool
        beside = cv2.dilate(mask, np.ones((_BESIDE, _BESIDE), np.uint8))
        stored = _Bench(self.light, self.known, self._candidate, self._age)
        visit = _Visit(first, last, self.gain, self._takes, self._patience)
        apart, close, n_pairs = _learn(frame, stored, mask, beside, _TONES, visit)
        if n_pairs > _LEAST_BESIDE and apart[0] > 0:
            # by neighbours, of a codec's errors: they do not average out
            shared = np.clip(1 - close / np.maximum(apart, 1e-9), 0.0, _MOST_SHARED)
            noise = np.clip(OWN_NOISE * np.sqrt(apart / n_pairs * (1 + shared) / (1 - shared)), _QUIETEST, _NOISIEST)
            self.noise = tuple(old + 0.1 * (new - old) for old, new in zip(self.noise, noise.tolist(), strict=True))

    @staticmethod
    def _agreement(first: np.ndarray, bench: np.ndarray) -> float:
        a, b = first[4::8, 4::8].reshape(-1, 3), bench[4::8, 4::8].reshape(-1, 3)
        seen = brightest(b) > _BLACK
        a, b = a[seen], b[seen]
        gain = np.median(a.sum(1) / np.maximum(b.sum(1), 1e-3))
        near = brightest(np.abs(a - gain * b)) < 0.02 + 0.12 * np.sqrt(np.maximum(b[:, 1], 0))
        return float(near.mean())


@njit(cache=True, nogil=True, error_model="numpy")
def _learn(frame, stored, tool, beside, tones, visit):
    """One visit to a band of rows: sums, beside the tool, of how pixels that agree and lie a few apart differ, squared,
    so that soft shadows stay out of it, and neighbours; and the number of those pairs."""
    w = frame.shape[1]
    light, known, candidate, age = stored
    linear, tolerances, weights = tones
    unseen, learned, given = visit.patience
    apart, close = np.zeros(3), np.zeros(3)
    n_pairs = 0
    off, agreed = np.zeros((w, 3), np.float32), np.zeros(w, np.bool_)
    for y in range(visit.first, visit.last):
        row, gain = min(y // MASK_SCALE, tool.shape[0] - 1), visit.gain[y]
        takes = np.float32(visit.takes) / gain
        for x in range(w):
            free = tool[row, min(x // MASK_SCALE, tool.shape[1] - 1)] == 0
            tolerance = tolerances[frame[y, x, 1]]
            b = linear[frame[y, x, 0]] - gain * light[y, x, 0]
            g = linear[frame[y, x, 1]] - gain * light[y, x, 1]
            r = linear[frame[y, x, 2]] - gain * light[y, x, 2]
            agreed[x] = free and known[y, x] > 0 and max(abs(b), abs(g), abs(r)) < tolerance
            off[x, 0], off[x, 1], off[x, 2] = b, g, r
            if agreed[x]:
                for c in range(3):
                    light[y, x, c] += takes * off[x, c]
                age[y, x] = 0
                continue
            still = True
            for c in range(3):
                still = still and abs(linear[frame[y, x, c]] - linear[candidate[y, x, c]]) < tolerance
            if not still:
                for c in range(3):
                    candidate[y, x, c] = frame[y, x, c]
            age[y, x] = min(age[y, x] + 1, 250) if still and free else 0
            if age[y, x] >= (given if known[y, x] > 128 else learned if known[y, x] > 0 else unseen):
                for c in range(3):
                    light[y, x, c] = linear[candidate[y, x, c]] / gain
                known[y, x] = 128
                age[y, x] = 0
        if not beside[row].any():
            continue
        for x in range(w):
            b, g, r = off[x, 0], off[x, 1], off[x, 2]
            off[x, 0], off[x, 1], off[x, 2] = (b + g + r) / 3, b - 0.5 * (g + r), r - g
        for x in range(_APART, w):
            is_beside = beside[row, min(x // MASK_SCALE, tool.shape[1] - 1)] > 0
            if is_beside and agreed[x] and agreed[x - _APART] and agreed[x - 1]:
                weight = weights[frame[y, x, 1]]
                for c in range(3):
                    apart[c] += min((off[x, c] - off[x - _APART, c]) ** 2 * weight, 9.0)
                    close[c] += min((off[x, c] - off[x - 1, c]) ** 2 * weight, 9.0)
                n_pairs += 1
    return apart, close, n_pairs
