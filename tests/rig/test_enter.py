"""`evenfall enter`: from a clipboard to a run folder that the analysis reads like any other."""

from __future__ import annotations

import argparse
import hashlib
import json
import tomllib
from datetime import UTC, date, datetime

import pytest

from analysis import lab_folder, lab_records, run_folder
from analysis.grid import grid_from_plan
from drivers.clock import VirtualClock
from rig.enter import Facts, enter, run_enter
from rig.enter_options import add_enter_arguments
from rig.plan import read_plan
from rig.toml_faults import ConfigError

# A 2 × 2 sheet: 1 m², four cells of 0.25 m², 100 W.
SHEET = "300;400\r\n100;200\r\n"
FACTS = {
    "device": "Reflector A",
    "width_mm": 1000.0,
    "depth_mm": 1000.0,
    "mounting_height_mm": 450.0,
    "wall_power_w": 100.0,
}


def entered(tmp_path, content=SHEET, name="sheet.csv", **facts):
    table = tmp_path / name
    table.write_bytes(content if isinstance(content, bytes) else content.encode())
    return enter(table, Facts(**{**FACTS, **facts}), lab=tmp_path / "lab", clock=VirtualClock())


def problems(tmp_path, content=SHEET, **facts):
    with pytest.raises(ConfigError) as caught:
        entered(tmp_path, content, **facts)
    assert not (tmp_path / "lab").exists()  # refused before anything was made
    return caught.value.problems


def grid_of(folder):
    return tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))["grid"]


def test_the_folder_is_named_by_moment_and_device_and_loads_without_damage(tmp_path):
    folder = entered(tmp_path)
    assert folder == tmp_path / "lab" / "runs" / "2026-01-05T1800Z-reflector-a"
    run = run_folder.load(folder)
    assert run.damage == ()
    assert run.descriptor["evenfall"]["is_closed"] is True
    assert lab_folder.check(tmp_path / "lab") == "lab"


def test_each_reading_is_a_row_with_its_place_and_the_cell_it_came_from(tmp_path):
    readings = run_folder.load(entered(tmp_path)).readings
    grid = readings[readings["role"] == "grid"]
    # Row 0 is the near row, y 250 mm; the last line of the sheet.
    assert grid[["grid_row", "grid_column", "x_mm", "y_mm", "value", "raw"]].values.tolist() == [
        [0, 0, 250.0, 250.0, 100.0, "100"],
        [0, 1, 750.0, 250.0, 200.0, "200"],
        [1, 0, 250.0, 750.0, 300.0, "300"],
        [1, 1, 750.0, 750.0, 400.0, "400"],
    ]
    assert set(readings["instrument"]) == {"entered"}
    assert readings["window_start_s"].isna().all()
    power = readings[readings["quantity"] == "wall_power_w"]
    assert power[["value", "role", "unit"]].values.tolist() == [[100.0, "background", "W"]]


def test_the_summary_of_an_entered_table_is_the_one_worked_by_hand(tmp_path):
    from analysis.summary import summarise

    (one,) = summarise(run_folder.load(entered(tmp_path))).maps
    # 0.25 m² × (100 + 200 + 300 + 400) = 250 µmol/s; ÷ 100 W = 2.5 µmol/J; 100 ÷ 250 = 0.4
    assert one.delivered_flux_umol_s == pytest.approx(250.0)
    assert one.plane_efficacy_from_means == pytest.approx(2.5)
    assert one.plane_efficacy_umol_j is None  # light and watts were not read in one window
    assert one.uniformity.min_to_mean == pytest.approx(0.4)


def test_the_table_is_kept_byte_for_byte_with_its_hash(tmp_path):
    data = "x [cm];y [cm];PPFD (µmol/m²/s)\r\n25;25;100,5\r\n75;25;200\r\n".encode("latin-1")
    folder = entered(tmp_path, data, name="Blatt 1.CSV")
    assert (folder / "entered-blatt-1.csv").read_bytes() == data
    sha256 = hashlib.sha256(data).hexdigest()
    descriptor = json.loads((folder / "datapackage.json").read_bytes())
    assert descriptor["evenfall"]["entered"] == {
        "table": "Blatt 1.CSV",
        "sha256": sha256,
        "first_line": "as positions say",
        "copy": "entered-blatt-1.csv",
        "form": "points",
        "encoding": "latin-1",
        "separator": "semicolon",
        "decimal": "comma",
    }
    (kept,) = [item for item in descriptor["resources"] if item["path"] == "entered-blatt-1.csv"]
    assert kept["hash"] == f"sha256:{sha256}"
    assert read_plan(folder / "plan.toml").entered.sha256 == sha256


