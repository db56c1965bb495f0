"""The pieces of the thermocouple fit, on a made run whose readings are linear in the scores."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.heat import fit
from monitor.heat.chain import Fineness
from monitor.heat.uncertainty import PARAMETERS
from tests.heat.cases import jet_at, job

SITES = ("joint centre", "underside")
TIMES = np.concatenate([np.arange(0, 40, 0.25), np.arange(40, 90.01, 0.5)])


def made_run(scores=(0.0, 0.0, 0.0)):
    """Two beads that rise and fall, and three scores that act on them in three ways."""
    t = TIMES[:, None]
    base = 25 + np.array([180.0, 90.0]) * np.exp(-((t - np.array([48.0, 55.0])) / 21) ** 2)
    slopes = np.stack([0.1 * (base - 25), 12 * np.sin(t / 9 + np.array([0.0, 0.7])), 0.08 * t + 0 * base], axis=2)
    return TIMES, base + slopes @ np.asarray(scores), slopes


def log_at(t, run):
    return np.stack([np.interp(t, run[0], row) for row in run[1].T], axis=1)


TRUE = np.array([0.6, -0.9, 0.4])
LOG_T = np.arange(3.0, 86.0, 0.5)
LOG_C = log_at(LOG_T + 2.0, made_run(TRUE))  # the log's clock is 2 s late
LOG = fit._Log(LOG_T, LOG_C)


def test_values_at_other_times_lie_on_lines_between():
    run = made_run()
    at = np.array([0.0, 0.1, 39.9, 40.2, 89.9, 90.0, 200.0, -5.0])

    np.testing.assert_allclose(fit._at(at, TIMES, run[1]), log_at(at, run))
    for s in range(3):
        np.testing.assert_allclose(fit._at(at, TIMES, run[2])[..., s], log_at(at, (TIMES, run[2][..., s])))


def test_readings_are_averaged_in_bins_of_five_seconds_within_the_recording():
    t = np.array([-0.1, 0.0, 2.0, 4.9, 5.0, 9.0, 21.0, 22.0, 90.0, 90.1])
    bins_s, bins_c = fit._bins(fit._Log(t, np.stack([t, 2 * t], axis=1)), 0.0, TIMES)

    np.testing.assert_allclose(bins_s, [6.9 / 3, 7.0, 21.5, 90.0])
    np.testing.assert_allclose(bins_c, np.stack([bins_s, 2 * bins_s], axis=1))


def test_misses_and_their_slopes_are_in_units_of_the_scatter():
    run, state = made_run(), fit._State(np.zeros(3), 2.0, 4.0)
    miss, j = fit._residual(run, state, LOG)
    bin_t, bin_c = fit._bins(LOG, 2.0, TIMES)

    np.testing.assert_allclose(4.0 * miss, (bin_c - log_at(bin_t, run)).ravel())
    for s in range(3):
        np.testing.assert_allclose(4.0 * j[:, s], log_at(bin_t, (TIMES, run[2][..., s])).ravel())
    speed = (log_at(bin_t + 0.5, run) - log_at(bin_t - 0.5, run)).ravel()
    np.testing.assert_allclose(4.0 * j[:, 3], speed, atol=0.15)  # of up to 7 K/s


def test_offset_is_found_where_the_linear_fit_is_best():
    assert fit._find_offset(*made_run(), LOG) == 2.0
    assert fit._find_offset(*made_run(), fit._Log(LOG_T + 41.5, LOG_C)) == -39.5


@pytest.mark.parametrize("offset_s", [-60.0, 60.0])
def test_offset_is_sought_up_to_a_minute_both_ways(offset_s):
    assert fit._find_offset(*made_run(), fit._Log(LOG_T + 2.0 - offset_s, LOG_C)) == offset_s


def test_log_of_another_time_is_refused():
    with pytest.raises(InputError, match="does not overlap"):
        fit._find_offset(*made_run(), fit._Log(LOG_T + 500.0, LOG_C))


@pytest.mark.parametrize("n_bins, is_enough", [(6, True), (5, False)])
def test_six_bins_are_enough_to_match_the_clocks(n_bins, is_enough):
    t = 5.0 * np.arange(n_bins)  # one reading a bin, and all of them within the recording at no offset only
    run = np.array([0.0, t[-1]]), np.array([[25.0], [25.0 + t[-1]]]), np.ones((2, 1, 1))

    if is_enough:
        assert fit._find_offset(*run, fit._Log(t, 25.0 + t[:, None])) == 0.0
    else:
        with pytest.raises(InputError, match="does not overlap"):
            fit._find_offset(*run, fit._Log(t, 25.0 + t[:, None]))


def ridge(miss, j, scores):
    """The step to the least squares of misses, scores and offset: rows of a prior below the data's."""
    prior = np.diag([1.0, 1.0, 1.0, 1 / 60.0])
    rows, right = np.vstack([j, prior]), np.r_[miss, -scores, 0.0]
    return np.linalg.lstsq(rows, right, rcond=None)[0]


