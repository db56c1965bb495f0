"""Passes read from recordings, and the odd one among them."""

import dataclasses
import math
import re
import shutil
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.repeat.compare.comparison import ChartDesign, compare, compare_folders, find_pass
from monitor.repeat.compare.gauge import crossed_anova, study
from monitor.repeat.compare.odd import chances, odd_passes, pick_reference
from monitor.repeat.compare.order import order_of
from monitor.repeat.compare.passes import Pass, column, expand, read_passes, spread
from monitor.repeat.compare.rules import fired
from monitor.repeat.compare.tables import lines
from tests.compare.make import record_passes
from tests.monitor.make import JOB_TEXT, job

# NIST StRD Michelso: 100 determinations of the speed of light, Mm/s; from memory, checked by its certified results
MICHELSO = 299 + np.array([
    850, 740, 900, 1070, 930, 850, 950, 980, 980, 880, 1000, 980, 930, 650, 760, 810, 1000, 1000, 960, 960,
    960, 940, 960, 940, 880, 800, 850, 880, 900, 840, 830, 790, 810, 880, 880, 830, 800, 790, 760, 800,
    880, 880, 880, 860, 720, 720, 620, 860, 970, 950, 880, 910, 850, 870, 840, 840, 850, 840, 840, 840,
    890, 810, 810, 820, 800, 770, 760, 740, 750, 760, 910, 920, 890, 860, 880, 720, 840, 850, 850, 780,
    890, 840, 780, 810, 760, 810, 790, 810, 820, 850, 870, 870, 810, 740, 810, 940, 950, 800, 810, 870]) / 1000


def one(index, *, height=15.0, dwell=3.0, warnings=(), below_s=0.0, bump=0.0, setup="same", sigma=1.0, heat=10.0,
        drift=0.0):
    t = np.linspace(0, dwell, 31)
    values = {"height_mean_mm": height, "height_sd_mm": 0.4, "dwell_s": dwell, "coverage": 0.97, "energy_j": heat,
              "energy_even_j": heat, "height_drift_mm": drift, "tilt_mean_deg": 30.0}
    sigmas = dict.fromkeys(values, math.nan) | {"height_mean_mm": sigma}
    from pathlib import Path

    return Pass(Path("day"), index + 1, "", "", 10.0 * index, 10.0 * index + dwell, values, sigmas, t,
                height + bump * np.sin(6 * t), np.full(31, 1.0), tuple(warnings), below_s, 0.0, setup)


def test_mean_and_spread_agree_with_the_certified_file():
    n, mean, sd = spread(MICHELSO)

    assert n == 100 and mean == pytest.approx(299.8524, abs=1e-9) and sd == pytest.approx(0.0790105478190518, rel=1e-8)


def test_unknown_values_do_not_count():
    assert spread([1.0, math.nan, 3.0])[:2] == (2, 2.0)


def test_passes_of_a_folder_come_in_order_of_name(two_days):
    assert [p.label for p in compare_folders([two_days]).passes] == ["a/1", "a/2", "a/3", "b/1", "b/2"]


def test_passes_come_in_the_order_given(two_days):
    assert expand([two_days / "b", two_days / "a"]) == [two_days / "b", two_days / "a"]


def test_recordings_of_one_name_are_told_apart_by_what_differs(tmp_path):
    for day in ("mon", "tue"):
        record_passes(tmp_path / day / "bench" / "rec", [15.0], seed=len(day) + ord(day[0]))

    assert [p.label for p in compare_folders([tmp_path]).passes] == ["mon/1", "tue/1"]


def test_a_copy_of_a_recording_counts_once(two_days, tmp_path):
    shutil.copytree(two_days / "a", tmp_path / "again")
    found = compare_folders([two_days / "a", tmp_path / "again"])

    assert len(found.passes) == 3 and "is a copy of" in found.notes[0]


def test_a_pass_tells_what_was_done(two_days):
    p = read_passes(two_days / "a", job())[0]

    assert p.values["height_mean_mm"] == pytest.approx(15.0, abs=0.3) and p.operator == "T3"
    assert p.t_s[0] == 0 and p.t_s[-1] == pytest.approx(p.t_end_s - p.t_start_s)


def test_heat_without_an_estimate_is_unknown(two_days):
    assert np.isnan(column(read_passes(two_days / "a", job()), "energy_j")).all()


def test_recordings_of_another_job_are_refused(two_days, tmp_path):
    other = record_passes(tmp_path / "c", [15.0], job_text=JOB_TEXT.replace("[5, 25]", "[5, 30]"))

    with pytest.raises(InputError, match=r"another job.*\[limits\]"):
        compare_folders([two_days, other])


