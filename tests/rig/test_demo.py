"""The demo ends in table, verdict, report and pictures, and replaces nothing but itself.

Its own plans take half a minute; here they are cut down to 3 × 3 points and a short warm-up.
"""

from __future__ import annotations

import csv
import re

import pytest

from analysis import run_folder
from drivers.simulated.bench import VirtualBench
from rig import cli
from rig.demo import control, show
from rig.plan import read_plan
from rig.profile import read_profile

DEVICES = ("Meadow", "Orchard", "Terrace")


@pytest.fixture
def small_plans(monkeypatch, request):
    write = show._write_inputs

    def write_small(out):
        plans = write(out)
        for plan in plans:
            text, grids = re.subn(
                r"(?m)^(rows|columns) = 9", rf"\1 = {request.param}", plan.read_text()
            )
            text, rules = re.subn(r"(?ms)^\[warm_up\]$.*?(?=^\[)", SHORT_RULE, text, count=1)
            assert (grids, rules) == (2, 1)
            text = text.replace("samples_per_point = 3", "samples_per_point = 1")
            plan.write_text(text)
        return plans

    monkeypatch.setattr(show, "_write_inputs", write_small)
    monkeypatch.setattr(control, "EVENINGS", 2)


SHORT_RULE = """[warm_up]
block_s = 60.0
window_s = 300.0
limit_percent = 2.0
minimum_on_s = 300.0
maximum_s = 3600.0
on_timeout = "stop"

"""


@pytest.mark.parametrize("small_plans", [7], indirect=True)
def test_the_demo_ends_in_a_table_a_verdict_a_report_and_pictures(tmp_path, capsys, small_plans):
    out = tmp_path / "demo"
    assert cli.main(["demo", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    for device in DEVICES:
        assert re.search(rf"(?m)^{device} +400 ", said)
    assert len(re.findall(r"(?m)^ +500 ", said)) == 3
    said_in_one_line = " ".join(said.split())
    assert "As installed, Orchard delivers" in said_in_one_line
    # At 400 mm the peak is above what the plan bears.
    assert (
        "more per joule than Meadow, each at its own height (500 mm for both)." in said_in_one_line
    )
    assert "Not taken for an own height, because limits of the plan are broken there as read: " in (
        said_in_one_line
    )
    assert re.search(
        r"no measurable difference per joule between (Meadow and Terrace|Terrace and Meadow)",
        said_in_one_line,
    )
    assert "light from Orchard costs" in said_in_one_line
    assert "Whether the bench changed between these runs is not known: there are 2 results of" in (
        said_in_one_line
    )
    # Each of the five evenings lit the lamp once.
    assert re.search(r"L-07 high-pressure sodium 13\d\.\d 5 5 yes, 100 h", said_in_one_line)
    assert said_in_one_line.endswith(
        f"Report: {out / 'report.html'} For the lab's file: {out / 'report-lab.html'} "
        f"For the public: {out / 'report-public.html'} Pictures: {out / 'figures'} "
        f"Control reflector: {out / 'lab' / 'control'}"
    )
    page = (out / "report.html").read_text(encoding="utf-8")
    assert all(device in page for device in DEVICES)
    drawn = sorted(path.stem for path in (out / "figures").glob("*.png"))
    assert len([one for one in drawn if re.match("meadow|orchard|terrace", one)]) == 6
    assert {"card-square", "card-wide", "difference-orchard-over-meadow-400-mm"} < set(drawn)
    runs = sorted((out / "lab" / "runs").iterdir())
    assert [run_folder.load(run).plan["device"]["name"] for run in runs] == [
        *["Yardstick"] * 2,
        *DEVICES,
    ]
    with (out / "lab" / "index.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 5


@pytest.mark.parametrize("small_plans", [3], indirect=True)
def test_what_stops_a_run_of_the_demo_is_told_as_it_is(tmp_path, capsys, small_plans, monkeypatch):
    write = show._write_inputs

    def write_wrongly(out):
        plans = write(out)
        for plan in plans:
            plan.write_text(plan.read_text().replace("rows = 3", "rows = -3"))
        return plans

    monkeypatch.setattr(show, "_write_inputs", write_wrongly)
    assert cli.main(["demo", "--out", str(tmp_path / "demo")]) == 2
    said = capsys.readouterr().err
    assert "plan-meadow.toml: grid.rows is -3; give a whole number from 1 to 200" in said


def test_a_folder_that_is_no_demo_is_left_alone(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")
    assert cli.main(["demo", "--out", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert "is not a demo's folder" in said.err
    assert "--out" in said.err
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_the_walls_of_the_control_grey_down_to_what_they_are_in_the_demo(tmp_path):
    show._write_inputs(tmp_path)
    plans = control.write_inputs(
        tmp_path,
        scenario=(tmp_path / show.SCENARIO).read_text(),
        profile=show._profile(tmp_path),
        plan=show._template(),
        scenario_file=show.SCENARIO,
        lamp_hours=show.LAMP_HOURS,
    )
    read = [read_plan(path) for path in plans]
    assert all(plan.device.is_control and plan.device.name == "Yardstick" for plan in read)
    hours = [plan.lamp.hours for plan in read]
    assert hours == sorted(set(hours))
    assert hours[-1] < show.LAMP_HOURS
    walls = []
    for path in plans:
        profile = read_profile(path.with_name(path.name.replace("plan-", "rig-")))
        room = VirtualBench.from_scenario(profile.scenario, device="Yardstick").scenario
        walls.append(room.area.wall_reflectance[0])
    now = VirtualBench.from_scenario(tmp_path / show.SCENARIO).scenario.area.wall_reflectance[0]
    # 0.4 % less each time, eight times.
    assert walls == pytest.approx([now + 0.004 * before for before in range(8, 0, -1)])