def test_undamped_step_is_that_of_least_squares_with_the_prior():
    scores = np.array([0.3, -0.5, 0.2])
    run, state = made_run(scores), fit._State(scores, 1.5, 4.0)
    better, size = fit._improved(run, state, 0.0, LOG)
    step = ridge(*fit._residual(run, state, LOG), scores)

    assert abs(step).max() < 1  # within what one step may go
    np.testing.assert_allclose(better.scores - scores, step[:3], rtol=1e-8)
    assert better.offset_s - 1.5 == pytest.approx(step[3], rel=1e-8) and size == pytest.approx(abs(step).max())


def test_damped_step_is_shorter_along_every_axis():
    run, state = made_run(), fit._State(np.zeros(3), 2.0, 4.0)
    miss, j = fit._residual(run, state, LOG)
    rows = np.vstack([j, np.diag([1, 1, 1, 1 / 60])])
    heavy = np.vstack([rows, np.diag(np.sqrt(2.5 * (rows**2).sum(axis=0)))])
    better, _ = fit._improved(run, state, 2.5, LOG)

    step = np.linalg.lstsq(heavy, np.r_[miss, np.zeros(8)], rcond=None)[0]
    np.testing.assert_allclose(np.r_[better.scores, better.offset_s - 2.0], step, rtol=1e-8)


def test_one_step_goes_no_further_than_a_score_and_three_seconds():
    run = made_run()
    log = log_at(LOG_T, made_run((9, -9, 9)))
    better, size = fit._improved(run, fit._State(np.zeros(3), 20.0, 1.0), 0.0, fit._Log(LOG_T, log))

    assert abs(better.scores).max() == 1.0 and abs(better.offset_s - 20.0) <= 3.0 and size <= 3.0


def test_cost_is_the_mean_of_squares_with_the_prior():
    scores = np.array([0.3, -0.5, 0.2])
    run, state = made_run(scores), fit._State(scores, 1.5, 4.0)
    miss, _ = fit._residual(run, state, LOG)

    assert fit._cost(run, state, LOG) == pytest.approx((sum(miss**2) + 0.09 + 0.25 + 0.04) / miss.size)
    assert fit._rms(run, state, LOG) == pytest.approx(4.0 * np.sqrt(np.mean(miss**2)))


def test_spread_is_the_inverse_of_what_data_and_prior_know():
    run, state = made_run(), fit._State(np.zeros(3), 2.0, 4.0)
    posterior, whitened, offset_sigma = fit._spread(run, state, LOG)
    _, j = fit._residual(run, state, LOG)

    root = np.linalg.qr(np.vstack([j, np.diag([1, 1, 1, 1 / 60])]), mode="r")
    cov = np.linalg.inv(root) @ np.linalg.inv(root).T
    np.testing.assert_allclose(posterior, cov[:3, :3], rtol=1e-9)
    np.testing.assert_array_equal(whitened, j[:, :3])
    assert offset_sigma == pytest.approx(np.sqrt(cov[3, 3]))


