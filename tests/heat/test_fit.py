"""The thermocouple fit: finds what a run can teach, keeps the rest at its prior, and refuses what it cannot use."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from unittest import mock

import numpy as np
import pytest

from monitor.errors import EnvironmentFault, InputError
from monitor.heat.calibration import load_calibration, save_calibration
from monitor.heat.chain import Chain
from monitor.heat.estimate import HeatEstimator, member_blow
from monitor.heat.fit import fit_thermocouple
from monitor.heat.types import JointState, Layer, StationSetup
from monitor.heat.uncertainty import PARAMETERS, parameters
from tests.heat.cases import QUICK, hold, jet_at, job

OFFSET_S = -7.3
HOT = job(station=StationSetup(420.0, 30 / 60000, bore_m=6.8e-3))


@pytest.fixture(scope="module", autouse=True)
def _coarse_grid():
    """What a run teaches does not hang on the grid; on the one that ships test_calibrate_heat fits."""
    with mock.patch("monitor.heat.chain.Fineness", return_value=QUICK):
        yield


def run_inputs(heights_mm=(9.0, 24.0), each_s=45.0, cooling_s=30.0):
    """A recording that holds each height in turn and then lifts off."""
    heated = each_s * len(heights_mm)
    times = np.arange(0.2, heated + cooling_s, 0.2)
    return [jet_at(float(t), heights_mm[min(int(t // each_s), len(heights_mm) - 1)], dt_s=0.2, on=bool(t < heated))
            for t in times]


def log_of(setup, inputs, scores, seed=1, noise_k=2.0, fields=("joint_centre",)):
    """What beads at such sites would log if the scores were true, on a clock that is off."""
    chain = Chain(setup, parameters(np.array(scores, float)[:8, None]))
    rows = []
    for item in inputs:
        if item.on:
            chain.blow(member_blow(item, setup, np.array(scores, float)[8:, None]), item.dt_s)
        else:
            chain.rest(item.dt_s)
        rows.append([float(getattr(chain.sites(), field)[0]) for field in fields])
    times, temps = np.array([i.t_s for i in inputs])[::5], np.array(rows)[::5]
    return times - OFFSET_S, temps + np.random.default_rng(seed).normal(0, noise_k, temps.shape)


TRUTH = (-0.6, 0.8, 0.7, -0.9, 0.9, 0.4, -0.5, 0.6, 0.3, 0.2, -0.4)


@cache
def two_heights():
    inputs = run_inputs()
    return fit_thermocouple(HOT, inputs, *log_of(HOT, inputs, TRUTH))


def test_clock_offset_is_found():
    fit = two_heights()

    assert fit.offset_s == pytest.approx(OFFSET_S, abs=3 * fit.offset_sigma_s)


def test_residual_is_as_small_as_the_noise():
    assert two_heights().calibration.rms_k < 2.5  # 2 K of noise, averaged over 5 s


def test_truth_lies_within_the_posterior():
    k = two_heights().calibration.knowledge
    miss = np.array(TRUTH[:len(PARAMETERS)]) - k.mean

    assert miss @ np.linalg.solve(k.cov, miss) < 20.1  # chi-square, 8 degrees of freedom, 99 %


def test_posterior_is_never_wider_than_the_prior():
    assert np.linalg.eigvalsh(two_heights().calibration.knowledge.cov).max() <= 1 + 1e-9


def test_run_identifies_several_combinations_but_not_all():
    assert 2 <= len(two_heights().calibration.identified) < len(PARAMETERS)


def test_report_names_what_stays_at_its_prior():
    assert any("kept at the prior" in line for line in two_heights().report)


@cache
def two_beads():
    inputs = run_inputs()
    log = log_of(HOT, inputs, TRUTH, fields=("joint_centre", "underside"))
    return fit_thermocouple(HOT, inputs, *log, site=("joint centre", "underside"))


def test_bead_under_the_board_teaches_more_of_it():
    one, two = (fit.calibration.knowledge.cov for fit in (two_heights(), two_beads()))

    assert np.linalg.slogdet(two)[1] < np.linalg.slogdet(one)[1] - 0.5  # the posterior's volume is smaller
    miss = np.array(TRUTH[:len(PARAMETERS)]) - two_beads().calibration.knowledge.mean
    assert miss @ np.linalg.solve(two, miss) < 20.1  # chi-square, 8 degrees of freedom, 99 %


def test_beads_taken_for_each_other_are_refused_or_told_by_what_is_left():
    inputs = run_inputs()
    times, temps = log_of(HOT, inputs, TRUTH, fields=("joint_centre", "underside"))

    try:
        swapped = fit_thermocouple(HOT, inputs, times, temps[:, ::-1], site=("joint centre", "underside"))
    except InputError:
        return
    assert swapped.calibration.rms_k > 2 * two_beads().calibration.rms_k


def test_two_beads_at_one_site_are_refused():
    inputs = run_inputs()
    times, temps = log_of(HOT, inputs, TRUTH, fields=("joint_centre", "underside"))

    with pytest.raises(InputError, match="twice"):
        fit_thermocouple(HOT, inputs, times, temps, site=("underside", "underside"))


def test_two_heights_teach_the_decay_better_than_one():
    inputs = run_inputs(heights_mm=(9.0, 9.0))
    one = fit_thermocouple(HOT, inputs, *log_of(HOT, inputs, TRUTH))
    i = PARAMETERS.index("decay")

    assert two_heights().calibration.knowledge.cov[i, i] < 0.8 * one.calibration.knowledge.cov[i, i]
    assert any("one height only" in line for line in one.report)


def test_calibrated_estimate_is_sharper_and_right():
    fit = two_heights()
    before, after = (hold(HeatEstimator(HOT, c), 20.0, height_mm=14.0) for c in (None, fit.calibration))
    chain = Chain(HOT, parameters(np.array(TRUTH)[:8, None]))
    for _ in range(200):
        chain.blow(member_blow(jet_at(height_mm=14.0, dt_s=0.1), HOT, np.zeros((3, 1))), 0.1)
    true = float(chain.sites().joint_centre[0])

    wide, narrow = before.temp_c["joint centre"], after.temp_c["joint centre"]
    assert narrow.high - narrow.low < 0.5 * (wide.high - wide.low)
    assert narrow.low < true < narrow.high


def test_only_a_calibrated_estimate_may_say_molten():
    fit = two_heights()
    readings = [hold(HeatEstimator(HOT, c), 60.0, height_mm=8.0, setpoint_c=480.0, height_sigma_mm=0.5)
                for c in (None, fit.calibration)]

    assert [r.joint for r in readings] == [JointState.CANNOT_TELL, JointState.LIKELY_MOLTEN]


@pytest.mark.parametrize("changed, reason", [
    (replace(HOT, board=replace(HOT.board, thickness_m=0.8e-3)), "board"),
    (replace(HOT, board=replace(HOT.board, layers=(Layer(70e-6, 0.9),))), "layers"),
    (replace(HOT, station=replace(HOT.station, bore_m=4e-3)), "bore"),
    (replace(HOT, station=replace(HOT.station, airflow_m3_s=60 / 60000)), "L/min")])
def test_calibration_is_not_used_where_it_does_not_hold(changed, reason):
    reading = hold(HeatEstimator(changed, two_heights().calibration), 15.0, height_mm=8.0, setpoint_c=480.0)

    assert reading.joint is JointState.SURELY_SOLID or reason in reading.joint_reason
    assert reason in two_heights().calibration.mismatch(changed)


def test_saved_calibration_comes_back_the_same(tmp_path):
    path = tmp_path / "heat.toml"
    calibration = two_heights().calibration

    save_calibration(calibration, path)
    loaded = load_calibration(path)

    np.testing.assert_allclose(loaded.knowledge.cov, calibration.knowledge.cov)
    np.testing.assert_allclose(loaded.knowledge.mean, calibration.knowledge.mean)
    assert loaded.mismatch(HOT) is None and loaded.identified == calibration.identified
    assert [p.name for p in tmp_path.iterdir()] == ["heat.toml"]


def test_calibration_into_a_folder_that_cannot_be_made_is_an_environment_fault(tmp_path):
    (tmp_path / "missing").write_text("a file is in the way")

    with pytest.raises(EnvironmentFault, match="heat.toml"):
        save_calibration(two_heights().calibration, tmp_path / "missing" / "heat.toml")


@pytest.mark.parametrize("text, key", [
    ("", "kind"), ("kind = 'heat calibration'", "scores"), ("kind = [", "TOML"),
    ("kind = 'heat calibration'\n[scores]\nnames = ['x']\n[board]\n[nozzle]\n", "scores.names")])
def test_broken_calibration_file_is_refused(tmp_path, text, key):
    path = tmp_path / "heat.toml"
    path.write_text(text)

    with pytest.raises(InputError, match=key):
        load_calibration(path)


def refused(match, inputs=None, log=None, **more):
    inputs = run_inputs() if inputs is None else inputs
    log = log or (np.arange(0, 120, 1.0), np.linspace(25, 220, 120))
    with pytest.raises(InputError, match=match):
        fit_thermocouple(HOT, inputs, *log, **more)


def test_log_that_hardly_rises_is_refused():
    refused("rises only", log=(np.arange(0, 120, 1.0), np.linspace(25, 45, 120)))


def test_log_that_runs_backwards_is_refused():
    refused("does not grow at row 3", log=(np.array([0, 1.0, 0.5, 2]), np.array([25, 60, 90, 150.0])))


def test_log_with_nan_is_refused():
    refused("finite", log=(np.arange(3.0), np.array([25, np.nan, 90])))


def test_short_run_is_refused():
    refused("shorter than", log=(np.arange(0, 20, 1.0), np.linspace(25, 150, 20)))


def test_run_without_a_nozzle_is_refused():
    refused("never seen", inputs=[replace(i, observed=False) for i in run_inputs()])


def test_run_with_long_blind_spells_is_refused():
    refused("unseen for", inputs=[replace(i, observed=i.t_s > 40) for i in run_inputs()])


def test_unknown_site_is_refused():
    refused("elbow", site="elbow")


def test_log_of_something_else_is_refused():
    t = np.arange(0, 120, 1.0)

    refused("misses the log|cannot be matched", log=(t, 120 + 90 * np.sign(np.sin(t / 4))))
