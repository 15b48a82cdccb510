"""Forward, back, once more, past one: where a person is in a row of points."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rig.hand.order import PointOrder


def walk(order: PointOrder, *steps: str) -> list[int | None]:
    seen: list[int | None] = []
    for step in steps:
        seen.append(order.at)
        if step == "read":
            order.read()
        else:
            order.follow(step)
    return [*seen, order.at]


def test_without_a_word_every_open_point_is_read_once_in_order():
    order = PointOrder([3, 4, 5, 8, 7, 6], done=[4], skipped=[8])
    assert walk(order, "read", "read", "read", "read") == [3, 5, 7, 6, None]
    assert order.done == {3, 4, 5, 7, 6}
    assert order.skipped == (8,)
    assert order.left == 0


def test_back_reads_the_point_before_again_and_goes_on_where_one_was():
    order = PointOrder([0, 1, 2, 3])
    assert walk(order, "read", "read", "back", "read", "read") == [0, 1, 2, 1, 2, 3]


def test_back_twice_goes_two_points_back_and_stays_at_the_first():
    order = PointOrder([0, 1, 2, 3])
    assert walk(order, "read", "read", "back", "back", "back") == [0, 1, 2, 1, 0, 0]
    assert not order.has_before


def test_once_more_reads_what_was_read_last_even_past_a_skipped_one():
    order = PointOrder([0, 1, 2, 3])
    assert walk(order, "read", "skip", "redo", "read") == [0, 1, 2, 0, 2]
    assert order.skipped == (1,)


def test_once_more_stays_where_nothing_was_read():
    order = PointOrder([0, 1])
    assert walk(order, "redo") == [0, 0]


def test_a_skipped_point_can_be_gone_back_to_and_is_then_read():
    order = PointOrder([0, 1, 2])
    assert walk(order, "read", "skip", "back", "read", "read") == [0, 1, 2, 1, 2, None]
    assert order.skipped == ()


def test_leaving_out_a_point_that_was_read_keeps_it_read():
    order = PointOrder([0, 1, 2])
    assert walk(order, "read", "back", "skip") == [0, 1, 0, 1]
    assert order.skipped == ()
    assert order.done == {0}


def test_back_from_the_end_is_the_last_point():
    order = PointOrder([0, 1])
    assert walk(order, "read", "read", "back", "read") == [0, 1, None, 1, None]


def test_skipped_points_can_be_taken_up_at_the_end():
    order = PointOrder([0, 1, 2])
    walk(order, "skip", "read", "skip")
    assert order.at is None
    order.reopen()
    assert walk(order, "read", "read") == [0, 2, None]
    assert order.left == 0


@given(st.lists(st.sampled_from(["read", "redo", "back", "skip"]), max_size=40), st.integers(1, 7))
def test_however_one_goes_no_point_is_forgotten(steps, count):
    order = PointOrder(range(count))
    read, left_out = set(), set()
    for step in steps:
        at = order.at
        if step == "read":
            if at is None:
                continue
            order.read()
            read.add(at)
        elif step == "skip" and at is None:
            continue
        else:
            order.follow(step)
            if step == "skip":
                left_out.add(at)
    assert order.done == read
    assert set(order.skipped) == left_out - read
    while order.at is not None:
        order.read()
    assert order.done | set(order.skipped) == set(range(count))
