"""The schedule kept by a real process on the system clock, woken by APScheduler after a kill."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers.clock import SystemClock
from rig.schedule import Alarm
from rig.schedule_book import Book
from rig.schedule_loop import TICK_S
from rig.schedule_policy import PlannedRun, State
from tests.rig.test_schedule_commands import lab_of

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.wire


def started(folder):
    child = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", "schedule", "run", "--lab", "lab"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    said = []
    while "Keeping the schedule" not in (line := child.stdout.readline()):
        assert line, said
        said.append(line)
    return child


def planned(folder, *, in_s):
    clock, book = SystemClock(), Book(folder / "lab")
    due = clock.utc().replace(microsecond=0) + timedelta(seconds=in_s)
    book.plan(
        PlannedRun(name="", planned_utc=clock.utc(), start=due.replace(tzinfo=None)),
        files={"plan.toml": (folder / "plan.toml").read_bytes()},
        rig=folder / "rig.toml",
        time_zone="UTC",
        acknowledged_by="tester",
    )
    return due


@pytest.mark.slow
def test_a_planned_run_is_woken_at_its_time_by_a_process_begun_after_a_kill(tmp_path):
    lab_of(tmp_path)
    clock, first = SystemClock(), started(tmp_path)
    second = subprocess.run(
        [sys.executable, "-m", "rig.cli", "schedule", "run", "--lab", "lab"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert second.returncode == 1
    assert "is kept by another program already" in second.stderr
    # Planned only now, so that the first is killed before it is due on a slow computer too.
    due = planned(tmp_path, in_s=6.0)
    first.send_signal(signal.SIGKILL)
    first.communicate()
    again = started(tmp_path)
    could_start = max(due, clock.utc())  # a slow computer may be begun later than the run is due
    try:
        while "has ended" not in (line := again.stdout.readline()):
            assert line
    finally:
        again.send_signal(signal.SIGTERM)
        again.communicate(timeout=20)
    assert again.returncode == 130
    with (tmp_path / "lab" / "schedule.csv").open() as file:
        rows = list(csv.DictReader(file))
    states = [row["state"] for row in rows]
    assert states == ["planned", "claimed", "started", "finished"], rows
    assert rows[-1]["reason"] == "complete", rows[-1]
    claimed = datetime.fromisoformat(rows[1]["utc"])
    assert claimed >= due
    # Looking every so often would have found it up to half a minute later.
    assert claimed - could_start < timedelta(seconds=5) < timedelta(seconds=TICK_S)


def test_the_alarm_rings_at_its_moment_once_set_however_often_it_is_set():
    clock, alarm = SystemClock(), Alarm()
    try:
        moment = clock.utc() + timedelta(seconds=0.3)
        for _ in range(3):
            alarm.wake_at("1", moment + timedelta(hours=1))
            alarm.wake_at("1", moment)
        alarm.wake_at("2", datetime(2020, 1, 1, tzinfo=UTC))  # over: rings at once
        clock.wait_until(clock.elapsed_s() + 5.0, watching=[alarm])
        assert clock.utc() < moment
        alarm.clear()
        clock.wait_until(clock.elapsed_s() + 5.0, watching=[alarm])
        assert moment <= clock.utc() < moment + timedelta(seconds=2)
        alarm.clear()
        begun_s = clock.elapsed_s()
        clock.wait_until(begun_s + 0.2, watching=[alarm])
        assert clock.elapsed_s() - begun_s >= 0.2
    finally:
        alarm.close()


@pytest.mark.slow
def test_a_run_under_way_goes_on_when_its_scheduler_is_killed_and_is_not_started_again(tmp_path):
    lab_of(tmp_path)
    planned(tmp_path, in_s=1.0)
    first = started(tmp_path)
    while "is being started" not in (line := first.stdout.readline()):
        assert line
    first.send_signal(signal.SIGKILL)
    again = started(tmp_path)
    try:
        clock, book = SystemClock(), Book(tmp_path / "lab", keeps_ended=True)
        until_s = clock.elapsed_s() + 60.0
        while not (book.records and book.records["1"].state is State.FINISHED):
            assert clock.elapsed_s() < until_s
            clock.wait_until(clock.elapsed_s() + 0.2)
            book.refresh()
    finally:
        again.send_signal(signal.SIGTERM)
        again.communicate(timeout=20)
        first.communicate()
    with book.path.open() as file:
        rows = list(csv.DictReader(file))
    states = [row["state"] for row in rows]
    assert states == ["planned", "claimed", "started", "finished"], rows
    assert rows[-1]["reason"] == "complete"
    assert len(list((tmp_path / "lab" / "runs").iterdir())) == 1
