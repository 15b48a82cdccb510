"""What a check finds without any port: files, dates, disk, the bench in this process, the relay."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from io import StringIO
from pathlib import Path

import pytest
from attrs import evolve
from rich.console import Console

from drivers.clock import VirtualClock
from drivers.simulated.attach import rig_text, usual_instruments
from drivers.simulated.bench import VirtualBench
from drivers.simulated.lamp_relay import CoilRelay
from drivers.simulated.scenario import packaged
from rig import check_place
from rig.check import Surroundings, Wanted, check_command
from rig.check_findings import Finding, Weight, exit_code
from rig.profile import read_profile
from tests.rig.bench_run import bench_of, plan_of

TODAY = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)


def checked(folder: Path, *, plan: Path | None = None, **wanted) -> tuple[int, str]:
    out = StringIO()
    code = check_command(
        Wanted(plan=plan, rig=folder / "rig.toml", lab=folder / "lab", **wanted),
        Console(file=out, width=80, highlight=False),
        Surroundings(clock=VirtualClock(TODAY), ports=lambda: ()),
    )
    return code, out.getvalue()


def test_bench_in_this_process_passes_with_its_plan(tmp_path):
    plan_of(tmp_path)
    bench_of(tmp_path)
    code, said = checked(tmp_path, plan=tmp_path / "plan.toml")
    assert code == 0, said
    assert "SIM-0001" in said
    assert "at least" in said
    assert "kWh" in said
    assert not (tmp_path / "lab").exists()  # a check leaves nothing behind
    assert max(map(len, said.splitlines())) <= 80


def test_all_faults_of_both_files_are_listed_and_no_instrument_is_asked(tmp_path):
    (tmp_path / "plan.toml").write_text('format = 1\n[test]\nname = ""\n')
    (tmp_path / "rig.toml").write_text("format = 9\nnam = 3\n")
    code, said = checked(tmp_path, plan=tmp_path / "plan.toml")
    assert code == 2
    assert said.count("plan.toml") > 2
    assert said.count("rig.toml") > 2
    assert "No instrument was asked" in said


def test_plan_that_the_rig_cannot_do_is_a_fault_of_configuration(tmp_path):
    plan_of(tmp_path, area={"width_mm": 4000.0})
    bench_of(tmp_path)
    code, said = checked(tmp_path, plan=tmp_path / "plan.toml")
    assert code == 2
    assert "travel" in said
    assert "In all at least" not in said


def test_configuration_outweighs_instruments_and_remarks_weigh_nothing():
    remark = Finding("a", "b", "c", Weight.REMARK)
    instrument = Finding("a", "b", "c")
    configuration = Finding("a", "b", "c", Weight.CONFIGURATION)
    assert exit_code([remark]) == 0
    assert exit_code([remark, instrument]) == 1
    assert exit_code([instrument, configuration, remark]) == 2


@pytest.mark.parametrize(
    ("done", "due", "problem", "weight"),
    [
        ("2025-06-01", "2026-01-04", "was due on 2026-01-04, 1 day ago", Weight.RESULT),
        ("2025-06-01", "2026-01-20", "is due on 2026-01-20", Weight.REMARK),
        ("2026-02-01", "2027-02-01", "lies in the future", Weight.RESULT),
        ("2025-06-01", "2026-06-01", None, None),
    ],
)
def test_calibration_dates_are_judged_by_the_day(tmp_path, done, due, problem, weight):
    bench_of(tmp_path)
    profile = read_profile(tmp_path / "rig.toml")
    for section, entry in profile.instruments.items():
        if section in check_place.CALIBRATED:
            entry.options.calibrated_on = date(2025, 12, 1)
            entry.options.calibration_due = date(2026, 12, 1)
    sensor = profile.light_sensor.options
    sensor.calibrated_on, sensor.calibration_due = map(date.fromisoformat, (done, due))
    found = list(check_place.calibrations(profile, TODAY.date()))
    if problem is None:
        assert found == []
    else:
        [one] = found
        assert problem in one.problem
        assert (one.where, one.weight) == ("light_sensor", weight)


def test_date_that_is_not_stated_is_a_remark(tmp_path):
    bench_of(tmp_path)
    profile = read_profile(tmp_path / "rig.toml")
    [one] = check_place.calibrations(profile, TODAY.date())
    assert one.where == "light_sensor, monitor_sensor, power_meter"
    assert one.weight is Weight.REMARK


def test_full_disk_is_a_problem(tmp_path, monkeypatch):
    usage = shutil._ntuple_diskusage(10**9, 10**9 - 10**6, 10**6)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    [one] = check_place.disk(tmp_path / "not" / "yet" / "there", 0.0)
    assert one.problem.startswith("1 MB are free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=10**12))
    assert list(check_place.disk(tmp_path / "lab", 0.0)) == []


def test_disk_wants_room_for_what_the_plan_will_write(tmp_path, monkeypatch):
    usage = shutil._ntuple_diskusage(10**12, 10**12, 10**9)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    assert list(check_place.disk(tmp_path, 0.99e8)) == []
    assert "1010 MB are wanted" in next(check_place.disk(tmp_path, 1.01e8)).problem


def test_folder_that_is_no_lab_folder_is_a_problem(tmp_path):
    (tmp_path / "notes.txt").write_text("")
    [one] = check_place.disk(tmp_path, 0.0)
    assert "not a lab folder" in one.problem


def relay_bench(folder: Path) -> None:
    """Write a profile of the bench in this process with a relay in it."""
    (folder / "instruments.toml").write_text("format = 1\n[lamp_relay]\n")
    plain = usual_instruments(VirtualBench.from_scenario(packaged("quick")))
    text = rig_text(evolve(plain, lamp_relay=CoilRelay()), name="with a relay", scenario="quick")
    text = text.replace(
        'scenario = "quick"', 'scenario = "quick"\ninstruments = "instruments.toml"'
    )
    (folder / "rig.toml").write_text(text)


def test_relay_is_proved_kept_on_record_and_then_fit_for_an_armed_plan(tmp_path):
    relay_bench(tmp_path)
    plan_of(
        tmp_path,
        lamp={"switching": "relay", "armed": True},
        device={"name": "Brook"},
        area={"width_mm": 600.0, "depth_mm": 600.0},
    )
    code, said = checked(tmp_path, plan=tmp_path / "plan.toml")
    assert code == 1
    assert "there is no proof on record" in cells(said)
    code, said = checked(tmp_path, relay=True)
    assert code == 0, said
    assert "The lamp relay is proved to open by itself" in said
    code, said = checked(tmp_path, plan=tmp_path / "plan.toml")
    assert code == 0, said
    assert "no proof" not in cells(said)


def test_relay_of_the_profile_that_the_bench_has_not_is_named(tmp_path):
    relay_bench(tmp_path)
    (tmp_path / "instruments.toml").write_text("format = 1\n")
    code, said = checked(tmp_path)
    assert code == 1
    assert "has no such instrument" in cells(said)
    # Without a plan to light a lamp by it, that it is not proved is a remark only.
    assert "(remark)" in said
    assert "there is no proof on record" in cells(said)


def cells(said: str) -> str:
    """Undo the folding of the middle column."""
    table = said[said.rindex("where") :].splitlines()
    start, end = table[0].index("problem") + 1, table[0].index("what to do") + 1
    return " ".join(" ".join(line[start:end].split()) for line in table)


def test_two_sensors_of_one_bus_with_each_others_addresses_are_called_swapped(tmp_path):
    (tmp_path / "instruments.toml").write_text(
        'format = 1\n[monitor_sensor]\nserial = "SIM-0002"\nline = "light_sensor"\naddress = "1"\n'
    )
    plain = usual_instruments(VirtualBench.from_scenario(packaged("quick")))
    second = evolve(plain.monitor_sensor, line="light_sensor", address="1")
    text = rig_text(evolve(plain, monitor_sensor=second), name="one bus", scenario="quick")
    text = text.replace(
        'scenario = "quick"', 'scenario = "quick"\ninstruments = "instruments.toml"'
    )
    (tmp_path / "rig.toml").write_text(text)
    code, said = checked(tmp_path)
    assert code == 0, said
    first, other = 'address = "0"', 'address = "1"'
    text = text.replace(first, "?").replace(other, first).replace("?", other)
    (tmp_path / "rig.toml").write_text(text)
    code, said = checked(tmp_path)
    assert code == 1
    assert "answered on the address of light_sensor, 1, and the other way round" in cells(said)


def test_relay_asked_for_without_one_is_a_fault_of_configuration(tmp_path):
    bench_of(tmp_path)
    code, said = checked(tmp_path, relay=True)
    assert code == 2
    assert "no section" in said


def test_services_are_named_before_they_do_harm(tmp_path):
    (tmp_path / "7").mkdir()
    (tmp_path / "7" / "comm").write_text("ModemManager\n")
    [one] = check_place.services(tmp_path)
    assert "modem manager" in one.problem
    assert one.weight is Weight.REMARK
