"""The map over settings from surfaces that are given, the members' own run, and the picture of a plan."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.colors import to_rgba

from monitor.heat.limits import Limit
from monitor.plan import chart
from monitor.plan import search as room
from monitor.plan.course import Course, TimeSteps, judged_names, repeated, run_stages
from monitor.plan.search import PlanLimits, settings_map
from monitor.plan.surface import Way, coordinates, run_members, run_star
from tests.heat.cases import job
from tests.heat.test_plan_words import GRID, PLAN, START
from tests.heat.test_surface_parts import SETUP, TINY, WAY, ensemble

PLAIN = job(neighbours=())
NAMES = judged_names(PLAIN)
LIMITS = PlanLimits((6e-3, 20e-3), (305.0, 335.0), 90.0)
SAME = SimpleNamespace(with_form=lambda c: c, values=None, first=lambda: SAME)


def held(height_m, log_of):
    """A surface of one height whose logarithm is given at every setting."""
    return SimpleNamespace(way=Way(320.0, (SimpleNamespace(height_m=height_m, sweep_m=(1e-3, 2e-3)),)),
                           log_rise=lambda at: np.full((1, 1, 1), log_of(height_m)), course=lambda logs: logs)


@pytest.mark.parametrize("height_m", [6e-3, 9e-3, 13e-3, 17e-3, 20e-3])
def test_height_between_surfaces_is_read_on_a_parabola(monkeypatch, height_m):
    monkeypatch.setattr(room, "coordinates", lambda s, e, surfaces, *a: [None] * len(surfaces))
    law = lambda h: 5.0 - 90.0 * h + 2100.0 * h**2
    surfaces = [held(h, law) for h in (6e-3, 13e-3, 20e-3)]

    got = room._between(PLAIN, SAME, surfaces, 320.0, height_m)

    assert got[0, 0, 0] == pytest.approx(law(height_m))


def test_map_has_a_row_for_every_setpoint_and_a_column_for_every_height(monkeypatch):
    members = np.arange(11)  # the middle and ten

    def between(setup, ensemble, surfaces, setpoint_c, height_m, exit_):
        melting = (members - 1 < setpoint_c / 10 - 29) | (members == 0)  # two at 310 C, three at 320 C, ...
        end = np.where(melting, 300.0 - 4e3 * height_m + 3.0 * (members > 0), 100.0)  # the middle one is the coolest
        temps = 25.0 + np.array([0.0, 0.5, 1.0])[:, None, None] * (end[None, None] - 25.0) * np.ones((1, 6, 1))
        temps[:, 2:] = 25.0
        return Course(np.array([0.0, 20.0, 40.0]), temps[:, :len(NAMES)], NAMES)

    monkeypatch.setattr(room, "_between", between)
    monkeypatch.setattr(room, "outlet", lambda *a: None)
    made = settings_map(PLAIN, LIMITS, SAME, [held(6e-3, lambda h: 0.0)])

    assert made.setpoints_c.tolist() == [310.0, 320.0, 330.0] and made.sweep_m == (1e-3, 2e-3)
    np.testing.assert_allclose(made.heights_m, [6e-3, 8e-3, 12e-3, 16e-3, 20e-3])  # within the range
    # up to 16 mm all that melt pass 225 C, 300 - 4 * 16 = 236 C; at 20 mm the end is 220 C
    np.testing.assert_allclose(made.chance, np.array([[2], [3], [4]]) / 10 * [1, 1, 1, 1, 0])
    np.testing.assert_allclose(made.middle_k[0, -1], -5.0)
    rise = 300.0 - 4.0 * np.array([6.0, 8.0, 12.0, 16.0]) - 25.0
    np.testing.assert_allclose(made.melt_s[1, :4], 40.0 * 195.0 / rise)  # 220 C, where the melt can be seen


@pytest.mark.parametrize("gains, chosen", [((0.0, 3.5, 6.0), 1), ((0.0, 2.9, 3.1), 2), ((0.0, 2.9, 2.9), 0),
                                           ((0.0, 4.0, 7.5), 2)])
def test_wider_sweep_is_taken_where_it_gains_three_kelvin(monkeypatch, gains, chosen):
    nodes = lambda s, li, e, sweeps, f, t: [[held(9e-3, lambda h: 0.0)] for _ in sweeps]
    monkeypatch.setattr(room, "height_nodes", nodes)
    asked = []
    monkeypatch.setattr(room, "_between", lambda s, e, surfaces, setpoint, h: asked.append(setpoint))
    margins = iter([g - (n == 0) for g in gains for n in range(2)])  # the better of two setpoints counts
    monkeypatch.setattr(room, "judge", lambda *a: SimpleNamespace(best_k=np.array([next(margins)])))
    limits = replace(LIMITS, setpoint_c=(290.0, 340.0))

    sweep = room._sweep(PLAIN, limits, SAME)

    assert sweep == pytest.approx([(2.25e-3,) * 2, (4.5e-3,) * 2, (6.75e-3,) * 2][chosen])  # of a 9 mm part
    assert asked == [300.0, 330.0] * 3


def test_members_own_run_has_the_error_of_its_steps_taken_away(monkeypatch):
    monkeypatch.setattr("monitor.heat.chain.Fineness", lambda: TINY)
    drawn = ensemble()
    course, _ = run_members(SETUP, drawn, WAY)
    (surface,) = run_star(SETUP, drawn, [WAY], TINY)
    chain = repeated(SETUP, drawn.middle(), TINY, 2)
    chain.model.layers.latent_j_m2[1] = 0.0
    half = run_stages(chain, WAY.stages, 370.0, steps=TimeSteps(2)).temp_c[::2]

    rise = lambda c: c - surface.from_c
    (at,) = coordinates(SETUP, drawn, [surface], 370.0, WAY.stages)
    factor = np.exp(surface.log_rise(at) - surface.middle[..., None])
    whole = surface.from_c + np.exp(surface.middle)  # by steps twice as long
    plain = surface.from_c + (rise(half[..., 1]) ** 2 / rise(whole))[..., None] * factor
    index = course.names.index("underside")  # far from the melt
    expected = plain[:, index] + 0.025 * drawn.scores[11 + index] * (plain[:, index] - plain[:1, index])
    np.testing.assert_allclose(course.temp_c[:, index], expected, atol=0.6)  # what melting held back, less than 0.5 K


@pytest.fixture
def axes(monkeypatch, tmp_path):
    """Both parts of a plan's picture."""
    drawn = []
    monkeypatch.setattr(chart, "write_figure", lambda figure, path: drawn.append(figure))

    def draw(plan):
        chart.draw_plan(plan, tmp_path / "plan.png")
        return drawn[-1].axes[:2]
    return draw


