"""What a plan decides from chances and rises that are given to it, and the stages that it tries."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.heat.types import PartSetup, RegionSetup
from monitor.plan import search as map_room
from monitor.plan import stages as stage_room
from monitor.plan import window
from monitor.plan.course import Course, Ensemble, Stage, TimeSteps, judged_names
from monitor.plan.search import PlanLimits, SettingMap
from monitor.plan.stages import Descent, StagedStart, best_descent, cut, find_stages
from monitor.plan.surface import Way
from tests.heat.cases import job, rectangle

SETUP = job(neighbours=())
OBLONG = job(part=PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 6), 0.9e-3)), neighbours=())
LIMITS = PlanLimits((6e-3, 26e-3), (280.0, 400.0), 90.0)
NAMES = judged_names(SETUP)
TIMES = np.arange(0.0, 91.0, 1.0)
STAGES = (Stage(20e-3, (6e-3, 6e-3), 30.0), Stage(10e-3, (3e-3, 3e-3), 60.0))
THREE = (Stage(24e-3, (7e-3, 7e-3), 10.0), Stage(20e-3, (6e-3, 6e-3), 20.0), Stage(10e-3, (3e-3, 3e-3), 60.0))


def settings(chance=0.95):
    grid = np.array([[0.1, 0.2, 0.1], [0.3, chance, 0.2]])
    return SettingMap(np.array([320.0, 360.0]), np.array([8e-3, 12e-3, 14e-3]), (2e-3, 3e-3), grid, 10 * grid,
                      30 + 0 * grid)


def course(n_good, n=10, hot_middle=False):
    """Joints that reach 250 C of which so many members melt, under packages that stay below 260 C."""
    melting = np.r_[True, np.arange(n) < n_good]
    joints = 25 + np.minimum(TIMES / 60, 1.0)[:, None] * np.where(melting, 215.0, 120.0)
    top = 25 + TIMES[:, None] * 2.0 + 0 * joints if hot_middle else joints + 5.0
    rest = 0.5 * joints
    return Course(TIMES, np.stack([joints, joints, top, rest, rest], axis=1), NAMES)


@pytest.fixture
def plan(monkeypatch):
    """Makes a plan from a course."""
    told = []

    def make(given, setup=SETUP, **more):
        monkeypatch.setattr(window, "search", lambda s, li, few, tell: (tell(0.5), settings())[1])
        monkeypatch.setattr(window, "_setting", lambda *a: (a[-1](0.5), (360.0, THREE))[1])
        monkeypatch.setattr(window, "run_members", lambda s, many, way: (given, ()))
        monkeypatch.setattr(window, "_solid_after", lambda *a: 12.0)
        monkeypatch.setattr(window, "best_measures", lambda *a: (a[-1](0.5), ())[1])
        return window.make_plan(setup, LIMITS, progress=told.append, **more)
    make.told = told
    return make


@pytest.mark.parametrize("n_good, verdict", [(10, "open"), (7, "open"), (6, "careful"), (3, "careful"), (2, "closed")])
def test_verdict_is_open_from_seven_in_ten_and_closed_below_three(plan, n_good, verdict):
    made = plan(course(n_good))

    assert (made.verdict, made.chance_stop_on_melt) == (verdict, n_good / 10)
    assert (made.start is None) == (verdict == "closed") and made.closest.setpoint_c == 360.0


def test_rise_that_is_faster_than_wanted_closes_a_job(plan):
    steepest = float(course(10).ramp_k_s()[:, 0].max())

    assert plan(course(10), replace(SETUP, ramp_k_s=steepest)).verdict == "open"
    assert plan(course(10), replace(SETUP, ramp_k_s=0.999 * steepest)).verdict == "closed"


def test_job_that_keeps_no_limit_from_the_begin_is_closed(plan):
    hot = course(10)
    hot.temp_c[:, 2, 0] = 300.0  # the middle's package

    assert plan(hot).verdict == "closed" and plan(hot).closest.dwell_s == 0.0


def test_progress_is_told_from_nought_to_one(plan):
    plan(course(5))
    assert plan.told == pytest.approx([0.2, 0.5, 0.75, 0.875, 1.0])


def test_plan_ends_its_stages_at_the_latest_stop(plan):
    made = plan(course(10, hot_middle=True))  # 260 C at 117.5 s: never within the pass

    assert made.latest_stop_s == 90.0 and made.passes == THREE
    assert made.closest.stages == THREE and made.closest.solid_after_s == 12.0
    assert made.closest.dwell_s == pytest.approx(57.0, abs=2.0)  # 225 C at 56 s, with a hold of one second
    assert made.closest.height_m == 10e-3 and made.closest.sweep_m == (3e-3, 3e-3)
    assert made.closest.temp_c["underside"].mid == pytest.approx(np.interp(
        made.closest.dwell_s, TIMES, course(10).temp_c[:, 4, 0]))
    assert made.closest.ramp_k_s.mid == pytest.approx(215 / 60)


def test_without_progress_or_ranges_a_plan_is_made_too(plan):
    plan(course(5))  # what it calls is set

    assert window.make_plan(SETUP).verdict == "careful"


def chosen(monkeypatch, chance=0.95, descent=None, ramp_k_s=None, steepest=2.0):
    calls = []
    monkeypatch.setattr(window, "best_descent", lambda *a: (calls.append("descent"), descent)[1])
    monkeypatch.setattr(window, "find_stages", lambda *a: (calls.append("stages"), StagedStart(310.0, STAGES, 1.0))[1])
    monkeypatch.setattr(window, "repeated", lambda *a: None)
    rise = Course(TIMES, np.broadcast_to((25 + steepest * TIMES)[:, None, None], (91, 5, 1)), NAMES)
    monkeypatch.setattr(window, "run_stages", lambda *a: rise)
    setup = replace(SETUP, ramp_k_s=ramp_k_s)
    few = SimpleNamespace(middle=lambda: None)
    return window._setting(setup, LIMITS, few, settings(chance), None), calls


ONE = (360.0, (Stage(12e-3, (2e-3, 3e-3), 90.0),))


def test_setting_that_can_hardly_be_bettered_is_taken(monkeypatch):
    assert chosen(monkeypatch, 0.93) == (ONE, [])
    assert chosen(monkeypatch, 0.9)[1] == ["descent"]


@pytest.mark.parametrize("gain, is_taken", [(0.07, False), (0.09, True)])
def test_descent_is_asked_for_when_it_adds_enough(monkeypatch, gain, is_taken):
    (setpoint, stages), _ = chosen(monkeypatch, 0.5, Descent(370.0, STAGES, 0.5 + gain))

    assert (setpoint, stages) == ((370.0, STAGES) if is_taken else ONE)
    assert chosen(monkeypatch, 0.5, None)[0] == ONE


@pytest.mark.parametrize("ramp_k_s, chance, is_one", [(2.0, 0.7, True), (2.0, 0.69, False), (1.9, 0.9, False)])
def test_stages_are_sought_where_one_setting_warms_too_fast_or_hardly_works(monkeypatch, ramp_k_s, chance, is_one):
    found, calls = chosen(monkeypatch, chance, ramp_k_s=ramp_k_s)

    assert found == (ONE if is_one else (310.0, STAGES)) and calls == ([] if is_one else ["stages"])


@pytest.mark.parametrize("bounds_c, after_s", [((230, 220, 200, 190, 187), None), ((230, 220, 200, 187, 180), 8.0),
                                               ((170, 160, 150, 140, 130), 0.0)])
def test_joints_are_solid_once_their_bound_is_so_far_below_the_solidus(monkeypatch, bounds_c, after_s):
    # SAC305: 217 - 30 = 187 C; members symmetrical by 10 K, whose 95 % lies 10 K up and counts 1.8 times
    middle = np.array(bounds_c, float) - 18.0
    temps = np.stack([middle, *[middle + 10.0] * 20, *[middle - 10.0] * 20], axis=1)[:, None]
    told = SimpleNamespace(log_rise=lambda at: None, course=lambda logs: Course(
        np.array([0.0, 1.0, 3.0, 5.0, 8.0]), temps, ("hottest joint",)))
    monkeypatch.setattr(window, "cool_star", lambda *a: told)
    monkeypatch.setattr(window, "coordinates", lambda *a: [None])
    few = SimpleNamespace(with_form=lambda c, start_c: c)

    assert window._solid_after(SETUP, few, Way(360.0, STAGES)) == after_s


def test_low_melt_joints_are_left_alone_for_their_time(monkeypatch):
    setup = job(part=PartSetup(RegionSetup("U7", rectangle(0, 0, 9, 9)), alloy="Sn42Bi58"))
    cold = SimpleNamespace(log_rise=lambda at: None, course=lambda logs: Course(
        np.array([0.0]), np.full((1, 1, 9), 40.0), ("hottest joint",)))
    monkeypatch.setattr(window, "cool_star", lambda *a: cold)
    monkeypatch.setattr(window, "coordinates", lambda *a: [None])

    few = SimpleNamespace(with_form=lambda c, start_c: c)
    assert window._solid_after(setup, few, Way(360.0, STAGES)) == 30.0  # common practice, no source


@pytest.mark.parametrize("until_s, seconds", [(90.0, [30.0, 60.0]), (45.0, [30.0, 15.0]), (30.5, [30.0]),
                                              (30.75, [30.0, 0.75]), (12.0, [12.0]), (0.25, [0.25]),
                                              (200.0, [30.0, 60.0])])
def test_stages_are_cut_at_a_time(until_s, seconds):
    kept = cut(STAGES, until_s)

    assert [s.seconds for s in kept] == seconds
    assert [s.height_m for s in kept] == [20e-3, 10e-3][:len(seconds)]


class Judged:
    """Takes the place of a judgement: the margin of every member at its best moment."""

    def __init__(self, best_k):
        self.best_k = np.asarray(best_k, float)


def descent(monkeypatch, margins, limits=LIMITS, sweep_m=(2e-3, 3.5e-3)):
    """The best descent, where each way at each setpoint has given margins, and what was run."""
    ran, margins = [], iter(margins)
    fake = SimpleNamespace(with_form=lambda c: c)

    def run_star(setup, ensemble, ways, fineness, coarser):
        ran.extend(ways)
        return [SimpleNamespace(way=w, log_rise=lambda at: None, course=lambda logs: None) for w in ways]

    monkeypatch.setattr(stage_room, "run_star", run_star)
    monkeypatch.setattr(stage_room, "coordinates", lambda *a: [None])
    monkeypatch.setattr(stage_room, "judge", lambda *a: Judged(next(margins)))
    return best_descent(OBLONG, limits, fake, sweep_m), ran


def chances(*good):
    """Margins of a middle and 20 members, of which so many have one."""
    return [np.r_[-1.0, np.where(np.arange(20) < n, 1.0, 0.0)] for n in good]


def test_descent_comes_down_over_shares_of_the_height(monkeypatch):
    _, ran = descent(monkeypatch, chances(1, 2, 3, 4, 5, 6))

    # 6 mm to 25 mm at the most; half the part's sides are 4.5 and 3 mm, once and one and a half times
    for way, shares in zip(ran, ((1.0, 0.4, 0.05), (0.6, 0.25, 0.05)), strict=True):
        assert [s.height_m for s in way.stages] == pytest.approx([6e-3 + 19e-3 * share for share in shares])
        np.testing.assert_allclose([s.sweep_m for s in way.stages], [(6.75e-3, 4.5e-3), (4.5e-3, 3.5e-3),
                                                                 (2e-3, 3.5e-3)])
        assert [s.seconds for s in way.stages] == [30.0] * 3 and way.setpoint_c == 370.0


@pytest.mark.parametrize("good, setpoint_c, chance, which", [
    ((1, 2, 9, 4, 5, 6), 400.0, 0.45, 0), ((1, 2, 3, 4, 19, 6), 370.0, 0.95, 1), ((1, 9, 9, 4, 5, 6), 370.0, 0.45, 0)])
def test_likeliest_descent_wins(monkeypatch, good, setpoint_c, chance, which):
    best, ran = descent(monkeypatch, chances(*good))  # 340, 370 and 400 C, first way first

    assert (best.setpoint_c, best.chance, best.stages) == (setpoint_c, chance, ran[which].stages)


def test_hotter_setpoint_than_usual_must_gain_a_twentieth(monkeypatch):
    wide = replace(LIMITS, setpoint_c=(400.0, 420.0))

    assert descent(monkeypatch, chances(9, 9.5, 1, 1), wide)[0].setpoint_c == 400.0
    assert descent(monkeypatch, chances(9, 11, 1, 1), wide)[0].setpoint_c == 420.0


@pytest.mark.parametrize("heights_m, setpoints_c", [((6e-3, 10.9e-3), (280.0, 400.0)), ((6e-3, 26e-3), (341.0, 369.0))])
def test_there_is_no_descent_within_little_height_or_without_a_setpoint(monkeypatch, heights_m, setpoints_c):
    assert descent(monkeypatch, [], PlanLimits(heights_m, setpoints_c, 90.0))[0] is None


def staged(monkeypatch, dwell_s=90.0, ramp_k_s=2.0):
    """Stages found where the steepest rise grows with the setpoint and the glide's speed."""
    tried, told = [], []

    def together(chain, seconds, setpoint_c, places):
        n = setpoint_c.size
        tried.append((seconds, setpoint_c, places))
        glide = seconds[1] if len(seconds) > 1 else 50.0
        slope = setpoint_c / 200.0 * (50.0 / glide) ** 0.5 * np.where(places[0][1][0] > 20e-3, 0.9, 1.3)
        times = np.arange(0.0, 21.0)
        temps = 25.0 + times[:, None, None] * slope[None, None]
        return Course(times, np.broadcast_to(temps, (21, 5, n)), NAMES)

    monkeypatch.setattr(stage_room, "_together", together)
    monkeypatch.setattr(stage_room, "repeated", lambda *a: None)
    monkeypatch.setattr(stage_room, "judge", lambda c, *a: Judged(c.ramp_k_s().max(axis=0) * 5))  # hotter is better
    one = Ensemble(np.zeros((16, 1)), None)
    monkeypatch.setattr(Ensemble, "middle", lambda self: None)
    found = find_stages(SETUP, replace(LIMITS, dwell_s=dwell_s), one, ramp_k_s, told.append)
    return found, tried, told