def test_the_plan_is_sound_and_says_nothing_that_nobody_stated(tmp_path):
    folder = entered(tmp_path)
    plan = read_plan(folder / "plan.toml")
    assert plan.raw["lamp"] == {}
    assert "ballast" not in plan.raw
    assert plan.raw["area"] == {"width_mm": 1000.0, "depth_mm": 1000.0}
    assert plan.dark.points == 0
    assert plan.dark.skip_reason == "entered by hand; the table holds no dark reading"
    assert plan.sampling.samples_per_point == 1


def test_every_fact_finds_its_place_in_the_plan(tmp_path):
    folder = entered(
        tmp_path,
        specimen="A-1",
        is_control=True,
        lamp_axis="y",
        lamp="L-07",
        lamp_kind="high-pressure sodium",
        lamp_power_w=600.0,
        lamp_flux_umol_s=1100.0,
        lamp_hours=130.0,
        ballast="B-02",
        ballast_kind="magnetic",
        walls='white "board"\nnew',
        walls_identity="W-1",
        floor="tray",
        above="open",
        sensor="S-03",
        measured_on=date(2026, 1, 4),
        operator="bench team",
        notes="päper\\sheet",
    )
    plan = read_plan(folder / "plan.toml")
    assert (plan.device.specimen, plan.device.lamp_axis) == ("A-1", "y")
    assert plan.device.is_control
    assert (plan.lamp.sample, plan.lamp.rated_power_w, plan.lamp.hours) == ("L-07", 600.0, 130.0)
    assert (plan.ballast.sample, plan.ballast.kind) == ("B-02", "magnetic")
    assert plan.area.walls == 'white "board"\nnew'
    assert (plan.entered.sensor, plan.entered.measured_on) == ("S-03", date(2026, 1, 4))
    assert (plan.test.operator, plan.test.notes) == ("bench team", "päper\\sheet")


def test_a_point_that_was_not_read_has_no_row_and_a_note(tmp_path):
    run = run_folder.load(entered(tmp_path, "300;-\n100;200\n"))
    assert len(run.readings[run.readings["role"] == "grid"]) == 3
    notes = run.events[run.events["event"] == "note"]["detail"].tolist()
    assert notes[-1] == "not read (1): row 2, column 2"


def test_the_events_tell_the_story(tmp_path):
    events = run_folder.load(entered(tmp_path)).events
    assert events["event"].tolist() == [
        "run-begun",
        "note",
        "dark-skipped",
        "map-begun",
        "map-ended",
        "run-ended",
    ]
    assert events["detail"][3] == "installation 1, mounting height 450 mm"


def test_without_wall_power_there_is_no_power_row(tmp_path):
    readings = run_folder.load(entered(tmp_path, wall_power_w=None)).readings
    assert set(readings["quantity"]) == {"ppfd_umol_m2_s"}


def test_positions_rounded_to_millimetres_are_still_cell_centres(tmp_path):
    # 1000 mm in three: centres at 166.67, 500 and 833.33 mm.
    folder = entered(tmp_path, "mm;167;500;833\n833;1;2;3\n500;4;5;6\n167;7;8;9\n")
    assert grid_of(folder) == {"layout": "cell-centres", "rows": 3, "columns": 3}


def test_positions_on_the_border_are_edge_inclusive(tmp_path):
    folder = entered(tmp_path, "mm;0;500;1000\n1000;1;2;3\n0;7;8;9\n")
    assert grid_of(folder) == {"layout": "edge-inclusive", "rows": 2, "columns": 3}


