"""The state in which a board, its preheater and what holds it are in balance before the work begins."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.heat.board import BoardModel
from monitor.heat.protect import Body

__all__ = ["settle"]

STEP_S, MOST_STEPS, STILL_K = 40.0, 200, 0.02  # pseudo-time steps near the board's own time constant of about a minute


def settle(model: BoardModel, bodies: Sequence[Body], ambient_c: float) -> None:
    """Bring the model to its steady state without a jet, and take that as its start.

    Notes
    -----
    The factored step carries no splitting error in a steady state, so stepping until nothing moves solves the
    balance itself. A block that warms freely ends where its own losses draw what its contact gives: contact and
    losses in series. A body with a temperature of its own keeps it.
    """
    exchange, touch = model.exchange, model.exchange.touch_w_m2k.copy()
    free = [body for body in bodies if body.heat_j_k > 0 and not body.is_held]
    for body in free:
        area = float((model.area_m2 * body.share).sum())
        contact = touch[body.share > 0].mean()
        exchange.touch_w_m2k[body.share > 0] *= 1 / (1 + contact * area / max(body.loss_w_k, 1e-9))
        exchange.touch_c[body.share > 0] = ambient_c
    still, here = np.zeros_like(model.work.top_c), np.full_like(model.work.top_c, ambient_c)
    for _ in range(MOST_STEPS):
        before = model.work.top_c.copy()
        model.step(still, here, STEP_S)
        if abs(model.work.top_c - before).max() < STILL_K:
            break
    exchange.touch_w_m2k[:] = touch
    for body in free:
        weight = model.area_m2 * (body.share > 0) * touch
        through = np.einsum("ji,jim->m", weight, model.work.bottom_c)
        body.temp_c[:] = (through + body.loss_w_k * ambient_c) / (weight.sum() + body.loss_w_k)
        exchange.touch_c[body.share > 0] = body.temp_c
    model.begin()
