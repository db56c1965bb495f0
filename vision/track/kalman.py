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

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from vision.types import FloatArray

__all__ = [
    "Motion",
    "ToolState",
    "start_state",
    "predict",
    "with_modes",
    "gate",
    "condition",
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
# spectral density of the direction's acceleration, alike in all modes, since an outlet that rests may be turned: a
# working outlet's about a wrist 170 mm away [derived; the length is common practice, no source]
_TURN_RAD2_S3 = 2.0
_ROLL_RAD2_S = 0.02  # spectral density of the roll's rate [convention]


@dataclass(frozen=True)
class Motion:
    """What offsets return to (g,) [px], and the covariance (g, g) with which they stray."""

    offset_px: FloatArray
    offset_cov: FloatArray


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


def _step(n: int, dt_s: float, motion: Motion | None, modes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Transition matrix and process noise over dt_s for the first n states, of a hand that moves so."""
    f, q = np.eye(n), np.zeros((n, n))
    accel, jitter, turn = modes @ _HAND.accel_mm2_s3, modes @ _HAND.jitter_mm2_s, _TURN_RAD2_S3
    keep_turn, back = np.exp(-dt_s / _MEMORY_S.turn), np.exp(-dt_s / _MEMORY_S.direction)
    keep_speed = np.exp(-dt_s / _MEMORY_S.stroke)
    for k in range(3):
        r = N_POSE + k
        f[k, r], f[r, r] = _MEMORY_S.stroke * (1 - keep_speed), keep_speed
        q[k, k], q[r, r] = accel * dt_s**3 / 3 + jitter * dt_s, accel * _MEMORY_S.stroke * (1 - keep_speed**2) / 2
        q[k, r] = q[r, k] = accel * dt_s**2 / 2 * keep_speed
    for k in (3, 4):
        r = N_POSE + k
        f[k, k], f[k, r], f[r, r] = back, _MEMORY_S.turn * (1 - keep_turn), keep_turn
        q[k, k], q[r, r] = turn * dt_s**3 / 3, turn * _MEMORY_S.turn * (1 - keep_turn**2) / 2
        q[k, r] = q[r, k] = turn * dt_s**2 / 2 * keep_turn
    q[5, 5] = _ROLL_RAD2_S * dt_s
    if motion is not None:
        keep = np.exp(-dt_s / _MEMORY_S.offset)
        sites = np.arange(N_MOVING, n)
        f[sites, sites] = keep
        q[N_MOVING:, N_MOVING:] = motion.offset_cov * (1 - keep**2)
    return f, q


def _predicted_mean(mean: FloatArray, f: FloatArray, rest: FloatArray, motion: Motion | None) -> FloatArray:
    home = np.zeros(len(mean))
    home[3:5] = rest
    if motion is not None:
        home[N_MOVING:] = motion.offset_px
    return home + f @ (mean - home)


def predict(state: ToolState, t_s: float, motion: Motion) -> ToolState:
    """State predicted for t_s >= state.t_s."""
    dt_s, modes = t_s - state.t_s, _modes_ahead(state, t_s)
    f, q = _step(len(state.mean), dt_s, motion, modes)
    rest = state.rest + (1 - np.exp(-dt_s / _MEMORY_S.rest)) * (state.mean[3:5] - state.rest)
    return replace(
        state,
        t_s=t_s,
        mean=_predicted_mean(state.mean, f, state.rest, motion),
        cov=f @ state.cov @ f.T + q,
        rest=rest,
        modes=modes,
        came_by=modes,
    )


def _modes_ahead(state: ToolState, t_s: float) -> FloatArray:
    """Probabilities of the hand's modes at t_s, before anything is seen."""
    leaves = state.modes * (1 - np.exp(-(t_s - state.t_s) / _HAND.lasts_s))
    return state.modes - leaves + (leaves.sum() - leaves) / (len(leaves) - 1)


def with_modes(after: ToolState, before: ToolState, measured: FloatArray, cov: FloatArray) -> ToolState:
    """A state with the probabilities that the hand rests, works or travels brought up to date: by how well each
    foretold, from the state before, a tip and direction (5,) with covariance (5, 5)."""
    logs = np.empty(len(after.modes))
    for mode in range(len(logs)):
        f, q = _step(N_MOVING, after.t_s - before.t_s, None, np.eye(len(logs))[mode])
        spread = (f @ before.cov[:N_MOVING, :N_MOVING] @ f.T + q)[:5, :5] + cov
        d = measured - _predicted_mean(before.mean[:N_MOVING], f, before.rest, None)[:5]
        logs[mode] = -0.5 * (np.linalg.slogdet(spread)[1] + d @ np.linalg.solve(spread, d))
    odds = after.came_by * np.exp(logs - logs.max())
    return replace(after, modes=odds / odds.sum())


def gate(state: ToolState, measured: FloatArray, cov: FloatArray) -> float:
    """Squared Mahalanobis distance of a tip and direction (5,) from the predicted state."""
    d = measured - state.mean[:5]
    return float(d @ np.linalg.solve(state.cov[:5, :5] + cov, d))


def condition(state: ToolState, sites: np.ndarray, mean: FloatArray, cov: FloatArray) -> ToolState:
    """State after those of its entries at `sites` are known to have this mean (m,) and covariance (m, m).

    What a picture says reaches the other entries through their correlation with these.
    """
    inner = state.cov[np.ix_(sites, sites)]
    gain = np.linalg.solve(inner, state.cov[sites, :]).T
    new = state.cov + gain @ (cov - inner) @ gain.T
    return replace(state, mean=state.mean + gain @ (mean - state.mean[sites]), cov=(new + new.T) / 2)


def smooth(states: list[ToolState]) -> list[ToolState]:
    """Rauch-Tung-Striebel pass over consecutive filtered states of one unbroken track; only the first 11 entries are
    kept."""
    if not states:
        return []
    last = states[-1]
    out = [replace(last, mean=last.mean[:N_MOVING], cov=last.cov[:N_MOVING, :N_MOVING])]
    for now, after in zip(states[-2::-1], states[:0:-1], strict=True):
        mean, cov = now.mean[:N_MOVING], now.cov[:N_MOVING, :N_MOVING]
        f, q = _step(N_MOVING, after.t_s - now.t_s, None, after.came_by)
        ahead = f @ cov @ f.T + q
        gain = np.linalg.solve(ahead, f @ cov).T
        smoothed = mean + gain @ (out[-1].mean - _predicted_mean(mean, f, now.rest, None))
        new = cov + gain @ (out[-1].cov - ahead) @ gain.T
        out.append(replace(now, mean=smoothed, cov=(new + new.T) / 2))
    return out[::-1]
