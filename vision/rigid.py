"""Rigid transforms and how their uncertainty moves with them.

A transform b_from_a is a (4, 4) matrix taking points of frame a [mm] to frame b. Its covariance (6, 6) is that of a
small (turn [rad], shift [mm]) applied afterwards, in frame b: p' = exp(turn) (b_from_a p) + shift.
"""

from __future__ import annotations

import numpy as np

from vision.types import FloatArray

__all__ = ["transform", "inverse", "apply", "exp_rotation", "log_rotation", "cross_matrix", "moved", "difference",
           "aligned", "inverse_cov", "composed_cov", "point_cov"]


def transform(rotation: FloatArray, translation_mm: FloatArray) -> FloatArray:
    """The (4, 4) matrix of a rotation (3, 3) followed by a translation (3,) [mm]."""
    out = np.eye(4)
    out[:3, :3] = rotation
    out[:3, 3] = np.ravel(translation_mm)
    return out


def inverse(b_from_a: FloatArray) -> FloatArray:
    """a_from_b."""
    r = b_from_a[:3, :3].T
    return transform(r, -r @ b_from_a[:3, 3])


def apply(b_from_a: FloatArray, points_mm: FloatArray) -> FloatArray:
    """Points (n, 3) or (3,) of frame a, seen in frame b [mm]."""
    return np.asarray(points_mm) @ b_from_a[:3, :3].T + b_from_a[:3, 3]


def cross_matrix(v: FloatArray) -> FloatArray:
    """The matrix M with M p = v x p."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def exp_rotation(turn_rad: FloatArray) -> FloatArray:
    """Rotation matrix of a rotation vector [rad] (Rodrigues' formula)."""
    angle = float(np.linalg.norm(turn_rad))
    k = cross_matrix(turn_rad)
    if angle < 1e-7:
        return np.eye(3) + k + 0.5 * k @ k
    return np.eye(3) + np.sin(angle) / angle * k + (1.0 - np.cos(angle)) / angle**2 * k @ k


def log_rotation(rotation: FloatArray) -> FloatArray:
    """Rotation vector [rad] of a rotation matrix, length 0 to pi."""
    w = 0.5 * np.array([rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0]
                        - rotation[0, 1]])
    sine, cosine = float(np.linalg.norm(w)), 0.5 * (float(np.trace(rotation)) - 1.0)
    angle = float(np.arctan2(sine, cosine))
    if sine > 1e-6:
        return w * (angle / sine)
    if cosine > 0:
        return w
    m = 0.5 * (rotation + np.eye(3))  # a half turn: the axis is a column of (R + 1) / 2 = n n^T
    i = int(np.argmax(np.diag(m)))
    axis = m[:, i] / np.sqrt(m[i, i])
    return angle * axis * (1.0 if w @ axis >= 0 else -1.0)


def moved(b_from_a: FloatArray, step: FloatArray) -> FloatArray:
    """The transform after a small (turn [rad], shift [mm]), shape (6,), in frame b."""
    return transform(exp_rotation(step[:3]), step[3:]) @ b_from_a


def difference(to_b_from_a: FloatArray, from_b_from_a: FloatArray) -> FloatArray:
    """The (turn, shift), shape (6,), that `moved` needs to reach the first transform from the second."""
    delta = to_b_from_a @ inverse(from_b_from_a)
    return np.concatenate([log_rotation(delta[:3, :3]), delta[:3, 3]])


def aligned(points: FloatArray, others: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Turn (d, d) and shift (d,) that take points (n, d) nearest to their counterparts, by least squares; never a
    mirror image (Kabsch, Acta Cryst. A 32 (1976) 922).
    """
    a, b = points - points.mean(0), others - others.mean(0)
    u, _, vt = np.linalg.svd(a.T @ b)
    keeps = np.ones(len(vt))
    keeps[-1] = np.linalg.det(vt.T @ u.T)
    turn: FloatArray = vt.T @ np.diag(keeps) @ u.T
    return turn, others.mean(0) - turn @ points.mean(0)


def inverse_cov(b_from_a: FloatArray, cov: FloatArray) -> FloatArray:
    """Covariance (6, 6) of the inverse, in frame a."""
    j = _adjoint(inverse(b_from_a))
    return j @ cov @ j.T


def composed_cov(c_from_b: FloatArray, cov_c_from_b: FloatArray, cov_b_from_a: FloatArray) -> FloatArray:
    """Covariance (6, 6) of c_from_b @ b_from_a, in frame c; the two are taken as independent."""
    j = _adjoint(c_from_b)
    return cov_c_from_b + j @ cov_b_from_a @ j.T


def point_cov(b_from_a: FloatArray, cov: FloatArray, point_a_mm: FloatArray) -> FloatArray:
    """Covariance (3, 3) [mm2] in frame b of an exactly known point of frame a."""
    j = np.hstack([-cross_matrix(apply(b_from_a, point_a_mm)), np.eye(3)])
    return j @ cov @ j.T


def _adjoint(b_from_a: FloatArray) -> FloatArray:
    """Takes a small (turn, shift) of frame a into that of frame b."""
    r, t = b_from_a[:3, :3], b_from_a[:3, 3]
    out = np.zeros((6, 6))
    out[:3, :3] = out[3:, 3:] = r
    out[3:, :3] = cross_matrix(t) @ r
    return out
