"""Constant-velocity filter for a hand-held tool: predict, gate, update, and smooth backwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.types import FloatArray

__all__ = ["ToolState", "start_state", "predict", "gate", "update", "smooth", "ACCEL_MM_S2", "TURN_RAD_S2"]

ACCEL_MM_S2 = 1500.0  # spread of a sweeping hand's acceleration
TURN_RAD_S2 = 12.0
_N = 5  # tip x, y, z [mm] and the axis' x, y [-]; the axis points down, so its x and y are a chart of it


@dataclass(frozen=True)
class ToolState:
    """Filter state at one instant, bench frame.

    Attributes
    ----------
    t_s : float
    mean : array, shape (10,)
        Tip [mm], axis x and y [-], then their rates per second.
    cov : array, shape (10, 10)
    """

    t_s: float
    mean: FloatArray
    cov: FloatArray


def start_state(t_s: float, measured: FloatArray, cov: FloatArray) -> ToolState:
    """State from a first measurement (5,) with covariance (5, 5); the rates are unknown."""
    mean, full = np.zeros(2 * _N), np.zeros((2 * _N, 2 * _N))
    mean[:_N], full[:_N, :_N] = measured, cov
    full[_N:, _N:] = np.diag([150.0**2] * 3 + [1.0**2] * 2)
    return ToolState(t_s, mean, full)


def transition(dt_s: float) -> tuple[FloatArray, FloatArray]:
    """Transition matrix and process noise over dt_s, white acceleration held over about a frame."""
    f = np.eye(2 * _N)
    f[:_N, _N:] = dt_s * np.eye(_N)
    q = np.diag([ACCEL_MM_S2**2] * 3 + [TURN_RAD_S2**2] * 2) * 0.03  # correlation time of the hand's acceleration, s
    noise = np.block([[q * dt_s**3 / 3, q * dt_s**2 / 2], [q * dt_s**2 / 2, q * dt_s]])
    return f, noise


def predict(state: ToolState, t_s: float) -> ToolState:
    """State carried to t_s >= state.t_s."""
    f, q = transition(t_s - state.t_s)
    return ToolState(t_s, f @ state.mean, f @ state.cov @ f.T + q)


def gate(state: ToolState, measured: FloatArray, cov: FloatArray) -> float:
    """Squared Mahalanobis distance of a measurement (5,) from the predicted state."""
    d = measured - state.mean[:_N]
    return float(d @ np.linalg.solve(state.cov[:_N, :_N] + cov, d))


def update(state: ToolState, measured: FloatArray, cov: FloatArray) -> ToolState:
    """State after a measurement (5,) at the state's time (Joseph form, stays symmetric)."""
    h = np.zeros((_N, 2 * _N))
    h[:, :_N] = np.eye(_N)
    s = state.cov[:_N, :_N] + cov
    gain = np.linalg.solve(s, state.cov[:_N, :]).T
    keep = np.eye(2 * _N) - gain @ h
    mean = state.mean + gain @ (measured - state.mean[:_N])
    new = keep @ state.cov @ keep.T + gain @ cov @ gain.T
    return ToolState(state.t_s, mean, (new + new.T) / 2)


def smooth(states: list[ToolState]) -> list[ToolState]:
    """Rauch-Tung-Striebel pass over consecutive filtered states of one unbroken track."""
    if not states:
        return []
    out = [states[-1]]
    for now, after in zip(states[-2::-1], states[:0:-1]):
        f, q = transition(after.t_s - now.t_s)
        ahead = f @ now.cov @ f.T + q
        gain = np.linalg.solve(ahead, f @ now.cov).T
        mean = now.mean + gain @ (out[-1].mean - f @ now.mean)
        cov = now.cov + gain @ (out[-1].cov - ahead) @ gain.T
        out.append(ToolState(now.t_s, mean, (cov + cov.T) / 2))
    return out[::-1]
