"""`evenfall export`: tables read back with pandas, against hand figures and the summary."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from analysis import run_folder
from analysis.summary import summarise
from drivers.clock import VirtualClock
from rig.cli import main
from rig.enter import Facts, enter


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export")
    (folder / "sheet.csv").write_text("300;400\n100;200\n", encoding="utf-8")
    facts = Facts(
        device="Reflector A",
        width_mm=1000.0,
        depth_mm=1000.0,
        mounting_height_mm=450.0,
        wall_power_w=100.0,
    )
    return enter(folder / "sheet.csv", facts, lab=folder / "lab", clock=VirtualClock())


def tables(out: Path, form: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    if form == "xlsx":
        book = pd.read_excel(out / "evenfall.xlsx", sheet_name=None)
        return book["maps"], book["cells"]
    read = pd.read_csv if form == "csv" else pd.read_parquet
    return read(out / f"maps.{form}"), read(out / f"cells.{form}")


@pytest.mark.parametrize("form", ["csv", "xlsx", "parquet"])
def test_every_form_gives_the_same_figures_back(run: Path, tmp_path: Path, form: str) -> None:
    assert main(["export", str(run), "--out", str(tmp_path), "--as", form]) == 0
    maps, cells = tables(tmp_path, form)
    # By hand: four cells of 0.25 m², (300 + 400 + 100 + 200) / 4 = 250 µmol/m²/s over 1 m², 100 W.
    assert maps["delivered_flux_umol_s"].tolist() == pytest.approx([250.0])
    assert maps["plane_efficacy_from_means_umol_j"].tolist() == pytest.approx([2.5])
    assert maps["plane_efficacy_umol_j"].isna().all()  # no power was read in the same moments
    assert cells["ppfd_umol_m2_s"].tolist() == pytest.approx([100.0, 200.0, 300.0, 400.0])
    assert cells["area_m2"].sum() == pytest.approx(1.0)
    known = summarise(run_folder.load(run)).maps[0].uncertainty
    assert known is not None
    interval = known.delivered_flux_umol_s
    for part in ("low", "high", "standard"):
        found = maps[f"delivered_flux_umol_s_{part}"].tolist()
        assert found == pytest.approx([getattr(interval, part)])


def test_a_name_that_looks_like_a_formula_is_text_in_the_workbook(tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_text("300;400\n100;200\n", encoding="utf-8")
    facts = Facts(device="=1+1", width_mm=1000.0, depth_mm=1000.0, mounting_height_mm=450.0)
    run = enter(tmp_path / "sheet.csv", facts, lab=tmp_path / "lab", clock=VirtualClock())
    assert main(["export", str(run), "--out", str(tmp_path), "--as", "xlsx"]) == 0
    book = openpyxl.load_workbook(tmp_path / "evenfall.xlsx")
    named = [cell for sheet in book for row in sheet.iter_rows() for cell in row
             if cell.value == "=1+1"]  # fmt: skip
    assert named
    assert {cell.data_type for cell in named} == {"s"}


def test_a_table_that_is_there_is_kept(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "cells.csv").write_text("mine", encoding="utf-8")
    assert main(["export", str(run), "--out", str(tmp_path)]) == 2
    assert "is kept" in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ["cells.csv"]


def test_a_missing_extra_is_one_line(
    run: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    assert main(["export", str(run), "--out", str(tmp_path), "--as", "parquet"]) == 2
    told = capsys.readouterr().err
    assert "evenfall[parquet]" in told
    assert told.count("\n") == 1
