"""Filter for a hand-held tool and its edges' offsets: predict, gate, take in a fit, and smooth backwards.

State, bench frame: outlet centre (3) [mm], jet direction's x and y (2) [-], turn about it (1) [rad], rates of the first
five per second, then one offset a group of edges [px]. The jet points down, so its x and y are a chart of its
direction. The outlet moves at nearly constant velocity; the direction drifts about a rest that the hand keeps; offsets
change slowly. A hand rests, works or travels, each with its own process noise, and the filter takes the noise that
their probabilities give on the mean (generalised pseudo-Bayesian of first order: Bar-Shalom, Li, Kirubarajan 2001,
11.6). While it rests, what a picture hardly shows, such as the height when only the tube's end is in view, stays what
it was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from vision.compiled import njit
from vision.types import FloatArray

__all__ = [
    "Motion",
    "ToolState",
    "start_state",
    "predict",
    "with_modes",
    "gate",
    "condition",
    "mixture_cov",
    "smooth",
    "N_POSE",
    "N_MOVING",
    "N_RATE",
]

N_POSE, N_RATE = 6, 5  # states of the pose, and rates of all of them but the roll [derived]
N_MOVING = N_POSE + N_RATE


class _Hand(NamedTuple):
    """A hand that rests, works and travels, each (3,): tremor of about 0.1 mm at 10 Hz; about 1 m/s2 for a twentieth of
    a second; a reach at 1 m/s, begun within a tenth of a second [common practice, no source].

    Attributes
    ----------
    accel_mm2_s3, jitter_mm2_s : arrays
        Spectral densities of the outlet's acceleration and of its velocity.
    lasts_s : array
        How long each goes on, on the mean [common practice, no source].
    at_first : array
        Probabilities: a tool that has just come in travels [convention].
    """

    accel_mm2_s3: FloatArray
    jitter_mm2_s: FloatArray
    lasts_s: FloatArray
    at_first: FloatArray


class _Memory(NamedTuple):
    """Seconds after which what is not measured has returned [convention]: a hand turns back after a stroke; the
    direction stays within about 6 degrees of its rest, which follows it; offsets follow light and place: with more,
    what smoke or blur did to them would be believed for seconds."""

    stroke: float = 0.35
    turn: float = 0.3
    direction: float = 1.5
    rest: float = 3.0
    offset: float = 0.4


_HAND = _Hand(np.array([300.0, 6.0e4, 1.0e6]), np.array([0.5, 0.0, 0.0]), np.array([0.5, 1.0, 0.3]),
              np.array([0.1, 0.4, 0.5]))
_MEMORY_S = _Memory()
_DENSITIES = np.stack([_HAND.accel_mm2_s3, _HAND.jitter_mm2_s], 1)
# spectral density of the direction's acceleration, alike in all modes, since an outlet that rests may be turned: a
# working outlet's about a wrist 170 mm away [derived; the length is common practice, no source]
_TURN_RAD2_S3 = 2.0
_ROLL_RAD2_S = 0.02  # spectral density of the roll's rate [convention]


class Motion(NamedTuple):
    """What offsets return to (g,) [px], and the covariance (g, g) with which they stray."""

    offset_px: FloatArray
    offset_cov: FloatArray


_BARE = Motion(np.zeros(0), np.zeros((0, 0)))  # of a state without offsets


@dataclass(frozen=True)
class ToolState:
    """Filter state at one instant.

    Attributes
    ----------
    t_s : float
    mean : array, shape (11 + g,)
    cov : array, shape (11 + g, 11 + g)
    rest : array, shape (2,)
        Jet direction's x and y to which the hand returns [-].
    steady_cov : array, shape (5, 5)
        Of outlet and jet direction: what all frames share, so that no number of them takes it away.
    modes, came_by : array, shape (3,)
        Probabilities that the hand rests, works and travels: now, and as they were foretold on the way to here.
    track : int
        Number of the unbroken track that it belongs to.
    """

    t_s: float
    mean: FloatArray
    cov: FloatArray
    rest: FloatArray
    steady_cov: FloatArray
    modes: FloatArray = field(default_factory=lambda: _HAND.at_first)
    came_by: FloatArray = field(default_factory=lambda: _HAND.at_first)
    track: int = 0


def start_state(t_s: float, pose: FloatArray, pose_cov: FloatArray, motion: Motion, track: int = 0) -> ToolState:
    """State from a first pose (6,) with covariance (6, 6); rates are unknown, offsets as usual."""
    g = len(motion.offset_px)
    mean, cov = np.zeros(N_MOVING + g), np.zeros((N_MOVING + g, N_MOVING + g))
    mean[:N_POSE], mean[N_MOVING:] = pose, motion.offset_px
    cov[:N_POSE, :N_POSE] = pose_cov
    cov[N_POSE:N_MOVING, N_POSE:N_MOVING] = np.diag([150.0**2] * 3 + [0.3**2] * 2)
    cov[N_MOVING:, N_MOVING:] = motion.offset_cov
    return ToolState(t_s, mean, cov, np.array(pose[3:5], float), np.zeros((5, 5)), track=track)


def predict(state: ToolState, t_s: float, motion: Motion) -> ToolState:
    """State predicted for t_s >= state.t_s."""
    dt_s, modes = t_s - state.t_s, _modes_ahead(state, t_s)
    mean, cov, _ = _ahead(state.mean, state.cov, state.rest, motion, dt_s, _densities(modes))
    rest = state.rest + (1 - math.exp(-dt_s / _MEMORY_S.rest)) * (state.mean[3:5] - state.rest)
    return replace(state, t_s=t_s, mean=mean, cov=cov, rest=rest, modes=modes, came_by=modes)


def _densities(modes: FloatArray) -> FloatArray:
    """Spectral densities of acceleration and velocity (2,) of a hand whose modes have these probabilities."""
    return modes @ _DENSITIES


def _modes_ahead(state: ToolState, t_s: float) -> FloatArray:
    """Probabilities of the hand's modes at t_s, before anything is seen."""
    leaves = state.modes * (1 - np.exp(-(t_s - state.t_s) / _HAND.lasts_s))
    return state.modes - leaves + (leaves.sum() - leaves) / (len(leaves) - 1)


