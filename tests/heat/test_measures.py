"""What would help: which measures are tried, with what, and which are shown; chances are given."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.heat.calibration import Calibration, load_calibration, save_calibration
from monitor.heat.limits import site_limits
from monitor.heat.types import BoardSetup, Protection, RegionSetup
from monitor.plan import measures as room
from monitor.plan.measures import BLOCKS, SHIELDS, best_measures
from monitor.plan.search import PlanLimits
from tests.heat.cases import job, rectangle
from tests.heat.test_estimate_parts import CALIBRATED, N, calibrated

LIMITS = PlanLimits((8e-3, 26e-3), (280.0, 400.0), 90.0)
BESIDE = RegionSetup("J1", rectangle(15, 0, 5, 8), 2e-3, 200.0)
SOFT = RegionSetup("J2", rectangle(-15, 0, 5, 8), 2e-3, 120.0)
UNDER = RegionSetup("C3", rectangle(0, 9, 3, 2), 1e-3, is_below=True)
SETUP = job(neighbours=(BESIDE, SOFT, UNDER))
PREHEAT, WIDER, LOWER, STRONGER, FLOOD = (
    "preheat the board from below at 150 C", "take a nozzle half again as wide, airflow to match",
    "hold the nozzle lower, down to 5 mm", "half again the airflow", "flood the joints with low-melt alloy Sn42Bi58")


def changed(what, setup=SETUP, limits=LIMITS):
    return room._known(setup)[what]((setup, limits))


def test_preheater_is_added_where_there_is_none_and_the_start_is_not_measured():
    setup, _ = changed(PREHEAT)

    assert setup.protections == (Protection("preheater", None, {"temp_c": 150.0}),)
    assert changed(PREHEAT, setup) is None
    assert changed(PREHEAT, replace(SETUP, board=BoardSetup(1e-3, start_c=80.0))) is None


def test_wider_nozzle_has_half_again_the_bore_and_the_air():
    station, limits = changed(WIDER)[0].station, changed(WIDER)[1]

    assert (station.bore_m, station.airflow_m3_s, limits) == pytest.approx((10.2e-3, 0.75e-3, LIMITS))


def test_nozzle_is_held_lower_down_to_five_millimetres():
    assert changed(LOWER) == (SETUP, replace(LIMITS, height_m=(5e-3, 26e-3)))
    assert changed(LOWER, limits=replace(LIMITS, height_m=(5e-3, 26e-3))) is None


@pytest.mark.parametrize("l_min, is_there", [(25.0, True), (100.0, True), (110.0, False), (60.0, False),
                                             (900.0, False)])
def test_air_is_made_stronger_up_to_mach_three_tenths(l_min, is_there):
    # at 340 C sound runs at 493 m/s: three tenths of it take 154 L/min through 6.8 mm, which is half again of 103;
    # through 4 mm 53
    station = replace(SETUP.station, airflow_m3_s=l_min / 6e4, bore_m=4e-3 if l_min == 60.0 else 6.8e-3)
    made = changed(STRONGER, replace(SETUP, station=station))

    assert (made is not None) is is_there
    if made:
        assert made[0].station.airflow_m3_s == pytest.approx(1.5 * l_min / 6e4)


def test_neighbours_on_top_are_shielded_and_stood_on_blocks():
    for what, kind, values in ((SHIELDS, "shield_above", {"gap_m": 2e-3}), (BLOCKS, "metal_block", {"mass_kg": 0.02})):
        setup, _ = changed(what)
        assert setup.protections == tuple(Protection(kind, n.polygon_m, values) for n in (BESIDE, SOFT))
        assert changed(what, setup) is None and changed(what, replace(SETUP, neighbours=(UNDER,))) is None


def test_weakest_neighbour_is_taken_off():
    setup, _ = changed("take J2 off first")

    assert [n.name for n in setup.neighbours] == ["J1", "C3"]
    assert room._without((setup, LIMITS), "J2") is None


def test_flooded_joints_keep_the_limits_that_they_had():
    setup, _ = changed(FLOOD)
    bounds = site_limits(SETUP)

    assert (setup.part.alloy, setup.part.alloy_before) == ("Sn42Bi58", "SAC305")
    assert {name: limit.value_c for name, limit in site_limits(setup).items()} == {
        name: limit.value_c for name, limit in bounds.items()}
    assert changed(FLOOD, setup) is None and not any(n.keep_solid for n in setup.neighbours)
    old = replace(SETUP, part=replace(SETUP.part, alloy_before="Sn63Pb37"))
    assert changed(FLOOD, old)[0].part.alloy_before == "Sn63Pb37"


def test_part_is_fitted_with_solder_that_melts_earlier():
    fit = replace(SETUP, part=replace(SETUP.part, work="fit", alloy="Sn63Pb37", alloy_before="SAC305"))
    setup, _ = changed("clean the pads and fit with Sn42Bi58", fit)

    assert (setup.part.alloy, setup.part.alloy_before) == ("Sn42Bi58", None)
    assert changed("clean the pads and fit with Sn63Pb37", fit) is None and FLOOD not in room._known(fit)


def test_lone_part_has_no_neighbour_to_take_off():
    assert not any("off first" in what for what in room._known(job(neighbours=())))


@pytest.fixture
def bench(monkeypatch):
    """Chances by the words of a measure, in place of runs; notes what was tried."""
    tried = []

    def best(chances, setup=SETUP, chance=0.2, limits=LIMITS):
        def read(self, what, of):
            tried.append((what, of))
            key = "spared" if of[0].neighbours and of[0].neighbours[0].limit_c == 2000.0 else what
            value = chances.get(key, 0.1)
            return room.Measure(what, value, 300.0, 9e-3, value)
        monkeypatch.setattr(room._Bench, "tried", read)
        shares = []
        found = best_measures(setup, limits, None, chance, (2e-3, 2e-3), shares.append)
        assert shares == [0.6, 1.0]
        return [m.what for m in found], [what for what, _ in tried]
    return best


def test_measures_that_gain_enough_are_shown_the_best_first(bench):
    shown, _ = bench({PREHEAT: 0.6, WIDER: 0.3, LOWER: 0.4, STRONGER: 0.25})

    assert shown == [PREHEAT, LOWER, WIDER]


@pytest.mark.parametrize("chance, shown", [(0.3125, [PREHEAT]), (0.25, [])])
def test_gain_must_be_more_than_a_twentieth(bench, chance, shown):
    assert bench({PREHEAT: chance}, chance=0.25)[0] == shown


def test_pairs_are_tried_of_the_three_best(bench):
    pair = f"{PREHEAT} and {LOWER}"
    shown, tried = bench({PREHEAT: 0.6, WIDER: 0.3, LOWER: 0.4, FLOOD: 0.25, pair: 0.9})

    assert shown == [pair, PREHEAT, LOWER]
    assert [what for what in tried if " and " in what and "fit" not in what][-3:] == [
        pair, f"{PREHEAT} and {WIDER}", f"{LOWER} and {WIDER}"]


def test_neighbours_are_spared_only_where_that_could_help(bench):
    _, tried = bench({"spared": 0.1, "": 0.1})
    assert not {SHIELDS, BLOCKS, "take J2 off first"} & set(tried)

    _, tried = bench({"spared": 0.3, "": 0.1})
    assert {SHIELDS, BLOCKS, "take J2 off first"} <= set(tried)


def test_bench_reads_one_run_for_all_that_leaves_bore_and_protections(monkeypatch):
    ran = []

    def nodes(setup, limits, ensemble, sweeps, fineness, told):
        ran.append((setup.station.bore_m, limits.height_m, sweeps))
        return ["surfaces"],

    grid = np.array([[0.1, 0.6], [0.3, 0.2]])
    made = SimpleNamespace(best=lambda: (0, 1), chance=grid, setpoints_c=np.array([300.0, 330.0]),
                           heights_m=np.array([8e-3, 10e-3]), middle_k=np.array([[-9.0, 40.0], [7.0, 1.0]]))
    monkeypatch.setattr(room, "height_nodes", nodes)
    monkeypatch.setattr(room, "settings_map", lambda *a: made)
    one = room._Bench(None, (2e-3, 3e-3))
    first = one.tried("a", (SETUP, LIMITS))
    one.tried("b", changed(LOWER))
    one.tried("c", changed(WIDER))
    one.tried("d", changed(PREHEAT))

    assert [bore for bore, *_ in ran] == pytest.approx([6.8e-3, 10.2e-3, 6.8e-3])
    assert ran[0][1:] == ((5e-3, 26e-3), ((2e-3, 3e-3),))  # as low as anything tried
    assert (first.what, first.chance, first.setpoint_c, first.height_m) == ("a", 0.6, 300.0, 10e-3)
    assert first.rank == pytest.approx(0.6 + 0.040)


def test_bench_reaches_as_low_as_the_job_allows(monkeypatch):
    ran = []
    monkeypatch.setattr(room, "height_nodes", lambda s, limits, *a: (ran.append(limits.height_m), (["surfaces"],))[1])
    room._Bench(None, (2e-3, 3e-3))._surfaces(SETUP, replace(LIMITS, height_m=(3e-3, 26e-3)))

    assert ran == [(3e-3, 26e-3)]


def test_measure_that_cannot_be_modelled_gives_nothing(monkeypatch):
    def nodes(*a):
        raise InputError("off the board")

    monkeypatch.setattr(room, "height_nodes", nodes)
    found = room._Bench(None, (2e-3, 3e-3)).tried("off", (SETUP, LIMITS))

    assert (found.chance, found.setpoint_c, found.height_m, found.rank) == (0.0, 280.0, 8e-3, -np.inf)


@pytest.mark.parametrize("part, factor, word", [
    ("thickness_m", 1.09, None), ("thickness_m", 1.11, "board of"), ("thickness_m", 0.91, None),
    ("thickness_m", 0.89, "board of"), ("bore_m", 1.04, None), ("bore_m", 1.06, "bore of 6.8"),
    ("bore_m", 0.94, "bore"),
    ("airflow_m3_s", 1.09, None), ("airflow_m3_s", 1.11, "30 L/min"), ("airflow_m3_s", 0.89, "L/min")])
def test_calibration_holds_for_what_is_nearly_alike(part, factor, word):
    made = calibration()
    setup = job()
    if part == "thickness_m":
        setup = replace(setup, board=replace(setup.board, thickness_m=factor * 1.6e-3))
    else:
        setup = replace(setup, station=replace(setup.station, **{part: factor * getattr(setup.station, part)}))

    assert made.mismatch(setup) is None if word is None else word in made.mismatch(setup)


def calibration():
    setup = job()
    layers = tuple((layer.thickness_m, layer.coverage) for layer in setup.board.layers)
    return Calibration(CALIBRATED, 1.6e-3, layers, 6.8e-3, 0.5e-3, (10e-3, 20e-3), 3.0, ("a",))


@pytest.mark.parametrize("old, new, says", [
    ("rms_k = 3.0", "rms_k = 100.5", "rms_k"), ("rms_k = 3.0", "rms_k = -0.5", "rms_k"),
    ("form_share = 0.02", "form_share = 11.0", "form_share"),
    ("thickness_m = 0.0016", "thickness_m = 0.03", "thickness"),
    ("bore_m = 0.0068", "bore_m = 0.2", "bore_m"), ("airflow_m3_s = 0.0005", "airflow_m3_s = 0.2", "airflow"),
    ("    0.02,\n]", "    0.005,\n]", "height_range"), ("0.01,\n    0.02", "-0.01,\n    0.02", "height_range")])
def test_calibration_file_with_a_number_that_cannot_be_is_refused(tmp_path, old, new, says):
    path = tmp_path / "heat.toml"
    save_calibration(calibration(), path)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))

    with pytest.raises(InputError, match=says):
        load_calibration(path)


@pytest.mark.parametrize("change, says", [
    (lambda k: replace(k, cov=-k.cov), "eigenvalue"), (lambda k: replace(k, mean=k.mean + 20.5), "farther"),
    (lambda k: replace(k, cov=k.cov * 0.9e-8), "surer"), (lambda k: replace(k, mean=k.mean[:7]), "8 finite means"),
    (lambda k: replace(k, cov=k.cov + np.triu(np.full((8, 8), 0.01), 1)), "symmetric")])
def test_calibration_file_with_a_covariance_that_cannot_be_is_refused(tmp_path, change, says):
    path = tmp_path / "heat.toml"
    save_calibration(replace(calibration(), knowledge=change(CALIBRATED)), path)

    with pytest.raises(InputError, match=says):
        load_calibration(path)


def test_calibration_file_at_every_limit_is_taken(tmp_path):
    path = tmp_path / "heat.toml"
    knowledge = replace(CALIBRATED, mean=np.r_[20.0, -20.0, np.zeros(6)], cov=1e-8 * np.eye(8), form_share=10.0)
    save_calibration(replace(calibration(), knowledge=knowledge, rms_k=100.0, thickness_m=0.02, bore_m=0.1,
                             airflow_m3_s=0.1, height_range_m=(0.0, 1.0)), path)
    loaded = load_calibration(path)

    np.testing.assert_array_equal(loaded.knowledge.mean, knowledge.mean)
    assert loaded.knowledge.height_range_m == loaded.height_range_m == (0.0, 1.0)
    assert loaded.knowledge.is_calibrated and loaded.identified == ("a",)


def test_estimate_takes_a_calibration_that_holds():
    assert calibrated().knowledge is CALIBRATED and calibrated().scores.shape[1] > N
