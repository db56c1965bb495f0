"""Parts of the live estimate, each against what its members and inputs say by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.heat.calibration import Calibration
from monitor.heat.chain import Chain, Fineness
from monitor.heat.estimate import HeatEstimator, joined, joint_state, member_blow
from monitor.heat.melt import MeltLearner, MeltSight
from monitor.heat.types import Band, BoardSetup, JointState, PartSetup, Protection, RegionSetup
from monitor.heat.uncertainty import Knowledge, prior
from tests.heat.cases import hold, jet_at, job, rectangle

TINY = Fineness(part_cells=4, smallest_m=1e-3, coarsest_m=20e-3, neighbour_m=4e-3, growth=1.0, board_levels=2,
                package_levels=1, shrink=1.2)
N = 23  # the fewest members that eight parameters and three inputs allow
CALIBRATED = Knowledge(prior().mean, prior().cov, True, "calibrated", 0.02, (10e-3, 20e-3))


def estimator(setup=None, calibration=None):
    return HeatEstimator(setup or job(), calibration, n_members=N, fineness=TINY)


def calibrated(knowledge=CALIBRATED):
    setup = job()
    layers = tuple((layer.thickness_m, layer.coverage) for layer in setup.board.layers)
    station = setup.station
    return estimator(setup, Calibration(knowledge, setup.board.thickness_m, layers, station.bore_m,
                                        station.airflow_m3_s, knowledge.height_range_m, 3.0, ()))


def test_joined_inputs_are_weighed_by_their_durations():
    first = jet_at(0.1, 10.0, (2.0, -3.0), dt_s=0.1)
    second = jet_at(0.4, 18.0, (6.0, 5.0), dt_s=0.3, tilt_rad=0.2)

    whole = joined([first, second])

    assert (whole.t_s, whole.dt_s, whole.tilt_rad) == pytest.approx((0.4, 0.4, 0.2))
    assert whole.height_m == pytest.approx(16e-3) and whole.aim_m == pytest.approx((5e-3, 3e-3))


def test_inputs_that_miss_the_board_are_not_averaged():
    level = replace(jet_at(0.1, 10.0, dt_s=0.1), azimuth_rad=math.nan)

    assert joined([level, jet_at(0.4, 18.0, dt_s=0.3)]).height_m == pytest.approx(18e-3)
    assert joined([jet_at(0.1, 10.0, dt_s=0.0), jet_at(0.1, 18.0, dt_s=0.0)]).height_m == pytest.approx(18e-3)


def test_members_differ_by_their_own_errors_of_the_jet():
    scores = np.array([[0.0, 1.5], [0.0, -2.0], [0.0, 0.5]])

    blow = member_blow(jet_at(0.0, 12.0, (3.0, -4.0), height_sigma_mm=2.0, aim_sigma_mm=1.2, tilt_rad=0.3,
                              azimuth_rad=0.8, setpoint_c=333.0), job(), scores)

    np.testing.assert_allclose(blow.height_m, [12e-3, 15e-3])
    np.testing.assert_allclose([blow.aim_x_m, blow.aim_y_m], [[3e-3, 0.6e-3], [-4e-3, -3.4e-3]])
    assert (blow.tilt_rad, blow.azimuth_rad, blow.setpoint_c) == (0.3, 0.8, 333.0)
    assert blow.airflow_m3_s == job().station.airflow_m3_s


def test_errors_are_never_smaller_than_a_camera_makes_and_large_where_unknown():
    scores = np.array([[1.0, -30.0], [1.0, 0.0], [1.0, 0.0]])
    sure = member_blow(jet_at(height_sigma_mm=0.1, aim_sigma_mm=0.1), job(), scores)
    unknown = member_blow(jet_at(height_sigma_mm=math.nan, aim_sigma_mm=math.nan), job(), scores)

    np.testing.assert_allclose(sure.height_m, [12.5e-3, 0.2e-3])  # no lower than 0.2 mm
    np.testing.assert_allclose([sure.aim_x_m[0], sure.aim_y_m[0]], 0.5e-3)
    np.testing.assert_allclose([unknown.height_m[0], unknown.aim_x_m[0], unknown.aim_y_m[0]], [17e-3, 5e-3, 5e-3])


def told(corner, centre=None, *, solidus=216.0, mark=236.0, held_s=0.0, knowledge=CALIBRATED, doubt=""):
    temps = {"joint corner": Band(*corner), "joint centre": Band(*(centre or corner))}
    return joint_state(temps, solidus, mark, held_s, knowledge, doubt)


def test_joints_are_solid_only_below_the_solidus_by_three_sigma():
    # 206 + 1.8 * 5 = 215; 207 + 9 = 216, at the solidus itself
    assert told((200, 206, 211))[0] is JointState.SURELY_SOLID
    assert told((200, 207, 212), (200, 206, 211))[0] is JointState.CANNOT_TELL
    assert told((190, 200, 205), (200, 207, 212))[0] is JointState.CANNOT_TELL


def test_joints_are_likely_molten_once_held_for_three_seconds():
    assert told((237, 245, 250), held_s=3.0)[0] is JointState.LIKELY_MOLTEN
    assert told((237, 245, 250), held_s=2.99)[0] is JointState.CANNOT_TELL


@pytest.mark.parametrize("corner, centre, words", [
    ((200, 220, 235), (200, 225, 235.5), "too cold to be sure of a melt"),
    ((200, 220, 235), (200, 225, 236), "comes to 235 C at most"),
    ((200, 220, 236), (200, 225, 250), "may still be at 200 C")])
def test_reason_names_which_joint_is_in_doubt(corner, centre, words):
    state, reason = told(corner, centre, held_s=0.0)

    assert state is JointState.CANNOT_TELL and words in reason and "tears its pads" in reason


@pytest.mark.parametrize("more, words", [
    ({"knowledge": prior(), "doubt": "far off"}, "no thermocouple"), ({"doubt": "far off"}, "far off")])
def test_doubts_are_told_in_the_order_of_their_weight(more, words):
    state, reason = told((237, 245, 250), held_s=9.0, **more)

    assert state is JointState.CANNOT_TELL and words in reason


@pytest.mark.parametrize("unseen_s, words", [(0.5, "the nozzle is not seen"), (0.0, "far off")])
def test_a_nozzle_that_is_not_seen_is_the_graver_doubt(unseen_s, words):
    work = SimpleNamespace(_unseen_s=unseen_s, _outside_heights=lambda: "far off")

    assert HeatEstimator._doubt(work) == words


@pytest.fixture
def blown(monkeypatch):
    """What the chain was blown with, and for how long; rests are None."""
    calls, blow, rest = [], Chain.blow, Chain.rest
    monkeypatch.setattr(Chain, "blow", lambda self, b, dt: (calls.append((b, dt)), blow(self, b, dt))[1])
    monkeypatch.setattr(Chain, "rest", lambda self, dt: (calls.append((None, dt)), rest(self, dt))[1])
    return calls


@pytest.fixture
def blind(monkeypatch):
    monkeypatch.setattr("monitor.heat.outlook.Outlook.pass_by", lambda *a: None)
    monkeypatch.setattr("monitor.heat.outlook.Outlook.go_on", lambda self: None)


@pytest.mark.usefixtures("blind")
def test_long_steps_are_cut_to_a_quarter_of_a_second(blown):
    heat = estimator()
    for t_s, dt_s in ((1.0, 0.5), (2.0, 0.625), (3.0, 0.25)):
        heat.step(jet_at(t_s, dt_s=dt_s))

    assert [dt for _, dt in blown] == pytest.approx([0.25] * 2 + [0.625 / 3] * 3 + [0.25])


@pytest.mark.usefixtures("blind")
@pytest.mark.parametrize("height_mm, setpoint_c, frames", [(60.0, 60.0, 4), (5.0, 550.0, 3)])
def test_frames_are_joined_to_shorter_steps_while_joints_rise_quickly(blown, height_mm, setpoint_c, frames):
    heat = estimator()
    for n in range(20):
        heat.step(jet_at(n / 32, height_mm, dt_s=1 / 32, setpoint_c=setpoint_c))

    assert [round(32 * dt) for _, dt in blown][1:4] == [frames] * 3  # the first frame is a step of its own


@pytest.mark.usefixtures("blind")
def test_reading_of_a_frame_that_brings_no_step_stands_with_its_time():
    heat = estimator()
    first = heat.step(jet_at(0.0, dt_s=1 / 32))
    second = heat.step(jet_at(1 / 32, dt_s=1 / 32))

    assert second == replace(first, t_s=1 / 32)


@pytest.mark.usefixtures("blind")
def test_input_of_another_kind_ends_the_step_before(blown):
    heat = estimator()
    for n in range(3):
        heat.step(jet_at(n / 32, dt_s=1 / 32))
    heat.step(jet_at(3 / 32, dt_s=1 / 32, on=False))

    assert [(b is None, 32 * dt) for b, dt in blown] == [(False, 1), (False, 2), (True, 1)]


@pytest.mark.usefixtures("blind")
def test_station_without_air_rests(blown):
    estimator().step(jet_at(0.1, dt_s=0.1, airflow_m3_s=0.0))

    assert [b for b, _ in blown] == [None]


@pytest.mark.usefixtures("blind")
def test_unseen_nozzle_has_half_left_or_stayed_left_or_gone_to_a_region(blown):
    heat = estimator()
    heat.step(jet_at(0.2, aim_mm=(2.0, 3.0), dt_s=0.2))
    heat.step(jet_at(0.4, aim_mm=(50.0, 50.0), dt_s=0.2, observed=False))
    heat.step(jet_at(0.9, aim_mm=(50.0, 50.0), dt_s=0.5, observed=False))
    seen, unseen = blown[0][0], blown[-1][0]

    gone = 1 - math.exp(-0.7 / 0.7)
    assert np.ndim(seen.duty) == 0 and seen.duty == 1.0
    np.testing.assert_allclose(unseen.duty, [1 - gone / 2] * N + [1.0, 1 - gone, 1.0, 1.0])
    np.testing.assert_allclose(unseen.aim_x_m[:N + 2], seen.aim_x_m[:N + 2])
    start, ends = np.array([[2e-3], [3e-3]]), np.array([[0.0, 15e-3], [0.0, 0.0]])  # the part and its neighbour
    np.testing.assert_allclose([unseen.aim_x_m[N + 2:], unseen.aim_y_m[N + 2:]], start + gone * (ends - start),
                               atol=1e-12)


def unseen_then(**end):
    """Reading after a second of jet and 0.4 s without sight, when the next frame brings what is given."""
    heat = estimator()
    heat.step(jet_at(1.0, dt_s=1.0))
    for n in range(4):
        last = heat.step(jet_at(1.1 + 0.1 * n, dt_s=0.1, observed=False))
    return last.energy_j["U7"], heat.step(jet_at(1.5, dt_s=0.1, **end)).energy_j["U7"]


def test_a_nozzle_that_was_seen_to_have_left_gave_no_heat_since_a_moment_after_its_last_sight():
    before, after = unseen_then(observed=False, on=False)

    assert after.mid == before.mid


def test_a_nozzle_that_was_seen_to_have_left_may_have_given_heat_until_then():
    before, after = unseen_then(observed=False, on=False)

    assert after.high > before.high + 0.2 * before.mid


def test_a_nozzle_that_is_seen_again_gave_most_of_its_heat_meanwhile():
    before, after = unseen_then()

    assert after.mid > before.mid * 1.25  # 1.36 had it stayed, 1.09 had it left


@pytest.mark.usefixtures("blind")
def test_nozzle_seen_again_is_where_it_is_seen(blown):
    heat = estimator()
    for n, observed in enumerate((True, False, True)):
        heat.step(jet_at(0.2 * n, aim_mm=(n, 0.0), dt_s=0.2, observed=observed))

    assert blown[-1][0].duty == 1.0 and blown[-1][0].aim_x_m[0] == pytest.approx(2e-3)


@pytest.mark.usefixtures("blind")
def test_sight_is_set_against_the_coldest_joint_of_its_own_moment(monkeypatch):
    heat, rows, seen = calibrated(), [], []
    for n in range(5):
        heat.step(jet_at(0.2 * (n + 1), dt_s=0.2))
        rows.append(heat.chain.sites().joint_corner)
    monkeypatch.setattr(MeltLearner, "see", lambda self, *a: seen.append(a))

    heat.see(MeltSight(0.77, "settled"))
    heat.see(MeltSight(0.1, "settled"))

    (_, coldest, slope, liquidus, form), (_, first, none, *_) = seen
    np.testing.assert_allclose(coldest, rows[3])
    np.testing.assert_allclose(first, rows[0])
    assert slope == pytest.approx((rows[3][0] - rows[0][0]) / 0.6) and none == 0.0
    assert liquidus == 220.0 and form == pytest.approx(0.02 * (rows[3][0] - 23.0))


def test_sight_before_the_first_step_teaches_nothing():
    assert estimator().see(MeltSight(0.1, "settled")) is None


def normal_band(values, extra, start_c=23.0):
    """90 % of a normal law of the known members, and as far as the rest reaches beyond the middle."""
    known, rest, mid = values[1:N], values[N:], values[0]
    half = 1.6449 * math.hypot(known.std(), extra)
    low = max(min(mid, known.mean() - half), min(mid, start_c))
    low = max(low + min(0.0, rest.min() - mid), min(mid, start_c))
    return low, mid, max(mid, known.mean() + half) + max(0.0, rest.max() - mid)


@pytest.mark.usefixtures("blind")
@pytest.mark.parametrize("observed", [True, False])
def test_band_of_a_site_holds_its_members_and_what_the_chain_leaves_out(observed):
    heat = calibrated()
    for n in range(6):
        reading = heat.step(jet_at(0.25 * (n + 1), 9.0, (1.0, 2.0), dt_s=0.25, observed=observed or n < 3))
    sites = heat.chain.sites()

    for name, values in (("joint corner", sites.joint_corner), ("package top", sites.package_top),
                         ("underside", sites.underside), ("J1", sites.neighbours[0])):
        b = reading.temp_c[name]
        assert (b.low, b.mid, b.high) == pytest.approx(normal_band(values, 0.02 * abs(values[0] - 23.0)), abs=1e-9)


@pytest.mark.usefixtures("blind")
def test_power_and_energy_are_those_of_the_members():
    heat = estimator()
    for n in range(3):
        reading = heat.step(jet_at(0.25 * (n + 1), 9.0, dt_s=0.25))

    for bands, values in ((reading.power_w, heat.chain.power_w()), (reading.energy_j, heat.chain.energy_j)):
        for name, row in zip(("U7", "J1"), values, strict=True):
            half = 1.6449 * row[1:N].std()
            assert bands[name].mid == row[0]
            assert bands[name].low == pytest.approx(
                row[1:N].mean() - half + min(0.0, row[N:].min() - row[0]), rel=1e-9)
            assert bands[name].high == pytest.approx(
                row[1:N].mean() + half + max(0.0, row[N:].max() - row[0]), rel=1e-9)


@pytest.mark.usefixtures("blind")
@pytest.mark.parametrize("unseen, mid", [(0.5, 0.02), (0.05, 0.99), (0.99, 0.6)])
def test_molten_share_is_weighed_by_area_and_its_band_by_shares_of_the_members(unseen, mid):
    heat, rng = estimator(), np.random.default_rng(8)
    model = heat.chain.model
    model.layers.latent_j_m2[:] = 0.0  # what is molten stays so
    model.work.liquid[:] = rng.uniform(0.2, 0.8, model.work.liquid.shape)
    model.work.liquid[..., 0], model.work.liquid[..., N:] = mid, unseen
    reading = heat.step(jet_at(0.1, dt_s=0.1))

    inner = model.area_m2[model.covered].reshape(model.work.liquid.shape[:2])
    share = [float((inner * model.work.liquid[..., m]).sum() / inner.sum()) for m in range(N)]
    low, high = np.quantile(share, [0.05, 0.95])
    b = reading.molten_share
    assert (b.low, b.mid, b.high) == pytest.approx((min(low, mid, unseen), mid, max(high, mid, unseen)))


@pytest.mark.usefixtures("blind")
def test_ramps_are_smoothed_over_a_second():
    heat, before, smooth = estimator(), None, 0.0
    for n, dt_s in enumerate((0.2, 0.25, 0.16)):
        reading = heat.step(jet_at(n + 1.0, 9.0, dt_s=dt_s))
        now, before = reading.temp_c["underside"].mid, before or 23.0
        smooth = math.exp(-dt_s) * smooth + (1 - math.exp(-dt_s)) * (now - before) / dt_s
        before = now

    assert reading.ramps_k_s["underside"].mid == pytest.approx(smooth, rel=1e-9)


@pytest.mark.usefixtures("blind")
@pytest.mark.parametrize("height_mm, told", [(7.9, True), (8.1, False), (24.9, False), (25.1, True)])
def test_heights_a_quarter_beyond_those_of_the_run_are_told(height_mm, told):
    reading = calibrated().step(jet_at(0.1, height_mm, dt_s=0.1))

    assert any("thermocouple run was made at 10 to 20 mm" in flag for flag in reading.flags) is told


@pytest.mark.usefixtures("blind")
def test_joints_that_hardly_gain_heat_any_more_are_told():
    heat = estimator()
    warming = hold(heat, 10.0, step_s=0.25, height_mm=25.0)
    still = hold(heat, 200.0, step_s=0.25, height_mm=25.0)
    blind = heat.step(jet_at(999.0, 25.0, dt_s=0.25, observed=False))

    assert "not melting" not in warming.joint_reason and "not melting" not in blind.joint_reason
    assert 43 < still.temp_c["joint corner"].mid < 217 and "not melting" in still.joint_reason


@pytest.mark.usefixtures("blind")
def test_band_over_a_preheater_reaches_above_its_middle_up_to_the_hottest_that_there_is():
    heater = Protection("preheater", None, {"temp_c": 150.0})
    reading = estimator(job(protections=(heater,))).step(jet_at(0.1, dt_s=0.1, on=False))
    b = reading.temp_c["underside"]

    assert b.low < b.mid < b.high <= 150.0


@pytest.mark.usefixtures("blind")
def test_band_ends_at_the_hottest_air_that_has_left_the_nozzle():
    heat = estimator()
    reading = hold(heat, 80.0, step_s=0.25, height_mm=2.0, setpoint_c=120.0, height_sigma_mm=9.0)
    exit_c = 23.0 + heat.chain.values.exit_factor * 97.0

    half = 1.6449 * exit_c[1:N].std()
    ceiling = max(exit_c[0], exit_c[1:N].mean() + half) + max(0.0, exit_c[N:].max() - exit_c[0])
    assert all(b.high <= ceiling + 1e-9 for b in reading.temp_c.values())


@pytest.mark.usefixtures("blind")
def test_wet_joints_are_told_of_once_they_cool_and_not_under_the_jet():
    heat = estimator()
    hot = hold(heat, 40.0, step_s=0.25, height_mm=6.0, setpoint_c=480.0)
    cooling = [hold(heat, 2.0, step_s=0.25, on=False) for _ in range(45)]
    told = [any("keep the board still" in flag for flag in reading.flags) for reading in cooling]

    assert hot.temp_c["joint centre"].mid > 225 and not any("keep the board still" in flag for flag in hot.flags)
    assert any(told) and not told[0] and not told[-1]  # still molten; cooling; surely solid again
    assert hot.above_liquidus_s > 5 and cooling[-1].above_liquidus_s >= hot.above_liquidus_s


def turned(point_mm, centre_mm=(7.0, -4.0), angle_rad=0.4):
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return (1e-3 * (centre_mm[0] + c * point_mm[0] - s * point_mm[1]),
            1e-3 * (centre_mm[1] + s * point_mm[0] + c * point_mm[1]))


def test_map_reads_the_boards_top_in_the_frame_of_the_bench():
    corners = tuple(turned((1e3 * x, 1e3 * y)) for x, y in rectangle(0, 0, 11, 7))
    beside = RegionSetup("J1", tuple(turned((1e3 * x, 1e3 * y)) for x, y in rectangle(13, 6, 5, 3)), 1e-3)
    part = PartSetup(RegionSetup("U7", corners, 1e-3))
    heat = estimator(job(board=BoardSetup(1.6e-3), part=part, neighbours=(beside,)))
    model = heat.chain.model
    slope = 40.0 + 900.0 * model.x_m[None, :] - 500.0 * model.y_m[:, None]
    model.work.temp_c[:], model.work.top_c[:] = slope[None, ..., None], slope[..., None]

    x, y, temp = heat.field(3e-3)

    bx, by = np.meshgrid(x, y)
    z = (bx + 1j * by - complex(7e-3, -4e-3)) * np.exp(-0.4j)  # along the part's sides, from its middle
    across, up = z.real, z.imag
    ends = -5.5e-3 - 45e-3, 15.5e-3 + 45e-3, -3.5e-3 - 45e-3, 7.5e-3 + 45e-3  # 45 mm beyond part and neighbour
    within = (across > ends[0]) & (across < ends[1]) & (up > ends[2]) & (up < ends[3])
    np.testing.assert_array_equal(np.isfinite(temp), within)
    x_m, y_m = model.x_m, model.y_m
    inner = (across > x_m[0]) & (across < x_m[-1]) & (up > y_m[0]) & (up < y_m[-1])
    np.testing.assert_allclose(temp[inner], (40.0 + 900.0 * across - 500.0 * up)[inner], atol=1e-9)
    places = np.array([turned((1e3 * u, 1e3 * v)) for u in ends[:2] for v in ends[2:]])
    assert (x[0], y[0]) == pytest.approx(tuple(places.min(axis=0) + 1.5e-3))
    assert places[:, 0].max() - 3e-3 < x[-1] < places[:, 0].max() and places[:, 1].max() - 3e-3 < y[-1]
