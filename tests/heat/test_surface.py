"""The response surface against runs of every member by itself."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from monitor.heat.alloy import find_alloy
from monitor.heat.types import PartSetup, Protection, RegionSetup
from monitor.heat.uncertainty import PARAMETERS, prior
from monitor.plan.course import COARSE, Course, Ensemble, Stage, judged_names, repeated, run_stages
from monitor.plan.surface import Melting, Way, coordinates, run_star
from tests.heat.cases import job, rectangle

JOBS = {
    "plain": job(),
    "preheated": job(protections=(Protection("preheater", None, {"temp_c": 140.0}),)),
}
HELD = Way(370.0, (Stage(9e-3, (2e-3, 2e-3), 40.0),))
DOWN = Way(370.0, (Stage(25e-3, (6e-3, 6e-3), 20.0), Stage(9e-3, (2e-3, 2e-3), 30.0)))


def members(setup, n=24, seed=3):
    scores = np.random.default_rng(seed).normal(size=(len(PARAMETERS) + 3 + len(judged_names(setup)), n))
    return Ensemble(np.concatenate([np.zeros((scores.shape[0], 1)), scores], axis=1), prior())


@cache
def both(case, way, setpoint_c, height_m):
    """Temperatures by the surface of a way, followed to a setting, and by every member's own run of that setting."""
    setup = JOBS[case]
    ensemble = members(setup)
    there = tuple(
        Stage(height_m if n == len(way.stages) - 1 else s.height_m, s.sweep_m, s.seconds)
        for n, s in enumerate(way.stages)
    )
    (surface,) = run_star(setup, ensemble, [way], COARSE)
    (at,) = coordinates(setup, ensemble, [surface], setpoint_c, there)
    chain = repeated(setup, ensemble.values, COARSE, 1)
    return surface.course(surface.log_rise(at)), run_stages(chain, there, setpoint_c, ensemble.own(there))


def missed_k(case, way, setpoint_c=370.0, height_m=9e-3):
    """Members' misses after the first second, without the middle, (times, sites, members)."""
    told, true = both(case, way, setpoint_c, height_m)
    return (told.temp_c - true.temp_c)[4:, :, 1:]


@pytest.mark.parametrize("way", [HELD, DOWN])
def test_middle_is_its_own_run(way):
    told, true = both("plain", way, 370.0, 9e-3)

    np.testing.assert_allclose(told.temp_c[:, :, 0], true.temp_c[:, :, 0], atol=0.5)


@pytest.mark.parametrize("case", JOBS)
def test_members_follow_their_own_runs(case):
    spread = both(case, HELD, 370.0, 9e-3)[1].of("joint corner")[-1].std()

    assert spread > 15 and missed_k(case, HELD)[:, 0].std() < 0.12 * spread
    assert abs(missed_k(case, HELD)[:, 0].mean()) < 0.05 * spread


def test_members_follow_through_stages():
    spread = both("plain", DOWN, 370.0, 9e-3)[1].of("joint corner")[-1].std()

    assert missed_k("plain", DOWN)[-1, 0].std() < 0.15 * spread


@pytest.mark.parametrize("setpoint_c, height_m", [(300.0, 9e-3), (430.0, 9e-3), (370.0, 14e-3)])
def test_one_surface_serves_other_settings(setpoint_c, height_m):
    risen = both("plain", HELD, setpoint_c, height_m)[1].of("joint corner")[-1, 0] - 23

    assert abs(missed_k("plain", HELD, setpoint_c, height_m)[-1, 0]).mean() < 0.03 * risen


def test_what_the_chain_leaves_out_moves_both_joints_together_and_other_sites_apart():
    setup = job()
    ensemble = members(setup, 400)
    flat = np.zeros((2, len(judged_names(setup)), 401))
    flat[1] = 200.0
    off = ensemble.with_form(Course(np.array([0.0, 1.0]), flat, judged_names(setup))).temp_c[1, :, 1:] - 200.0

    np.testing.assert_allclose(off[0], off[1])
    assert off.std(axis=1) == pytest.approx(0.025 * 200 * np.ones(len(off)), rel=0.15)  # the stated share of the rise
    assert abs(np.corrcoef(off[0], off[2])[0, 1]) < 0.15


def test_melting_joints_follow_their_own_runs_past_the_plateau():
    setup = job(part=PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9), 0.9e-3), "leadless", None, "Sn42Bi58"))
    ensemble, alloy = members(setup), find_alloy("Sn42Bi58")
    (surface,) = run_star(setup, ensemble, [HELD], COARSE)
    (at,) = coordinates(setup, ensemble, [surface], 370.0, HELD.stages)
    chain = repeated(setup, ensemble.values, COARSE, 1)
    true = run_stages(chain, HELD.stages, 370.0, ensemble.own(HELD.stages)).of("joint corner")[:, 1:]
    told = surface.course(surface.log_rise(at)).of("joint corner")[:, 1:]

    melts = [np.array([np.interp(alloy.liquidus_c + 1, t, surface.times_s) for t in c.T]) for c in (told, true)]
    assert (np.diff(told, axis=0) > -0.5).all()
    assert abs(np.log(melts[0] / melts[1])).mean() < 0.04


def test_joints_without_melting_are_held_back_as_the_middle_was():
    plain = np.array([[100.0], [150.0], [180.0], [220.0]])
    melting = Melting.between(np.array([[100.0], [138.0], [170.0], [218.0]]), plain)

    np.testing.assert_allclose(melting.hold_back(np.array([[[120.0, 165.0, 300.0]]]))[0, 0], [115.2, 154.0, 298.0])
