"""The k-th call to the disk fails, for every k: the schedule is as it was before, or as after."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime

import pytest

from analysis import durable, lab_folder
from rig.schedule_book import Book
from rig.schedule_policy import PlannedRun, State

NOW = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)
STEPS = (State.CLAIMED, State.STARTED, State.FINISHED)


class FailingDisk:
    """The calls of `analysis.durable` to the system; one of them fails, half done where it can."""

    def __init__(self, fails_at: int) -> None:
        self.calls, self._fails_at = 0, fails_at

    def __getattr__(self, name):
        return getattr(os, name)

    def _counted(self) -> bool:
        self.calls += 1
        return self.calls == self._fails_at

    def write(self, handle, data):
        if self._counted():
            os.write(handle, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")
        return os.write(handle, data)

    def fsync(self, handle):
        if self._counted():
            raise OSError(errno.EIO, "Input/output error")
        os.fsync(handle)

    def replace(self, old, new):
        if self._counted():
            raise OSError(errno.EIO, "Input/output error")
        os.replace(old, new)


def live(lab, rig):
    """Plan a run and carry it to its end; return the states that were reached without a fault."""
    reached = []
    book = Book(lab)
    book.refresh()
    run = PlannedRun(name="", planned_utc=NOW, start=datetime(2026, 1, 5, 22, 0))
    try:
        book.plan(
            run, files={"plan.toml": b"a = 1\n"}, rig=rig, time_zone="UTC", acknowledged_by="me"
        )
        reached.append(State.PLANNED)
        for state in STEPS:
            book.note("1", state, NOW)
            reached.append(state)
    except OSError:
        pass
    return reached


def test_every_failing_call_leaves_what_was_acknowledged_and_nothing_half_done(
    tmp_path, monkeypatch
):
    order = [State.PLANNED, *STEPS]
    k, seen = 0, set()
    while True:
        k += 1
        folder = tmp_path / str(k)
        folder.mkdir()
        lab_folder.create(folder / "lab", name="lab")
        (folder / "rig.toml").write_text("format = 1\n")
        disk = FailingDisk(k)
        monkeypatch.setattr(durable, "os", disk)
        reached = live(folder / "lab", folder / "rig.toml")
        monkeypatch.setattr(durable, "os", os)
        after = Book(folder / "lab", keeps_ended=True)
        after.refresh()
        state = after.records["1"].state if after.records else None
        # What returned holds; the step that failed is there as a whole, or not at all.
        allowed = {reached[-1] if reached else None, *order[len(reached) : len(reached) + 1]}
        assert state in allowed, k
        seen.add((len(reached), state))
        # It can be gone on with: the next line begins on a line of its own.
        if not after.records:
            assert live(folder / "lab", folder / "rig.toml") == order, k
        elif state is not State.FINISHED:
            after.note("1", State.REMOVED, NOW)
            again = Book(folder / "lab", keeps_ended=True)
            again.refresh()
            assert again.records["1"].state is State.REMOVED
        if disk.calls < k:
            break  # the whole life went by without a fault
    assert k > 15
    assert len(seen) > 5
    assert reached == order


def test_a_copied_plan_is_there_before_the_line_that_names_it(tmp_path, monkeypatch):
    lab_folder.create(tmp_path / "lab", name="lab")
    (tmp_path / "rig.toml").write_text("format = 1\n")

    def refused(*_):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(durable.os, "replace", refused)
    book = Book(tmp_path / "lab")
    with pytest.raises(OSError, match="Input/output"):
        book.plan(
            PlannedRun(name="", planned_utc=NOW, start=datetime(2026, 1, 5, 22, 0)),
            files={"plan.toml": b"a = 1\n"},
            rig=tmp_path / "rig.toml",
            time_zone="UTC",
            acknowledged_by="me",
        )
    assert not (tmp_path / "lab" / "schedule.csv").exists()
