"""Every fault that was planted before a run is found by the check, before a lamp is lit."""

from __future__ import annotations

import shutil
import tomllib
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import pytest
import tomli_w
from rich.console import Console

from analysis import lab_folder, lab_records
from analysis.lab_entries import LampEntry
from analysis.report import words
from drivers.clock import VirtualClock
from rig import check_place, door_notice, unattended
from rig.awake import kept_awake
from rig.check import Surroundings, Wanted, check_command
from rig.check_findings import Weight
from rig.check_lamp import lamp, unattended_remarks
from rig.plan import read_plan
from rig.profile import read_profile
from rig.safety import cautions_text
from tests.rig.bench_run import bench_of, plan_of

#: What the virtual clock of these tests says.
NOW = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)


def checked(folder, **around):
    out = StringIO()
    code = check_command(
        Wanted(plan=folder / "plan.toml", rig=folder / "rig.toml", lab=folder / "lab"),
        Console(file=out, width=200, highlight=False),
        Surroundings(clock=VirtualClock(NOW), ports=lambda: (), **around),
    )
    return code, " ".join(out.getvalue().split())


def changed(path, section, **keys):
    content = tomllib.loads(path.read_text())
    content.setdefault(section, {}).update(keys)
    path.write_text(tomli_w.dumps(content))


def counted(folder, hours):
    lab_folder.create(folder / "lab", name="lab")
    entry = LampEntry(utc=NOW - timedelta(days=3), lamp="L-07", event="counted", hours_total=hours)
    lab_records.add_lamp(folder / "lab", entry)


def plant_identity(folder):
    changed(folder / "rig.toml", "light_sensor", serial_number="SIM-0009")


def plant_calibration(folder):
    day = datetime(2026, 1, 4, tzinfo=UTC).date()
    changed(folder / "rig.toml", "power_meter", calibration_due=day)


def plant_travel(folder):
    changed(folder / "rig.toml", "stage", travel_x_mm=[0.0, 700.0])


def plant_height(folder):
    changed(folder / "rig.toml", "stage", travel_z_mm=[500.0, 900.0])


def plant_clearance(folder):
    changed(folder / "plan.toml", "device", clearance_mm=460.0)


def plant_hours(folder):
    counted(folder, 812.0)


def plant_relay(folder):
    changed(folder / "plan.toml", "lamp", switching="relay", armed=True)


def plant_damaged_lab(folder):
    counted(folder, 130.0)
    (folder / "lab" / "lamps.csv").write_text("a,b\n")


def plant_notices(folder):
    counted(folder, 130.0)
    (folder / "lab" / "notices.toml").write_text('format = 1\n[webhook]\nurl = "x"\n')


def plant_secret(folder):
    counted(folder, 130.0)
    text = 'format = 1\n[webhook]\nurl_from = "EVENFALL_NOT_SET_HERE"\n'
    (folder / "lab" / "notices.toml").write_text(text)


@pytest.mark.parametrize(
    ("plant", "code", "said"),
    [
        (plant_identity, 1, "SIM-0009"),
        (plant_calibration, 1, "its calibration was due on 2026-01-04, 1 day ago"),
        (plant_travel, 2, "beyond the travel of the stage"),
        (plant_height, 2, "outside the travel of the height axis"),
        (plant_clearance, 2, "below the clearance of the device"),
        (plant_hours, 1, "is 130 h, and the lab's record of L-07 comes to 812.0 h"),
        (plant_relay, 2, "the profile has no [lamp_relay]"),
        (plant_damaged_lab, 1, "lamps.csv begins with 'a,b'"),
        (plant_notices, 2, "webhook.url is not a known key"),
        (plant_secret, 1, "names the environment variable EVENFALL_NOT_SET_HERE"),
    ],
)
def test_a_planted_fault_is_found_before_a_lamp_is_lit(tmp_path, plant, code, said):
    plan_of(tmp_path)
    bench_of(tmp_path)[1].close()
    assert checked(tmp_path)[0] == 0
    shutil.rmtree(tmp_path / "lab", ignore_errors=True)
    plant(tmp_path)
    found = checked(tmp_path)
    assert said in found[1]
    assert found[0] == code


def test_a_bench_in_use_is_found_with_its_user(tmp_path):
    plan_of(tmp_path)
    bench_of(tmp_path)[1].close()
    code, said = checked(tmp_path, bench_user=lambda _: "planned run 7, process 42")
    assert code == 1
    assert "the bench is in use: planned run 7, process 42" in said


def test_a_clock_behind_the_records_is_found(tmp_path):
    counted(tmp_path, 130.0)
    assert list(check_place.clock(tmp_path / "lab", NOW)) == []
    [found] = check_place.clock(tmp_path / "lab", datetime(1970, 1, 1, tzinfo=UTC))
    assert "its clock says 1970-01-01 00:00 UTC" in found.problem
    assert found.weight is Weight.INSTRUMENT


