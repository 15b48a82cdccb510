"""The policy of planned runs: expected moments are worked out by hand from the zone's rules."""

from __future__ import annotations

import math
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.schedule_policy import (
    BUSY,
    CHECKLIST_LASTS,
    Hours,
    Missed,
    OnRecord,
    PlannedRun,
    Start,
    State,
    Wait,
    decide,
    next_opening,
    to_utc,
)

# Summer time in the European Union begins and ends at 01:00 UTC on the last Sunday of March and
# of October (Directive 2000/84/EC, articles 2 and 3, from memory): 2026-03-29 and 2026-10-25.
BERLIN = ZoneInfo("Europe/Berlin")
PLANNED = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
#: 22:00 in Berlin in January is 21:00 UTC.
RUN = PlannedRun(name="1", planned_utc=PLANNED, start=datetime(2026, 1, 5, 22, 0))
DUE = datetime(2026, 1, 5, 21, 0, tzinfo=UTC)
OWN = {"1": OnRecord(state=State.PLANNED, utc=PLANNED)}


def minutes(count):
    return timedelta(minutes=count)


def test_it_waits_before_its_time_starts_at_it_and_is_missed_when_too_late():
    assert decide(RUN, DUE - minutes(1), BERLIN, OWN) == Wait(DUE, "is due 2026-01-05 22:00 CET")
    assert decide(RUN, DUE, BERLIN, OWN) == Start()
    assert decide(RUN, DUE + minutes(60), BERLIN, OWN) == Start()
    late = decide(RUN, DUE + minutes(61), BERLIN, OWN)
    assert isinstance(late, Missed)
    assert "might be started until 2026-01-05 23:00 CET" in late.reason
    assert "computer was off or asleep" in late.reason


def test_asking_twice_gives_the_same_answer():
    assert decide(RUN, DUE, BERLIN, OWN) == decide(RUN, DUE, BERLIN, OWN)


def test_however_late_still_ends_with_the_checklist():
    run = evolve(RUN, late_by_s=math.inf)
    assert decide(run, DUE + timedelta(days=6), BERLIN, OWN) == Start()
    over = decide(run, PLANNED + timedelta(days=7, minutes=1), BERLIN, OWN)
    assert isinstance(over, Missed)


def test_a_start_beyond_the_checklist_is_missed_for_that_reason():
    run = evolve(RUN, start=datetime(2026, 1, 13, 22, 0))
    missed = decide(run, datetime(2026, 1, 13, 21, 0, tzinfo=UTC), BERLIN, OWN)
    assert isinstance(missed, Missed)
    assert "checklist" in missed.reason
    assert "good for 7 days" in missed.reason


def test_a_clock_that_was_not_set_starts_nothing():
    answer = decide(RUN, datetime(1970, 1, 1, tzinfo=UTC), BERLIN, OWN)
    assert isinstance(answer, Wait)
    assert answer.until_utc is None
    assert "waits for the clock to be set" in answer.why


@pytest.mark.parametrize("state", [State.CLAIMED, State.STARTED])
def test_it_waits_while_another_has_the_bench_and_is_missed_if_that_lasts(state):
    records = {**OWN, "9": OnRecord(state=state, utc=DUE - minutes(30))}
    answer = decide(RUN, DUE, BERLIN, records)
    assert isinstance(answer, Wait)
    assert answer.until_utc == DUE + minutes(60) + timedelta(seconds=1)
    assert "planned run 9" in answer.why
    missed = decide(RUN, answer.until_utc, BERLIN, records)
    assert isinstance(missed, Missed)
    assert "in use by planned run 9" in missed.reason


def test_one_that_follows_starts_when_the_other_has_completed_and_not_otherwise():
    run = evolve(RUN, name="2", start=None, after="1")

    def asked(state, code=None, reason=""):
        record = OnRecord(state=state, utc=DUE, exit_code=code, reason=reason)
        return decide(run, DUE + minutes(1), BERLIN, {"1": record})

    assert asked(State.FINISHED, 0) == Start()
    for state in (State.PLANNED, State.CLAIMED, State.STARTED):
        assert asked(state) == Wait(None, "follows run 1")
    failed = asked(State.FINISHED, 1, "the lamp went out")
    assert failed == Missed("run 1, which it was to follow, did not complete: the lamp went out")
    assert asked(State.REMOVED) == Missed("run 1, which it was to follow, was removed")
    assert asked(State.MISSED, None, "late") == Missed(
        "run 1, which it was to follow, was missed: late"
    )
    assert isinstance(decide(run, DUE, BERLIN, {}), Missed)


NIGHT = Hours(time(20, 0), time(6, 0))


@pytest.mark.parametrize(
    ("local", "is_within"),
    [("19:59", False), ("20:00", True), ("23:59", True), ("05:59", True), ("06:00", False)],
)
def test_hours_may_go_over_midnight(local, is_within):
    assert NIGHT.hold(time.fromisoformat(local)) is is_within


