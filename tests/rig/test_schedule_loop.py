"""Schedules kept over virtual nights and months: nothing missed, nothing twice, all on record."""

from __future__ import annotations

import os
import tracemalloc
from datetime import datetime, time, timedelta

import pytest

from analysis import durable
from analysis.lab_records import LabFolderError
from rig.schedule_book import SCHEDULE, Book
from rig.schedule_loop import TICK_S
from rig.schedule_policy import Hours, State
from tests.rig.simulated_schedule import FreeLock, Night, nights_from, utc

#: A waker that forgets is made good by looking every so often.
LATEST = timedelta(seconds=TICK_S + 1)


def test_a_run_starts_at_its_time_once_and_every_step_is_on_record(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T17:00"))
    night.plan("2026-01-05T22:00")
    night.keep(utc("2026-01-06T09:00"))
    [(name, began)] = night.launched
    assert name == "1"
    assert timedelta(0) <= began - utc("2026-01-05T21:00") <= LATEST
    lines = (night.lab / SCHEDULE).read_text().splitlines()
    assert [line.split(",")[2] for line in lines[1:]] == [
        "planned",
        "claimed",
        "started",
        "finished",
    ]
    assert night.troubles == []


# Last Sundays of March and October, 01:00 UTC: Directive 2000/84/EC (from memory).
@pytest.mark.parametrize(
    ("first", "changes_on", "utc_before", "utc_after"),
    [
        ("2026-03-15T22:00", "2026-03-29", time(21, 0), time(20, 0)),
        ("2026-10-10T22:00", "2026-10-25", time(20, 0), time(21, 0)),
        # The hour that is left out, and the one that comes twice, by the clock on the wall: in
        # summer 02:30 is 00:30 UTC, in winter 01:30 UTC, and so on both days of the change.
        ("2026-03-15T02:30", "2026-03-30", time(1, 30), time(0, 30)),
        ("2026-10-10T02:30", "2026-10-26", time(0, 30), time(1, 30)),
    ],
)
def test_in_a_month_of_nights_none_is_missed_and_each_starts_by_the_clock_on_the_wall(
    tmp_path, first, changes_on, utc_before, utc_after
):
    begins = datetime.fromisoformat(first)
    night = Night(tmp_path, utc(first) - timedelta(hours=12))
    nights = nights_from(first, 31)
    # A checklist is good for a week: each week a person comes and plans the next nights.
    for week in range(0, 31, 6):
        for start in nights[week : week + 6]:
            night.plan(start)
        night.keep(utc(nights[min(week + 5, 30)]) + timedelta(hours=8), tick_s=300.0)
    assert [name for name, _ in night.launched] == [str(n + 1) for n in range(31)]
    for start, (_, began) in zip(nights, night.launched, strict=True):
        local = datetime.fromisoformat(start)
        at = utc_before if start[:10] < changes_on else utc_after
        due = utc(f"{local:%Y-%m-%d}T{at:%H:%M}")
        assert timedelta(0) <= began - due <= timedelta(seconds=300), start
    assert {state for state, _ in night.on_record().values()} == {"finished"}
    assert night.troubles == []
    assert begins.hour in (2, 22)


def test_memory_and_the_cost_of_a_line_stay_flat_over_a_month(tmp_path, monkeypatch):
    night = Night(tmp_path, utc("2026-01-05T12:00"), takes_s=600.0)
    night.said = night.launched = Nothing()
    loop = night.loop(utc("2026-02-06T12:00"), tick_s=600.0)
    kept, understood, memory_bytes = [], [], []
    take = Book._take

    def counted(book, line):
        if book is loop.book:
            understood.append(len(line))
        take(book, line)

    monkeypatch.setattr(Book, "_take", counted)

    def plan_and_look_back():
        night.plan(f"{night.clock.utc() + timedelta(hours=6):%Y-%m-%dT%H:%M}")
        kept.append(len(loop.book.entries) + len(loop.book.records) + len(loop.book.folders))
        memory_bytes.append(tracemalloc.get_traced_memory()[0])

    for day in range(31):
        night.clock.call_at(day * 86_400.0, plan_and_look_back)
    tracemalloc.start()
    loop.run()
    tracemalloc.stop()
    assert kept == [0] * 31  # what has ended is forgotten
    lines = (night.lab / SCHEDULE).read_text().splitlines()[1:]
    assert understood == [len(line) for line in lines]  # each line once, however long the file is
    assert memory_bytes[30] - memory_bytes[10] < 20_000
    assert len(lines) == 4 * 31


class Nothing(list):
    """Keeps nothing, so that only what the loop keeps is counted."""

    def append(self, _item):
        pass


def test_one_that_follows_starts_after_the_other_and_within_its_hours(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T12:00"))
    first = night.plan("2026-01-05T22:00")
    night.plan(after=first, hours=Hours(time(20, 0), time(3, 0)), late_by_s=48 * 3600.0)
    night.keep(utc("2026-01-07T12:00"))
    (_, one), (_, two) = night.launched
    # 22:00 and five hours is 03:00, when its hours are over; they open at 20:00, 19:00 UTC.
    assert timedelta(0) <= two - utc("2026-01-06T19:00") <= LATEST
    assert one < two


def test_what_is_missed_is_missed_with_its_reason_and_so_is_what_follows(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T12:00"))
    first = night.plan("2026-01-05T22:00")
    night.plan(after=first)
    night.clock.wait_until(12 * 3600.0)  # the computer was off until midnight UTC
    night.keep(utc("2026-01-06T02:00"))
    assert night.launched == []
    states = night.on_record()
    assert states["1"][0] == states["2"][0] == "missed"
    assert "computer was off or asleep" in states["1"][1]
    assert states["2"][1].startswith("run 1, which it was to follow, was missed: was due")
    assert [name for name, _ in night.troubles] == ["1", "2"]


def test_clock_steps_of_an_hour_start_nothing_twice_and_lose_nothing(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T12:00"), takes_s=1800.0)
    for start in nights_from("2026-01-05T22:00", 4):
        night.plan(start)
    hour_s = 3600.0
    # Back while the first runs, on again before the second, and in the waiting for the third.
    night.clock.call_at(9.2 * hour_s, lambda: night.clock.step_utc(-hour_s))
    night.clock.call_at(20 * hour_s, lambda: night.clock.step_utc(hour_s))
    night.clock.call_at(40 * hour_s, lambda: night.clock.step_utc(hour_s))
    night.clock.call_at(50 * hour_s, lambda: night.clock.step_utc(-hour_s))
    night.keep(utc("2026-01-09T12:00"))
    assert [name for name, _ in night.launched] == ["1", "2", "3", "4"]
    assert {state for state, _ in night.on_record().values()} == {"finished"}


def test_a_bench_in_use_by_somebody_else_is_waited_for(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T20:00"))
    night.plan("2026-01-05T22:00")
    night.bench_is_taken = True

    def free():
        night.bench_is_taken = False

    night.clock.call_at(1.5 * 3600.0, free)  # 21:30 UTC, half an hour late
    night.keep(utc("2026-01-06T09:00"))
    [(_, began)] = night.launched
    assert timedelta(0) <= began - utc("2026-01-05T21:30") <= LATEST
    assert sum("other.toml" in line for line in night.said) == 1  # said once, not every tick


def test_a_run_claimed_by_a_scheduler_that_was_killed_is_planned_again(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T20:55"))
    name = night.plan("2026-01-05T22:00")
    Book(night.lab).note(name, State.CLAIMED, utc("2026-01-05T21:00"))
    night.keep(utc("2026-01-06T09:00"))
    assert [name for name, _ in night.launched] == ["1"]
    assert night.on_record()["1"][0] == "finished"


def test_a_run_that_was_killed_ends_without_a_word_and_is_not_started_again(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T20:55"))
    name = night.plan("2026-01-05T22:00")
    book = Book(night.lab)
    book.note(name, State.CLAIMED, utc("2026-01-05T21:00"))
    book.note(name, State.STARTED, utc("2026-01-05T21:00"), run_folder="runs/one")
    night.keep(utc("2026-01-06T09:00"))
    assert night.launched == []
    state, reason = night.on_record()["1"]
    assert state == "finished"
    assert "ended without a word: killed" in reason
    assert "runs/one" in reason
    assert night.troubles == [("1", reason)]


def test_a_run_that_goes_on_without_its_scheduler_is_left_alone(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T20:55"))
    first, _ = night.plan("2026-01-05T22:00"), night.plan("2026-01-05T22:30")
    Book(night.lab).note(first, State.STARTED, utc("2026-01-05T21:00"), run_folder="runs/one")
    night.bench_is_taken = True

    def end():
        night.bench_is_taken = False
        Book(night.lab).note(first, State.FINISHED, night.clock.utc(), exit_code=0)

    night.clock.call_at(3600.0, end)
    night.keep(utc("2026-01-06T09:00"))
    assert [name for name, _ in night.launched] == ["2"]
    assert night.on_record()[first] == ("finished", "")


def test_lines_torn_or_foreign_are_named_and_spoil_nothing_else(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T12:00"), takes_s=1800.0)
    night.plan("2026-01-05T22:00")
    with (night.lab / SCHEDULE).open("a") as file:
        file.write("2026-01-05T12:00:00Z,2,plan")  # a torn write
    night.plan("2026-01-05T23:00")
    night.keep(utc("2026-01-06T12:00"))
    assert [name for name, _ in night.launched] == ["1", "2"]
    assert any("not understood, left out" in line for line in night.said)


def test_every_cut_of_the_schedule_leaves_the_whole_lines_before_it(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T12:00"))
    night.plan("2026-01-05T22:00")
    book = Book(night.lab)
    book.note("1", State.CLAIMED, utc("2026-01-05T21:00"))
    book.note("1", State.STARTED, utc("2026-01-05T21:00"))
    path = night.lab / SCHEDULE
    whole = path.read_bytes()
    ends = [at + 1 for at, byte in enumerate(whole) if byte == ord("\n")]
    states = [None, "planned", "claimed", "started"]
    for cut in range(ends[0], len(whole) + 1):
        path.write_bytes(whole[:cut])
        read = Book(night.lab)
        read.refresh()
        lines = sum(end <= cut for end in ends) - 1
        found = read.records["1"].state.value if read.records else None
        assert (found, read.problems) == (states[lines], [])


def test_a_schedule_that_was_cut_or_has_another_header_is_refused(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T12:00"))
    night.plan("2026-01-05T22:00")
    book = Book(night.lab)
    book.refresh()
    os.truncate(night.lab / SCHEDULE, 200)
    with pytest.raises(LabFolderError, match="shorter than it was"):
        book.refresh()
    (night.lab / SCHEDULE).write_text("a,b\n")
    with pytest.raises(LabFolderError, match="Restore the header line"):
        Book(night.lab).refresh()


def test_a_run_removed_at_the_last_moment_is_not_claimed(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T12:00"))
    name = night.plan("2026-01-05T22:00")
    book = Book(night.lab)
    book.refresh()
    Book(night.lab).note(name, State.REMOVED, utc("2026-01-05T12:01"))
    assert not book.note(name, State.CLAIMED, utc("2026-01-05T21:00"), only_if=State.PLANNED)
    assert night.on_record()[name][0] == "removed"


def test_asked_to_stop_it_stops_the_run_under_way_and_waits_for_it(tmp_path):
    night = Night(tmp_path, utc("2026-01-05T20:59"))
    night.plan("2026-01-05T22:00")
    night.keep(utc("2026-01-05T23:00"))  # in the middle of its five hours
    assert night.clock.utc() == utc("2026-01-05T23:00")
    assert night.on_record()["1"][0] == "finished"
    assert "Asked to stop: so is the run under way." in night.said
    assert night.said[-1] == "Run 1 has ended."


def test_nothing_is_started_whose_claim_is_not_on_the_disk(tmp_path, monkeypatch):
    night = Night(tmp_path, utc("2026-01-05T20:59"))
    night.plan("2026-01-05T22:00")
    freed = []
    monkeypatch.setattr(FreeLock, "release", lambda _lock: freed.append(True))
    write = durable._write

    def full(handle, data):
        if b"claimed" in data:
            raise OSError(28, "No space left on device")
        write(handle, data)

    monkeypatch.setattr(durable, "_write", full)
    with pytest.raises(OSError, match="No space left"):
        night.keep(utc("2026-01-06T09:00"))
    assert night.launched == []
    assert freed  # and somebody else may have the bench
    monkeypatch.setattr(durable, "_write", write)
    night.keep(utc("2026-01-06T09:00"))  # begun again, with room on the disk
    assert [name for name, _ in night.launched] == ["1"]


def test_a_child_that_dies_before_or_in_its_run_is_written_down(tmp_path):
    for die_after, told in (
        (None, "could not be started: "),
        ("started", "ended without a word: "),
    ):
        folder = tmp_path / str(die_after)
        folder.mkdir()
        night = Night(folder, utc("2026-01-05T20:59"))
        night.plan("2026-01-05T22:00")
        night.launch = Dying(night, die_after)
        night.keep(utc("2026-01-06T09:00"))
        state, reason = night.on_record()["1"]
        assert state == "finished"
        assert reason.startswith(told)
        assert "its process was ended by signal 9" in reason
        assert night.troubles == [("1", reason)]


class Dying:
    """Launches processes that are killed at once, or once they have noted that they started."""

    def __init__(self, night, after):
        self._night, self._after = night, after

    def __call__(self, entry, lock):
        if self._after:
            Book(self._night.lab).note(entry.run.name, State.STARTED, self._night.clock.utc())
        return self

    def fileno(self):
        return None

    def readable(self):
        return True

    def how_it_ended(self):
        return "was ended by signal 9"

    def stop(self):
        raise AssertionError("nothing is left to stop")
