"""The commands of the schedule, and a planned run carried out on the bench in this process."""

from __future__ import annotations

import argparse
import os
import re
import signal
import tomllib
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import pytest
import tomli_w
from attrs import evolve
from rich.console import Console

from analysis import lab_folder, lab_records, run_folder
from analysis.lab_records import LabFolderError
from drivers.clock import VirtualClock
from drivers.errors import PortLost
from drivers.simulated.attach import rig_text, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.lamp_relay import CoilRelay
from drivers.simulated.scenario import packaged
from rig import bench_lock, lamp_records, unattended
from rig.door_notice import lasts_s
from rig.operator import Prompt, StopRequest
from rig.plan import read_plan
from rig.planned_run import carry_out
from rig.profile import read_profile
from rig.schedule_book import Book
from rig.schedule_commands import Room, schedule_command
from rig.schedule_options import add_schedule_arguments
from rig.schedule_policy import State
from rig.toml_faults import ConfigError
from tests.rig.bench_run import plan_of

#: 19:00 in Berlin, where winter time is UTC + 1.
NOW = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)
BRIEF = {
    "test": {"name": "Reflector A by night", "operator": "bench team"},
    "device": {"name": "Brook"},
    "lamp": {"switching": "relay", "armed": True, "minimum_off_s": 60.0},
    "area": {"width_mm": 600.0, "depth_mm": 600.0},
    "grid": {"rows": 2, "columns": 2},
    "dark": {"points": 4},
    "heights": {"mounting_height_mm": [400.0]},
    "warm_up": {
        "block_s": 10.0,
        "window_s": 30.0,
        "limit_percent": 20.0,
        "minimum_on_s": 120.0,
        "maximum_s": 1200.0,
        "on_timeout": "stop",
    },
    "sampling": {"samples_per_point": 1, "quick_look": False, "reference_every": 4},
}


def lab_of(folder: Path) -> None:
    """Write a plan, a profile of the quick bench with a relay, and a lab that has it proved."""
    plan_of(folder, **BRIEF)
    (folder / "instruments.toml").write_text("format = 1\n[lamp_relay]\n")
    plain = usual_instruments(VirtualBench.from_scenario(packaged("quick")))
    text = rig_text(evolve(plain, lamp_relay=CoilRelay()), name="by night", scenario="quick")
    (folder / "rig.toml").write_text(
        text.replace('scenario = "quick"', 'scenario = "quick"\ninstruments = "instruments.toml"')
    )
    lab_folder.create(folder / "lab", name="lab")
    relay = read_profile(folder / "rig.toml").lamp_relay
    assert relay is not None
    lamp_records.record_proof(folder / "lab", relay, "seen", NOW - timedelta(hours=1))


class Person:
    """Answers yes, and says a name at the end; or answers as told."""

    def __init__(self, *answers: str) -> None:
        self.asked: list[str] = []
        self._answers = list(answers)

    def __call__(self, question: str) -> str:
        self.asked.append(question)
        if self._answers:
            return self._answers.pop(0)
        return "yes" if "yes" in question else "R. Tester"


def asked(folder: Path, *words: object, person: Person | None = None) -> tuple[int, str]:
    parser = argparse.ArgumentParser()
    add_schedule_arguments(parser)
    options = parser.parse_args([str(word) for word in words] + ["--lab", str(folder / "lab")])
    out = StringIO()
    room = Room(
        clock=VirtualClock(NOW),
        console=Console(file=out, width=100, highlight=False),
        read_answer=person or Person(),
        zone_name=lambda: "Europe/Berlin",
    )
    return schedule_command(options, room), out.getvalue()


def add(folder: Path, *words: object, person: Person | None = None) -> tuple[int, str]:
    files = (folder / "plan.toml", "--rig", folder / "rig.toml")
    return asked(folder, "add", *files, *words, person=person)


def book_of(folder: Path) -> Book:
    book = Book(folder / "lab", keeps_ended=True)
    book.refresh()
    return book


def changed(path: Path, section: str, **keys) -> None:
    content = tomllib.loads(path.read_text())
    content[section].update(keys)
    path.write_text(tomli_w.dumps(content))