def test_another_setpoint_is_noted(two_days, tmp_path):
    other = record_passes(tmp_path / "c", [15.0], job_text=JOB_TEXT.replace("360", "380"))

    assert compare_folders([two_days, other]).notes == ("c: [station] differ from a",)


def test_a_folder_without_recordings_is_refused(tmp_path):
    with pytest.raises(InputError, match="no recording there"):
        compare_folders([tmp_path])


def said(passes):
    return compare(passes, job()).sentence


def test_the_low_pass_of_three_is_named_with_its_reason_and_as_what_can_be_chance():
    assert said([one(0, height=16.4), one(1, height=17.0), one(2, height=10.4)]) == (
        "None of the 3 passes stands out. In so few passes it can be chance that pass 3 was low (held at 10.4 mm, the "
        "others at 16.7 mm).")


def test_the_reason_names_the_time_below_the_limit():
    assert "2.2 s below the lowest allowed 5 mm" in said([one(0), one(1), one(2, height=4.0, below_s=2.25), one(3)])


def test_of_four_passes_a_high_and_a_short_one_are_named_for_what_they_are():
    text = said([one(0, height=15.2, dwell=3.1), one(1, height=19.5, dwell=3.0), one(2, height=14.9, dwell=2.0),
                 one(3, dwell=2.95)])

    assert text == ("1 of 4 passes stands out: pass 2 was high (held at 19.5 mm, the others at 15.0 mm). In so few "
                    "passes it can be chance that pass 3 was short (2.0 s over the target, the others 3.0 s).")


def test_what_can_be_chance_is_marked_and_counts_for_nothing():
    found = compare([one(0, dwell=2.9), one(1, dwell=3.3), one(2, dwell=2.2), one(3, dwell=3.1)], job())

    assert found.is_quiet and found.marks(2) == ("short: 2.2 s, others 3.1 s (can be chance)",)


def test_heat_is_not_told_as_chance_beside_a_cause_that_stands_out():
    passes = [one(i, dwell=3.0 + 0.02 * (i % 3), heat=10.0 + 0.9 * (i % 3)) for i in range(7)]

    assert said([*passes, one(7, dwell=1.5, heat=5.5)]) == (
        "1 of 8 passes stands out: pass 8 was short (1.5 s over the target, the others 3.0 s).")


def test_where_the_hand_scatters_no_pass_is_unlike_the_others():
    assert said([one(i, dwell=d) for i, d in enumerate((2.0, 3.0, 4.0, 5.5))]) == "None of the 4 passes stands out."


def test_from_twenty_passes_on_nothing_is_named_that_can_be_chance():
    dwell = 3.0 * np.exp(0.2 * np.random.default_rng(3).normal(size=20))

    assert compare([one(i, dwell=d) for i, d in enumerate(dwell)], job()).perhaps == ()


@pytest.mark.parametrize("n", [4, 8, 20])
def test_however_unsteady_a_hand_its_like_passes_are_rarely_called_odd(n):
    # 1.25 to 1.5 % of the 5 % fall to the dwell; more than 9 of 200 come with a chance of 0.3 % at that rate
    rng = np.random.default_rng(n)
    runs = [[one(i, dwell=d) for i, d in enumerate(3.0 * np.exp(0.8 * rng.normal(size=n)))] for _ in range(200)]

    assert sum(bool(odd_passes(run, job())) for run in runs) <= 9


def test_a_pass_that_stayed_too_long_is_long():
    assert "pass 2 was long (6.0 s over the target, the others 3.0 s)" in said([one(0), one(1, dwell=6.0), one(2),
                                                                                one(3)])


def test_a_pass_that_sinks_is_sinking():
    assert "pass 4 was sinking" in said([one(0), one(1, drift=0.2), one(2, drift=-0.3), one(3, drift=-5.0)])


def test_a_hot_pass_is_hot_when_nothing_else_explains_it():
    assert "pass 3 was hot (from an equal start about 16.0 J" in said([one(0), one(1), one(2, heat=16.0), one(3)])


def test_heat_is_not_told_beside_its_cause():
    text = said([one(0), one(1), one(2, dwell=5.0, heat=16.0), one(3)])

    assert "long" in text and "hot" not in text


def test_identical_passes_are_never_odd():
    assert "None of the 30 passes stands out." in said([one(i) for i in range(30)])


