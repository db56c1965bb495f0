"""Are the bands honest? Draws truths from the priors, runs them on a fine grid and counts what the bands hold.

python -m tests.benchmarks.heat_bands [TRUTHS] [CALIBRATED TRUTHS] [SOLID TRUTHS] [MELT TRUTHS]
"""

from __future__ import annotations

import sys
import time

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.heat.alloy import find_alloy
from monitor.heat.calibration import Calibration
from monitor.heat.chain import Blow, Chain, Fineness
from monitor.heat.estimate import HeatEstimator
from monitor.heat.fit import fit_thermocouple
from monitor.heat.outlook import LOOK_AHEAD_S
from monitor.heat.types import HeatInput, HeatSetup, JointState
from monitor.heat.uncertainty import PARAMETERS, parameters
from tests.benchmarks.command import command
from tests.heat.cases import jet_at, job

FloatArray = NDArray[np.float64]

FINE = Fineness(part_cells=16, smallest_m=0.1e-3, coarsest_m=4e-3, neighbour_m=1.5e-3, growth=0.25, board_levels=8,
                package_levels=5)
HEIGHT_SIGMA_MM, AIM_SIGMA_MM = 2.0, 1.5
HEIGHTS_MM, TIMES_S, STEP_S = (10.0, 16.0, 25.0), (5.0, 10.0, 20.0, 40.0), 0.1
FIT_HEIGHTS_MM, FIT_EACH_S, FIT_COOL_S, FIT_STEP_S = (10.0, 24.0), 45.0, 40.0, 0.25
SOLID_HEIGHTS_MM, SOLID_HEAT_S, SOLID_COOL_S, SOLID_STEP_S = (6.0, 14.0), 16.0, 24.0, 0.2
MELT_HEIGHTS_MM, MELT_TOLD_S, MELT_STEP_S, MELT_UNTIL_S = (6.0, 12.0), (2.0, 5.0, 10.0), 0.2, 72.0
NOISE_K, BEAD_K = 1.0, 4.0  # 1 sigma: reading noise; contact and place of the bead, constant over a run
SITES = ("joint centre", "joint corner")


def truths(setup: HeatSetup, inputs: list[HeatInput], scores: FloatArray) -> dict[str, FloatArray]:
    """Joint temperatures of every truth after every input, (inputs, truths), on a fine grid.

    scores: (parameters and height, aim x, aim y, truths); what was measured misses the truth by the last three.
    """
    chain = Chain(setup, parameters(scores[:len(PARAMETERS)]), FINE)
    height, aim_x, aim_y = scores[len(PARAMETERS):]
    rows = []
    for item in inputs:
        if item.on:
            chain.blow(Blow(setup.station.setpoint_c, setup.station.airflow_m3_s,
                            np.maximum(item.height_m + HEIGHT_SIGMA_MM * 1e-3 * height, 1e-3),
                            item.aim_m[0] + AIM_SIGMA_MM * 1e-3 * aim_x, item.aim_m[1] + AIM_SIGMA_MM * 1e-3 * aim_y),
                       item.dt_s)
        else:
            chain.rest(item.dt_s)
        sites = chain.sites()
        rows.append((sites.joint_centre, sites.joint_corner))
    return dict(zip(SITES, np.array(rows).transpose(1, 0, 2), strict=True))


def sweep(height_mm: float) -> list[HeatInput]:
    """A hand's small circle over the part at one height."""
    times = np.arange(STEP_S, TIMES_S[-1] + STEP_S / 2, STEP_S)
    return [jet_at(float(t), height_mm, (2 * np.cos(3 * t), 2 * np.sin(3 * t)), dt_s=STEP_S,
                   height_sigma_mm=HEIGHT_SIGMA_MM, aim_sigma_mm=AIM_SIGMA_MM) for t in times]


