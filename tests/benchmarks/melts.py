"""Do seen melts sharpen the joint's estimate, and honestly? Truths from the prior, boards of different kinds, melts in
turn.

usage: python -m tests.benchmarks.melts [TRUTHS] [BOARDS]

Every truth keeps its station and nozzle over all boards; each board has its own conductivity, losses, capacity and
what the chain leaves out. On a board the jet heats until the coldest joint melts, within 2 K (1 sigma) of the table's
liquidus; the part is seen to settle up to three seconds later. Before each board the band of its coldest joint, at the
time at which the untaught estimate comes to the liquidus, is compared with the truth: 1 sigma, and the share of truths
inside the 90 % band with its own 90 % interval (Wilson), after 0, 1, 3 and 10 melts on other boards; then the same with
one melt in twenty at a wrong time. The band is that of the members that the estimate runs, drawn from the shelf's
knowledge and taken through the chain. "Live" is the band on the same board, three seconds after the sight. Melts are
kept as an estimate that had learned nothing would keep them. Truths too weak for a board leave no melt there, and
nobody learns from that.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.stats import binomtest

from monitor.heat.alloy import find_alloy
from monitor.heat.chain import Blow, Chain
from monitor.heat.estimate import N_MEMBERS, HeatEstimator, member_blow
from monitor.heat.melt import LIQUIDUS_SIGMA_K, MeltLearner, MeltSight
from monitor.heat.taught import SHARED, Melt, board_key, melt_of, taught
from monitor.heat.types import BoardSetup, HeatSetup, Layer, PartSetup, RegionSetup, StationSetup
from monitor.heat.uncertainty import (
    COVERAGE_Z,
    MODEL_FORM_SHARE,
    PARAMETERS,
    Knowledge,
    band,
    draw_scores,
    parameters,
    prior,
)
from tests.benchmarks.command import command
from tests.heat.cases import jet_at, rectangle

AFTER = (0, 1, 3, 10)
STEP_S, LONGEST_S, LIVE_S = 0.5, 150.0, 3.0
SLOPE_S = 2.0  # over which the estimate takes the rate at a sight
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


def lessons_on(setup: HeatSetup, inputs: list) -> tuple[list[Melt], list[MeltLearner], list[np.ndarray]]:
    """What a sight at each moment would be kept as, before anything was learned; the coldest joint of the members."""
    draws = draw_scores(len(PARAMETERS) + 3, N_MEMBERS)
    scores, own = draws[: len(PARAMETERS)], draws[len(PARAMETERS) :]
    chain, melts, learners, members = Chain(setup, parameters(scores)), [], [], []
    for item in inputs:
        chain.blow(member_blow(item, setup, own), item.dt_s)
        members.append(chain.sites().joint_corner.copy())
        back = members[max(len(members) - 1 - round(SLOPE_S / STEP_S), 0)]
        slope = float(members[-1][0] - back[0]) / SLOPE_S
        learner, form_k = MeltLearner(scores, own, N_MEMBERS), MODEL_FORM_SHARE * abs(members[-1][0] - chain.start_c)
        lesson = learner.see(MeltSight(item.t_s, "settled"), members[-1], slope, LIQUIDUS_C, form_k)
        melts.append(melt_of(lesson, setup, ""))
        learners.append(learner)
    return melts, learners, members


def bands_at(setup: HeatSetup, inputs: list, knowledge: list[Knowledge]) -> list:
    """Band of the coldest joint after the inputs, for each state of knowledge, by the members of an estimate."""
    draws = draw_scores(len(PARAMETERS) + 3, N_MEMBERS)
    n, scores = len(PARAMETERS), []
    for known in knowledge:
        root = np.linalg.cholesky(known.cov + 1e-12 * np.eye(n))
        scores.append(known.mean[:, None] + root @ draws[:n])
    chain = Chain(setup, parameters(np.concatenate(scores, axis=1)))
    own = np.tile(draws[n:], len(knowledge))
    for item in inputs:
        chain.blow(member_blow(item, setup, own), item.dt_s)
    joints = np.split(chain.sites().joint_corner, len(knowledge))
    return [band(joint, MODEL_FORM_SHARE * abs(joint[0] - chain.start_c)) for joint in joints]


class _Count:
    """Bands and truths met with so far."""

    def __init__(self) -> None:
        self.sigmas: list[float] = []
        self.inside: list[bool] = []

    def add(self, told, truth_c: float) -> None:
        self.sigmas.append((told.high - told.low) / (2 * COVERAGE_Z))
        self.inside.append(told.low <= truth_c <= told.high)

    def __str__(self) -> str:
        n, k = len(self.inside), sum(self.inside)
        if n == 0:
            return "no truths"
        low, high = binomtest(k, n).proportion_ci(0.9, "wilson")
        return (f"1 sigma {np.mean(self.sigmas):.1f} K, {100 * k / n:.1f} % of {n} truths in the 90 % band "
                f"({100 * low:.0f} to {100 * high:.0f} %)")


def main(arguments: list[str]) -> int:
    """Print sigma and coverage after 0, 1, 3 and 10 melts."""
    n_truths, n_boards = (int(a) for a in arguments[:2]) if len(arguments) >= 2 else (200, 20)
    rng = np.random.default_rng(26)
    shared = np.isin(PARAMETERS, SHARED)
    own = rng.normal(size=(len(PARAMETERS), n_truths))
    seen: list[dict[int, int]] = [{} for _ in range(n_truths)]  # board: step of its melt
    boards, live = [], _Count()
    for i_board in range(n_boards):
        setup = board(rng)
        inputs = heights(setup, rng)
        scores = np.where(shared[:, None], own, rng.normal(size=own.shape))
        temps = truths_on(setup, inputs, scores, rng.normal(size=(3, n_truths)), rng.normal(size=n_truths))
        lessons, learners, members = lessons_on(setup, inputs)
        boards.append((setup, inputs, lessons, temps))
        lag = rng.uniform(0, LATEST_SIGHT_S, n_truths)
        molten = temps >= LIQUIDUS_C + LIQUIDUS_SIGMA_K * rng.normal(size=n_truths)
        for i in np.flatnonzero(molten.any(0)):
            at = seen[i][i_board] = min(int(molten[:, i].argmax() + lag[i] / STEP_S), len(inputs) - 1)
            later = min(at + round(LIVE_S / STEP_S), len(inputs) - 1)
            told = learners[at].told(members[later])[:N_MEMBERS]
            live.add(band(told, MODEL_FORM_SHARE * abs(told[0] - 120.0)), temps[later, i])
        print(f"board {i_board + 1}: {molten.any(0).mean():.0%} of truths melt within {LONGEST_S:.0f} s", flush=True)
    print(f"live, {LIVE_S:.0f} s after a sight: {live}")
    for name, wrong_share in (("all sights right", 0.0), (f"{WRONG_SHARE:.0%} of the sights wrong", WRONG_SHARE)):
        _count(name, wrong_share, boards, seen, rng)
    print(f"one sight, live: {_live_ms(boards[0]):.2f} ms")
    return 0


def _count(name: str, wrong_share: float, boards: list, seen: list[dict[int, int]], rng: np.random.Generator) -> None:
    asked: list[list[tuple[int, int, Knowledge]]] = [[] for _ in boards]  # melts before, truth, what is known
    spent = []
    for i, mine in enumerate(seen):
        melts: list[Melt] = []
        done = set()
        for i_board in rng.permutation(len(boards)):
            setup, _, lessons, temps = boards[i_board]
            if len(melts) in AFTER and len(melts) not in done:
                begin = time.thread_time()
                knowledge, _ = taught(prior(), tuple(melts), board_key(setup))
                spent.append(time.thread_time() - begin)
                asked[i_board].append((len(melts), i, knowledge))
                done.add(len(melts))
            if i_board in mine:
                shown = int(rng.integers(10, len(temps))) if rng.random() < wrong_share else mine[i_board]
                melts.append(lessons[shown])
    counts = {k: _Count() for k in AFTER}
    for (setup, inputs, lessons, temps), some in zip(boards, asked, strict=True):
        at = int(np.argmin([abs(m.at_zero_c - LIQUIDUS_C) for m in lessons]))
        told = bands_at(setup, inputs[: at + 1], [knowledge for _, _, knowledge in some]) if some else []
        for (n, i, _), one in zip(some, told, strict=True):
            counts[n].add(one, temps[at, i])
    for k, count in counts.items():
        print(f"{name}, after {k} melts on other boards: {count}", flush=True)
    print(f"{name}: one update of the shelf's knowledge {1e3 * np.median(spent):.2f} ms")


def _live_ms(one: tuple) -> float:
    """Processor time of one sight and of the next reading's change by it."""
    setup, inputs = one[:2]
    estimator, spent = HeatEstimator(setup), []
    for item in inputs[:20]:
        estimator.step(item)
    joint = estimator.chain.sites().joint_corner
    for _ in range(20):
        estimator.learner = estimator.learner.fresh()
        begin = time.thread_time()
        estimator.see(MeltSight(10.0, "settled"))
        estimator.learner.told(joint)
        spent.append(time.thread_time() - begin)
    return 1e3 * float(np.median(spent))


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
