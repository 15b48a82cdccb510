"""Tidy tables of runs, for a spreadsheet or a notebook: one row per map, one row per cell.

Units stand in the names of the columns. An interval has three: ``…_low`` and ``…_high`` are the
ends of the 95 % interval, ``…_standard`` the standard uncertainty, all in the unit of the figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from analysis.results import MapSummary, RunSummary

_PLAIN: Final = (
    "delivered_flux_umol_s",
    "mean_ppfd_umol_m2_s",
    "plane_efficacy_umol_j",
    "mean_wall_power_w",
)
_UNCERTAIN: Final = _PLAIN[:3]
_NO_NUMBERS: Final = ("run", "device", "specimen", "uncertainty_is_default", "remarks")


def maps_table(runs: Sequence[RunSummary]) -> pd.DataFrame:
    """Return one row for each map of the runs; what is not stated is empty.

    Plane efficacy is that of light and power of the same moments; where power was not read with
    the light there is only that from means. `wall_power_relative_half_width` is half the 95 %
    interval of the wall power over its value.
    """
    table = pd.DataFrame([_map_row(run, one) for run in runs for one in run.maps])
    for name in table.columns.difference(
        list(_NO_NUMBERS)
    ):  # a column of nothing is one of numbers too
        table[name] = pd.to_numeric(table[name])
    return table


def cells_table(runs: Sequence[RunSummary]) -> pd.DataFrame:
    """Return one row for each point of each map, rows and columns of the grid counted from 0."""
    tables = [_cells(run, one) for run in runs for one in run.maps]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _key(run: RunSummary, one: MapSummary) -> dict[str, Any]:
    repeated = {} if one.replicate is None else {"replicate": one.replicate}
    return {
        "run": run.run_name,
        "device": run.device,
        "specimen": run.specimen,
        "installation": one.installation,
        "mounting_height_mm": one.mounting_height_mm,
        **repeated,
    }


def _map_row(run: RunSummary, one: MapSummary) -> dict[str, Any]:
    row = _key(run, one)
    row |= {"points_used": one.n_used, "points_expected": one.n_expected}
    row |= {name: getattr(one, name) for name in _PLAIN}
    row["plane_efficacy_from_means_umol_j"] = one.plane_efficacy_from_means
    for name in ("minimum", "min_to_mean", "coefficient_of_variation"):
        unit = "_umol_m2_s" if name == "minimum" else ""
        row[name + unit] = None if one.uniformity is None else getattr(one.uniformity, name)
    known = one.uncertainty
    for name in (*_UNCERTAIN, "coefficient_of_variation"):
        interval = None if known is None else getattr(known, name)
        for part in ("low", "high", "standard"):
            row[f"{name}_{part}"] = None if interval is None else getattr(interval, part)
    row["wall_power_relative_half_width"] = None if known is None else known.wall_power
    row["uncertainty_is_default"] = None if known is None else known.is_default
    row["remarks"] = " ".join(one.remarks)
    return row


def _cells(run: RunSummary, one: MapSummary) -> pd.DataFrame:
    grid = one.grid
    missing = set(one.missing)
    places = list(zip(grid.row.tolist(), grid.column.tolist(), strict=True))
    return pd.DataFrame(
        {
            **_key(run, one),
            "grid_row": grid.row,
            "grid_column": grid.column,
            "x_mm": grid.x_mm,
            "y_mm": grid.y_mm,
            "area_m2": grid.weights_m2,
            "ppfd_umol_m2_s": one.ppfd,
            "ppfd_as_read_umol_m2_s": one.ppfd_raw,
            "dark_umol_m2_s": one.dark,
            "sample_sd_umol_m2_s": one.sample_sd,
            "samples": np.asarray(one.sample_count),
            "wall_power_w": one.wall_power_w,
            "is_missing": [place in missing for place in places],
        }
    )
