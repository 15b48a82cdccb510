"""Every command explains itself, and every bad input ends in one clear message and its code."""

from __future__ import annotations

import json
import tomllib

import pytest
import tomli_w

from rig import cli
from tests.rig.bench_run import bench_of, do_run, plan_of
from tests.synthetic_run import write_run

COMMANDS = ("demo", "run", "resume", "check", "enter", "report", "compare", "simulate")


@pytest.fixture
def evenfall(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def call(*words):
        try:
            code = cli.main([str(word) for word in words])
        except SystemExit as ended:  # argparse ends by itself
            code = ended.code
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        assert "defect" not in said.err
        return code, said.out, said.err

    return call


@pytest.fixture
def bench(tmp_path):
    """A sound plan and profile of the virtual bench."""
    plan_of(tmp_path)
    bench_of(tmp_path)
    return tmp_path


def change(path, **sections):
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    for section, keys in sections.items():
        merged = {**content.get(section, {}), **keys}
        content[section] = {key: value for key, value in merged.items() if value is not None}
    path.write_text(tomli_w.dumps(content), encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(evenfall, command):
    code, out, _ = evenfall(command, "--help")
    assert code == 0
    assert f"example: evenfall {command}" in out


def test_a_broken_plan_does_not_hide_the_faults_of_the_profile(evenfall, bench):
    change(bench / "plan.toml", lamp={"rated_power_w": -1.0})
    change(bench / "rig.toml", stage={"speed_mm_s": -2.0})
    code, _, err = evenfall("run", bench / "plan.toml", "--rig", bench / "rig.toml")
    assert code == 2
    assert "2 problems" in err
    assert "plan.toml: lamp.rated_power_w is -1.0" in err
    assert "rig.toml: stage.speed_mm_s is -2.0" in err


def test_no_command_is_a_usage_error(evenfall):
    code, _, err = evenfall()
    assert code == 2
    assert "COMMAND" in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("enter", "sheet.csv"), "--device, --mounting-height-mm"),
        (
            ("enter", "sheet.csv", "--device", "A", "--mounting-height-mm", "0,45"),
            "'0,45' is no number; give e.g. 1200 or 612.5, with a point",
        ),
        (("simulate", "--light-after", "soon"), "--light-after"),
        (("measure",), "choose from"),
        (("run", "plan.toml", "--speed", "9"), "--speed"),
    ],
)
def test_a_wrong_option_is_told_in_one_line_that_leads_to_the_help(evenfall, words, told):
    code, _, err = evenfall(*words)
    assert code == 2
    assert told in err
    assert "--help" in err
    assert len(err.splitlines()) == 1


def test_a_plan_that_is_not_there_is_named(evenfall, bench):
    code, _, err = evenfall("run", "missing.toml", "--rig", bench / "rig.toml")
    assert code == 2
    assert "missing.toml" in err
    assert len(err.strip().splitlines()) == 1


def test_five_faults_of_a_profile_are_told_at_once_with_exit_code_2(evenfall, bench):
    change(
        bench / "rig.toml",
        light_sensor={"address": None, "adress": "0", "baud": "fast"},
        power_meter={"address": 0},
        stage={"speed_mm_s": -1, "travel_x_mm": [1200.0, 0.0]},
    )
    code, _, err = evenfall("run", bench / "plan.toml", "--rig", bench / "rig.toml")
    assert code == 2
    assert err.startswith("evenfall: 5 problems in ")
    for named in (
        "light_sensor.adress is not a known key",
        "did you mean 'address'?",
        "light_sensor.baud",
        "power_meter.address",
        "stage.speed_mm_s",
        "stage.travel_x_mm",
    ):
        assert named in err


def test_a_height_above_the_travel_is_refused_before_anything_is_opened(evenfall, bench):
    change(bench / "plan.toml", heights={"mounting_height_mm": [400.0, 1500.0]})
    change(bench / "rig.toml", stage={"travel_z_mm": [250.0, 900.0]})
    code, _, err = evenfall("run", bench / "plan.toml", "--rig", bench / "rig.toml")
    assert code == 2
    assert "1500" in err
    assert "900" in err
    assert not (bench / "lab").exists()


def test_a_port_that_is_not_there_ends_with_its_name(evenfall, bench):
    content = tomllib.loads((bench / "rig.toml").read_text(encoding="utf-8"))
    del content["bench"], content["monitor_sensor"]
    for section in ("light_sensor", "power_meter", "stage"):
        content[section]["port"] = f"/dev/no-such-port-{section}"
    (bench / "rig.toml").write_text(tomli_w.dumps(content), encoding="utf-8")
    code, _, err = evenfall("run", bench / "plan.toml", "--rig", bench / "rig.toml")
    assert code == 1
    assert "/dev/no-such-port-light_sensor" in err
    assert len(err.strip().splitlines()) == 1


def test_a_lab_folder_that_cannot_be_made_ends_in_one_line(evenfall, bench):
    (bench / "a-file").write_text("not a folder")
    code, _, err = evenfall(
        "run", bench / "plan.toml", "--rig", bench / "rig.toml", "--lab", bench / "a-file" / "lab"
    )
    assert code == 1
    assert "a-file" in err
    assert len(err.strip().splitlines()) == 1