def with_modes(after: ToolState, before: ToolState, measured: FloatArray, cov: FloatArray) -> ToolState:
    """A state with the probabilities that the hand rests, works or travels brought up to date: by how well each
    foretold, from the state before, a tip and direction (5,) with covariance (5, 5)."""
    logs = _log_foretold((before.mean, before.cov, before.rest), _BARE, after.t_s - before.t_s, _DENSITIES, measured,
                         cov)
    odds = after.came_by * np.exp(logs - logs.max())
    return replace(after, modes=odds / odds.sum())


def gate(state: ToolState, measured: FloatArray, cov: FloatArray) -> float:
    """Squared Mahalanobis distance of a tip and direction (5,) from the predicted state."""
    return float(_distance2(state.mean, state.cov, measured, cov)[0])


def condition(state: ToolState, sites: np.ndarray, mean: FloatArray, cov: FloatArray) -> ToolState:
    """State after those of its entries at `sites` are known to have this mean (m,) and covariance (m, m).

    What a picture says reaches the other entries through their correlation with these.
    """
    new, new_cov = _conditioned(state.mean, state.cov, sites, mean, cov)
    return replace(state, mean=new, cov=new_cov)


def mixture_cov(ahead: ToolState, after: ToolState, share: float) -> FloatArray:
    """Covariance (n, n) of the state after a picture that shows what it seems to show with this probability only, and
    otherwise leaves the state as it was foretold (probabilistic data association: Bar-Shalom, Li, Kirubarajan 2001,
    2.7)."""
    away = after.mean - ahead.mean
    return share * after.cov + (1.0 - share) * (ahead.cov + share * np.outer(away, away))


def smooth(states: list[ToolState]) -> list[ToolState]:
    """Rauch-Tung-Striebel pass over consecutive filtered states of one unbroken track; only the first 11 entries are
    kept."""
    if not states:
        return []
    last = states[-1]
    out = [replace(last, mean=last.mean[:N_MOVING].copy(), cov=last.cov[:N_MOVING, :N_MOVING].copy())]
    for now, after in zip(states[-2::-1], states[:0:-1], strict=True):
        mean, ahead, turned = _ahead(now.mean, now.cov, now.rest, _BARE, after.t_s - now.t_s,
                                     _densities(after.came_by))
        gain = np.linalg.solve(ahead, turned).T
        smoothed = now.mean[:N_MOVING] + gain @ (out[-1].mean - mean)
        new = now.cov[:N_MOVING, :N_MOVING] + gain @ (out[-1].cov - ahead) @ gain.T
        out.append(replace(now, mean=smoothed, cov=(new + new.T) / 2))
    return out[::-1]