def test_stages_keep_the_rise_by_a_twentieth(monkeypatch):
    found, tried, told = staged(monkeypatch)

    assert 1.6 < found.ramp_k_s <= 1.9 and [s.glides for s in found.stages] == [False, True, False]
    assert found.stages[0].height_m == 26e-3 and found.stages[0].seconds == 15.0
    assert sum(s.seconds for s in found.stages) == 90.0 and found.setpoint_c in (280.0, 320.0, 360.0, 400.0)
    assert told == [0.25, 0.5]  # glides of 35 and 55 s leave 15 s of rest and more, those of 80 and 105 s do not


def test_stages_come_down_to_several_places(monkeypatch):
    _, tried, _ = staged(monkeypatch)
    (seconds, setpoints, places), heights = tried[1], sorted({round(1e3 * h, 6) for h in tried[1][2][1][0]})

    assert seconds == (15.0, 35.0, 40.0) and heights == [7.0, 11.0, 16.0]  # 6 mm and shares of 20 mm
    assert sorted(set(setpoints)) == [280.0, 320.0, 360.0, 400.0] and setpoints.size == 36
    assert sorted({round(1e3 * s, 6) for s in places[1][1][0]}) == [3.15, 6.75, 13.5]  # of 4.5 mm
    assert (places[0][0] == 26e-3).all()
    np.testing.assert_array_equal(places[1][0], places[2][0])


