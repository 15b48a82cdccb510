"""The readings of a run as arrays, and the sets of samples that belong to one visit."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from attrs import fields, frozen
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

LIGHT: Final = "ppfd_umol_m2_s"
POWER: Final = "wall_power_w"
MONITOR: Final = "monitor_sensor"
NONE: Final = -1
"""Stands for an empty integer cell."""


@frozen(kw_only=True, eq=False)
class Readings:
    """Columns of ``readings.csv`` as arrays of one length, in the order written.

    Numbers are NaN and integers `NONE` where the cell is empty; text columns are object
    arrays. See `analysis.run_folder.ReadingRow` for their meaning.
    """

    elapsed_s: Floats
    window_start_s: Floats
    window_end_s: Floats
    value: Floats
    mounting_height_mm: Floats
    installation: Integers
    grid_row: Integers
    grid_column: Integers
    sample: Integers
    instrument: NDArray[np.object_]
    quantity: NDArray[np.object_]
    role: NDArray[np.object_]
    status: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.elapsed_s)

    def where(self, mask: NDArray[Any]) -> Readings:
        """Return the rows that a mask or a list of indices picks."""
        return Readings(**{item.name: getattr(self, item.name)[mask] for item in fields(Readings)})

    @property
    def is_good(self) -> Flags:
        """Rows with an accepted value."""
        return (self.status == "ok") & np.isfinite(self.value)

    @property
    def middle_s(self) -> Floats:
        """Middle of each window; the moment of the row where there is no window. [s]"""
        middle = (self.window_start_s + self.window_end_s) / 2
        return np.where(np.isfinite(middle), middle, self.elapsed_s)


def is_light(readings: Readings) -> Flags:
    """Rows of the light sensor that visits the points, or of a table entered by hand."""
    return (readings.quantity == LIGHT) & (readings.instrument != MONITOR)


def tabulate(frame: pd.DataFrame) -> Readings:
    """Turn the table of `analysis.run_folder.load` into arrays."""
    columns: dict[str, Any] = {}
    for item in fields(Readings):
        series = frame[item.name]
        if item.name in ("installation", "grid_row", "grid_column", "sample"):
            columns[item.name] = series.to_numpy(dtype=np.int64, na_value=NONE)
        elif item.name in ("instrument", "quantity", "role", "status"):
            columns[item.name] = series.to_numpy(dtype=object)
        else:
            columns[item.name] = series.to_numpy(dtype=float)
    return Readings(**columns)


def newest_visits(rows: Readings) -> Readings:
    """Keep of each place and hanging what was read at the newest visit: it stands for the others.

    A visit begins with sample 1; rows that are not numbered are all kept.
    """
    kept = np.ones(len(rows), dtype=bool)
    numbered = np.flatnonzero(rows.sample >= 1)
    places = np.stack([rows.installation, rows.grid_row, rows.grid_column], axis=1)[numbered]
    _, of_place = np.unique(places, axis=0, return_inverse=True)
    for place in range(int(of_place.max(initial=-1)) + 1):
        own = numbered[of_place.ravel() == place]
        begins = np.flatnonzero(rows.sample[own] == 1)
        kept[own[: begins[-1] if len(begins) else 0]] = False
    return rows.where(kept)


@frozen(kw_only=True, eq=False)
class Sets:
    """Sets of samples, one for each visit of a place, in the order read.

    Attributes
    ----------
    role, grid_row, grid_column, segment : array, shape (k,)
        What and where each was read, and in which stretch of unbroken burning.
    count : array of int, shape (k,)
        Number of accepted samples.
    mean, sd : array, shape (k,)
        Mean and standard deviation of the samples; sd is NaN for one sample.
    start_s, end_s, middle_s, duration_s : array, shape (k,)
        First start, last end and mean middle of the windows, and their lengths added up;
        without windows the moment of the row, and 0. [s]
    power_w : array, shape (k,)
        Mean wall power over the windows; NaN where no power reading overlaps. [W]
    """

    role: NDArray[np.object_]
    grid_row: Integers
    grid_column: Integers
    segment: Integers
    count: Integers
    mean: Floats
    sd: Floats
    start_s: Floats
    end_s: Floats
    middle_s: Floats
    duration_s: Floats
    power_w: Floats

    def __len__(self) -> int:
        return len(self.count)

    def where(self, mask: NDArray[Any]) -> Sets:
        """Return the sets that a mask or a list of indices picks."""
        return Sets(**{item.name: getattr(self, item.name)[mask] for item in fields(Sets)})


def sample_sets(light: Readings, segment: Integers, power_w: Floats) -> Sets:
    """Gather the accepted samples of one sensor into sets.

    A set ends where place, role or stretch of burning changes, and where the sample number
    does not rise: a point that is read again begins a new set.

    Parameters
    ----------
    light : Readings
        Accepted rows of one light sensor in the order written, shape (n,).
    segment : array of int, shape (n,)
        Stretch of unbroken burning of each row.
    power_w : array, shape (n,)
        Wall power over each window. [W]
    """
    n = len(light)
    begins = np.ones(n, dtype=bool)
    begins[1:] = light.sample[1:] <= light.sample[:-1]
    for column in (light.grid_row, light.grid_column, light.role, segment):
        begins[1:] |= column[1:] != column[:-1]
    first = np.flatnonzero(begins)
    of_set = np.cumsum(begins) - 1
    size = len(first)
    count = np.bincount(of_set, minlength=size)
    mean = np.bincount(of_set, light.value, minlength=size) / np.maximum(count, 1)
    squares = np.bincount(of_set, (light.value - mean[of_set]) ** 2, minlength=size)
    start = np.where(np.isfinite(light.window_start_s), light.window_start_s, light.elapsed_s)
    end = np.where(np.isfinite(light.window_end_s), light.window_end_s, light.elapsed_s)
    powered = np.isfinite(power_w)
    with np.errstate(invalid="ignore", divide="ignore"):
        sd = np.where(count > 1, np.sqrt(squares / (count - 1)), np.nan)
        power = np.bincount(of_set, np.where(powered, power_w, 0.0), minlength=size) / np.bincount(
            of_set, powered, minlength=size
        )
    return Sets(
        role=light.role[first],
        grid_row=light.grid_row[first],
        grid_column=light.grid_column[first],
        segment=segment[first],
        count=count.astype(np.int64),
        mean=mean,
        sd=sd,
        start_s=np.minimum.reduceat(start, first) if size else start,
        end_s=np.maximum.reduceat(end, first) if size else end,
        middle_s=np.bincount(of_set, light.middle_s, minlength=size) / np.maximum(count, 1),
        duration_s=np.bincount(of_set, end - start, minlength=size).astype(float),
        power_w=power,
    )
