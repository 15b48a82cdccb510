"""`evenfall control`: verdict first, then the results and the charts."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from rig import cli
from tests.analysis.control_lab import add_run, new_lab


def said_by(capsys):
    return " ".join(capsys.readouterr().out.split())


def test_it_begins_with_the_verdict_and_draws_each_chart(tmp_path, capsys, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    for month in range(8):
        add_run(lab, 30.0 * month, 1 - 0.01 * month + (-1) ** month * 1e-4, monkeypatch)
    assert cli.main(["control", str(lab)]) == 0
    said = said_by(capsys)
    assert said.startswith("The bench has faded by 1.0")
    # 500 µmol/m²/s on 1.44 m² from 600 W: 1.2 µmol/J.
    assert re.search(r"2026-01-05 1\.200 500", said)
    assert "one side (Western Electric 1956); nine in a row" in said
    assert said.endswith(f"Charts: {lab / 'control'}")
    names = sorted(path.name for path in (lab / "control").iterdir())
    assert names == ["01-yardstick-y-1-400-mm.png", "01-yardstick-y-1-400-mm.svg"]
    ElementTree.parse(lab / "control" / names[1])


def test_a_changed_wall_begins_a_new_chart_and_the_old_one_stays(tmp_path, capsys, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    add_run(lab, 0.0, 1.0, monkeypatch)
    add_run(lab, 9.0, 1.1, monkeypatch, area={"walls_state_date": "2026-01-12"})
    assert cli.main(["control", str(lab), "--out", str(tmp_path / "charts")]) == 0
    said = said_by(capsys)
    assert "A new chart begins, because the bench is another: the date on which the walls" in said
    assert "Chart of 2026-01-05 to 2026-01-05: Not decided" in said
    assert len(list((tmp_path / "charts").iterdir())) == 4


@pytest.mark.parametrize("has_runs", [False, True])
def test_a_lab_without_a_control_is_told_what_to_do(tmp_path, capsys, monkeypatch, has_runs):
    lab = new_lab(tmp_path / "lab")
    if has_runs:
        add_run(lab, 0.0, 1.0, monkeypatch, device={"is_control": False})
    assert cli.main(["control", str(lab)]) == 1
    told = capsys.readouterr().err
    assert "none of its runs is of a control reflector" in told
    assert "is_control = true" in told


def test_what_is_no_lab_folder_is_refused(tmp_path, capsys):
    assert cli.main(["control", str(tmp_path)]) == 1
    assert "not a lab folder" in capsys.readouterr().err


def test_a_comparison_of_runs_in_a_lab_is_told_what_the_bench_did(tmp_path, capsys, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    for month in range(8):
        add_run(lab, 30.0 * month, 1 - 0.01 * month + (-1) ** month * 1e-4, monkeypatch)
    devices = [
        add_run(lab, day, light, monkeypatch, device={"name": name, "is_control": False})
        for name, day, light in (("Alder", 1.0, 1.1), ("Birch", 61.0, 1.0))
    ]
    page = tmp_path / "page.html"
    assert cli.main(["report", *map(str, devices), "--out", str(page)]) == 0
    told = "The bench has faded by 1.0. % ± 0.0. % a month, by 2.0. % ± 0.0. % over the 60 days"
    assert re.search(told, said_by(capsys))
    assert "over the 60 days of these runs" in " ".join(page.read_text().split())


def test_runs_that_stand_alone_have_no_such_sentence(tmp_path, capsys, monkeypatch):
    lab = new_lab(tmp_path / "lab")
    runs = [
        add_run(lab, 0.0, light, monkeypatch, device={"name": name, "is_control": False})
        for name, light in (("Alder", 1.1), ("Birch", 1.0))
    ]
    runs = [run.rename(tmp_path / run.name) for run in runs]
    assert cli.main(["report", *map(str, runs), "--out", str(tmp_path / "page.html")]) == 0
    assert "control reflector" not in said_by(capsys)