def test_second_of_three_stages_glides(monkeypatch):
    run = []
    monkeypatch.setattr(stage_room, "run_stages", lambda *a, **more: run.append((a, more)))
    heights, sweeps = np.array([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]]), np.ones((3, 2, 2))
    stage_room._together("chain", (15.0, 35.0, 40.0), np.array([300.0, 320.0]), list(zip(heights, sweeps, strict=True)))

    (((chain, stages, setpoints, own), more),) = run
    assert [(s.seconds, s.glides) for s in stages] == [(15.0, False), (35.0, True), (40.0, False)]
    assert chain == "chain" and setpoints.tolist() == [300.0, 320.0] and more == {"steps": TimeSteps(coarser=2.0)}
    np.testing.assert_array_equal(own.heights_m, heights)


def test_smallest_first_sweep_that_keeps_the_rise_is_taken(monkeypatch):
    _, tried, _ = staged(monkeypatch)
    first = dict(zip(tried[1][1], tried[1][2][0][1][0], strict=True))

    # wide beyond 20 mm: 54, 36 and 27 mm; 280 C rises by 1.26 K/s there, by 1.82 with less: both are within 1.9
    assert first[280.0] == pytest.approx(6.75e-3)
    assert first[320.0] == first[360.0] == first[400.0] == pytest.approx(27e-3)


