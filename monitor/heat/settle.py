"""The state in which a board, its preheater and what holds it are in balance before the work begins."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.heat.board import BoardModel
from monitor.heat.protect import Body

__all__ = ["settle"]

FloatArray = NDArray[np.float64]

# Pseudo-time steps [s]: rough ones near the board's own time constant for what is wide, thrice, then twice one step for
# every size down to a cell, as alternating directions need. Within 0.3 K of the balance on three jobs, measured.
ROUGH_S, FINE_S = (10.0, 40.0, 80.0), (0.1, 0.5, 2.5, 12.0, 60.0)
TRIAL_K = 10.0  # by which blocks are made warmer to see what it does
MOST_KEPT = 0.97  # of a change, from one round to the next, that is believed when the rest is extrapolated


def settle(model: BoardModel, bodies: Sequence[Body], ambient_c: float) -> None:
    """Bring the model to its steady state without a jet, and take that as its start.

    Notes
    -----
    The factored step carries no splitting error in a steady state: stepping in pseudo-time solves the balance itself. A
    block that warms freely ends where its own losses draw what its contact gives. What it gains falls evenly with its
    temperature, so that two trials tell where it gains nothing. A body with a temperature of its own keeps it.
    """
    free = [body for body in bodies if body.heat_j_k > 0 and not body.is_held]
    if len(free) == len(bodies):
        return  # nothing heats: all is as warm as the room
    cool_w = _gains_w(model, free, ambient_c)
    if free:
        for body in free:
            body.temp_c += TRIAL_K
        warm_w = _gains_w(model, free, ambient_c)
        for body, cool, warm in zip(free, cool_w, warm_w, strict=True):
            body.temp_c += TRIAL_K * warm / (cool - warm)
        _gains_w(model, free, ambient_c)
    model.begin()


def _gains_w(model: BoardModel, free: Sequence[Body], ambient_c: float) -> list[FloatArray]:
    """What each block gains [W] per member, once the board is in balance with the blocks as warm as they are."""
    for body in free:
        model.exchange.touch_c[body.share > 0] = body.temp_c
    _balance(model, ambient_c)
    gains = []
    for body in free:
        contact_w_k = model.area_m2 * (body.share > 0) * model.exchange.touch_w_m2k
        through = np.einsum("ji,jim->m", contact_w_k, model.work.bottom_c)
        gains.append(through - contact_w_k.sum() * body.temp_c - body.loss_w_k * (body.temp_c - ambient_c))
    return gains


def _balance(model: BoardModel, ambient_c: float) -> None:
    """Step until nothing moves; what the slowest part has left after the rough steps is extrapolated (Aitken)."""
    still, here = np.zeros_like(model.work.top_c), np.full_like(model.work.top_c, ambient_c)
    moving = model.work.temp_c, model.work.top_c, model.work.bottom_c
    rounds = []
    for _ in range(3):
        for step_s in ROUGH_S:
            model.step(still, here, step_s)
        rounds.append([array.copy() for array in moving])
    first, last = rounds[1][0] - rounds[0][0], rounds[2][0] - rounds[1][0]
    kept = (first * last).sum(axis=(0, 1, 2)) / np.maximum((first**2).sum(axis=(0, 1, 2)), 1e-12)
    kept = np.clip(kept, 0.0, MOST_KEPT)
    for array, before in zip(moving, rounds[1], strict=True):
        array += (array - before) * kept / (1 - kept)
    for step_s in FINE_S * 2:
        model.step(still, here, step_s)
