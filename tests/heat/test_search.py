"""Which setting a plan begins with, and what it tries; expected values by hand."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.heat.part import PartShape
from monitor.heat.uncertainty import PARAMETERS, prior
from monitor.plan.course import COARSE, Ensemble, judged_names
from monitor.plan.search import PlanLimits, SettingMap, height_nodes, sweep_axes, usual
from tests.heat.cases import job

SETPOINTS_C, HEIGHTS_M = np.array([320.0, 420.0]), np.array([10e-3, 25e-3])


def best(chance, middle_k=((0.0, 0.0), (0.0, 0.0)), melt_s=((30.0, 30.0), (30.0, 30.0))):
    """Setpoint and height to begin with."""
    i, j = SettingMap(SETPOINTS_C, HEIGHTS_M, (2e-3, 2e-3), *map(np.array, (chance, middle_k, melt_s))).best()
    return SETPOINTS_C[i], HEIGHTS_M[j]


@pytest.mark.parametrize(("setpoint_c", "height_m", "melt_s", "cost"), [
    (300.0, 5e-3, 12.0, 0.0), (400.0, 15e-3, np.inf, 0.0),  # the ends of what people use
    (410.0, 10e-3, 30.0, 0.2), (250.0, 10e-3, 30.0, 1.0), (350.0, 20e-3, 30.0, 1.0), (350.0, 4e-3, 30.0, 0.2),
    (350.0, 10e-3, 6.0, 0.5), (350.0, 10e-3, 0.0, 1.0), (410.0, 20e-3, 6.0, 1.7),
])
def test_a_setting_is_the_more_unusual_the_further_it_lies_from_what_people_use(setpoint_c, height_m, melt_s, cost):
    assert usual(setpoint_c, height_m, melt_s) == pytest.approx(cost)


def test_a_usual_setting_wins_among_those_as_good_as_the_best():
    assert best([[0.91, 0.2], [0.93, 0.95]]) == (320.0, 10e-3)


def test_a_better_chance_wins_over_a_usual_setting():
    assert best([[0.89, 0.2], [0.8, 0.95]]) == (420.0, 25e-3)


def test_of_two_usual_settings_the_likelier_wins():
    assert best([[0.91, 0.95], [0.1, 0.1]], melt_s=[[6.0, 30.0], [30.0, 30.0]]) == (320.0, 10e-3)  # 25 mm cost 2
    assert best([[0.1, 0.91], [0.1, 0.95]]) == (320.0, 25e-3)  # 420 C cost 0.4 more


def test_where_nothing_is_likely_the_middle_estimate_decides():
    assert best([[0.04, 0.0], [0.0, 0.0]], middle_k=[[-9.0, -8.0], [-2.0, -5.0]]) == (420.0, 10e-3)


def test_a_sweep_is_a_share_of_half_the_part_and_never_less_than_a_millimetre():
    assert sweep_axes(PartShape((0.0, 0.0), 0.0, 8e-3, 3e-3, 1e-3), 0.5) == (2e-3, 1e-3)


@pytest.mark.parametrize(("heights_m", "nodes_m"), [((6e-3, 20e-3), (6e-3, 13e-3, 20e-3)), ((8e-3, 10e-3), (9e-3,))])
def test_heights_are_run_at_both_ends_and_the_middle_or_at_the_middle_of_a_narrow_range(heights_m, nodes_m):
    setup, sweeps = job(neighbours=()), ((2e-3, 2e-3), (4e-3, 4e-3))
    ensemble = Ensemble(np.zeros((len(PARAMETERS) + 3 + len(judged_names(setup)), 1)), prior())

    found = height_nodes(setup, PlanLimits(heights_m, (300.0, 400.0), 10.0), ensemble, sweeps, COARSE, lambda _: None)

    stages = [[surface.way.stages[0] for surface in of_sweep] for of_sweep in found]
    assert [tuple(s.sweep_m for s in row) for row in stages] == [(sweep,) * len(nodes_m) for sweep in sweeps]
    assert all([s.height_m for s in row] == pytest.approx(nodes_m) for row in stages)
    assert {surface.way.setpoint_c for row in found for surface in row} == {350.0}
