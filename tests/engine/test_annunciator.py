"""Shelving, floods and repeats; rules A9 to A11 are of our own making."""

import pytest

from monitor.engine.annunciator import Annunciator
from monitor.errors import InputError
from monitor.judging.alerts import Priority, TechniqueWarning


def warning(number=1, t_s=0.0, kind="too_far", priority=Priority.MEDIUM):
    return TechniqueWarning(number, kind, "U7", priority, "Lower the nozzle", t_s, t_s, None, 0.0, 30.0, 25.0, "mm",
                            None, "")


def test_a_warning_sounds_when_it_starts_and_once_more_after_a_minute():
    a, w = Annunciator(), warning()
    sounds = [(t, a.step(t, (w,) if t == 0 else (), (w,)).sounds) for t in range(200)]

    assert [t for t, s in sounds if s] == [0, 60]


def test_a_shelved_warning_is_silent_but_listed():
    a, w = Annunciator(), warning()
    a.step(0.0, (w,), (w,))
    a.shelve(w, 1.0)
    alarm = a.step(70.0, (), (w,))

    assert not alarm.shown and not alarm.sounds and alarm.shelved[0].kind == "too_far"


def test_a_shelved_warning_comes_back_after_ten_minutes():
    a, w = Annunciator(), warning()
    a.shelve(w, 0.0, for_s=10_000.0)

    assert not a.step(599.0, (), (w,)).shown and a.step(601.0, (), (w,)).shown


def test_shelving_a_warning_that_protects_the_work_needs_a_reason():
    a, w = Annunciator(), warning(priority=Priority.HIGH)
    with pytest.raises(InputError, match="say why"):
        a.shelve(w, 0.0)

    assert a.shelve(w, 0.0, reason="the part is scrap").reason == "the part is scrap"


def test_a_flood_folds_into_one_advice_and_one_sound_in_ten_seconds():
    a, sounds = Annunciator(), []
    for i in range(20):
        w = warning(i + 1, float(i), kind=f"k{i}")
        alarm = a.step(float(i), (w,), (w,))
        sounds += [float(i)] * len(alarm.sounds)

    in_flood = [t for t in sounds if t > 4]  # the sixth raise within a minute makes the flood
    assert alarm.is_flood and in_flood == [14.0]
