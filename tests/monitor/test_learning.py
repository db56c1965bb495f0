"""The learning curve: from muted probes, over nights, without limits that a trainee's work has not earned."""

import datetime
import json
import shutil
import sqlite3

import pytest

from monitor.cli.main import main
from monitor.recording.reader import open_recording
from monitor.repeat.learning import Attempt, learning_figure, learning_of
from monitor.review.report import report_html
from tests.monitor.made_recording import make_recording

DAY_1 = datetime.datetime(2026, 3, 2, 9, 0, tzinfo=datetime.UTC)


def attempt(day: int, n: int, value: float, *, probe: bool = False, coached: bool = False) -> Attempt:
    begun = DAY_1 + datetime.timedelta(days=day, minutes=10 * n)
    return Attempt(f"r{day}", n, begun, value, "outside the band", coached, probe, n == 1)


def test_a_steady_gain_from_probe_to_probe_is_its_slope():
    probes = [attempt(d, 1, 0.30 + 0.07 * d, probe=True) for d in range(8)]

    assert learning_of(probes, "T1").slope == pytest.approx(0.07)  # a straight line by construction


def test_coached_passes_do_not_count_as_learning():
    probes = [attempt(d, 1, 0.5, probe=True) for d in range(8)]
    practice = [attempt(d, 2, 0.5 + 0.06 * d, coached=True) for d in range(8)]
    found = learning_of(sorted(probes + practice, key=lambda a: a.begun_utc), "T1")

    assert found.slope == 0.0 and len(found.probes) == 8 and "no sure change" in found.sentence


def test_with_few_probes_nothing_is_claimed():
    found = learning_of([attempt(d, 1, 0.2 * d, probe=True) for d in range(4)], "T1")

    assert found.slope != found.slope and "too few probes" in found.sentence


def test_retention_compares_a_day_s_last_with_the_next_day_s_first():
    passes = [attempt(0, 1, 0.40, probe=True), attempt(0, 2, 0.70), attempt(0, 3, 0.90, coached=True),
              attempt(1, 1, 0.60, probe=True), attempt(1, 2, 0.80)]
    kept = learning_of(passes, "T1").retention

    assert len(kept) == 1 and kept[0].change == pytest.approx(0.60 - 0.70)  # the coached 0.90 is passed over
    assert kept[0].gap_h == pytest.approx(24 - 10 / 60)


def test_less_spread_is_better_and_said_so():
    found = learning_of([attempt(d, 1, 3.0 - 0.25 * d, probe=True) for d in range(8)], "T1", "height_sd_mm")

    assert found.slope == pytest.approx(-0.25) and "(better)" in found.sentence


def test_a_trainee_gets_no_control_limits():
    figure = learning_figure(learning_of([attempt(d, 1, 0.5, probe=True) for d in range(30)], "T1"))

    flat = [line for line in figure.axes[0].lines if len(set(line.get_ydata())) == 1
            and list(line.get_xdata()) == [0, 1]]
    assert flat == []  # what axhline would have drawn


@pytest.fixture(scope="module")
def school(tmp_path_factory):
    """Two days of T7 and one of somebody else, as a season of recordings lies on disk."""
    root = tmp_path_factory.mktemp("school")
    made = make_recording(root / "d0", operator="T7").folder
    for name, started, operator, probe in (("d0", "2026-03-02T09:00:00+00:00", "T7", 1),
                                           ("d1", "2026-03-03T09:30:00+00:00", "T7", 0),
                                           ("e0", "2026-03-03T10:00:00+00:00", "X1", 0)):
        if name != "d0":
            shutil.copytree(made, root / name)
        with sqlite3.connect(root / name / "trace.sqlite") as db:
            db.executemany("UPDATE meta SET value = ? WHERE key = ?",
                           [(started, "started_utc"), (operator, "operator")])
            db.execute("UPDATE passes SET feedback = 'faded by skill', is_probe = ?, coached = 0", (probe,))
    return root