def simulated(scores, steps):
    return fit._simulate(job(), steps, np.array(scores), ("underside", "J1"))


def test_slopes_of_the_chain_are_differences_over_a_quarter_of_a_score(monkeypatch):
    coarse = Fineness(part_cells=3, smallest_m=1.5e-3, coarsest_m=20e-3, neighbour_m=5e-3, growth=1.0, board_levels=2,
                      package_levels=1, shrink=1.2)
    monkeypatch.setattr("monitor.heat.chain.Fineness", lambda: coarse)
    steps = [jet_at(2.0 + 0.5 * n, 9.0 + n, (1.0, 2.0), dt_s=0.5, on=n < 4) for n in range(6)]
    scores = np.random.default_rng(2).normal(0, 0.5, 13)
    times, temps, slopes = simulated(scores, steps)

    np.testing.assert_allclose(times, 1.5 + 0.5 * np.arange(7))
    assert temps.shape == (7, 2) and slopes.shape == (7, 2, 13)
    for k in (0, 1, 6, 8, 9, 10):
        up, down = (simulated(scores + way * 0.25 * np.eye(13)[k], steps)[1] for way in (1, -1))
        np.testing.assert_allclose(slopes[..., k], (up - down) / 0.5, atol=1e-9)
    plain = simulated(np.r_[scores[:11], 0.0, 0.0], steps)[1]
    read = (1 + 0.02 * scores[11:]) * (plain - 23.0)  # each bead reads a share too much or too little
    np.testing.assert_allclose(temps - 23.0, read, atol=1e-9)
    np.testing.assert_allclose(slopes[..., 11:], 0.02 * (plain - 23.0)[..., None] * np.eye(2), atol=1e-9)


def converged(monkeypatch, log, start, simulate=None):
    calls = []
    monkeypatch.setattr(fit, "_simulate", simulate or (lambda setup, steps, scores, sites: (
        calls.append(scores), made_run(scores))[1]))
    first = fit._State(np.array(start), 2.0)
    run, state = fit._converged(None, [], SITES, made_run(start), first, fit._Log(LOG_T, log))
    return run, state, calls


def test_steps_lead_to_the_scores_that_are_true(monkeypatch):
    run, state, calls = converged(monkeypatch, LOG_C, (0.0, 0.0, 0.0))

    np.testing.assert_allclose(state.scores, TRUE, atol=0.15)  # the prior pulls a little
    assert state.sigma_k == 2.5 and state.offset_s == pytest.approx(2.0, abs=0.3)  # the least scatter
    np.testing.assert_array_equal(run[1], made_run(state.scores)[1])
    assert 2 <= len(calls) <= 6


def test_scatter_of_the_bins_is_learned(monkeypatch):
    rough = LOG_C + 8.0 * np.sign(np.sin(LOG_T * 2 * np.pi / 20))[:, None]
    run, state, _ = converged(monkeypatch, rough, (0.0, 0.0, 0.0))
    bin_t, bin_c = fit._bins(fit._Log(LOG_T, rough), state.offset_s, TIMES)

    assert state.sigma_k == pytest.approx(np.sqrt(np.mean((bin_c - log_at(bin_t, run)) ** 2))) and state.sigma_k > 5.0


def test_step_that_makes_it_worse_is_not_taken(monkeypatch):
    worse = lambda setup, steps, scores, sites: (TIMES, made_run()[1] + 300.0, made_run()[2])
    run, state, _ = converged(monkeypatch, LOG_C, (0.0, 0.0, 0.0), worse)

    np.testing.assert_array_equal(state.scores, 0.0)
    np.testing.assert_array_equal(run[1], made_run()[1])