def test_a_run_on_the_virtual_bench_ends_in_a_table_and_a_report(evenfall, bench):
    code, out, _ = evenfall(
        "run", bench / "plan.toml", "--rig", bench / "rig.toml", "--lab", bench / "lab"
    )
    assert code == 0
    assert "plane" in out
    assert "report.html" in out
    (folder,) = (bench / "lab" / "runs").iterdir()
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert summary["is_complete"]


def test_a_report_of_what_is_no_run_is_refused(evenfall, tmp_path):
    (tmp_path / "empty").mkdir()
    code, _, err = evenfall("report", tmp_path / "empty")
    assert code == 1
    assert "not a run folder" in err


def test_a_run_of_a_newer_format_is_refused_with_both_versions(evenfall, tmp_path):
    folder = write_run(tmp_path / "run", field=lambda x, y, h: 500 + 0 * x)
    path = folder / "datapackage.json"
    descriptor = json.loads(path.read_text())
    descriptor["evenfall"]["format"] = 99
    path.write_text(json.dumps(descriptor))
    code, _, err = evenfall("report", folder)
    assert code == 1
    assert "format 99" in err
    assert "up to 1" in err


def test_a_report_can_be_rebuilt_from_the_run_folder_alone(evenfall, tmp_path):
    plan = plan_of(tmp_path)
    profile, bench = bench_of(tmp_path)
    folder = do_run(tmp_path, plan, profile, bench)
    moved = folder.rename(tmp_path / "carried away")
    code, out, _ = evenfall("report", moved)
    assert code == 0
    assert (moved / "report.html").is_file()
    assert "Report: " in out


def test_two_runs_make_one_report_and_a_verdict(evenfall, tmp_path):
    folders = []
    for name in ("Meadow", "Orchard"):
        place = tmp_path / name
        place.mkdir()
        plan = plan_of(place, device={"name": name, "specimen": f"{name}-1"})
        profile, bench = bench_of(place, scenario={"device": name})
        folders.append(do_run(place, plan, profile, bench))
    code, out, _ = evenfall("report", *folders, "--out", tmp_path / "both.html")
    assert code == 0
    assert (tmp_path / "both.html").is_file()
    assert "As installed" in " ".join(out.split())


def test_a_run_is_not_compared_with_itself(evenfall, tmp_path):
    folder = write_run(tmp_path / "run", field=lambda x, y, h: 500 + 0 * x)
    code, _, err = evenfall("report", folder, tmp_path / "." / "run")
    assert code == 2
    assert "is given twice; give each run once" in err
    assert not (folder / "report.html").exists()


@pytest.mark.parametrize("out", [".", "no-such-folder/report.html"])
def test_a_place_where_no_report_can_be_is_refused_before_the_work(evenfall, tmp_path, out):
    folder = write_run(tmp_path / "run", field=lambda x, y, h: 500 + 0 * x)
    code, table, err = evenfall("report", folder, "--out", out)
    assert code == 2
    assert f"--out {out}" in err
    assert "give a file to write" in err
    assert table == ""


def test_the_table_keeps_all_its_columns_where_figures_are_not_stated(evenfall, tmp_path):
    (tmp_path / "sheet.csv").write_text("100,-\n300,400\n")
    code, out, _ = evenfall(
        "enter", "sheet.csv", "--width-mm", 1000, "--depth-mm", 1000,
        "--mounting-height-mm", 450, "--wall-power-w", 100, "--device", "Reflector A",
        "--lab", "lab",
    )  # fmt: skip
    assert code == 0
    assert "spots" in out
    assert "– not stated" in out
    assert max(len(line) for line in out.splitlines() if "lab/runs" not in line) <= 80


def test_letters_in_a_table_are_refused_with_row_and_column(evenfall, tmp_path):
    (tmp_path / "sheet.csv").write_text("100,200\n300,four hundred\n")
    code, _, err = evenfall(
        "enter", "sheet.csv", "--width-mm", 1200, "--depth-mm", 1200,
        "--mounting-height-mm", 450, "--device", "Reflector A",
    )  # fmt: skip
    assert code == 2
    assert "four hundred" in err


def test_a_table_measured_by_hand_gives_the_figures_worked_by_hand(evenfall, tmp_path):
    # 1 m², four cells of 0.25 m² each: (100 + 200 + 300 + 400) · 0.25 = 250 µmol/s; over 100 W
    # 2.5 µmol/J; lowest over mean 100 / 250 = 0.4.
    (tmp_path / "sheet.csv").write_text("100,200\n300,400\n")
    code, _, err = evenfall(
        "enter", "sheet.csv", "--width-mm", 1000, "--depth-mm", 1000,
        "--mounting-height-mm", 450, "--wall-power-w", 100, "--device", "Reflector A",
        "--lab", "lab",
    )  # fmt: skip
    assert code == 0, err
    (folder,) = (tmp_path / "lab" / "runs").iterdir()
    (one,) = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["maps"]
    assert one["delivered_flux_umol_s"] == pytest.approx(250.0)
    assert one["plane_efficacy_from_means"] == pytest.approx(2.5)
    assert one["uniformity"]["min_to_mean"] == pytest.approx(0.4)
    assert (folder / "report.html").is_file()


def test_an_unknown_scenario_is_refused_with_those_that_exist(evenfall, tmp_path):
    code, _, err = evenfall("simulate", "--scenario", "nowhere", "--out", tmp_path / "bench")
    assert code == 2
    assert "nowhere" in err
    assert "quick" in err