def test_outside_its_hours_it_waits_for_them_or_is_missed_if_they_open_too_late():
    # 13:00 in Berlin; the hours open at 20:00, 19:00 UTC.
    run = evolve(RUN, start=datetime(2026, 1, 6, 13, 0), hours=NIGHT, late_by_s=8 * 3600.0)
    noon = datetime(2026, 1, 6, 12, 0, tzinfo=UTC)
    opens = datetime(2026, 1, 6, 19, 0, tzinfo=UTC)
    assert decide(run, noon, BERLIN, OWN) == Wait(opens, "its hours are 20:00-06:00")
    assert decide(run, opens, BERLIN, OWN) == Start()
    missed = decide(evolve(run, late_by_s=3600.0), noon, BERLIN, OWN)
    assert isinstance(missed, Missed)
    assert "20:00-06:00" in missed.reason


@pytest.mark.parametrize(
    ("local", "utc"),
    [
        # The night before the change, winter time, UTC+1.
        ("2026-03-28T22:00", "2026-03-28T21:00"),
        # 02:30 does not exist: winter time would give 01:30 UTC, on the wall 03:30 summer time.
        ("2026-03-29T02:30", "2026-03-29T01:30"),
        ("2026-03-29T22:00", "2026-03-29T20:00"),
        # 02:30 comes twice, at 00:30 and 01:30 UTC: the first is meant.
        ("2026-10-25T02:30", "2026-10-25T00:30"),
        ("2026-10-25T22:00", "2026-10-25T21:00"),
    ],
)
def test_local_times_are_the_moments_of_the_zones_rules(local, utc):
    expected = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert to_utc(datetime.fromisoformat(local), BERLIN) == expected


def test_hours_open_by_the_clock_on_the_wall_on_both_sides_of_a_change():
    # In winter 20:00 is 19:00 UTC, in summer 18:00 UTC.
    for now, opens in (
        ("2026-03-28T12:00", "2026-03-28T19:00"),
        ("2026-03-28T20:00", "2026-03-29T18:00"),
        ("2026-10-24T12:00", "2026-10-24T18:00"),
        ("2026-10-24T20:00", "2026-10-25T19:00"),
    ):
        at, expected = (datetime.fromisoformat(t).replace(tzinfo=UTC) for t in (now, opens))
        assert next_opening(NIGHT, at, BERLIN) == expected


def test_an_opening_that_falls_into_the_missing_hour_comes_an_hour_later_on_the_wall():
    hours = Hours(time(2, 30), time(6, 0))
    now = datetime(2026, 3, 29, 0, 0, tzinfo=UTC)
    opens = next_opening(hours, now, BERLIN)
    assert opens == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert opens.astimezone(BERLIN).time() == time(3, 30)
    assert hours.hold(opens.astimezone(BERLIN).time())


MOMENTS = st.datetimes(datetime(2026, 3, 27), datetime(2026, 4, 8)).map(
    lambda moment: moment.replace(microsecond=0)
)
TIMES = st.times().map(lambda at: at.replace(second=0, microsecond=0))
HOURS = st.one_of(
    st.none(), st.tuples(TIMES, TIMES).filter(lambda two: two[0] != two[1]).map(lambda t: Hours(*t))
)


@settings(deadline=None, derandomize=True, max_examples=400)
@given(
    start=MOMENTS,
    asked=st.lists(MOMENTS, min_size=1, max_size=6),
    hours=HOURS,
    late_by_h=st.one_of(st.just(math.inf), st.floats(0.1, 100.0)),
    other=st.sampled_from(list(State)),
)
def test_whatever_is_asked_nothing_starts_early_late_outside_its_hours_or_on_a_used_bench(
    start, asked, hours, late_by_h, other
):
    planned = datetime(2026, 3, 27, tzinfo=UTC)
    run = PlannedRun(
        name="1", planned_utc=planned, start=start, hours=hours, late_by_s=3600.0 * late_by_h
    )
    records = {**OWN, "9": OnRecord(state=other, utc=planned)}
    due = start.replace(tzinfo=BERLIN).astimezone(UTC)
    missed = False
    for now in sorted(moment.replace(tzinfo=UTC) for moment in asked):
        answer = decide(run, now, BERLIN, records)
        if missed:
            assert isinstance(answer, Missed)  # once missed, always missed
        missed = isinstance(answer, Missed)
        if isinstance(answer, Wait):
            assert answer.until_utc is None or answer.until_utc > now  # it is asked again later
        if isinstance(answer, Start):
            assert now >= due
            assert (now - due).total_seconds() <= 3600.0 * late_by_h
            assert now <= planned + CHECKLIST_LASTS
            assert hours is None or hours.hold(now.astimezone(BERLIN).time())
            assert other not in BUSY