TIMES = np.arange(0.0, 81.0, 20.0)
MEMBERS = np.r_[1.0, np.linspace(0.8, 1.2, 21)]
COURSE = Course(TIMES, np.stack([25 + TIMES[:, None] * 2.5 * MEMBERS, 25 + TIMES[:, None] * 3.0 * MEMBERS,
                                 25 + TIMES[:, None] * 1.0 * MEMBERS], axis=1),
                ("joint corner", "package top", "underside"))
FULL = replace(PLAN, course=COURSE, limits={"underside": Limit(150.0, "job"), "package top": Limit(260.0, "class")},
               settings=replace(GRID, heights_m=np.array([9e-3, 12e-3]), chance=np.array([[0.1, 0.2], [0.8, 0.9]])))


def test_picture_shows_the_joint_and_the_site_that_comes_first_to_its_limit(axes):
    left, _ = axes(FULL)
    lines = {line.get_label(): line for line in left.lines}

    np.testing.assert_allclose(lines["coldest joint"].get_ydata(), COURSE.temp_c[:, 0, 0])
    first = lines["package top, first to its limit"]  # 260 C at 78.3 s; the underside stays 45 K below its own
    np.testing.assert_allclose(first.get_ydata(), COURSE.temp_c[:, 1, 0])
    band = left.collections[0].get_paths()[0].vertices
    assert band[:, 1].max() == pytest.approx(25 + 80 * 2.5 * np.quantile(MEMBERS[1:], 0.95))


def test_picture_of_a_job_that_passes_no_limit_shows_the_nearest(axes):
    far = replace(FULL, limits={"package top": Limit(400.0, "class"), "underside": Limit(150.0, "job")})

    assert any("underside must stay under 150 C" in t.get_text() for t in axes(far)[0].texts)


@pytest.mark.parametrize("verdict, words", [("open", ["try from 31 s", "likely molten 40 s", "stop by 75 s"]),
                                            ("closed", ["stop by 75 s"])])
def test_picture_tells_the_moments(axes, verdict, words):
    left, _ = axes(replace(FULL, verdict=verdict, colliding=PLAN.colliding or (
        SimpleNamespace(wanted=1, comes_to=2, unit="C", site="a"),) * 2))
    told = [t for t in left.texts if " s " in t.get_text()]

    assert [t.get_text().strip() for t in told] == words
    assert [t.get_position()[0] for t in told] == [31.0, 40.0, 75.0][3 - len(words):]
    assert [t.get_ha() for t in told] == ["left", "left", "right"][3 - len(words):]


def test_picture_tells_the_stages_along_its_foot(axes):
    left, _ = axes(FULL)
    feet = [(t.get_position()[0], t.get_text()) for t in left.texts if t.get_text().endswith(" mm")]

    assert feet == [(15.0, "20 mm"), (52.5, "9 mm")]
    assert [(p.get_x(), p.get_width()) for p in left.patches] == [(0.0, 30.0), (30.0, 45.0)]


def test_picture_marks_a_start_of_one_stage_on_its_map(axes):
    one = replace(START, stages=START.stages[:1])
    _, right = axes(replace(FULL, start=one, closest=one))
    (mark,) = [line for line in right.lines if line.get_label() == "start"]

    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (9.0, 360.0)
    assert not [line for line in axes(FULL)[1].lines if line.get_label() == "start"]  # several stages are no setting
    assert right.get_xlim() == (9.0, 12.0) and right.get_ylim() == (300.0, 360.0)


def test_picture_of_one_setting_has_no_map(axes):
    assert not axes(replace(FULL, settings=GRID))[1].axison


def test_labels_stand_on_the_far_side_of_one_another(axes):
    sides = {t.get_text().split(" must")[0]: t.get_va() for t in axes(FULL)[0].texts if "must" in t.get_text()}
    assert sides == {"joints": "top", "package top": "bottom"}

    low = replace(FULL, limits={"package top": Limit(200.0, "class")})
    sides = {t.get_text().split(" must")[0]: t.get_va() for t in axes(low)[0].texts if "must" in t.get_text()}
    assert sides == {"joints": "bottom", "package top": "top"} and to_rgba(chart.JOINT) != to_rgba(chart.LIMITED)
