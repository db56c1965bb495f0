"""Hand-overs between threads."""

from hypothesis import given, strategies as st

from monitor.engine.mailbox import Line, Mailbox


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