def test_a_run_is_planned_once_every_line_of_the_checklist_is_acknowledged(tmp_path):
    lab_of(tmp_path)
    person = Person()
    code, said = add(tmp_path, "--at", "22:00", "--hours", "20:00-06:00", person=person)
    assert code == 0
    flat = " ".join(said.split())
    for line in unattended.CHECKLIST:
        assert line in flat
    assert "Brook hangs at a mounting height of 400 mm, measured" in flat
    assert "CAUTIONS" in said
    assert len(person.asked) == len(unattended.CHECKLIST) + 2  # hung, and the name
    [entry] = book_of(tmp_path).entries.values()
    assert entry.run.start == datetime(2026, 1, 5, 22, 0)
    assert entry.time_zone == "Europe/Berlin"
    assert entry.acknowledged_by == "R. Tester"
    assert (tmp_path / "lab" / entry.plan).read_bytes() == (tmp_path / "plan.toml").read_bytes()
    notice = (tmp_path / "lab" / "planned" / "1" / "door-notice.html").read_text()
    assert "2026-01-05 22:00 Europe/Berlin" in notice
    assert "Reflector A by night" in notice


@pytest.mark.parametrize("answers", [("no",), ("yes", "yes", "", "yes"), ("yes", "maybe")])
def test_a_line_that_is_not_acknowledged_plans_nothing(tmp_path, answers):
    lab_of(tmp_path)
    code, said = add(tmp_path, "--at", "22:00", person=Person(*answers))
    assert code == 1
    assert "the checklist is not acknowledged" in said
    assert not book_of(tmp_path).entries


def test_a_closed_keyboard_acknowledges_nothing(tmp_path):
    def closed(_question):
        raise EOFError

    lab_of(tmp_path)
    assert add(tmp_path, "--at", "22:00", person=closed)[0] == 1
    assert not book_of(tmp_path).entries


def test_a_plan_that_needs_hands_is_refused_with_every_reason(tmp_path):
    lab_of(tmp_path)
    changed(tmp_path / "plan.toml", "lamp", switching="hand", armed=False)
    changed(tmp_path / "plan.toml", "warm_up", on_timeout="ask")
    with pytest.raises(ConfigError) as refused:
        add(tmp_path, "--at", "22:00")
    told = str(refused.value)
    assert "nobody is there to light the lamp" in told
    assert "nobody is there to answer" in told


def test_hand_hung_heights_are_refused_beyond_the_one_that_hangs_already(tmp_path):
    lab_of(tmp_path)
    plan = read_plan(tmp_path / "plan.toml")
    profile = read_profile(tmp_path / "rig.toml")
    stage = profile.stage
    driven = evolve(
        profile,
        stage=evolve(stage, options=evolve(stage.options, travel_z_mm=(250.0, 900.0))),
    )
    assert unattended.refusals(plan, profile) == []
    assert "hangs at a mounting height of 400 mm" in unattended.checklist(plan, profile)[-1]
    assert len(unattended.checklist(plan, driven)) == len(unattended.CHECKLIST)
    two = evolve(plan, heights=evolve(plan.heights, mounting_height_mm=(400.0, 500.0)))
    [refusal] = unattended.refusals(two, profile)
    assert "nobody is there to hang the device anew" in refusal
    assert unattended.refusals(two, driven) == []


def test_a_relay_without_proof_plans_nothing(tmp_path):
    lab_of(tmp_path)
    (tmp_path / "lab" / "instruments.csv").write_text(
        (tmp_path / "lab" / "instruments.csv").read_text().splitlines()[0] + "\n"
    )
    with pytest.raises(unattended.Refused, match="no proof on record"):
        add(tmp_path, "--at", "22:00")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--at", "25:00"], "--at is '25:00'; give a local time"),
        (["--at", "2026-01-05"], "give a local time"),
        (["--at", "2026-01-05T17:00"], "which is over"),
        (["--at", "2026-01-13T22:00"], "a checklist is good for 7 days"),
        (["--at", "22:00", "--nights", "8"], "--nights is 8; give 1 to 7"),
        (["--at", "22:00", "--hours", "20:00"], "--hours is '20:00'; give two different times"),
        (["--at", "22:00", "--hours", "01:00-06:00"], "outside --hours 01:00-06:00"),
        (["--at", "22:00", "--zone", "Nowhere/Here"], "--zone is 'Nowhere/Here'"),
        (["--after", "3"], "no such run is planned"),
    ],
)
def test_times_that_cannot_be_are_refused(tmp_path, words, told):
    lab_of(tmp_path)
    person = Person()
    with pytest.raises(ConfigError, match=re.escape(told)):
        add(tmp_path, *words, person=person)
    assert person.asked == []  # nobody goes through a checklist for nothing


def test_a_time_of_day_that_is_over_today_is_tomorrow(tmp_path):
    lab_of(tmp_path)
    add(tmp_path, "--at", "18:30")
    add(tmp_path, "--at", "2026-01-06T22:00", "--nights", "3")
    add(tmp_path, "--after", "4")
    starts = [entry.run.start for entry in book_of(tmp_path).entries.values()]
    assert starts[0] == datetime(2026, 1, 6, 18, 30)
    assert starts[1:4] == [datetime(2026, 1, day, 22, 0) for day in (6, 7, 8)]
    assert starts[4] is None


