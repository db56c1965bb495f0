"""The board model against a finite-element reference run, through the scenario runner."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.heat import main, run, run_shipped

REFERENCE = Path(__file__).parents[1] / "data" / "heat" / "reference_a"


@cache
def errors():
    """Largest miss of each probe over its peak rise, on a grid coarser than the runner's own."""
    scenario = json.loads((REFERENCE / "scenario.json").read_text())
    expected = np.loadtxt(REFERENCE / "probes.csv", delimiter=",", skiprows=1)
    rows, model = run(scenario, step_s=0.2, fineness=2.0)
    rise = expected[:, 1:].max(axis=0) - scenario["T_init_C"]
    missed = abs(rows[:, 1:] - expected[:, 1:]).max(axis=0) / rise
    return dict(zip([p["id"] for p in scenario["probes"]], missed, strict=True)), model


@cache
def shipped_errors(which):
    """The same on the grid and with the step of the live estimate."""
    folder = REFERENCE.with_name(f"reference_{which}")
    scenario = json.loads((folder / "scenario.json").read_text())
    expected = np.loadtxt(folder / "probes.csv", delimiter=",", skiprows=1)
    rows, _ = run_shipped(scenario)
    rise = expected[:, 1:].max(axis=0) - scenario["T_init_C"]
    return abs(rows[:, 1:] - expected[:, 1:]).max(axis=0) / rise


@pytest.mark.parametrize("which", ["c", *(pytest.param(w, marks=pytest.mark.slow) for w in "abd")])
def test_shipped_grid_follows_the_finite_elements(which):
    centre, corner, neighbour = shipped_errors(which)[:3]

    assert centre < 0.015 and corner < 0.025 and neighbour < 0.025


@pytest.mark.slow
@pytest.mark.parametrize("probe", ["joint_centre", "neighbour_8mm_top", "underside_centre", "component_top_centre"])
def test_probe_follows_the_finite_elements(probe):
    assert errors()[0][probe] < 0.015


@pytest.mark.slow
def test_corner_joint_follows_the_finite_elements():
    assert errors()[0]["joint_corner"] < 0.025


@pytest.mark.slow
def test_energy_in_is_stored_or_lost_over_the_run():
    work, model = errors()[1].work, errors()[1]

    assert abs(work.gained_j - work.lost_j - model.stored_j())[0] < 1e-3 * work.gained_j[0]


def test_runner_writes_the_columns_of_the_reference(tmp_path):
    scenario = json.loads((REFERENCE / "scenario.json").read_text()) | {"t_end_s": 1.0}
    (tmp_path / "short.json").write_text(json.dumps(scenario))

    assert main([str(tmp_path / "short.json"), str(tmp_path / "out.csv")]) == 0

    header = (REFERENCE / "probes.csv").read_text().splitlines()[0]
    lines = (tmp_path / "out.csv").read_text().splitlines()
    assert lines[0] == header and len(lines) == 4


def test_runner_names_what_a_scenario_lacks(tmp_path, capsys):
    (tmp_path / "bad.json").write_text('{"board": {}}')

    assert main([str(tmp_path / "bad.json"), str(tmp_path / "out.csv")]) == 3
    assert "bad.json" in capsys.readouterr().err and not (tmp_path / "out.csv").exists()


def test_half_the_step_hardly_changes_the_answer():
    scenario = json.loads((REFERENCE / "scenario.json").read_text()) | {"t_end_s": 9.0}

    coarse, fine = (run(scenario, step_s=s, fineness=2.5)[0][:, 1:] for s in (0.1, 0.05))

    assert abs(coarse - fine).max() < 0.5  # backward Euler lags by half a step: 0.025 s more at 30 K/s are 0.8 K


def test_last_of_two_overlapping_patches_counts():
    scenario = json.loads((REFERENCE / "scenario.json").read_text()) | {"t_end_s": 20.0}
    patch = lambda h: {"rect_mm": [20, 40, 10, 30], "h_W_m2K": h}
    ends = []
    for patches in ([patch(900.0), patch(30.0)], [patch(30.0)]):
        loss = scenario["loss"] | {"bottom_patches": patches}
        ends.append(run(scenario | {"loss": loss}, step_s=0.25, fineness=2.5)[0][-1, 1:])

    np.testing.assert_allclose(*ends)