@njit(cache=True, nogil=True)
def _ahead(mean, cov, rest, motion, dt_s, densities):
    """Mean (n,) and covariance (n, n) after dt_s, of the pose, its rates and the offsets of that motion, and the
    transition times the covariance before; the hand moves with these spectral densities."""
    offset_px, offset_cov = motion
    n = N_MOVING + len(offset_px)
    stay, follow, ahead = _step(dt_s, offset_cov, densities)
    new, turned = np.empty(n), np.empty((n, n))
    for i in range(n):
        home = offset_px[i - N_MOVING] if i >= N_MOVING else rest[i - 3] if 3 <= i < 5 else 0.0
        new[i] = home + stay[i] * (mean[i] - home)
        for j in range(n):
            turned[i, j] = stay[i] * cov[i, j]
        if i < N_RATE:
            new[i] += follow[i] * mean[N_POSE + i]
            for j in range(n):
                turned[i, j] += follow[i] * cov[N_POSE + i, j]
    for i in range(n):
        for j in range(n):
            ahead[i, j] += turned[i, j] * stay[j]
        for j in range(N_RATE):
            ahead[i, j] += turned[i, N_POSE + j] * follow[j]
    return new, ahead, turned


@njit(cache=True, nogil=True)
def _step(dt_s, offset_cov, densities):
    """What stays of each state over dt_s (n,), how the pose follows its rates (5,), and process noise (n, n), of a hand
    with these spectral densities."""
    n = N_MOVING + len(offset_cov)
    stay, follow, noise = np.ones(n), np.empty(N_RATE), np.zeros((n, n))
    for k in range(N_RATE):
        r, is_outlet = N_POSE + k, k < 3
        memory_s, density = (_MEMORY_S.stroke, densities[0]) if is_outlet else (_MEMORY_S.turn, _TURN_RAD2_S3)
        keep = math.exp(-dt_s / memory_s)
        if not is_outlet:
            stay[k] = math.exp(-dt_s / _MEMORY_S.direction)
        stay[r], follow[k] = keep, memory_s * (1 - keep)
        noise[k, k] = density * dt_s**3 / 3 + (densities[1] * dt_s if is_outlet else 0.0)
        noise[r, r] = density * memory_s * (1 - keep**2) / 2
        noise[k, r] = noise[r, k] = density * dt_s**2 / 2 * keep
    noise[5, 5] = _ROLL_RAD2_S * dt_s
    keep = math.exp(-dt_s / _MEMORY_S.offset)
    for i in range(N_MOVING, n):
        stay[i] = keep
        for j in range(N_MOVING, n):
            noise[i, j] = offset_cov[i - N_MOVING, j - N_MOVING] * (1 - keep**2)
    return stay, follow, noise


@njit(cache=True, nogil=True)
def _log_foretold(before, motion, dt_s, densities, measured, measured_cov):
    """Logarithms (3,), but for a constant, of how densely a hand that rests, works or travels, with such densities (3,
    2), foretells a measured tip and direction from a mean, a covariance and how it rests."""
    mean, cov, rest = before
    logs = np.empty(len(densities))
    for mode in range(len(logs)):
        ahead, ahead_cov, _ = _ahead(mean, cov, rest, motion, dt_s, densities[mode])
        distance2, log_det = _distance2(ahead, ahead_cov, measured, measured_cov)
        logs[mode] = -0.5 * (log_det + distance2)
    return logs


@njit(cache=True, nogil=True)
def _distance2(mean, cov, measured, measured_cov):
    """Squared Mahalanobis distance of what was measured of the first entries, and the logarithm of the determinant of
    its covariance."""
    n = len(measured)
    root, off = np.empty((n, n)), np.empty(n)  # Cholesky's
    distance2, log_det = 0.0, 0.0
    for i in range(n):
        off[i] = measured[i] - mean[i]
        for j in range(i + 1):
            rest = cov[i, j] + measured_cov[i, j]
            for k in range(j):
                rest -= root[i, k] * root[j, k]
            root[i, j] = rest / root[j, j] if j < i else math.sqrt(rest)
        for k in range(i):
            off[i] -= root[i, k] * off[k]
        off[i] /= root[i, i]
        distance2 += off[i] ** 2
        log_det += 2.0 * math.log(root[i, i])
    return distance2, log_det


@njit(cache=True, nogil=True)
def _conditioned(mean, cov, sites, seen, seen_cov):
    """Mean and covariance, as `condition` gives them."""
    m = len(sites)
    inner, away = np.empty((m, m)), np.empty(m)
    for i in range(m):
        away[i] = seen[i] - mean[sites[i]]
        for j in range(m):
            inner[i, j] = cov[sites[i], sites[j]]
    gain = np.linalg.solve(inner, cov[sites])
    new = cov + gain.T @ ((seen_cov - inner) @ gain)
    return mean + gain.T @ away, 0.5 * (new + new.T)