def test_two_passes_are_too_few_to_tell():
    passes = [one(0), one(1, height=9.0)]

    assert odd_passes(passes, job()) == [] and "too few" in said(passes)


def test_a_difference_that_does_not_matter_is_not_odd():
    passes = [one(i, height=15.0) for i in range(9)] + [one(9, height=15.4)]

    assert odd_passes(passes, job()) == []


def test_a_pass_under_another_calibration_may_differ_by_its_sigma():
    same = [one(i) for i in range(5)] + [one(5, height=19.5)]
    other = [one(i) for i in range(5)] + [one(5, height=19.5, setup="other", sigma=3.0)]

    assert odd_passes(same, job()) and not odd_passes(other, job())


@pytest.mark.parametrize(("kind", "n"), [("unsteady", 8), ("unsteady", 40), ("skewed", 4), ("skewed", 8)])
def test_like_passes_are_rarely_told_of_anything(kind, n):
    # nominal at most 5 % over all that is said; more than 7 of 60 come with a chance of 1 % at that rate
    from tests.benchmarks.judgements import false_alarms

    assert false_alarms(kind, n, 60) <= 7 / 60


@pytest.mark.parametrize(("fault", "n", "least"), [(0, 8, 0.3), (0, 40, 0.6), (1, 40, 0.5), (2, 40, 0.8)])
def test_faults_are_found_and_named(fault, n, least):
    from tests.benchmarks.judgements import FAULTS, found

    assert found(FAULTS[fault], n, 20)[0] >= least


def test_the_reference_is_a_usual_pass_without_a_warning():
    heights = [14.0, 14.5, 15.0, 15.5, 16.0]
    passes = [one(i, height=h, warnings=("drift",) if h == 15.0 else ()) for i, h in enumerate(heights)]

    assert pick_reference(passes) in (1, 3)


def test_a_shifted_trace_is_told_by_time_and_a_higher_one_by_height():
    passes = [one(0, bump=2.0), one(1, bump=2.0, height=18.0)]

    found = compare(passes, job(), reference=0)

    assert found.warps[1].residual == pytest.approx(3.0) and found.warps[1].warp_s == 0


def test_a_drift_of_the_hand_is_found_after_fifty_passes():
    rng = np.random.default_rng(3)
    heights = np.concatenate([rng.normal(15, 0.5, 50), rng.normal(16.4, 0.5, 12)])

    found = compare([one(i, height=h) for i, h in enumerate(heights)], job())

    assert max(found.measures["height_mean_mm"].drift.signals) >= 55 and not found.is_quiet
    assert "height rises by" in found.signals


def test_a_change_that_does_not_matter_yet_is_not_told():
    rng = np.random.default_rng(3)
    heights = np.concatenate([rng.normal(15, 0.05, 50), rng.normal(15.3, 0.05, 12)])

    assert compare([one(i, height=h) for i, h in enumerate(heights)], job()).is_quiet


def test_a_shift_is_dated():
    rng = np.random.default_rng(3)
    heights = np.concatenate([rng.normal(15, 0.4, 30), rng.normal(17, 0.4, 30)])
    order = [one(i, height=h) for i, h in enumerate(heights)]

    change, = compare(order, job()).changes

    assert change.is_trend or abs(change.at - 30) <= 1
    assert change.after - change.before == pytest.approx(2, abs=1.2)


def test_random_orders_are_no_trend_in_one_of_two_hundred():
    # 3 tests at half a per cent each, whatever the law: 400 series of heavy-tailed noise, at most 1.5 % expected
    rng = np.random.default_rng(12)
    noisy = [order_of(rng.standard_t(2, size=(20, 2)), 20) for _ in range(200)]

    assert np.mean([o.trend_sigmas.max() > o.trend_limit for o in noisy]) < 0.03


def test_capability_is_told_with_its_bound_and_the_camera_s_share():
    rng = np.random.default_rng(6)
    gauge = study(crossed_anova(np.arange(5, 15)[:, None, None] + 0.3 * rng.normal(size=(10, 3, 3))), 20.0)
    passes = [one(i, height=h) for i, h in enumerate(rng.normal(15, 1, 30))]

    text = "\n".join(lines(compare(passes, job(), gauge=gauge)))

    # SD 1.163 mm in limits 20 mm apart: Cp 20 / 6.98; the camera's sigma of 0.29 mm is a sixteenth of the variance
    assert re.search(r"Cp 2\.87, Cpk 2\.\d+ as seen in 30 passes, Cp of the hand alone 2\.96", text)
    assert "the camera makes 6 % of the variance" in text
    assert "30 of 30 passes within the job's limits: of such passes at least 90 %" in text
    assert "29 more within the limits would make that 95 %" in text