def test_a_lamp_that_was_just_on_is_waited_for_and_said_so(tmp_path):
    plan_of(tmp_path)
    changed(tmp_path / "plan.toml", "lamp", switching="relay", armed=True, minimum_off_s=900.0)
    plan = read_plan(tmp_path / "plan.toml")
    counted(tmp_path, 130.0)
    for event, before_min in (("lit", 60), ("off", 5)):
        lab_records.add_lamp(
            tmp_path / "lab",
            LampEntry(utc=NOW - timedelta(minutes=before_min), lamp="L-07", event=event),
        )
    [found] = lamp(plan, tmp_path / "lab", VirtualClock(NOW))
    # 15 minutes less the 5 that it is off.
    assert "known to be off for 5 min; it has to be off for 15 min" in found.problem
    assert "10 min" in found.remedy


@pytest.mark.parametrize(
    ("events", "is_due"),
    [
        ([], True),
        ([("lit", 9.0), ("off", 8.9), ("lit", 8.8)], True),  # rested 8.8 days ago, on since
        ([("lit", 6.2), ("off", 6.1), ("lit", 6.0)], False),
        ([("lit", 9.0), ("off", 8.999), ("lit", 8.995), ("off", 0.001)], True),  # minutes only
        ([("lit", 9.0), ("off", 0.5)], False),  # it is off now
    ],
)
def test_metal_halide_is_reminded_of_its_weekly_rest(tmp_path, events, is_due):
    plan = plan_of(tmp_path, lamp={"kind": "metal halide"})
    counted(tmp_path, 130.0)
    for event, before_days in events:
        lab_records.add_lamp(
            tmp_path / "lab",
            LampEntry(utc=NOW - timedelta(days=before_days), lamp="L-07", event=event),
        )
    found = list(lamp(plan, tmp_path / "lab", VirtualClock(NOW)))
    assert bool(found) is is_due
    assert all("once a week" in one.remedy for one in found)


def test_a_lamp_that_is_not_seasoned_is_remarked_on(tmp_path):
    plan = plan_of(tmp_path, lamp={"hours": 12.0})
    [found] = lamp(plan, tmp_path / "lab", VirtualClock(NOW))
    assert "it has burned 12.0 of 100 h" in found.problem
    assert found.weight is Weight.REMARK


INHIBITOR = """#!/bin/sh
echo "$@" > {folder}/asked
{end}
while [ "$1" != sh ]; do shift; done
exec "$@"
"""


@pytest.mark.parametrize(
    ("end", "said"),
    [("", "The computer is kept awake."), ("exit 1", "the system refused systemd-inhibit")],
)
def test_the_computer_is_kept_awake_where_the_system_agrees(tmp_path, monkeypatch, end, said):
    from drivers.clock import SystemClock

    program = tmp_path / "systemd-inhibit"
    program.write_text(INHIBITOR.format(folder=tmp_path, end=end))
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    with kept_awake("planned runs", SystemClock()) as word:
        assert said in word
    assert "--what=sleep:idle:handle-lid-switch" in (tmp_path / "asked").read_text()


def test_where_nothing_keeps_it_awake_that_is_said(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with kept_awake("planned runs", VirtualClock(NOW)) as word:
        assert "is not kept awake: systemd-inhibit is not there" in word
    [found] = check_place.wakefulness()
    assert found.weight is Weight.REMARK


def test_why_a_plan_cannot_be_run_with_nobody_there_is_remarked_on(tmp_path):
    plan_of(tmp_path, lamp={"switching": "relay", "armed": True}, warm_up={"on_timeout": "ask"})
    bench_of(tmp_path)[1].close()
    plan, profile = read_plan(tmp_path / "plan.toml"), read_profile(tmp_path / "rig.toml")
    [found] = unattended_remarks(plan, profile)
    assert "nobody is there to answer" in found.problem
    assert found.weight is Weight.REMARK
    by_hand = plan_of(tmp_path, warm_up={"on_timeout": "ask"})
    assert list(unattended_remarks(by_hand, profile)) == []  # nobody asked for that


STANDARDS = ("IEC 61010", "IEC 62035", "21 CFR 1040.30", "IEC 60598", "EN 60204-1", "ISO 13850")


@pytest.mark.parametrize(
    "text",
    [
        cautions_text("metal halide"),
        " ".join(words.CAUTIONS),
        " ".join(unattended.CHECKLIST),
        (Path(door_notice.__file__).parent / "door_notice.html").read_text(),
        (Path(__file__).parents[2] / "hardware" / "bring-up.md").read_text(),
    ],
    ids=["cautions", "report", "checklist", "door notice", "bring-up"],
)
def test_safety_texts_name_their_sources(text):
    assert [name for name in STANDARDS if name not in " ".join(text.split())] == []


def test_too_little_room_on_the_disk_is_found(tmp_path):
    free_bytes = shutil.disk_usage(tmp_path).free
    assert list(check_place.disk(tmp_path / "lab", 0.0)) == []
    [found] = check_place.disk(tmp_path / "lab", float(free_bytes))
    assert "MB are free on its disk" in found.problem