def bands(setup: HeatSetup, calibration: Calibration | None, inputs: list[HeatInput]) -> dict[str, FloatArray]:
    """Bands at the reading times, (times, 3)."""
    estimator, rows = HeatEstimator(setup, calibration), []
    for item in inputs:
        reading = estimator.step(item)
        if any(abs(item.t_s - t) < STEP_S / 2 for t in TIMES_S):
            rows.append([[b.low, b.mid, b.high] for b in (reading.temp_c[s] for s in SITES)])
    return dict(zip(SITES, np.array(rows).transpose(1, 0, 2), strict=True))


def at_times(history: FloatArray) -> FloatArray:
    """Rows of a history at the reading times."""
    return history[[round(t / STEP_S) - 1 for t in TIMES_S]]


def run_inputs() -> list[HeatInput]:
    """The thermocouple run: two heights, then cooling."""
    heated = FIT_EACH_S * len(FIT_HEIGHTS_MM)
    times = np.arange(FIT_STEP_S, heated + FIT_COOL_S, FIT_STEP_S)
    return [jet_at(float(t), FIT_HEIGHTS_MM[min(int(t // FIT_EACH_S), 1)], dt_s=FIT_STEP_S,
                   height_sigma_mm=HEIGHT_SIGMA_MM, aim_sigma_mm=AIM_SIGMA_MM, on=bool(t < heated)) for t in times]


def uncalibrated(setup: HeatSetup, n: int, rng: np.random.Generator) -> None:
    """Print the share of truths that the plain bands hold."""
    scores = rng.normal(size=(len(PARAMETERS) + 3, n))
    inside, sigma = [], []
    for height in HEIGHTS_MM:
        inputs = sweep(height)
        true, told = truths(setup, inputs, scores), bands(setup, None, inputs)
        for site in SITES:
            low, _, high = told[site].T[:, :, None]
            inside.append((at_times(true[site]) >= low) & (at_times(true[site]) <= high))
            sigma.append((high - low) / 3.29)
    inside = np.array(inside)
    print(f"no thermocouple, {n} truths, heights {HEIGHTS_MM} mm, times {TIMES_S} s: "
          f"{inside.mean():.1%} of joint temperatures in the 90 % band "
          f"(by height {', '.join(f'{inside[2 * i:2 * i + 2].mean():.1%}' for i in range(len(HEIGHTS_MM)))}; "
          f"centre {inside[::2].mean():.1%}, corner {inside[1::2].mean():.1%}); "
          f"1 sigma {np.mean(sigma):.1f} K, largest {np.max(sigma):.1f} K")


def surely_solid(setup: HeatSetup, n: int, rng: np.random.Generator) -> None:
    """Print the share of truths whose joints were molten while they were called surely solid, warming and cooling."""
    scores, solidus = rng.normal(size=(len(PARAMETERS) + 3, n)), find_alloy(setup.part.alloy).solidus_c
    wrong = []
    for height in SOLID_HEIGHTS_MM:
        inputs = [
            jet_at(float(t), height, dt_s=SOLID_STEP_S, height_sigma_mm=HEIGHT_SIGMA_MM, aim_sigma_mm=AIM_SIGMA_MM,
                   on=bool(t < SOLID_HEAT_S))
            for t in np.arange(SOLID_STEP_S, SOLID_HEAT_S + SOLID_COOL_S, SOLID_STEP_S)
        ]
        estimator = HeatEstimator(setup)
        said = np.array([estimator.step(i).joint is JointState.SURELY_SOLID for i in inputs])
        hottest = np.max(list(truths(setup, inputs, scores).values()), axis=0)
        wrong.append((hottest[said] >= solidus).any(axis=0))
    print(f"surely solid, {n} truths, heights {SOLID_HEIGHTS_MM} mm: wrong at some moment for "
          f"{np.mean(wrong):.2%} of truths (by height {', '.join(f'{w.mean():.1%}' for w in wrong)})")


def melt_ahead(setup: HeatSetup, n: int, rng: np.random.Generator) -> None:
    """Print how often the time to the melt that is told ahead, while the jet stays, holds the truth's own."""
    scores, inside, seldom = rng.normal(size=(len(PARAMETERS) + 3, n)), [], []
    for height in MELT_HEIGHTS_MM:
        times = np.arange(MELT_STEP_S, MELT_UNTIL_S, MELT_STEP_S)
        inputs = [jet_at(float(t), height, dt_s=MELT_STEP_S, height_sigma_mm=HEIGHT_SIGMA_MM,
                         aim_sigma_mm=AIM_SIGMA_MM) for t in times]
        corner = truths(setup, inputs, scores)["joint corner"]
        estimator, told = HeatEstimator(setup), {}
        for item in inputs[: round(max(MELT_TOLD_S) / MELT_STEP_S) + 1]:
            told[round(item.t_s, 6)] = estimator.step(item).melt_in_s
        above = corner >= estimator.melt.mark_c
        melts_s = np.where(above.any(axis=0), times[above.argmax(axis=0)], np.inf)
        for at in MELT_TOLD_S:
            left, band = melts_s - at, told[round(at, 6)]
            if band is None:
                seldom.append(float((left <= LOOK_AHEAD_S).mean()))
            else:
                high = np.inf if band.high >= LOOK_AHEAD_S - at else band.high  # the end of the look: then or later
                inside.append(float(((left >= band.low) & (left <= high)).mean()))
    print(f"time to the melt told ahead, {n} truths, heights {MELT_HEIGHTS_MM} mm, at {MELT_TOLD_S} s: "
          f"{np.mean(inside):.1%} of melts in the 90 % band ({', '.join(f'{i:.0%}' for i in inside)}); told that none "
          f"comes within a minute {len(seldom)} times, when {np.mean(seldom) if seldom else 0:.0%} of truths melted")


def calibrated(setup: HeatSetup, n: int, rng: np.random.Generator) -> None:
    """Print the same after a two-height run of each truth; the run has its own errors of height and aim."""
    scores = rng.normal(size=(len(PARAMETERS) + 3, n))
    run_scores = np.concatenate([scores[:len(PARAMETERS)], rng.normal(size=(3, n))])
    run = run_inputs()
    logs = truths(setup, run, run_scores)["joint centre"][3::4]
    log_t = np.array([i.t_s for i in run])[3::4]
    true = {h: truths(setup, sweep(h), scores) for h in HEIGHTS_MM}
    inside, sigma, refused = [], [], 0
    for i in range(n):
        log = logs[:, i] + rng.normal(0, NOISE_K, log_t.size) + rng.normal(0, BEAD_K) * (logs[:, i] - 23.0) / 200.0
        try:
            fit = fit_thermocouple(setup, run, log_t + 5.0, log)
        except InputError as fault:
            refused += 1
            print(f"  truth {i}: {fault}")
            continue
        for height in HEIGHTS_MM:
            told = bands(setup, fit.calibration, sweep(height))
            for site in SITES:
                low, _, high = told[site].T
                value = at_times(true[height][site])[:, i]
                inside.append((value >= low) & (value <= high))
                sigma.append((high - low) / 3.29)
    inside = np.array(inside)
    by_height = inside.reshape(-1, len(HEIGHTS_MM), len(SITES), len(TIMES_S)).mean((0, 2, 3))
    print(f"after a run at {FIT_HEIGHTS_MM} mm, {n - refused} truths ({refused} refused): {inside.mean():.1%} in the "
          f"band (by height {', '.join(f'{share:.1%}' for share in by_height)}); "
          f"1 sigma {np.mean(sigma):.1f} K, {np.mean(np.array(sigma) <= 12):.0%} of them 12 K or less, largest "
          f"{np.max(sigma):.1f} K")


def main(arguments: list[str]) -> int:
    """Run both counts."""
    n, n_fit, n_solid, n_melt = (int(a) for a in [*arguments, *("200", "60", "200", "200")[len(arguments):]])
    began, rng, setup = time.perf_counter(), np.random.default_rng(2024), job()
    if n:
        uncalibrated(setup, n, rng)
    if n_fit:
        calibrated(setup, n_fit, rng)
    if n_solid:
        surely_solid(setup, n_solid, rng)
    if n_melt:
        melt_ahead(setup, n_melt, rng)
    print(f"{time.perf_counter() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