def test_other_positions_are_lines_of_their_own(tmp_path):
    folder = entered(tmp_path, "mm;100;500;900\n;1;2;3\n;7;8;9\n")
    assert grid_of(folder) == {
        "layout": "lines",
        "x_mm": [100.0, 500.0, 900.0],
        "y_mm": [250.0, 750.0],
    }


def test_the_layout_of_a_bare_matrix_can_be_said(tmp_path):
    folder = entered(tmp_path, layout="edge-inclusive")
    assert grid_from_plan(
        {"area": {"width_mm": 1000, "depth_mm": 1000}, "grid": grid_of(folder)}
    ).x_mm.tolist() == [0.0, 1000.0, 0.0, 1000.0]


def test_a_layout_that_the_positions_contradict_is_refused(tmp_path):
    assert problems(tmp_path, "mm;0;1000\n1000;1;2\n0;7;8\n", layout="cell-centres") == (
        "--layout is cell-centres, but the positions in the table lie elsewhere; leave it out",
    )


# On 700 mm in five: the points lie 140 mm apart, the corner ones 396 mm from the centre, the
# next ones along the border 313 mm: within the 350 mm of the circle.
ROUND = "-;2;3;2;-\n1;2;3;4;5\n1;2;3;4;5\n1;2;3;4;5\n-;2;3;2;-\n"


def test_a_round_area_has_no_readings_in_its_corners(tmp_path):
    folder = entered(tmp_path, ROUND, width_mm=None, depth_mm=None, diameter_mm=700.0)
    assert read_plan(folder / "plan.toml").raw["area"] == {"shape": "round", "diameter_mm": 700.0}
    run = run_folder.load(folder)
    assert (run.readings["role"] == "grid").sum() == 21
    assert run.events["event"].tolist().count("note") == 1  # nothing was left out


def test_a_reading_outside_a_round_area_is_refused(tmp_path):
    sheet = "9" + ROUND[1:]
    assert problems(tmp_path, sheet, width_mm=None, depth_mm=None, diameter_mm=700.0) == (
        "the reading '9' of row 5, column 1 (row 1 at the smallest y) lies outside the round "
        "area; write - there, or check --diameter-mm",
    )


def test_facts_that_cannot_be_are_told_by_their_options_all_at_once(tmp_path):
    with pytest.raises(ConfigError) as caught:
        entered(
            tmp_path,
            device=" ",
            width_mm=-1.0,
            depth_mm=float("nan"),
            mounting_height_mm=0.0,
            wall_power_w=float("inf"),
            lamp_kind="hps",
            ballast_kind="electronics",
        )
    assert str(caught.value) == (
        "7 problems in evenfall enter:\n"
        "  --device is ' '; give text, e.g. \"Reflector A\"\n"
        '  --lamp-kind is \'hps\'; give "high-pressure sodium", "metal halide", '
        '"ceramic metal halide", "fluorescent", "LED" or "other"\n'
        '  --ballast-kind is \'electronics\'; give "electronic", "magnetic", "none" or '
        "\"not stated\"; did you mean 'electronic'?\n"
        "  --width-mm is -1.0; give a number of mm from 50 to 20000, e.g. 1200.0\n"
        "  --depth-mm is nan; give a number of mm from 50 to 20000, e.g. 1200.0\n"
        "  --mounting-height-mm is 0.0; give a number of mm above 0 and at most 5000, e.g. 400.0\n"
        "  --wall-power-w is inf; give a number of W above 0 and at most 5000, e.g. 612, or "
        "leave it out"
    )


def test_a_size_or_a_name_left_out_is_asked_for_by_its_option(tmp_path):
    assert problems(tmp_path, "1;2\n3;4\n", device="", width_mm=None, depth_mm=None) == (
        "--device is empty; give the name of the device under test",
        "the size of the area is missing; give --width-mm and --depth-mm, or --diameter-mm for a "
        "round one",
    )


def test_faults_of_the_table_and_of_the_facts_stand_together(tmp_path):
    assert problems(tmp_path, "1;x\n3;4\n", depth_mm=None) == (
        "sheet.csv, line 1, column 2 is 'x'; give a number of µmol/m²/s, e.g. 512, or - for a "
        "point that was not read",
        "--depth-mm is missing; give a number of millimetres above 0, e.g. 1200.0",
    )


