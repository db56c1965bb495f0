"""Do seen melts sharpen the joint's estimate, and honestly? Truths from the prior, boards of different kinds, melts in
turn.

usage: python -m tests.benchmarks.melts [TRUTHS] [BOARDS]

Every truth keeps its station and nozzle over all boards; each board has its own conductivity, losses, capacity and
what the
chain leaves out. On a board the jet heats until the coldest joint melts; the part is seen to settle up to three
seconds later.
Before each board the estimate of the coldest joint, when it has come to the liquidus, is compared with the truth: 1
sigma, and the share of truths
in the 90 % band, after 0, 1, 3 and 10 melts on other boards; then the same with one melt in twenty at a wrong time.
The truths run through the chain itself; only what the estimate makes of them is linear.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from monitor.heat.alloy import find_alloy
from monitor.heat.chain import Blow, Chain
from monitor.heat.estimate import HeatEstimator
from monitor.heat.melt import MeltSight
from monitor.heat.taught import SHARED, Melt, board_key, melt_of, taught
from monitor.heat.types import BoardSetup, HeatSetup, Layer, PartSetup, RegionSetup, StationSetup
from monitor.heat.uncertainty import COVERAGE_Z, MODEL_FORM_SHARE, PARAMETERS, parameters, prior
from tests.heat.cases import jet_at, rectangle

AFTER = (0, 1, 3, 10)
STEP_S, LONGEST_S = 0.25, 150.0
HEIGHT_SIGMA_MM, AIM_SIGMA_MM = 1.0, 1.0
LATEST_SIGHT_S, WRONG_SHARE = 3.0, 0.05
LIQUIDUS_C = find_alloy("SAC305").liquidus_c


def board(rng: np.random.Generator) -> HeatSetup:
    """A job of a random kind: part, copper, thickness, start, alloy's liquidus within reach."""
    side = float(rng.uniform(5, 14))
    layers = tuple(Layer(35e-6, float(rng.uniform(0.1, 0.9))) for _ in range(int(rng.choice([2, 4]))))
    return HeatSetup(
        BoardSetup(float(rng.choice([1.0, 1.6, 2.0])) * 1e-3, layers, (80e-3, 60e-3), (0.0, 0.0), start_c=120.0),
        PartSetup(RegionSetup("U7", rectangle(0, 0, side, side), 0.9e-3), "leadless"),
        (),
        StationSetup(400.0, 40 / 60000, bore_m=8.8e-3),
    )


def heights(setup: HeatSetup, rng: np.random.Generator) -> list:
    """A hand's circle at one height."""
    height = float(rng.uniform(8, 16))
    times = np.arange(STEP_S, LONGEST_S, STEP_S)
    return [
        jet_at(
            float(t),
            height,
            (2 * np.cos(t), 2 * np.sin(t)),
            dt_s=STEP_S,
            height_sigma_mm=HEIGHT_SIGMA_MM,
            aim_sigma_mm=AIM_SIGMA_MM,
        )
        for t in times
    ]


def truths_on(setup: HeatSetup, inputs: list, scores: np.ndarray, errors: np.ndarray, form: np.ndarray) -> np.ndarray:
    """Coldest joint of every truth over time, (times, truths) [C]."""
    chain, rows = Chain(setup, parameters(scores)), []
    for item in inputs:
        chain.blow(
            Blow(
                setup.station.setpoint_c,
                setup.station.airflow_m3_s,
                np.maximum(item.height_m + HEIGHT_SIGMA_MM * 1e-3 * errors[0], 1e-3),
                item.aim_m[0] + AIM_SIGMA_MM * 1e-3 * errors[1],
                item.aim_m[1] + AIM_SIGMA_MM * 1e-3 * errors[2],
            ),
            item.dt_s,
        )
        joint = chain.sites().joint_corner
        rows.append(joint + MODEL_FORM_SHARE * form * (joint - chain.start_c))
    return np.array(rows)


def lessons_on(setup: HeatSetup, inputs: list) -> list[Melt]:
    """What a sight at each moment would be kept as, before anything was learned."""
    estimator, rows = HeatEstimator(setup), []
    for item in inputs:
        estimator.step(item)
        estimator.learner = estimator.learner.fresh()
        rows.append(melt_of(estimator.see(MeltSight(item.t_s, "settled")), setup, ""))
    return rows


def _told(melt: Melt, knowledge) -> tuple[float, float]:
    row = np.array(melt.per_score_k)
    return melt.at_zero_c + row @ knowledge.mean, float(
        np.sqrt(row @ knowledge.cov @ row + melt.form_k**2 + melt.input_k**2)
    )


def main(arguments: list[str]) -> int:
    """Print sigma and coverage after 0, 1, 3 and 10 melts."""
    n_truths, n_boards = (int(a) for a in (*arguments, "200", "20")[:2]) if len(arguments) >= 2 else (200, 20)
    rng = np.random.default_rng(26)
    shared = np.isin(PARAMETERS, SHARED)
    own = rng.normal(size=(len(PARAMETERS), n_truths))
    seen: list[dict[int, int]] = [{} for _ in range(n_truths)]  # board: step of its melt
    boards = []
    for i_board in range(n_boards):
        setup = board(rng)
        inputs = heights(setup, rng)
        scores = np.where(shared[:, None], own, rng.normal(size=own.shape))
        temps = truths_on(setup, inputs, scores, rng.normal(size=(3, n_truths)), rng.normal(size=n_truths))
        boards.append((setup, lessons_on(setup, inputs), temps))
        lag = rng.uniform(0, LATEST_SIGHT_S, n_truths)
        molten = temps >= LIQUIDUS_C
        for i in range(n_truths):
            if molten[:, i].any():
                seen[i][i_board] = min(int(molten[:, i].argmax() + lag[i] / STEP_S), len(inputs) - 1)
        print(f"board {i_board + 1}: {molten.any(0).mean():.0%} of truths melt within {LONGEST_S:.0f} s", flush=True)
    for name, wrong_share in (("all sights right", 0.0), (f"{WRONG_SHARE:.0%} of the sights wrong", WRONG_SHARE)):
        _count(name, wrong_share, boards, seen, rng)
    return 0


def _count(name: str, wrong_share: float, boards: list, seen: list[dict[int, int]], rng: np.random.Generator) -> None:
    results: dict[int, list[tuple[float, float]]] = {k: [] for k in AFTER}
    spent = []
    for i, mine in enumerate(seen):
        melts: list[Melt] = []
        for i_board in rng.permutation(len(boards)):
            setup, lessons, temps = boards[i_board]
            if len(melts) in results and len(results[len(melts)]) <= i:
                begin = time.perf_counter()
                knowledge, _ = taught(prior(), tuple(melts), board_key(setup))
                spent.append(time.perf_counter() - begin)
                at = int(np.argmin([abs(m.at_zero_c - LIQUIDUS_C) for m in lessons]))
                mean, sigma = _told(lessons[at], knowledge)
                results[len(melts)].append((sigma, abs(temps[at, i] - mean) <= COVERAGE_Z * sigma))
            if i_board in mine:
                shown = int(rng.integers(20, len(temps))) if rng.random() < wrong_share else mine[i_board]
                melts.append(lessons[shown])
    for k in AFTER:
        if results[k]:
            sigma, inside = np.array(results[k]).T
            print(
                f"{name}, after {k} melts on other boards: 1 sigma {sigma.mean():.1f} K, "
                f"{100 * inside.mean():.1f} % of {len(inside)} truths in the 90 % band"
            )
    print(f"{name}: one update of the shelf's knowledge {1e3 * np.median(spent):.2f} ms")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
