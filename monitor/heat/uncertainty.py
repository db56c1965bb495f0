"""What is not known about the chain: priors, members drawn from them, and bands."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.compiled import njit
from monitor.heat.types import Band, StationSetup

__all__ = ["CALIBRATED_FORM_SHARE", "COVERAGE_Z", "PARAMETERS", "Knowledge", "Parameters", "band",
           "described", "draw_scores", "outlet_table_c", "parameters", "prior"]

FloatArray = NDArray[np.float64]

# Order of the scores. Each parameter is a standard normal score, turned into a value by `parameters`.
PARAMETERS = ("exit_factor", "film_gain", "decay", "spread", "board_k", "loss", "capacity", "airflow")
COVERAGE_Z = 1.6449  # two-sided 90 % of a normal law
MODEL_FORM_SHARE = 0.025  # 1 sigma, share of the rise: what the chain itself leaves out (about 5 K at 200 K)
CALIBRATED_FORM_SHARE = 0.015  # the same after a thermocouple run, at the least; more when the chain followed it badly
_EXIT_FACTOR, _EXIT_SIGMA = 0.93, 0.06  # outlet rise over set rise: 0.85-1.0 in practice
# the same where the user measured the outlet: a bead in the jet reads within a few kelvin; practice
_TABLE_SIGMA = 0.02
_DECAY, _DECAY_SIGMA = 5.0, (0.20, 0.10)  # below, above
# Below Re 5000: Abdel-Rahman et al. 1996 (abstract) have constants from 6.1 at Re 19400 down to 1.35 at Re 1430;
# a laminar jet in still air does the opposite.
_DECAY_SIGMA_LOW_RE = (0.45, 0.25)
_GAIN_SIGMA, _GAIN_SIGMA_LOW_RE = 0.20, 0.28  # film coefficient; under Re 5000 few data exist
_SIGMAS = {"spread": 0.20, "board_k": 0.30, "loss": 0.30, "capacity": 0.10, "airflow": 0.20}


@dataclass(frozen=True)
class Knowledge:
    """Normal law of the scores: mean, shape (n,), covariance, shape (n, n); calibrated by a thermocouple or not.

    height_range_m: the heights at which the thermocouple run was made; None without one.
    """

    mean: FloatArray
    cov: FloatArray
    is_calibrated: bool = False
    note: str = "no thermocouple run has been used"
    form_share: float = MODEL_FORM_SHARE
    height_range_m: tuple[float, float] | None = None


@dataclass(frozen=True)
class Parameters:
    """Values per member, each shape (members,)."""

    exit_factor: FloatArray
    film_gain_score: FloatArray
    decay: FloatArray  # at Re 5000 and above
    decay_score: FloatArray
    spread: FloatArray
    board_k: FloatArray
    loss: FloatArray
    capacity: FloatArray
    airflow: FloatArray

    def film_gain(self, reynolds: FloatArray) -> FloatArray:
        """Factor on the film coefficient [-]; wider below a Reynolds number of 5000."""
        return np.exp(self.film_gain_score * (_GAIN_SIGMA + (_GAIN_SIGMA_LOW_RE - _GAIN_SIGMA) * _lowness(reynolds)))

    def outlet_factor(self, setpoint_c: FloatArray, airflow_m3_s: ArrayLike, station: StationSetup) -> FloatArray:
        """Share of the set rise that reaches the outlet [-]; from the station's own table when there is one.

        Between the table's rows: linear in setpoint and airflow, and beyond its ends the nearest.
        """
        if not station.outlet_c:
            return self.exit_factor
        rise = setpoint_c - station.ambient_c
        told = outlet_table_c(station.outlet_c, setpoint_c, np.asarray(airflow_m3_s) * self.airflow) - station.ambient_c
        spread = (self.exit_factor / _EXIT_FACTOR) ** (_TABLE_SIGMA / _EXIT_SIGMA)
        return np.where(abs(rise) > 1e-9, told * spread / np.where(rise == 0, 1.0, rise), 1.0)

    def decay_constant(self, reynolds: FloatArray) -> FloatArray:
        """Decay constant of the excess temperature [-]; wider below a Reynolds number of 5000."""
        return _decay(self.decay_score, _lowness(reynolds))


def outlet_table_c(rows: tuple[tuple[float, float, float], ...], setpoint_c: ArrayLike,
                   airflow_m3_s: ArrayLike) -> FloatArray:
    """Outlet temperature from measured rows (setpoint, airflow, outlet) [C]: by setpoint at each airflow, then by
    airflow.
    """
    table = np.array(sorted(rows))
    flows = np.unique(table[:, 1])
    at_flow = []
    for flow in flows:
        own = table[table[:, 1] == flow]
        ratio = np.interp(np.asarray(setpoint_c, float), own[:, 0], own[:, 2] / own[:, 0])
        at_flow.append(ratio * np.asarray(setpoint_c, float))
    setpoint, flow = np.broadcast_arrays(np.asarray(setpoint_c, float), np.asarray(airflow_m3_s, float))
    stacked = np.broadcast_to(np.array(at_flow), (flows.size, *setpoint.shape))
    if flows.size == 1:
        return stacked[0]
    at = np.clip(np.searchsorted(flows, flow) - 1, 0, flows.size - 2)
    share = np.clip((flow - flows[at]) / (flows[at + 1] - flows[at]), 0.0, 1.0)
    low, high = (np.take_along_axis(stacked, (at + k)[None], axis=0)[0] for k in (0, 1))
    return low + share * (high - low)


def prior() -> Knowledge:
    """What is known without a thermocouple."""
    n = len(PARAMETERS)
    return Knowledge(np.zeros(n), np.eye(n))


def parameters(scores: FloatArray) -> Parameters:
    """Values from scores, shape (n parameters, members)."""
    by_name = dict(zip(PARAMETERS, np.asarray(scores, float), strict=True))
    factors = {name: np.exp(sigma * by_name[name]) for name, sigma in _SIGMAS.items()}
    return Parameters(exit_factor=np.minimum(_EXIT_FACTOR * np.exp(_EXIT_SIGMA * by_name["exit_factor"]), 1.1),
                      film_gain_score=by_name["film_gain"],
                      decay=_decay(by_name["decay"], 0.0), decay_score=by_name["decay"], **factors)


def _lowness(reynolds: FloatArray) -> FloatArray:
    """How far below a Reynolds number of 5000: 0 there, 1 at 2000 and less."""
    return np.clip((5000.0 - reynolds) / 3000.0, 0.0, 1.0)


def _decay(score: FloatArray, low: FloatArray | float) -> FloatArray:
    down, up = (a + (b - a) * low for a, b in zip(_DECAY_SIGMA, _DECAY_SIGMA_LOW_RE, strict=True))
    return _DECAY * np.maximum(1 + score * np.where(score < 0, down, up), 0.2)


_WORDS = {"exit_factor": "exit factor (outlet rise over set rise)", "film_gain": "gain on the film coefficient",
          "decay": "decay constant of the jet", "spread": "gain on the jet's spread",
          "board_k": "gain on the board's conductivity", "loss": "gain on the losses",
          "capacity": "gain on the heat capacities", "airflow": "gain on the airflow"}


def described(knowledge: Knowledge) -> list[str]:
    """Every parameter in words with its 1-sigma range, and the range before any thermocouple run."""
    def spans(k: Knowledge) -> list[Parameters]:
        root = np.sqrt(np.diag(k.cov))
        return [parameters((k.mean + sign * root)[:, None]) for sign in (-1, 1)]

    def value(p: Parameters, name: str) -> float:
        return float(p.film_gain(np.full(1, 1e4))[0] if name == "film_gain" else getattr(p, name)[0])

    now, before = spans(knowledge), spans(prior())
    return [f"{words}: {value(now[0], name):.2f} to {value(now[1], name):.2f} "
            f"({value(before[0], name):.2f} to {value(before[1], name):.2f})" for name, words in _WORDS.items()]


def draw_scores(n_dimensions: int, n_members: int, seed: int = 7) -> FloatArray:
    """Standard normal scores, shape (n_dimensions, n_members), first member zero.

    Members come in opposite pairs and are whitened, so that mean and covariance of all but the first are exact;
    a response linear in the scores then has its exact variance with few members.
    """
    n_pairs = (n_members - 1) // 2
    if n_pairs < n_dimensions or n_members % 2 == 0:
        raise ValueError(f"need an odd number of members above {2 * n_dimensions}, got {n_members}")
    raw = np.random.default_rng(seed).normal(size=(n_dimensions, n_pairs))
    white = np.linalg.solve(np.linalg.cholesky(raw @ raw.T / n_pairs), raw)
    return np.concatenate([np.zeros((n_dimensions, 1)), white, -white], axis=1)


def band(members: FloatArray, extra_sigma: float = 0.0, lowest: float = -np.inf) -> Band:
    """90 % band of a quantity from its members, the first of which is the estimate itself.

    extra_sigma is a further independent spread; lowest a bound that the quantity cannot pass.
    """
    mid = float(members[0])
    centre, sigma = _centre_and_sigma(members)
    half = COVERAGE_Z * math.hypot(sigma, extra_sigma)
    return Band(max(min(mid, centre - half), min(mid, lowest)), mid, max(mid, centre + half))


@njit(cache=True)
def _centre_and_sigma(members):
    """Mean and standard deviation of all members but the first; ten times faster than numpy on so few."""
    n, total, square = len(members) - 1, 0.0, 0.0
    for i in range(1, n + 1):
        total += members[i]
    centre = total / n
    for i in range(1, n + 1):
        square += (members[i] - centre) ** 2
    return centre, math.sqrt(square / n)