def test_only_the_operator_s_own_passes_are_shown(school, capsys):
    assert main(["learning", str(school), "--operator", "T7", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)

    assert [(a["recording"], a["number"], a["is_probe"]) for a in data["attempts"]] == [
        ("d0", 1, True), ("d0", 2, True), ("d1", 1, False), ("d1", 2, False)]
    assert [a["is_first_of_day"] for a in data["attempts"]] == [True, False, True, False]
    assert {a["feedback"] for a in data["attempts"]} == {"faded by skill"}


def test_the_curve_is_drawn_as_a_picture(school, tmp_path):
    assert main(["learning", str(school), "--operator", "T7", "--out", str(tmp_path / "curve.svg")]) == 0

    assert "muted probe" in (tmp_path / "curve.svg").read_text()


def test_an_unknown_code_is_said_in_one_line(school, capsys):
    assert main(["learning", str(school), "--operator", "NOBODY"]) == 3
    assert "no pass by operator 'NOBODY'" in capsys.readouterr().err


def test_the_report_says_how_each_pass_was_coached(school):
    assert "pass 1 faded by skill (muted probe)" in report_html(open_recording(school / "d0"))


def test_the_sentence_counts_passes_days_and_probes_and_gives_the_interval():
    values = [0.30, 0.42, 0.41, 0.55, 0.58, 0.71]
    found = learning_of([attempt(d // 2, d % 2 + 1, v, probe=True) for d, v in enumerate(values)], "T1")

    # slopes of all 15 pairs by hand: the middle one is 0.08
    assert found.slope == pytest.approx(0.08)
    assert found.sentence.startswith("T1: 6 passes on 3 days, 6 muted probes; ")
    assert "changes by +8.0 percentage points a probe (better), 90 % interval +" in found.sentence
    assert found.slope_low < 0.08 < found.slope_high


@pytest.mark.parametrize(("gain", "measure", "says"), [
    (-0.07, "in_limits", "(worse)"), (0.2, "height_sd_mm", "+0.20 mm a probe (worse)"),
    (-0.2, "dwell_s", "-0.20 s a probe, ")])
def test_a_change_is_called_better_or_worse_only_where_a_measure_has_a_better_side(gain, measure, says):
    found = learning_of([attempt(d, 1, 3.0 + gain * d, probe=True) for d in range(7)], "T1", measure)

    assert says in found.sentence


def test_one_pass_on_one_day_is_said_in_the_singular():
    assert learning_of([attempt(0, 1, 0.5)], "T1").sentence.startswith("T1: 1 pass on 1 day, 0 muted probes; too few")


def test_five_probes_are_too_few_and_what_is_not_known_is_no_probe():
    probes = [attempt(d, 1, 0.1 * d, probe=True) for d in range(5)]
    unknown = attempt(6, 1, float("nan"), probe=True)

    assert "too few probes" in learning_of([*probes, unknown], "T1").sentence


@pytest.mark.parametrize(("minutes", "says"), [(0, "(median of 1)"), (10, "(median of 1, some after less than 24 h)")])
def test_a_night_shorter_than_a_day_is_told(minutes, says):
    last = DAY_1 + datetime.timedelta(minutes=minutes)
    first = DAY_1 + datetime.timedelta(days=1)
    passes = [Attempt("r", n, begun, value, "", False, False) for n, begun, value in ((1, last, 0.7), (2, first, 0.6))]

    found = learning_of(passes, "T1")

    assert says in found.sentence and "-10.0 percentage points" in found.sentence


def test_probes_are_drawn_filled_and_practice_hollow_at_their_places():
    passes = [attempt(0, 1, 0.4, probe=True), attempt(0, 2, 0.5), attempt(1, 1, 0.6, probe=True)]
    axes = learning_figure(learning_of(passes, "T1")).axes[0]

    drawn = {bool(len(c.get_facecolors())): c.get_offsets().tolist() for c in axes.collections}
    assert drawn == {True: [[1, 0.4], [3, 0.6]], False: [[2, 0.5]]}
    joined, day = axes.lines[0], axes.lines[1]
    assert joined.get_xydata().tolist() == [[1, 0.4], [3, 0.6]] and list(day.get_xdata()) == [2.5, 2.5]
    assert [t.get_text() for t in axes.texts] == ["2026-03-02", "2026-03-03"] and axes.texts[1].xy == (2.6, 0.02)