def test_hopeless_fit_is_given_up_after_a_few_steps(monkeypatch):
    calls = []

    def simulate(setup, steps, scores, sites):
        calls.append(scores)
        return made_run(scores)

    converged(monkeypatch, LOG_C + 200.0 * np.sign(np.sin(LOG_T))[:, None] * [1, -1] + 100, (0.0, 0.0, 0.0), simulate)

    assert len(calls) == 4


@pytest.mark.parametrize("rms, singular, sigma_s, says", [
    (15.1, [2.0, 0.5], 1.0, "misses the log by 15 K"), (5.0, [0.99, 0.5], 1.0, "identifies no"),
    (5.0, [2.0, 0.5], 5.1, "cannot be matched")])
def test_run_that_teaches_nothing_is_refused(rms, singular, sigma_s, says):
    with pytest.raises(InputError, match=says):
        fit._refuse(rms, np.array(singular), sigma_s)


def test_run_at_every_limit_is_taken():
    fit._refuse(15.0, np.array([1.0, 0.5]), 5.0)


def run_of(observed, dt_s=1.0):
    return [jet_at(float(n) * dt_s, dt_s=dt_s, observed=seen) for n, seen in enumerate(observed)]


def checked(t_s=None, temp=None, inputs=None, sites=("joint centre",)):
    t_s = np.array([0.0, 10.0, 30.0]) if t_s is None else np.array(t_s)
    temp = np.array([25.0, 65.0, 40.0]) if temp is None else np.array(temp)
    return fit._checked(job(), run_of([True] * 31) if inputs is None else inputs, t_s, temp, sites)


def test_log_at_every_limit_is_taken():
    # a rise of 40 K, 30 s of log and recording, unseen for a fifth of the time
    t_s, temp = checked(inputs=run_of([True] * 28 + [False] * 7))

    assert temp.shape == (3, 1) and t_s.tolist() == [0.0, 10.0, 30.0]


def test_two_readings_are_a_log():
    assert checked([0.0, 30.0], [25.0, 65.0])[1].size == 2


@pytest.mark.parametrize("changed, says", [
    ({"temp": [25.0, 64.9, 40.0]}, "rises only"), ({"t_s": [0.0, 10.0, 29.9]}, "shorter than 30 s"),
    ({"inputs": run_of([True] * 30)}, "shorter than 30 s"), ({"inputs": []}, "never seen"),
    ({"inputs": run_of([False] * 31)}, "never seen"),
    ({"inputs": run_of([True] * 27 + [False] * 7)}, "unseen for 21 %"), ({"t_s": [0.0, 0.0, 30.0]}, "row 2"),
    ({"t_s": [0.0, 30.0]}, "expected times"), ({"t_s": [5.0], "temp": [25.0]}, "expected times"),
    ({"t_s": [0.0, 10.0, np.nan]}, "finite"), ({"sites": ("joint centre", "underside")}, "2 columns")])
def test_log_beyond_a_limit_is_refused(changed, says):
    with pytest.raises(InputError, match=says):
        checked(**changed)


def test_unseen_time_of_a_tool_led_away_does_not_count():
    inputs = run_of([True] * 31 + [False] * 20)

    assert checked(inputs=[replace(i, on=i.observed) for i in inputs])[1].size == 3


def test_recording_is_joined_to_steps_of_a_quarter_of_a_second():
    inputs = [jet_at(n / 16, 10.0 + n, dt_s=1 / 16, on=n < 6) for n in range(1, 13)]
    steps = fit._steps(inputs)

    assert [16 * s.dt_s for s in steps] == [4, 1, 4, 3] and [s.on for s in steps] == [True, True, False, False]
    assert [16 * s.t_s for s in steps] == [4, 5, 9, 12]
    assert steps[0].height_m == pytest.approx(12.5e-3)


