"""What the user's protections do to a board model: tape, shields, still air below, metal blocks, preheaters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.heat import material
from monitor.heat.board import BoardModel
from monitor.heat.types import Protection

__all__ = ["PROTECTIONS", "TAPE_COVER_M2K_W", "Body", "apply_protection"]

FloatArray = NDArray[np.float64]

PROTECTIONS = ("tape", "shield_above", "gap_below", "metal_block", "preheater")
# one tape is credited with no more than 10 % at 450 W/m2/K, though 2600 W/m2/K in series
TAPE_COVER_M2K_W = 1.0 / 4050.0
CONTACT_W_M2K = 1000.0  # dry metal pressed to laminate, 500-3000; practice, no source
BLOCK_J_KGK = 900.0  # aluminium
BLOCK_LOSS_W_M2K = 15.0  # a warm block's free faces
PREHEAT_W_M2K = 25.0  # hot plate or lamp facing the underside a few mm away; practice, no source
_GAP_EMISSIVITY = 0.82  # two faces of 0.9


@dataclass
class Body:
    """A block that touches the underside and warms: temperature per member [C]."""

    share: FloatArray
    heat_j_k: float
    loss_w_k: float
    temp_c: FloatArray
    is_held: bool = False  # its temperature was given: it is not in balance with the board at the start

    def follow(self, model: BoardModel, dt_s: float, ambient_c: float) -> None:
        """Let the heat of the last step warm the block, and tell the model."""
        if self.heat_j_k > 0:
            taken = -np.einsum("ji,jim->m", model.area_m2 * (self.share > 0), model.work.touch_w_m2)
            self.temp_c += dt_s * (taken - self.loss_w_k * (self.temp_c - ambient_c)) / self.heat_j_k
        elif dt_s > 0:
            return  # it keeps its temperature, which the model knows
        model.exchange.touch_c[self.share > 0] = self.temp_c


def apply_protection(model: BoardModel, protection: Protection, share: FloatArray, ambient_c: float) -> Body | None:
    """Change the model's exchange as one protection does, over the share of each column that it covers.

    Raises
    ------
    InputError
        For an unknown kind or a missing value.
    """
    exchange, kind = model.exchange, protection.kind
    if kind == "tape":
        air = protection.values.get("gap_m", 0.0) / material.air_gap_w_m2k(1.0)
        exchange.cover_m2k_w[:] += share * (TAPE_COVER_M2K_W + air)
    elif kind == "shield_above":
        gap = material.air_gap_w_m2k(_value(protection, "gap_m"), 150.0)
        exchange.cover_m2k_w[:] += share / (gap + float(material.radiation_w_m2k(150.0, 150.0, _GAP_EMISSIVITY)))
    elif kind == "gap_below":
        exchange.bottom_share[:] *= 1 - share * (1 - _gap_share(model, _value(protection, "gap_m"), ambient_c))
    elif kind == "metal_block":
        return _block(model, protection, share, ambient_c)
    elif kind == "preheater":
        return _preheater(model, protection, share)
    else:
        raise InputError(f"protection kind: {kind!r} is not known; use one of {', '.join(PROTECTIONS)}")
    return None


def _block(model: BoardModel, protection: Protection, share: FloatArray, ambient_c: float) -> Body:
    mass_kg = _value(protection, "mass_kg")
    contact = protection.values.get("contact_w_m2k", CONTACT_W_M2K)
    model.exchange.touch_w_m2k[:] = np.where(share > 0, share * contact, model.exchange.touch_w_m2k)
    model.exchange.bottom_share[:] *= 1 - share
    area = float((model.area_m2 * share).sum())
    start = protection.values.get("temp_c", ambient_c)
    return Body(share, mass_kg * protection.values.get("cp_j_kgk", BLOCK_J_KGK), BLOCK_LOSS_W_M2K * 3 * area,
                np.full(model.n_members, float(start)), "temp_c" in protection.values)


def _preheater(model: BoardModel, protection: Protection, share: FloatArray) -> Body:
    exchange = protection.values.get("exchange_w_m2k", PREHEAT_W_M2K)
    free = share * (model.exchange.touch_w_m2k == 0)
    model.exchange.touch_w_m2k[:] += free * exchange
    model.exchange.bottom_share[:] *= 1 - free
    return Body(free, 0.0, 0.0, np.full(model.n_members, float(_value(protection, "temp_c"))))


def _gap_share(model: BoardModel, gap_m: float, ambient_c: float) -> float:
    """Loss through still air over the open loss, at a warm 100 C; never a gain over the open board."""
    closed = material.air_gap_w_m2k(gap_m) + float(material.radiation_w_m2k(100.0, ambient_c, _GAP_EMISSIVITY))
    return min(1.0, closed / _open_loss(model.exchange.bottom_loss, 100.0, ambient_c))


def _open_loss(law: FloatArray, face_c: float, ambient_c: float) -> float:
    natural = law[1] * abs(face_c - ambient_c) ** 0.25
    return float(law[0] + natural + material.radiation_w_m2k(face_c, ambient_c, float(law[2])))


def _value(protection: Protection, key: str) -> float:
    try:
        return float(protection.values[key])
    except KeyError:
        raise InputError(f"protection {protection.kind!r}: {key} is missing") from None
