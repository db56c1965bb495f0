"""What a judge makes of single frames: the tool's state, the heat model's input, and what a person marks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.judging.marks import MOLTEN, SOLID, JointMark
from monitor.judging.pipeline import Judge, ToolState
from tests.monitor.make import job, result, track


class Heat:
    """Takes notes in place of a heat model."""

    def __init__(self):
        self.limits = {}
        self.inputs, self.seen, self.forgotten = [], [], []

    def step(self, inp):
        self.inputs.append(inp)

    def see(self, sight):
        self.seen.append(sight)

    def forget(self, sight):
        self.forgotten.append(sight)


def at_work(t_s, x_mm=0.0, height_mm=12.0):
    return track(t_s, (x_mm, 0.0, height_mm + 6.0))


def judge(*frames, heat=None, mat=True):
    """A judge after frames of (time, track); and its results."""
    made = Judge(job(), heat)
    return made, [made.step(result(n, seen, mat=mat)) for n, seen in enumerate(frames)]


def lost(t_s, t_seen_s):
    return track(t_s, None, t_seen_s=t_seen_s)


@pytest.mark.parametrize("seen, state", [
    ((at_work(1.0),), ToolState.ON_TARGET), ((at_work(1.0, 13.0),), ToolState.OFF_TARGET),
    ((lost(1.0, math.nan),), ToolState.NOT_YET), ((at_work(1.0), lost(1.125, 1.0)), ToolState.ON_TARGET),
    ((at_work(1.0), lost(1.25, 1.0)), ToolState.NOT_SEEN),
    ((at_work(1.0, 60.0), lost(1.25, 1.0)), ToolState.OFF_TARGET),
    ((at_work(1.0, 60.0), lost(9.0, 1.0)), ToolState.AWAY)])
def test_state_of_the_tool_follows_from_what_was_seen_last(seen, state):
    assert judge(*seen)[1][-1].state is state


def test_mat_that_is_hidden_is_told_once_nothing_fresh_is_known():
    assert judge(at_work(1.0), mat=False)[1][-1].state is ToolState.ON_TARGET
    assert judge(at_work(1.0), lost(1.25, 1.0), mat=False)[1][-1].state is ToolState.NO_MAT


def test_heat_is_told_of_the_time_between_frames():
    heat = Heat()
    judge(at_work(1.0), at_work(1.125), at_work(1.25), heat=heat)

    assert [(i.t_s, i.dt_s) for i in heat.inputs] == [(1.0, 0.0), (1.125, 0.125), (1.25, 0.125)]
    assert heat.inputs[0].observed and heat.inputs[0].height_m == pytest.approx(12e-3) and heat.inputs[0].on


def test_frame_that_lies_before_the_last_takes_no_time():
    heat = Heat()
    judge(at_work(1.0), at_work(0.5), heat=heat)

    assert heat.inputs[1].dt_s == 0.0


def test_time_without_pictures_is_unseen_but_for_its_last_part():
    heat = Heat()
    judge(at_work(1.0), at_work(3.0, height_mm=20.0), heat=heat)
    _, gap, seen = heat.inputs

    assert not gap.observed and seen.observed and seen.dt_s == 0.3
    assert gap.dt_s + seen.dt_s == pytest.approx(2.0) and gap.t_s == pytest.approx(3.0 - seen.dt_s) and seen.t_s == 3.0


def test_tool_that_is_away_heats_nothing():
    heat = Heat()
    judge(at_work(1.0, 60.0), lost(9.0, 1.0), heat=heat)

    assert heat.inputs[0].on and not heat.inputs[-1].on


def test_knobs_keep_what_they_were_turned_to():
    heat = Heat()
    made, _ = judge(at_work(1.0), heat=heat)
    made.set_station(setpoint_c=400.0)
    made.step(result(1, at_work(1.1)))
    made.set_station(airflow_l_min=60.0)
    made.step(result(2, at_work(1.2)))

    assert [(i.setpoint_c, i.airflow_m3_s) for i in heat.inputs] == [(None, None), (400.0, None), (
        400.0, pytest.approx(1e-3))]


def mark(t_s, kind):
    return JointMark(t_s, kind, "k1", "2026-03-02T09:00:00+00:00")


def test_mark_counts_from_the_next_frame_on():
    heat = Heat()
    made, _ = judge(at_work(1.0), heat=heat)
    made.mark(mark(1.05, MOLTEN))
    done = made.step(result(1, at_work(1.1)))

    assert done.molten_s == 1.05 and [(s.t_s, s.kind, s.told_by) for s in heat.seen] == [(1.05, "molten", "k1")]
    made.mark(mark(1.15, SOLID))
    assert math.isnan(made.step(result(2, at_work(1.2))).molten_s)


def test_mark_that_is_taken_back_is_forgotten():
    heat = Heat()
    made, _ = judge(at_work(1.0), heat=heat)
    made.mark(mark(1.05, MOLTEN))
    made.step(result(1, at_work(1.1)))
    made.unmark(mark(0.9, MOLTEN))  # another one
    assert made.step(result(2, at_work(1.2))).molten_s == 1.05
    made.unmark(mark(1.05, MOLTEN))

    assert math.isnan(made.step(result(3, at_work(1.3))).molten_s) and [s.t_s for s in heat.forgotten] == [0.9, 1.05]


def test_mark_that_is_taken_back_before_it_counted_was_never_there():
    heat = Heat()
    made, _ = judge(at_work(1.0), heat=heat)
    made.mark(mark(1.05, MOLTEN))
    made.unmark(mark(1.05, MOLTEN))

    assert math.isnan(made.step(result(1, at_work(1.1))).molten_s) and not (heat.seen or heat.forgotten)


def test_without_a_heat_model_there_is_no_heat():
    made, (done,) = judge(at_work(1.0))

    assert done.heat is None and done.lessons == () and made.limits_c() == {}
    assert np.isfinite(done.exposure.height_mm)