def test_what_is_planned_is_shown_and_can_be_removed_until_it_is_under_way(tmp_path):
    lab_of(tmp_path)
    assert "Nothing is planned" in asked(tmp_path, "list")[1]
    add(tmp_path, "--at", "22:00")
    add(tmp_path, "--after", "1")
    said = asked(tmp_path, "list")[1]
    assert "2026-01-05 22:00 Europe/Berlin" in said
    assert "after run 1" in said
    book_of(tmp_path).note("2", State.REMOVED, NOW - timedelta(days=3), reason="long ago")
    assert "long ago" not in asked(tmp_path, "list")[1]
    assert "long ago" in asked(tmp_path, "list", "--all")[1]
    add(tmp_path, "--at", "23:00")
    assert asked(tmp_path, "remove", "3")[0] == 0
    assert "by the operator" in asked(tmp_path, "list")[1]  # of last night, for the morning
    book_of(tmp_path).note("1", State.CLAIMED, NOW)
    code, said = asked(tmp_path, "remove", "1")
    assert code == 1
    assert "is under way" in said
    with pytest.raises(ConfigError, match="no run 2 is planned"):
        asked(tmp_path, "remove", "2")


def claimed(folder: Path) -> None:
    add(folder, "--at", "22:00")
    book_of(folder).note("1", State.CLAIMED, NOW)


def carried_out(folder: Path) -> tuple[int, Book]:
    console = Console(file=StringIO(), width=100)
    code = carry_out(folder / "lab", "1", VirtualClock(NOW), console)
    return code, book_of(folder)


def test_a_planned_run_is_carried_out_with_nobody_there(tmp_path):
    lab_of(tmp_path)
    claimed(tmp_path)
    # Edited since: what was acknowledged is run.
    changed(tmp_path / "plan.toml", "test", name="something else")
    code, book = carried_out(tmp_path)
    record = book.records["1"]
    assert (code, record.state, record.reason) == (0, State.FINISHED, "complete")
    folder = tmp_path / "lab" / book.folders["1"]
    run = run_folder.load(folder)
    events = list(run.events.event)
    assert events.index("unattended") < events.index("homed") < events.index("relay-closed")
    [word] = run.events[run.events.event == "unattended"].detail
    assert "cautions and checklist acknowledged 2026-01-05 18:00 UTC" in word
    assert events[-1] == "run-ended"
    assert (folder / "report.html").is_file()
    assert "complete" in (tmp_path / "lab" / "schedule.csv").read_text()
    assert lab_records.read_lamps(tmp_path / "lab").entries[-1].event == "burned"


def test_nothing_is_begun_that_was_not_claimed(tmp_path):
    lab_of(tmp_path)
    add(tmp_path, "--at", "22:00")
    code, book = carried_out(tmp_path)
    assert code == 1
    assert book.records["1"].state is State.PLANNED
    assert not list((tmp_path / "lab" / "runs").iterdir())


def plant_profile(folder):
    changed(folder / "rig.toml", "light_sensor", serial_number="SIM-0009")


def plant_wrong_sensor(folder):
    changed(folder / "rig.toml", "light_sensor", serial_number="SIM-0009")
    path = folder / "lab" / "schedule.csv"
    from rig.schedule_book import digest

    old = path.read_text().splitlines()[1].split(",")[5]
    path.write_text(path.read_text().replace(old, digest((folder / "rig.toml").read_bytes())))


def plant_repair(folder):
    path = folder / "lab" / "instruments.csv"
    label = path.read_text().splitlines()[-1].split(",")[1]
    path.write_text(path.read_text() + f"2026-01-05T18:00:00Z,{label},repaired,,,,,\n")


def plant_gone_profile(folder):
    (folder / "rig.toml").unlink()


@pytest.mark.parametrize(
    ("plant", "told"),
    [
        (plant_profile, "has changed since the checklist was acknowledged"),
        (plant_wrong_sensor, "the check before the run found: light_sensor: "),
        (plant_repair, "there is no proof on record"),
        (plant_gone_profile, "No such file"),
    ],
)
def test_what_is_wrong_at_night_is_found_before_the_lamp_is_lit(tmp_path, plant, told):
    lab_of(tmp_path)
    claimed(tmp_path)
    plant(tmp_path)
    code, book = carried_out(tmp_path)
    assert code == 1
    assert book.records["1"].state is State.MISSED
    assert told in book.records["1"].reason
    assert not list((tmp_path / "lab" / "runs").iterdir())