def test_pass_that_is_too_short_for_a_glide_stays_far_off(monkeypatch):
    found, *_ = staged(monkeypatch, dwell_s=64.9)

    (stage,) = found.stages
    assert (stage.height_m, stage.seconds, found.setpoint_c) == (26e-3, 64.9, 280.0)
    assert stage.sweep_m == pytest.approx((13.5e-3, 13.5e-3))
    assert len(staged(monkeypatch, dwell_s=65.0)[0].stages) == 3


def test_setpoints_lie_on_tens_within_the_range():
    assert map_room._setpoints(PlanLimits(setpoint_c=(285.0, 321.0)), 10.0).tolist() == [290.0, 300.0, 310.0, 320.0]
    assert map_room._setpoints(PlanLimits(setpoint_c=(300.0, 320.0)), 10.0).tolist() == [300.0, 310.0, 320.0]
    assert map_room._setpoints(PlanLimits(setpoint_c=(331.0, 337.0)), 10.0).tolist() == [334.0]


def test_a_margin_of_nothing_is_no_chance():
    # two members beside the middle: one of them just at its limit at the dwell
    many = SimpleNamespace(joint_k=np.array([[-9.0, -9.0, -9.0], [5.0, 0.0, 3.0]]), spare_k=np.full((2, 3), 8.0),
                           best_k=np.array([5.0, 0.0, 3.0]), times_s=np.array([10.0, 20.0]))

    dwell_s, chance, by_stop, at_dwell = window._chances(many, 20.0)

    assert (dwell_s, chance, by_stop, at_dwell) == (20.0, 0.5, 0.5, 0.5)
    assert window._chances(many, 19.0).by_stop == 0.0
