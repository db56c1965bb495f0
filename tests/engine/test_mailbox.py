"""Hand-overs between threads."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.mailbox import Line, Mailbox, Recent


def test_the_newest_wins_and_the_older_one_is_counted():
    box = Mailbox()
    box.put("old")
    box.put("new")

    assert box.take(0.0) == "new" and box.n_dropped == 1 and box.take(0.0) is None


@given(st.lists(st.booleans(), max_size=60))
def test_every_value_is_taken_or_counted_as_dropped(puts):
    box, n_taken = Mailbox(), 0
    for is_put in puts:
        if is_put:
            box.put(object())
        else:
            n_taken += box.take(0.0) is not None
    n_taken += box.take(0.0) is not None

    assert n_taken + box.n_dropped == box.n_put == sum(puts)


def test_a_line_keeps_order_and_refuses_what_does_not_fit():
    line = Line(2)

    assert [line.put(i) for i in range(4)] == [True, True, False, False]
    assert [line.take(0.0), line.take(0.0), line.take(0.0)] == [0, 1, None] and line.n_refused == 2


def test_a_closed_line_still_gives_what_stood_in_it():
    line = Line(3)
    line.put("last")
    line.close()

    assert not line.put("late") and not line.is_closed and line.take() == "last" and line.is_closed


def fill(times):
    box = Recent(lambda t: t, kept_s=0.5, most=20)
    for t in times:
        box.put(t)
    return box


def test_one_who_fell_behind_for_once_misses_nothing():
    box = fill([i / 30 for i in range(12)])
    assert [box.take(0.0) for _ in range(13)] == [*(i / 30 for i in range(12)), None] and box.n_dropped == 0


def test_one_who_is_too_slow_skips_to_the_first_value_that_is_late_enough():
    box = fill([i / 30 for i in range(12)])
    assert box.take(0.0, 0.1 + 1e-9) == 4 / 30 and box.n_dropped == 4


def test_when_no_value_is_late_enough_the_newest_wins():
    box = fill([0.0, 0.1, 0.2])
    assert box.take(0.0, 0.5) == 0.2 and box.take(0.0, 0.5) is None


def test_one_who_is_hardly_late_skips_nothing():
    box = fill([0.0, 0.03, 0.06])
    assert [box.take(0.0, 0.5) for _ in range(3)] == [0.0, 0.03, 0.06]


@given(st.lists(st.tuples(st.booleans(), st.floats(0.001, 0.2)), max_size=80))
def test_every_recent_value_is_taken_or_counted(acts):
    box, t, n_taken = Recent(lambda v: v), 0.0, 0
    for is_put, step in acts:
        if is_put:
            t += step
            box.put(t)
        else:
            n_taken += box.take(0.0, t - step) is not None
    while box.take(0.0, 0.0) is not None:
        n_taken += 1

    assert n_taken + box.n_dropped == box.n_put


@given(st.lists(st.floats(0.001, 0.2), min_size=1, max_size=200))
def test_the_memory_of_recent_values_is_short(steps):
    box, t = Recent(lambda v: v), 0.0
    for step in steps:
        t += step
        box.put(t)
    assert len(box._values) <= 20 and box._values[-1] == t and t - box._values[0] <= 0.5


def test_as_many_values_are_kept_as_were_asked_for():
    box = Recent(lambda v: v, kept_s=9.0, most=3)
    for t in range(5):
        box.put(float(t))

    assert [box.take(0.0, 0.0) for _ in range(4)] == [2.0, 3.0, 4.0, None] and box.n_dropped == 2


def test_a_value_that_is_just_young_enough_is_kept():
    box = Recent(lambda v: v, kept_s=0.5)
    box.put(0.0)
    box.put(0.5)

    assert box.take(0.0, 0.0) == 0.0