def test_a_hand_that_learns_gets_no_limits():
    rng = np.random.default_rng(3)
    passes = [one(i, height=h) for i, h in enumerate(rng.normal(15, 0.5, 30))]
    coached = [*passes[:-1], dataclasses.replace(passes[-1], extra={"coached": 1})]

    assert np.isfinite(compare(passes, job()).measures["height_mean_mm"].values.high).all()
    assert np.isnan(compare(coached, job()).measures["height_mean_mm"].values.high).all()
    assert "a hand that learns" in compare(coached, job()).notes[0]


def test_comparing_again_in_the_window_says_each_note_once(monkeypatch):
    import monitor.ui.compare_window
    from monitor.cli.compare import _show

    coached = [dataclasses.replace(one(i), extra={"coached": 1}) for i in range(3)]
    found, asked = compare(coached, job()), []
    monkeypatch.setattr(monitor.ui.compare_window, "show_comparison",
                        lambda found, again, *_: asked.append(again((), None, ())) or 0)

    _show(found, SimpleNamespace(batch=1, theme="light", language="en", baseline=None), None)

    assert len(found.notes) == 1 and asked[0].notes == found.notes


def test_operators_that_differ_are_told_apart():
    # by hand: between 6 / 1, within 4 / 4, F = 6 at (1, 4) degrees of freedom; its tail is 0.0705 (scipy.stats.f)
    heights = [9.0, 10.0, 11.0, 11.0, 12.0, 13.0]
    passes = [dataclasses.replace(one(i, height=h), operator="AB"[i // 3]) for i, h in enumerate(heights)]

    assert compare(passes, job()).measures["height_mean_mm"].operators_p == pytest.approx(0.0705, abs=5e-4)


def test_a_pass_is_found_by_name_and_by_number():
    passes = [one(0), one(1)]

    assert find_pass(passes, "day/2") == find_pass(passes, "2") == 1
    with pytest.raises(InputError, match="no such pass"):
        find_pass(passes, "night/9")


@pytest.fixture(scope="module")
def four(tmp_path_factory):
    """One board, one hot-air job, four passes 2 s apart: the second 5 mm high, the third a third too short."""
    folder = tmp_path_factory.mktemp("four") / "rec"
    return record_passes(folder, [15.0, 20.0, 15.2, 14.9], dwell_s=[3.0, 3.0, 2.0, 3.0], heat=True, rate_hz=10.0)


def test_of_a_recording_of_four_passes_the_high_and_the_short_one_are_named_and_no_other(four, capsys):
    code = main(["compare", str(four)])
    sentence = capsys.readouterr().out.splitlines()[0]

    assert code == 1 and sentence.startswith("2 of 4 passes stand out: ")
    assert "pass 2 was high (held at 20." in sentence and re.search(r"pass 3 was short \(2\.[01] s over the target, "
                                                                    r"the others 3\.[01] s\)", sentence)


def test_equal_passes_take_equal_heat_from_an_equal_start_whatever_the_board_s_temperature(four):
    first, _, _, last = compare_folders([four]).passes

    assert last.values["energy_j"] < 0.97 * first.values["energy_j"]  # it met a warm board
    assert last.values["energy_even_j"] == pytest.approx(first.values["energy_even_j"], rel=0.04)


def test_the_first_pass_replayed_is_the_first_pass_as_it_was(four):
    p = compare_folders([four]).passes[0]

    assert p.values["energy_even_j"] == pytest.approx(p.values["energy_j"], rel=0.02)


def test_replayed_heat_is_kept_beside_the_recording(four, monkeypatch):
    before = [p.values["energy_even_j"] for p in compare_folders([four]).passes]
    monkeypatch.setattr("monitor.repeat.compare.equal_start.HeatEstimator", lambda *_: pytest.fail("replayed again"))

    assert [p.values["energy_even_j"] for p in compare_folders([four]).passes] == before


def test_a_high_pass_is_found_in_a_drift_and_held_against_the_drift():
    rng = np.random.default_rng(3)
    heights = 15 + 0.05 * np.arange(40) + 0.4 * rng.normal(size=40)
    heights[11] += 3

    found = compare([one(i, height=h, sigma=0.3) for i, h in enumerate(heights)], job())

    assert [(o.index, o.word) for o in found.odd] == [(11, "high")] and found.changes[0].is_trend
    assert found.odd[0].value == heights[11] and found.odd[0].others == pytest.approx(15.55, abs=0.4)


def test_a_pass_of_one_operator_alone_may_be_called_odd_more_easily_than_where_operators_are_told_apart_too():
    alone = [one(i) for i in range(6)]
    two = [dataclasses.replace(p, operator="AB"[i % 2]) for i, p in enumerate(alone)]

    fewer, more = (sum(chances(passes).values()) for passes in (two, alone))
    assert more - fewer == pytest.approx(0.004)  # what the test of operators takes of the whole


def test_capability_is_told_of_height_and_dwell_and_of_nothing_else():
    passes = [one(i, height=h, dwell=3 + h / 50) for i, h in enumerate(np.random.default_rng(6).normal(15, 1, 30))]

    found = {key: view.capability for key, view in compare(passes, job()).measures.items()}

    assert {key for key, c in found.items() if c is not None} == {"height_mean_mm", "dwell_s"}
    # the job allows 5 to 25 mm and 4 s: only the upper side of the dwell has a limit
    assert math.isnan(found["dwell_s"].cpl) and math.isfinite(found["dwell_s"].cpu)
    assert math.isfinite(found["height_mean_mm"].cpl)


@pytest.mark.parametrize("rules", [(), (5,)])
def test_rules_that_are_not_there_are_refused(rules):
    with pytest.raises(ValueError, match="expected some of 1, 2, 3, 4"):
        fired([0.0], rules)


def test_samples_of_like_passes_are_charted_in_the_measure_s_unit():
    rng = np.random.default_rng(9)
    dwell = 3 * np.exp(rng.normal(0, 0.1, 84))
    passes = [one(i, dwell=d) for i, d in enumerate([*dwell, 3.0, 3.1])]
    view = compare(passes, job(), ChartDesign(batch=4)).measures["dwell_s"]

    logs = np.log(dwell).reshape(21, 4)  # the last two passes make no sample
    np.testing.assert_allclose(view.means.values, np.exp(logs.mean(1)))
    assert view.means.centre == pytest.approx(math.exp(logs.mean()))
    np.testing.assert_allclose(view.spreads.values, logs.std(1, ddof=1) * math.exp(logs.mean()), rtol=1e-6)
    assert view.sample_signals == 0


def test_warps_are_in_seconds_of_the_reference():
    passes = [one(0, bump=2.0, dwell=4.0), one(1, bump=2.0, dwell=4.0)]
    late = dataclasses.replace(passes[1], height_mm=np.interp(passes[1].t_s - 0.2, passes[0].t_s, passes[0].height_mm))

    found = compare([passes[0], late], job(), reference=0).warps

    assert found[0].warp_s == 0 and found[1].warp_s == pytest.approx(0.2, abs=0.045)


def test_moments_of_a_pass_without_a_trace_are_not_known():
    blind = dataclasses.replace(one(0), t_s=np.zeros(0), height_mm=np.zeros(0))

    found = compare([blind, one(1)], job())

    assert all(math.isnan(v) for v in found.landmarks(0).values()) and found.landmarks(1)["leave"] == 3.0
    assert found.curve_of == (1,) and found.curves is None


def test_marks_tell_what_was_left_out_what_is_odd_and_where_a_drift_ends():
    heights = 12.0 + 0.25 * np.arange(24) + np.random.default_rng(5).normal(0, 0.2, 24)
    passes = [one(i, height=h, sigma=0.1) for i, h in enumerate(heights)]

    found = compare(passes, job(), ChartDesign((4,)), aside={3: "a cable hung in the way"})

    assert found.marks(3) == ("left out: a cable hung in the way",)
    # eight throws of a coin alike, heads or tails: 2^8 - 1 throws on average
    assert "height has drifted here" in found.marks(23) and found.patterns_every == pytest.approx(255)
    assert any("pattern (height: eight in a row on one side)" in mark for mark in found.marks(23))
    assert not found.is_quiet and found.sentence.startswith("None of the 23 passes")


@pytest.mark.parametrize("name", ["0", "3", "day/9"])
def test_a_pass_that_is_not_there_is_refused_with_those_that_are(name):
    with pytest.raises(InputError, match=r"--reference .*: no such pass; there are day/1, day/2"):
        find_pass([one(0), one(1)], name)


def test_of_many_passes_six_are_listed():
    with pytest.raises(InputError, match="day/6 and 2 more"):
        find_pass([one(i) for i in range(8)], "x")
    with pytest.raises(InputError, match="day/6$"):
        find_pass([one(i) for i in range(6)], "x")
