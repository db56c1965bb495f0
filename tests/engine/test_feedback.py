"""Coaching: silent band, fading, probes; rules F2 to F5 are of our own making."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.feedback import AUDIBLE_SHARES, Coach, Mode, Skill, load_skill, save_skill
from monitor.job import Limits

LIMITS = Limits(height_mm=(5.0, 25.0))
DAY = "2026-01-02"


def coach(mode=Mode.BAND, **options):
    options.setdefault("skill", Skill(n_passes=1, last_day=DAY))
    return Coach(LIMITS, mode, today=DAY, **options)


def run_pass(c, height_mm, n=10):
    for _ in range(n):
        c.step(0.1, height_mm, True)
    note = c.note()
    c.step(0.1, 40.0, False)
    return note, c.end_pass()


def test_the_band_is_fifteen_percent_of_the_middle_height():
    assert coach().band_mm == pytest.approx((12.75, 17.25))  # 15 mm +- 15 %, by hand


@given(st.floats(0.0, 60.0))
def test_the_tone_is_silent_just_inside_the_band(height_mm):
    c = coach()
    low, high = c.band_mm
    assert (c.error(height_mm) == 0.0) == (low <= height_mm <= high)


@given(st.floats(0.0, 60.0), st.floats(0.0, 60.0))
def test_the_tone_never_falls_as_the_height_rises(a, b):
    low, high = sorted((a, b))
    assert coach().error(low) <= coach().error(high)


def test_at_the_limits_the_tone_is_an_octave_off():
    assert coach().error(25.0) == 1.0 and coach().error(5.0) == -1.0


def test_in_the_mode_always_only_the_very_height_is_silent():
    assert coach(Mode.ALWAYS).error(16.0) > 0.0 and coach(Mode.BAND).error(16.0) == 0.0


def test_three_good_passes_fade_one_step_and_a_poor_one_takes_it_back():
    skill = Skill()
    for _ in range(3):
        skill = skill.after(0.85, DAY)
    assert skill.audible_share == 0.7
    assert skill.after(0.5, DAY).audible_share == 1.0


@given(st.lists(st.floats(0.0, 1.0), max_size=80))
def test_the_level_stays_on_its_ladder(shares):
    skill = Skill()
    for share in shares:
        skill = skill.after(share, DAY)
    assert skill.audible_share in AUDIBLE_SHARES and skill.n_passes == len(shares)


@pytest.mark.parametrize("level, share", list(enumerate(AUDIBLE_SHARES)))
def test_about_the_named_share_of_passes_is_coached(level, share):
    told = []
    for k in range(100):
        c = coach(Mode.FADED, skill=Skill(level=level, n_passes=k, last_day=DAY))
        if not c.is_probe:
            told.append(c.is_coached)
    assert sum(told) / len(told) == pytest.approx(share, abs=0.11)


def test_every_fifth_pass_is_a_muted_probe():
    probes = [coach(skill=Skill(n_passes=k, last_day=DAY)).is_probe for k in range(10)]
    assert [k + 1 for k, p in enumerate(probes) if p] == [5, 10]


def test_the_first_pass_of_a_day_is_a_probe():
    c = Coach(LIMITS, Mode.BAND, skill=Skill(n_passes=1, last_day="2026-01-01"), today=DAY)
    assert c.is_probe and not c.is_coached and math.isnan(c.step(0.1, 24.0, True))


def test_every_pass_carries_how_it_was_coached():
    note, share = run_pass(coach(Mode.FADED), 15.0)
    assert (note.feedback, note.band_share, note.audible_share, note.is_probe) == ("faded by skill", 0.15, 1.0, False)
    assert share == 1.0


def test_time_unseen_does_not_count_as_out_of_the_band():
    c = coach()
    for height in (15.0, math.nan, math.nan, 24.0):
        c.step(0.1, height, True)
    assert c.end_pass() == pytest.approx(0.5)


def test_skill_is_kept_for_each_trainee(tmp_path):
    path = tmp_path / "skills.json"
    save_skill(path, "A: U7", Skill(level=2, n_passes=9))
    save_skill(path, "B: U7", Skill(level=1))

    assert load_skill(path, "A: U7") == Skill(level=2, n_passes=9) and load_skill(path, "C: U7") == Skill()


def test_a_broken_skills_file_starts_anew(tmp_path):
    (tmp_path / "s.json").write_text('{"A": {"level": "no"}}')
    assert load_skill(tmp_path / "s.json", "A") == Skill()


def staged():
    """A coach on a plan of three stages: high, evenly down, stay."""
    return Coach(Limits(height_mm=(5.0, 40.0)), Mode.ALWAYS, today="2026-01-01",
                 stages=((40.0, 10.0, False), (10.0, 20.0, True), (10.0, 30.0, False)))


def test_coach_follows_the_stages_of_a_plan():
    coach, aims = staged(), []
    for _ in range(70):
        coach.step(0.5, 20.0, True)
        aims.append(coach.aim_mm)

    assert aims[10] == 40.0 and aims[39] == pytest.approx(25.0, abs=0.5) and aims[69] == 10.0
    assert np.all(np.diff(aims) <= 0)


def test_coach_tells_the_stage_and_begins_again_with_a_pass():
    coach = staged()
    for _ in range(30):
        coach.step(0.5, 20.0, True)
    told = coach.stage_words
    coach.step(0.5, 20.0, False)
    coach.step(0.5, 20.0, True)

    assert told == "stage 2 of 3: evenly down to 10 mm, 15 s to go" and coach.stage_words.startswith("stage 1 of 3")


def test_coach_without_stages_says_nothing_of_them():
    assert Coach(Limits(height_mm=(5.0, 25.0)), today="2026-01-01").stage_words == ""
