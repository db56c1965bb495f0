"""The live estimate: its bands, its states and what it refuses to know."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.heat.estimate import HeatEstimator as Estimator
from monitor.heat.estimate import joint_state
from monitor.heat.types import Band, BoardSetup, JointState, PartSetup, Protection, RegionSetup
from monitor.heat.uncertainty import Knowledge, draw_scores, prior
from tests.heat.cases import QUICK, hold, jet_at, job, rectangle

LIQUIDUS_C = 220.0  # SAC305, public alloy tables
CALIBRATED = Knowledge(prior().mean, prior().cov, True, "calibrated")


def HeatEstimator(setup):
    """On a coarse grid: nothing here hangs on it."""
    return Estimator(setup, fineness=QUICK)


def warm(seconds=6.0, setup=None, **jet):
    return hold(HeatEstimator(setup or job()), seconds, **jet)


def test_every_estimate_lies_in_its_band():
    reading = warm()

    for bands in (reading.temp_c, reading.power_w, reading.energy_j):
        assert all(b.low <= b.mid <= b.high for b in bands.values())


def test_all_promised_sites_are_there():
    assert set(warm(0.3).temp_c) == {"package top", "joint centre", "joint corner", "board top", "underside", "J1"}


def test_package_top_is_hotter_than_the_joints_under_it():
    temps = warm().temp_c

    assert temps["package top"].mid > temps["joint centre"].mid >= temps["joint corner"].mid > temps["underside"].mid


def test_lower_nozzle_heats_more():
    assert warm(height_mm=12.0).temp_c["joint centre"].mid > warm(height_mm=40.0).temp_c["joint centre"].mid


def test_band_grows_with_the_error_of_the_height():
    sure, unsure = (warm(height_mm=30.0, height_sigma_mm=s).temp_c["joint centre"] for s in (0.5, 6.0))

    assert unsure.high - unsure.low > sure.high - sure.low


def test_uncalibrated_band_is_about_as_wide_as_the_sensitivities_say():
    joint = warm(60.0, height_sigma_mm=2.0, aim_sigma_mm=1.5).temp_c["joint centre"]

    sigma = (joint.high - joint.low) / 2 / 1.645
    assert 18 < sigma < 36  # 26-30 K with 2 mm height and 1-2 mm aim error, from one-at-a-time sensitivities


def test_off_jet_heats_nothing():
    reading = warm(on=False)

    assert reading.temp_c["joint centre"].mid == pytest.approx(23.0, abs=1e-6)


def test_setpoint_at_ambient_heats_nothing():
    reading = warm(setpoint_c=23.0)

    assert reading.temp_c["package top"].high == pytest.approx(23.0, abs=0.1)


def test_energy_is_the_sum_of_power():
    estimator, total = HeatEstimator(job()), 0.0
    for n in range(40):
        reading = estimator.step(jet_at(n / 10, dt_s=0.1))
        total += 0.1 * reading.power_w["U7"].mid

    assert reading.energy_j["U7"].mid == pytest.approx(total, rel=1e-6)


def test_part_takes_no_more_than_the_jet_carries():
    assert 0 < warm().power_w["U7"].high < 268 * 0.75  # 268 W at 40 L/min, 350 C (CoolProp); here 30 L/min


def test_band_grows_while_the_nozzle_is_not_seen():
    estimator = HeatEstimator(job())
    before = hold(estimator, 8.0).temp_c["joint centre"]
    after = hold(estimator, 4.0, observed=False).temp_c["joint centre"]

    assert after.high - after.low > 1.15 * (before.high - before.low)


def test_unseen_nozzle_may_have_stayed_or_left():
    stayed, left, unseen = (HeatEstimator(job()) for _ in range(3))
    for estimator in (stayed, left, unseen):
        hold(estimator, 8.0)
    hot = hold(stayed, 4.0).temp_c["joint centre"].mid
    cold = hold(left, 4.0, on=False).temp_c["joint centre"].mid

    joint = hold(unseen, 4.0, observed=False).temp_c["joint centre"]

    assert joint.low < cold and joint.high > hot


def test_unseen_nozzle_is_said_to_be_unknown():
    estimator = HeatEstimator(job())
    hold(estimator, 1.0)

    reading = hold(estimator, 1.0, observed=False)

    assert not reading.observed and any("not seen" in f for f in reading.flags)


def test_nozzle_never_seen_gives_ambient_and_says_so():
    reading = HeatEstimator(job()).step(replace(jet_at(observed=False), height_m=math.nan, aim_m=(math.nan, math.nan)))

    assert reading.temp_c["joint centre"].mid == pytest.approx(23.0)
    assert any("not seen yet" in f for f in reading.flags)


def test_cold_joints_are_surely_solid():
    assert warm(0.5).joint is JointState.SURELY_SOLID


def test_without_a_thermocouple_nothing_is_called_molten():
    reading = warm(60.0, height_mm=8.0, setpoint_c=480.0)

    assert reading.temp_c["joint corner"].mid > LIQUIDUS_C + 15
    assert reading.joint is JointState.CANNOT_TELL
    assert "thermocouple" in reading.joint_reason and "tears" in reading.joint_reason


def bands(corner, centre=None):
    return {"joint corner": Band(*corner), "joint centre": Band(*(centre or corner))}


def test_calibrated_joints_are_likely_molten_after_the_set_time():
    state, reason = joint_state(bands((240, 250, 260)), 217, 235, 3.5, CALIBRATED)

    assert state is JointState.LIKELY_MOLTEN and "never pull" in reason


def test_calibrated_joints_are_not_called_molten_at_once():
    assert joint_state(bands((240, 250, 260)), 217, 235, 0.5, CALIBRATED)[0] is JointState.CANNOT_TELL


def heated(alloy, heat_s=30.0):
    """The estimate at the end of a hot hold."""
    estimator = HeatEstimator(job(part=replace(job().part, alloy=alloy)))
    hold(estimator, heat_s, height_mm=10.0, setpoint_c=450.0)
    return estimator


def cooled(alloy, seconds, heat_s=30.0):
    """The reading so many seconds after that."""
    return hold(heated(alloy, heat_s), seconds, on=False)


def test_cooling_joints_are_called_solid_later_than_warming_ones():
    estimator = heated("SAC305")
    reading = next(r for _ in range(20) if (r := hold(estimator, 2.0, on=False)).temp_c["joint centre"].high < 217)

    assert reading.temp_c["joint centre"].high > 217 - 30  # tin undercools by 10 to 30 K, handbooks
    assert reading.joint is JointState.CANNOT_TELL and reading.solid_in_s > 0


def test_cold_joints_are_solid_again():
    assert cooled("SAC305", 90.0).joint is JointState.SURELY_SOLID


def test_low_melt_alloy_is_not_called_solid_for_half_a_minute():
    estimator = HeatEstimator(job(part=replace(job().part, alloy="Sn42Bi58")))
    hold(estimator, 5.0, height_mm=10.0)
    warm_c = hold(estimator, 0.1, on=False).temp_c["joint centre"].high
    states = [hold(estimator, 5.0, on=False) for _ in range(12)]

    assert warm_c > 138  # its solidus, public alloy tables
    cold = [r for r in states if r.temp_c["joint centre"].high < 138 - 30]
    # 30 s, common practice
    assert cold[0].joint is JointState.CANNOT_TELL and cold[-1].joint is JointState.SURELY_SOLID


def test_unseen_nozzle_takes_the_molten_state_away():
    state, _ = joint_state(bands((240, 250, 260)), 217, 235, 9.0, CALIBRATED, "the nozzle is not seen")

    assert state is JointState.CANNOT_TELL


def test_upper_bound_decides_about_solid():
    near, far = (joint_state(bands((150, 190, 195), (160, mid, mid + 15)), 217, 235, 0.0, CALIBRATED)[0]
                 for mid in (195, 180))

    assert near is JointState.CANNOT_TELL  # 217 lies within three sigma, 1.8 half-widths of the 90 % band
    assert far is JointState.SURELY_SOLID


def test_forecast_comes_true():
    estimator = HeatEstimator(job())
    hold(estimator, 2.0, height_mm=8.0, setpoint_c=450.0)
    told = hold(estimator, 0.1, height_mm=8.0, setpoint_c=450.0).limit_in_s["package top"]
    waited = 0.0
    while True:
        reading = hold(estimator, 0.1, height_mm=8.0, setpoint_c=450.0)
        waited += 0.1
        if reading.temp_c["package top"].mid > 260.0 or waited > 60:  # J-STD-020 class of this package
            break

    assert told is not None and told.low <= told.mid <= told.high
    assert told.mid == pytest.approx(waited, abs=0.3 + 0.1 * waited)


def test_far_nozzle_never_reaches_a_limit():
    assert set(warm(1.0, height_mm=80.0).limit_in_s.values()) == {None}


def test_limit_already_passed_is_due_now():
    reading = warm(40.0, height_mm=8.0, setpoint_c=480.0)

    assert reading.temp_c["package top"].mid > 260 and reading.limit_in_s["package top"].mid == 0


def test_ramp_is_the_rise_per_second():
    estimator = HeatEstimator(job())
    first = hold(estimator, 2.0).temp_c["joint centre"].mid
    second = estimator.step(jet_at(2.1, dt_s=0.1))

    assert second.ramp_k_s.mid == pytest.approx((second.temp_c["joint centre"].mid - first) / 0.1, rel=1e-6)


def test_every_site_has_a_smoothed_ramp():
    estimator = HeatEstimator(job())
    hold(estimator, 4.0)
    early = hold(estimator, 0.1).temp_c
    late = hold(estimator, 3.0)

    assert set(late.ramps_k_s) == set(late.temp_c)
    mean = (late.temp_c["board top"].mid - early["board top"].mid) / 3.0
    assert 0.5 * mean < late.ramps_k_s["board top"].mid < mean  # a rise that slows down ends below its mean


def test_smoothed_ramp_swings_less_than_a_sweep():
    estimator, raw, smooth = HeatEstimator(job()), [], []
    for n in range(400):
        reading = estimator.step(jet_at(n / 20, aim_mm=(6 * math.sin(n / 3), 0.0), dt_s=0.05))
        raw.append(reading.ramp_k_s.mid)
        smooth.append(reading.ramps_k_s["joint centre"].mid)

    assert np.ptp(smooth[360:]) < 0.5 * np.ptp(raw[360:])


def on_old_solder(alloy, before):
    part = job().part
    return job(part=replace(part, alloy=alloy, alloy_before=before))


def test_mixed_solder_is_warned_of_and_never_surely_solid_above_its_low_melt():
    setup = on_old_solder("Sn42Bi58", "Sn63Pb37")

    reading = warm(4.0, setup)

    assert any("96 C" in flag for flag in reading.flags)  # Bi46Sn34Pb20, public alloy table
    assert reading.temp_c["joint centre"].high > 96 and reading.joint is JointState.CANNOT_TELL


def test_neighbours_are_soldered_with_what_was_there_before():
    setup = on_old_solder("SAC305", "Sn63Pb37")
    kept = replace(setup.neighbours[0], keep_solid=True)

    assert HeatEstimator(replace(setup, neighbours=(kept,))).limits["J1"].value_c == 183  # public alloy tables


def test_neighbour_that_may_melt_is_limited_by_its_own_class_and_cautioned():
    estimator = HeatEstimator(job())
    over_it = hold(estimator, 30.0, height_mm=10.0, aim_mm=(15.0, 0.0), setpoint_c=480.0)

    assert estimator.limits["J1"].value_c == 260  # J-STD-020 lead-free class of 2 mm and 80 mm3
    assert over_it.temp_c["J1"].mid > 217 and any("J1" in f and "do not touch" in f for f in over_it.flags)


def test_limit_of_the_underside_is_the_jobs():
    assert HeatEstimator(job(underside_limit_c=150.0)).limits["underside"].value_c == 150


def test_part_on_the_underside_follows_the_underside():
    under = RegionSetup("C3", rectangle(0, 0, 4, 4), 1e-3, 150.0, is_below=True)
    over = RegionSetup("C4", rectangle(0, 8, 4, 4), 1e-3, 150.0)

    temps = warm(20.0, job(neighbours=(under, over)))

    assert temps.temp_c["C3"].mid == pytest.approx(temps.temp_c["underside"].mid, abs=3.0)
    assert 0 < temps.power_w["C3"].mid < 0.5 * temps.power_w["C4"].mid


def test_time_above_liquidus_counts_only_above():
    estimator = HeatEstimator(job())
    assert hold(estimator, 1.0).above_liquidus_s == 0
    hold(estimator, 60.0, height_mm=8.0, setpoint_c=480.0)
    assert estimator.step(jet_at(62.0)).above_liquidus_s > 1.0


def test_time_above_liquidus_has_a_band_that_holds_none_and_longer():
    reading = warm(25.0, height_mm=10.0, setpoint_c=400.0)

    b = reading.above_liquidus_band_s
    assert b.mid == reading.above_liquidus_s and b.low == 0.0 and b.high > b.mid + 2.0


@pytest.mark.parametrize("angle_deg", [0, 20, 45, 80])
def test_turning_the_bench_changes_nothing(angle_deg):
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    turn = lambda p: (c * p[0] - s * p[1], s * p[0] + c * p[1])
    region = lambda name, *r: RegionSetup(name, tuple(turn(p) for p in rectangle(*r)), 0.9e-3)
    setup = job(board=BoardSetup(1.6e-3), part=PartSetup(region("U7", 0, 0, 9, 9)),
                neighbours=(region("J1", 15, 0, 5, 8),))

    temps = warm(3.0, setup, aim_mm=turn((3.0, 0.0)), tilt_rad=0.3, azimuth_rad=math.radians(angle_deg)).temp_c

    expected = warm(3.0, job(board=BoardSetup(1.6e-3), part=PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9), 0.9e-3)),
                             neighbours=(RegionSetup("J1", rectangle(15, 0, 5, 8), 0.9e-3),)),
                    aim_mm=(3.0, 0.0), tilt_rad=0.3).temp_c
    for name, b in expected.items():
        assert temps[name].mid == pytest.approx(b.mid, abs=2.0)


def test_map_is_hottest_at_the_aim():
    estimator = HeatEstimator(job())
    hold(estimator, 4.0, aim_mm=(-12.0, 8.0))

    x, y, temp = estimator.field()

    j, i = np.unravel_index(np.nanargmax(temp), temp.shape)
    assert (1e3 * x[i], 1e3 * y[j]) == pytest.approx((-12.0, 8.0), abs=3.0)


def test_map_knows_where_the_board_ends():
    x, y, temp = HeatEstimator(job()).field()

    assert temp.shape == (y.size, x.size)
    assert (x[0], x[-1], y[0], y[-1]) == pytest.approx((-40e-3, 40e-3, -30e-3, 30e-3), abs=1.1e-3)


def test_unknown_board_size_is_flagged():
    assert any("board size not given" in f for f in warm(0.2, job(board=BoardSetup(1.6e-3))).flags)


def test_part_off_the_board_is_refused():
    with pytest.raises(InputError, match="U7"):
        HeatEstimator(job(part=PartSetup(RegionSetup("U7", rectangle(39, 0, 9, 9)))))


def test_unknown_protection_is_refused():
    with pytest.raises(InputError, match="blanket"):
        HeatEstimator(job(protections=(Protection("blanket"),)))


def test_members_have_exact_mean_and_covariance():
    scores = draw_scores(12, 33)[:, 1:]

    np.testing.assert_allclose(scores.mean(axis=1), 0, atol=1e-9)
    np.testing.assert_allclose(scores @ scores.T / 32, np.eye(12), atol=1e-9)


@pytest.mark.parametrize("change", [{"aim_m": (math.nan, math.nan)}, {"height_m": math.nan}, {"tilt_rad": math.nan}])
def test_jet_that_does_not_meet_the_board_heats_nothing(change):
    reading = HeatEstimator(job()).step(replace(jet_at(dt_s=0.1), **change))

    assert reading.temp_c["joint centre"].mid == pytest.approx(23.0)


def test_unknown_spread_of_the_height_is_taken_as_large():
    known, unknown = (warm(2.0, height_mm=30.0, height_sigma_mm=s).temp_c["joint centre"] for s in (1.0, math.nan))

    assert unknown.high - unknown.low > known.high - known.low


def test_first_frame_without_duration_is_harmless():
    reading = HeatEstimator(job()).step(jet_at(dt_s=0.0))

    assert reading.temp_c["joint centre"].mid == pytest.approx(23.0)
    assert math.isnan(reading.ramp_k_s.mid)


def test_long_pause_is_stepped_through():
    estimator = HeatEstimator(job())
    hold(estimator, 5.0)

    reading = estimator.step(jet_at(120.0, dt_s=60.0, on=False))

    assert 23.0 < reading.temp_c["joint centre"].mid < 90.0


def test_silicon_at_risk_is_flagged():
    reading = warm(60.0, height_mm=8.0, setpoint_c=600.0)

    assert reading.temp_c["package top"].high > 400  # silicon at risk near 400 C: common practice, no source
    assert any("silicon" in f for f in reading.flags)
