"""A curve stays bounded, hides no spike, and its news add up to itself."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from rig.live.trace import MOST_POINTS, Trace


def test_a_dip_of_one_second_in_a_whole_night_is_seen():
    trace = Trace()
    for second in range(12 * 3600):
        trace.add(float(second), 12.0 if second == 30_001 else 640.0)
    assert len(trace.points) <= MOST_POINTS
    assert [point for point in trace.points if point[1] == 12.0] != []
    assert max(point[2] for point in trace.points) == 640.0
    dip = next(point for point in trace.points if point[1] == 12.0)
    assert 0 <= 30_001 - dip[0] <= 12 * 3600 / MOST_POINTS * 2


@settings(deadline=None, derandomize=True, max_examples=30)
@given(st.lists(st.integers(min_value=1, max_value=900), min_size=1, max_size=8))
def test_news_put_one_after_the_other_are_the_curve(steps):
    trace, shown, second = Trace(), [], 0
    for count in steps:
        for _ in range(count):
            trace.add(float(second), float(second % 7))
            second += 1
        if (news := trace.news()) is not None:
            at, points = news
            shown = shown[:at] + points
        assert shown == trace.points
    assert trace.news() is None
