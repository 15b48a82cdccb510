"""`evenfall export`: the results of runs as CSV, Excel workbook and Parquet."""

from __future__ import annotations

import argparse
import importlib.util
from collections.abc import Callable
from pathlib import Path

FORMATS = ("csv", "xlsx", "parquet")


def add_export(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Declare the command; light, because every call of the program reads it."""
    parser = add(
        "export",
        run_export,
        "write the results of runs as tables: CSV, Excel workbook, Parquet",
        "evenfall export lab/runs/2026-01-05T1800Z-reflector-a --out tables",
    )
    parser.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folder")
    parser.add_argument("--out", type=Path, required=True, help="folder for the tables")
    parser.add_argument(
        "--as",
        dest="form",
        choices=FORMATS,
        default="csv",
        help="csv: maps.csv and cells.csv (default); xlsx: evenfall.xlsx with both; parquet: "
        "maps.parquet and cells.parquet. grid_row and grid_column count from 0, as in readings.csv",
    )


def run_export(options: argparse.Namespace) -> int:
    """Carry out `evenfall export`.

    Raises
    ------
    RunFolderError
        One of them is not a run folder.
    ConfigError
        A table is there already, or the library for it is not; nothing was written.
    """
    from rig.toml_faults import ConfigError, needs_folder

    out, form = options.out, options.form
    names = ("evenfall.xlsx",) if form == "xlsx" else (f"maps.{form}", f"cells.{form}")
    needs_folder(out)
    there = [out / name for name in names if (out / name).exists()]
    if there:
        raise ConfigError(str(there[0]), ["is there already and is kept; give another --out"])
    if form == "parquet" and importlib.util.find_spec("pyarrow") is None:
        raise ConfigError("--as parquet", ["needs pyarrow: pip install 'evenfall[parquet]'"])

    import pandas as pd

    from analysis import run_folder
    from analysis.summary import damage_sentences, summarise
    from analysis.tidy import cells_table, maps_table

    runs = [run_folder.load(folder) for folder in options.runs]
    summaries = [summarise(run) for run in runs]
    tables = {"maps": maps_table(summaries), "cells": cells_table(summaries)}
    out.mkdir(parents=True, exist_ok=True)
    if form == "xlsx":
        with pd.ExcelWriter(out / names[0], engine="openpyxl") as book:
            for name, table in tables.items():
                table.to_excel(book, sheet_name=name, index=False)
                for row in book.sheets[name].iter_rows():
                    for cell in row:
                        if cell.data_type == "f":  # a name that begins with "=" is a name
                            cell.data_type = "s"
    for name, table in tables.items():
        if form == "csv":
            table.to_csv(out / f"{name}.csv", index=False)
        elif form == "parquet":
            table.to_parquet(out / f"{name}.parquet", index=False)
    for name in names:
        print(f"Written: {out / name}")
    for run in runs:
        for sentence in damage_sentences(run):
            print(f"{run.path.name}: {sentence}")
    return 0