def test_a_position_beyond_the_area_is_refused(tmp_path):
    (problem,) = problems(tmp_path, "mm;250;1250\n750;1;2\n250;3;4\n")
    assert problem == "grid.x_mm holds 1250, outside the area (0 to 1000 mm)"


def test_a_table_that_is_not_there_is_told_in_one_line(tmp_path):
    with pytest.raises(ConfigError, match=r"none\.csv: cannot be read: No such file"):
        enter(tmp_path / "none.csv", Facts(**FACTS), lab=tmp_path / "lab", clock=VirtualClock())


def test_entering_the_same_table_twice_makes_two_runs(tmp_path):
    first, second = entered(tmp_path), entered(tmp_path)
    assert second.name == first.name + "-2"


def test_what_the_lab_knows_of_lamp_and_sensor_goes_with_the_run(tmp_path):
    lab = tmp_path / "lab"
    lab_folder.create(lab, name="L")
    utc = datetime(2026, 1, 2, tzinfo=UTC)
    for lamp in ("L-07", "L-08"):
        lab_records.add_lamp(
            lab, lab_records.LampEntry(utc=utc, lamp=lamp, event="counted", hours_total=130.0)
        )
    folder = entered(tmp_path, lamp="L-07")
    assert [line.split(",")[1] for line in (folder / "lamps.csv").read_text().splitlines()] == [
        "lamp",
        "L-07",
    ]


def test_the_options_of_the_command_are_the_facts(tmp_path):
    import attrs

    parser = argparse.ArgumentParser()
    add_enter_arguments(parser)
    options = parser.parse_args(
        ["t.csv", "--device", "D", "--mounting-height-mm", "450", "--measured-on", "2026-01-05"]
    )
    names = {item.name for item in attrs.fields(Facts)}
    assert set(vars(options)) == names | {"table", "lab"}
    given = Facts(**{name: getattr(options, name) for name in names})
    default = Facts(device="D", mounting_height_mm=450.0, measured_on=date(2026, 1, 5))
    assert given == default


def test_the_help_of_the_command_names_every_kind_of_lamp():
    from attrs import fields

    from rig.plan_sections import Lamp

    parser = argparse.ArgumentParser()
    add_enter_arguments(parser)
    words = " ".join(parser.format_help().split())
    for word in (
        fields(Lamp).kind.metadata["allowed"].replace('"', "").removeprefix("give ").split(", ")
    ):
        assert word.replace(" or ", ", ").split(", ")[-1] in words


def test_the_command_ends_in_the_same_report_as_a_run(tmp_path, capsys):
    table = tmp_path / "sheet.csv"
    table.write_text(SHEET)
    parser = argparse.ArgumentParser()
    add_enter_arguments(parser)
    words = f"{table} --lab {tmp_path / 'lab'} --mounting-height-mm 450 --wall-power-w 100"
    sizes = ["--width-mm", "1000", "--depth-mm", "1000", "--device", "Reflector A"]
    assert run_enter(parser.parse_args([*words.split(), *sizes])) == 0
    (folder,) = (tmp_path / "lab" / "runs").iterdir()
    for name in ("report.html", "report-lab.html"):
        page = (folder / name).read_text(encoding="utf-8")
        assert "Reflector A" in page
        # Nobody wrote down when each point was read: no time is claimed, and no quiet night.
        assert "from the table sheet.csv, measured on a day that is not stated." in page
        assert "Complete:" not in page
        assert "Nothing out of the ordinary" not in page
    assert (folder / "figures" / "card-wide.png").is_file()
    assert json.loads((folder / "summary.json").read_bytes())["maps"]
    out = " ".join(capsys.readouterr().out.split())
    assert "Report:" in out
    assert "this is the default budget" in out


def test_a_day_that_is_none_is_refused(capsys):
    parser = argparse.ArgumentParser()
    add_enter_arguments(parser)
    with pytest.raises(SystemExit) as caught:
        parser.parse_args(
            ["t.csv", "--device", "D", "--mounting-height-mm", "1", "--measured-on", "5.1.26"]
        )
    assert caught.value.code == 2
    assert "argument --measured-on: '5.1.26' is no day; give e.g. 2026-01-05" in (
        capsys.readouterr().err
    )