def test_unseen_spell_keeps_the_last_sight_and_before_the_first_nothing_is_on():
    lost = {"dt_s": 0.25, "height_mm": 99.0, "observed": False}
    steps = fit._steps([jet_at(0.25, **lost), jet_at(0.5, 12.0, dt_s=0.25), jet_at(0.75, **lost),
                        jet_at(1.0, on=False, **lost)])

    assert [s.on for s in steps] == [False, True, True, False]
    assert [s.height_m for s in steps][1:3] == [12e-3, 12e-3] and [s.t_s for s in steps] == [0.25, 0.5, 0.75, 1.0]


def test_combination_is_told_by_its_largest_parts():
    direction = np.zeros(len(PARAMETERS) + 5)
    direction[[1, 8, 12, 3]] = -0.7, 0.5, 0.4, 0.3

    assert fit._in_words(direction, SITES) == f"+0.70 {PARAMETERS[1]}, -0.50 height, -0.40 bead at underside"
    direction[[8, 12, 3]] = 0.2, 0.0, 0.1
    assert fit._in_words(direction, SITES) == f"+0.70 {PARAMETERS[1]}"


def result(heights_mm, rms=4.0, singular=(3.0, 1.0, 0.2), sigmas=(0.5, 0.9, 0.95)):
    n = len(PARAMETERS) + 5
    inputs = [jet_at(float(i), h, observed=h < 90, on=h < 80) for i, h in enumerate(heights_mm)]
    directions = np.eye(n)[[0, 1, 9, *(k for k in range(n) if k not in (0, 1, 9))]]
    posterior = np.diag(np.r_[np.square(sigmas), np.full(n - 3, 0.81)])
    log = np.array([[20.0, 20.0], [170.0, 60.0], [100.0, 50.0]])
    series = np.arange(3.0), log, np.zeros((3, 2)), np.ones((3, 2)), 2.5
    taught = fit._Taught(np.arange(float(n)), posterior, np.array(singular), directions, 1.5, 0.25, rms)
    return fit._result(job(), inputs, SITES, taught, series)


def test_result_keeps_the_parameters_and_leaves_the_runs_own_errors():
    found = result(np.linspace(10.0, 30.0, 21))
    k = found.calibration.knowledge

    np.testing.assert_array_equal(k.mean, np.arange(8.0))
    np.testing.assert_allclose(np.diag(k.cov), [0.25, 0.81, 0.9025, *[0.81] * 5])
    assert k.is_calibrated and k.form_share == pytest.approx(4.0 / 150.0)  # over the largest rise of the log
    assert result([10.0, 30.0], rms=1.0).calibration.knowledge.form_share == 0.015
    assert k.height_range_m == found.calibration.height_range_m == pytest.approx((11e-3, 29e-3))  # 5 to 95 %


def test_heights_are_those_at_which_the_jet_was_seen_and_on():
    found = result([*np.linspace(10.0, 30.0, 21), 85.0, 95.0])

    assert found.calibration.height_range_m == pytest.approx((11e-3, 29e-3))


def test_report_tells_what_is_identified_and_what_stays_at_the_prior():
    report = result(np.linspace(10.0, 30.0, 21)).report
    said = SimpleNamespace(**{key: [line for line in report if line.startswith(words)] for key, words in (
        ("found", "identified"), ("blind", "not identified"), ("kept", "kept"), ("one", "one height"))})

    assert said.found == [f"identified: +1.00 {PARAMETERS[0]}"]  # at one a run is not identified
    assert said.blind == [f"not identified: +1.00 {name}" for name in PARAMETERS[1:]]
    assert said.kept == [f"kept at the prior: {PARAMETERS[2]}"] and not said.one


@pytest.mark.parametrize("high_mm, is_told", [(14.9, True), (15.1, False)])
def test_run_at_one_height_is_told(high_mm, is_told):
    report = result([10.0] * 50 + [high_mm] * 50).report

    assert any("one height only" in line for line in report) is is_told