def test_an_absent_operator_answers_what_was_acknowledged_and_stops_at_all_else():
    def answers(operator, kind, choices):
        operator.ask(Prompt(kind=kind, text="", choices=choices))
        return operator.answer()

    there = unattended.AbsentOperator(acknowledged=True)
    assert answers(there, "cautions", ("yes", "stop")) == "yes"
    assert answers(there, "height", ("done", "stop")) == "done"
    assert answers(there, "height", ("done", "stop")) == "stop"
    assert answers(there, "suspect", ("re-read", "keep", "stop")) == "re-read"
    for kind in ("lamp-on", "lamp-off", "timeout", "anything"):
        assert answers(there, kind, ("done", "stop")) == "stop"
    nobody = unattended.AbsentOperator(acknowledged=False)
    assert answers(nobody, "cautions", ("yes", "stop")) == "stop"


def test_runs_that_may_overlap_are_remarked_on(tmp_path):
    lab_of(tmp_path)
    said = add(tmp_path, "--at", "22:00")[1]
    assert "may overlap" not in said
    most_s = lasts_s(read_plan(tmp_path / "plan.toml"), read_profile(tmp_path / "rig.toml"))[1]
    inside = datetime(2026, 1, 5, 22, 0) + timedelta(seconds=most_s - 60)
    said = " ".join(add(tmp_path, "--at", f"{inside:%Y-%m-%dT%H:%M:%S}")[1].split())
    assert "runs 2 and 1 may overlap" in said
    after = inside + timedelta(seconds=120 + most_s)
    assert "may overlap" not in add(tmp_path, "--at", f"{after:%Y-%m-%dT%H:%M:%S}")[1]


def test_it_is_said_when_nobody_keeps_the_schedule(tmp_path):
    lab_of(tmp_path)
    add(tmp_path, "--at", "22:00")
    assert "Nobody keeps this schedule" in asked(tmp_path, "list")[1]
    handle = bench_lock.take(tmp_path / "lab" / "schedule.lock")
    assert "Nobody keeps" not in asked(tmp_path, "list")[1]
    bench_lock.BenchLock(handle, None).release()


def test_no_secret_of_notices_gets_into_any_file(tmp_path, monkeypatch):
    secret = "hunter-two-of-the-test"
    monkeypatch.setenv("EVENFALL_TEST_HOOK", f"http://127.0.0.1:9/{secret}")
    lab_of(tmp_path)
    (tmp_path / "lab" / "notices.toml").write_text(
        'format = 1\n[webhook]\nurl_from = "EVENFALL_TEST_HOOK"\n'
    )
    claimed(tmp_path)
    assert carried_out(tmp_path)[0] == 0
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(files) > 10
    assert [path for path in files if secret.encode() in path.read_bytes()] == []


@pytest.mark.parametrize("words", [("list",), ("remove", "1"), ("run",)])
def test_a_folder_that_is_no_lab_is_named(tmp_path, words):
    with pytest.raises(LabFolderError, match="not a lab folder"):
        asked(tmp_path, *words)


def test_a_port_that_is_gone_as_the_run_begins_is_a_miss_with_its_reason(tmp_path, monkeypatch):
    lab_of(tmp_path)
    claimed(tmp_path)

    def gone(*_):
        raise PortLost("stage, /dev/stage", "the port is gone", remedy="Plug it in again.")

    monkeypatch.setattr("rig.planned_run.build", gone)
    code, book = carried_out(tmp_path)
    record = book.records["1"]
    assert (code, record.state) == (1, State.MISSED)
    assert "the port is gone" in record.reason
    assert "PortLost" not in record.reason


def test_a_run_that_is_stopped_is_finished_with_its_reason_and_its_report(tmp_path, monkeypatch):
    lab_of(tmp_path)
    claimed(tmp_path)

    class Interrupted(StopRequest):
        """The computer is being shut down."""

        def __init__(self):
            super().__init__()
            os.kill(os.getpid(), signal.SIGTERM)

        def release(self):
            os.kill(os.getpid(), signal.SIGTERM)  # once more, at the very end
            super().release()

    monkeypatch.setattr("rig.planned_run.StopRequest", Interrupted)
    code, book = carried_out(tmp_path)
    record = book.records["1"]
    assert (code, record.state, record.exit_code) == (130, State.FINISHED, 130)
    assert record.reason == "stopped by the operator (SIGTERM)"
    assert (tmp_path / "lab" / book.folders["1"] / "report.html").is_file()