# -- readings in lux ----------------------------------------------------------------------------

LUX = "x_mm;y_mm;lux\n250;250;16800\n750;250;25200\n250;750;33600\n750;750;42000\n"


def summary_of(folder):
    from analysis.summary import summarise

    return summarise(run_folder.load(folder))


def test_lux_becomes_ppfd_by_the_kind_of_lamp_and_the_reading_stays(tmp_path):
    folder = entered(tmp_path, LUX, lamp_kind="high-pressure sodium")
    readings = run_folder.load(folder).readings
    grid = readings[readings["role"] == "grid"]
    # A high-pressure sodium lamp gives 84 lx for 1 µmol/m²/s (analysis/photons.py).
    assert grid["value"].tolist() == pytest.approx([200.0, 300.0, 400.0, 500.0])
    assert grid["raw"].tolist() == ["16800lx", "25200lx", "33600lx", "42000lx"]
    (one,) = summary_of(folder).maps
    # 0.25 m² × (200 + 300 + 400 + 500) = 350 µmol/s
    assert one.delivered_flux_umol_s == pytest.approx(350.0)


def test_every_result_from_lux_says_so_with_its_factor(tmp_path):
    summary = summary_of(entered(tmp_path, LUX, lamp_kind="high-pressure sodium"))
    (one,) = summary.maps
    assert one.mark == "converted from lux, 84 lx for 1 µmol m⁻² s⁻¹"
    assert summary.marks == ("Converted from lux, 84 lx for 1 µmol m⁻² s⁻¹",)
    assert any("PPFD is lux divided by 84 (± 10 %" in told for told in one.remarks)
    assert not summary_of(entered(tmp_path, name="p.csv")).marks


def test_the_limits_of_the_factor_are_in_the_budget(tmp_path):
    def efficacy_u(folder):
        (one,) = summary_of(folder).maps
        found = [item for item in one.budget.influences if "lux" in item.cause.name]
        known = one.uncertainty.plane_efficacy_umol_j
        return known.standard / known.value, found

    known = {"lux_per_ppfd": 84.0, "lux_limit_percent": 1e-6}
    without, _ = efficacy_u(entered(tmp_path, LUX, name="a.csv", **known))
    with_it, (influence,) = efficacy_u(
        entered(tmp_path, LUX, name="b.csv", lux_per_ppfd=84.0, lux_limit_percent=10.0)
    )
    # Evenly within ± 10 %: a standard uncertainty of 10 % ÷ √3.
    assert influence.light.tolist() == pytest.approx([0.1 / 3**0.5] * 4)
    assert with_it**2 - without**2 == pytest.approx(0.01 / 3, rel=0.02)


@pytest.mark.parametrize(
    ("facts", "told"),
    [
        ({}, "--lamp-kind is not stated, and the readings are in lux; give"),
        ({"lamp_kind": "LED"}, "--lamp-kind is LED, and the readings are in lux; give"),
        ({"lux_per_ppfd": 60.0}, "--lux-per-ppfd goes with --lux-limit-percent"),
        ({"lux_limit_percent": 5.0}, "--lux-limit-percent goes with --lux-per-ppfd"),
        ({"lux_per_ppfd": -1.0, "lux_limit_percent": 5.0}, "--lux-per-ppfd is -1.0; give"),
        ({"lux_per_ppfd": 60.0, "lux_limit_percent": 99.0}, "--lux-limit-percent is 99.0; give"),
    ],
)
def test_lux_without_a_factor_that_stands_up_is_refused(tmp_path, facts, told):
    (problem,) = problems(tmp_path, LUX, **facts)
    assert problem.startswith(told)


def test_a_factor_for_readings_that_are_ppfd_is_refused(tmp_path):
    (problem,) = problems(tmp_path, lux_per_ppfd=60.0, lux_limit_percent=5.0)
    assert problem.startswith("--lux-per-ppfd is given, but the readings are PPFD")
