"""Run folders with a known truth, for tests of the analysis. Nothing here is measured.

The rows are those that the controller writes, in the same order and with the same roles and
events, but light and power are plain functions of place and time, so a test can work out by
hand what must come out::

    folder = write_run(tmp_path / "run", field=lambda x, y, h: 500 + 0 * x)
    run = analysis.run_folder.load(folder)

Time starts with the dark reading; the lamp is lit after it, warms up for `warm_up_s` (light
with a time constant of 240 s, power of 120 s), and from the beginning of the first map on both
follow `light_drift` and `power_w`, functions of the seconds since then.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from attrs import Factory, define, frozen

from analysis import run_folder
from analysis.grid import Grid, grid_from_plan, serpentine
from analysis.run_folder import EventRow, ReadingRow

BEGUN_UTC = datetime(2026, 1, 5, 9, 0, 0, tzinfo=UTC)
WARM_UP_TIME_CONSTANT_S = 240.0
POWER_TIME_CONSTANT_S = 120.0


def plan(**sections: Mapping[str, Any]) -> dict[str, Any]:
    """Return a plan; each keyword replaces keys of one of its tables.

    ``plan(grid={"rows": 4, "columns": 4}, heights={"mounting_height_mm": [400.0, 500.0]})``
    """
    whole: dict[str, Any] = {
        "format": 1,
        "test": {"name": "Synthetic", "operator": "nobody", "notes": ""},
        "device": {
            "name": "Reflector S",
            "kind": "reflector",
            "specimen": "S-1",
            "lamp_axis": "x",
            "clearance_mm": 250.0,
        },
        "lamp": {
            "sample": "L-01",
            "kind": "high-pressure sodium",
            "rated_power_w": 600.0,
            "hours": 130.0,
            "minimum_off_s": 900.0,
        },
        "ballast": {
            "sample": "B-01",
            "kind": "electronic",
            "setting": "600 W",
            "nominal_voltage_v": 230.0,
        },
        "area": {
            "shape": "rectangle",
            "width_mm": 1200.0,
            "depth_mm": 1200.0,
            "walls": "matt white board",
            "walls_identity": "W-1",
            "walls_state_date": "2026-01-02",
            "floor": "white tray",
            "above": "open",
        },
        "grid": {"layout": "cell-centres", "rows": 9, "columns": 9},
        "heights": {"mounting_height_mm": [400.0], "axis": "lamp"},
        "dark": {"points": 5, "skip_reason": ""},
        "warm_up": {"preset": "bench", "maximum_s": 5400.0, "on_timeout": "stop"},
        "sampling": {
            "samples_per_point": 3,
            "settle_s": 1.0,
            "reference_every": 9,
            "reference_point": "auto",
            "quick_look": True,
            "power_interval_s": 1.0,
        },
        "limits": {},
    }
    for name, changes in sections.items():
        whole[name] = {**whole.get(name, {}), **changes}
    return whole


def flat(x_mm: np.ndarray, y_mm: np.ndarray, height_mm: float) -> np.ndarray:
    """The same light everywhere. [µmol m⁻² s⁻¹]"""
    return np.full(np.shape(x_mm), 500.0)


def lambertian(x_mm: np.ndarray, y_mm: np.ndarray, height_mm: float) -> np.ndarray:
    """Cos⁴ field of a Lambertian point source of 1000 µmol/s over the middle of 1.2 × 1.2 m."""
    height_m = height_mm / 1000
    across_m2 = ((x_mm - 600) ** 2 + (y_mm - 600) ** 2) * 1e-6
    return 1000 / math.pi * height_m**2 / (height_m**2 + across_m2) ** 2


@frozen(kw_only=True)
class Options:
    """What `write_run` makes. Times in seconds, fractions as fractions.

    Attributes
    ----------
    plan : dict
        See `plan`.
    field : callable
        (x_mm, y_mm, height_mm) → PPFD on the plane at full light, no dark. [µmol m⁻² s⁻¹]
    light_drift : callable
        Seconds since the first map began → factor on the light.
    power_w : callable
        Seconds since the first map began → wall power. [W]
    dark : callable or float
        What the sensor shows with no light: a number, or a function of (x_mm, y_mm).
    noise, power_noise : float
        Standard deviation of one reading. [fraction of the reading]
    monitor_ppfd : float or None
        What a second sensor that never moves reads at full light; None without one.
    sample_s, settle_s, travel_s : float
        Window of a light reading, and the time lost before each point.
    power_interval_s, power_window_s : float
        Poll interval of the meter, and the time that a reading averages over.
    warm_up_s : float
        0 for a run that tells of no warm-up.
    other_electrical : bool
        Whether line voltage, current and power factor are written beside the power.
    line_voltage_v : callable
        Seconds since the first map began → line voltage. [V]
    reference : (int, int)
        Row and column of the reference point.
    skip : set of (int, int)
        Points that are never read.
    fail : dict
        Point → number of failed attempts before its first sample.
    reread : sequence of (int, int)
        Points read once more at the end of each map, before the last reference.
    cut_after_points : int or None
        The run breaks off after this many points of the first map, with no closing event.
    new_lamp_lit_after : int or None
        The lamp goes out and is lit anew after this many points of each map.
    reference_after_new_light : bool
        Whether a reference visit follows that.
    seed : int
        Of the noise.
    """

    plan: dict[str, Any] = Factory(plan)
    field: Callable[..., Any] = flat
    light_drift: Callable[[float], float] = lambda t_s: 1.0
    power_w: Callable[[float], float] = lambda t_s: 640.0
    dark: Callable[..., Any] | float = 0.5
    noise: float = 0.0
    power_noise: float = 0.0
    monitor_ppfd: float | None = None
    sample_s: float = 1.0
    settle_s: float = 1.0
    travel_s: float = 2.0
    power_interval_s: float = 1.0
    power_window_s: float = 1.0
    warm_up_s: float = 2400.0
    other_electrical: bool = False
    line_voltage_v: Callable[[float], float] = lambda t_s: 230.0
    reference: tuple[int, int] = (0, 0)
    skip: Iterable[tuple[int, int]] = ()
    fail: Mapping[tuple[int, int], int] = Factory(dict)
    reread: Iterable[tuple[int, int]] = ()
    cut_after_points: int | None = None
    new_lamp_lit_after: int | None = None
    reference_after_new_light: bool = True
    seed: int = 1


def write_run(folder: Path, **options: Any) -> Path:
    """Write a whole run folder and return its path. Keywords are those of `Options`."""
    return _Writer(Options(**options)).write(folder)


def write_rows(
    folder: Path,
    the_plan: Mapping[str, Any],
    readings: Iterable[ReadingRow],
    events: Iterable[EventRow] = (),
    *,
    closed: bool = True,
) -> Path:
    """Write a run folder from rows that a test made itself."""
    folder.mkdir(parents=True, exist_ok=True)
    descriptor = {
        "profile": "tabular-data-package",
        "name": folder.name.lower(),
        "resources": [],
        "evenfall": {"format": run_folder.FORMAT, "closed": closed, "instruments": []},
    }
    (folder / run_folder.DESCRIPTOR).write_text(json.dumps(descriptor))
    (folder / run_folder.PLAN).write_text(to_toml(the_plan), encoding="utf-8")
    (folder / run_folder.RIG).write_text("format = 1\n")
    rows = b"".join(map(run_folder.encode_reading, readings))
    (folder / run_folder.READINGS).write_bytes(run_folder.header(run_folder.READING_COLUMNS) + rows)
    happened = b"".join(map(run_folder.encode_event, events))
    (folder / run_folder.EVENTS).write_bytes(run_folder.header(run_folder.EVENT_COLUMNS) + happened)
    return folder


def entered_run(
    folder: Path,
    values: Any,
    *,
    wall_power_w: float | None = 640.0,
    height_mm: float | None = 400.0,
    the_plan: Mapping[str, Any] | None = None,
) -> Path:
    """Write a run as a hand-measured table makes it: no windows, no warm-up, mean watts.

    Parameters
    ----------
    values : array, shape (rows, columns)
        The table; NaN is a point that was not read. [µmol m⁻² s⁻¹]
    """
    table = np.asarray(values, dtype=float)
    rows, columns = table.shape
    whole = dict(
        the_plan
        or plan(
            grid={"rows": rows, "columns": columns},
            sampling={"samples_per_point": 1},
            dark={"points": 0, "skip_reason": "entered by hand"},
        )
    )
    grid = grid_from_plan(whole)
    common: dict[str, Any] = {
        "elapsed_s": 0.0,
        "utc": BEGUN_UTC,
        "window_start_s": None,
        "window_end_s": None,
        "instrument": "entered",
        "installation": 1,
        "mounting_height_mm": height_mm,
    }
    readings = [
        ReadingRow(
            **common,
            quantity="ppfd_umol_m2_s",
            value=float(table[row, column]),
            unit="umol/m2/s",
            role="grid",
            grid_row=int(row),
            grid_column=int(column),
            x_mm=float(x),
            y_mm=float(y),
            sample=1,
        )
        for row, column, x, y in zip(grid.row, grid.column, grid.x_mm, grid.y_mm, strict=True)
        if math.isfinite(table[row, column])
    ]
    if wall_power_w is not None:
        readings.append(
            ReadingRow(
                **common,
                quantity="wall_power_w",
                value=wall_power_w,
                unit="W",
                role="background",
            )
        )
    return write_rows(folder, whole, readings)


def add_rows(folder: Path, readings: Iterable[ReadingRow]) -> None:
    """Append rows to the readings of a run folder."""
    with (folder / run_folder.READINGS).open("ab") as file:
        file.write(b"".join(map(run_folder.encode_reading, readings)))


def to_toml(tables: Mapping[str, Any]) -> str:
    """Write a plan as TOML: top-level values, then one table for each mapping."""

    def line(key: str, value: Any) -> str:
        return f"{key} = {json.dumps(value, ensure_ascii=False)}"

    lines = [line(key, value) for key, value in tables.items() if not isinstance(value, Mapping)]
    for name, table in tables.items():
        if isinstance(table, Mapping):
            lines += ["", f"[{name}]", *(line(key, value) for key, value in table.items())]
    return "\n".join(lines) + "\n"


@define
class _Writer:
    options: Options
    now_s: float = 0.0
    lit_s: float | None = None
    map_s: float | None = None
    rows: list[tuple[float, ReadingRow]] = Factory(list)
    events: list[EventRow] = Factory(list)
    power_roles: list[tuple[float, str]] = Factory(list)
    outages: list[tuple[float, float]] = Factory(list)
    installation: int = 1

    def write(self, folder: Path) -> Path:
        opts = self.options
        random = np.random.default_rng(opts.seed)
        self._tell("run-begun")
        grid = grid_from_plan(opts.plan)
        heights = opts.plan["heights"]["mounting_height_mm"]
        self._dark(grid, heights[0], random)
        self._warm_up(grid, heights[0], random)
        cut = opts.cut_after_points
        for height_mm in heights:
            self._map(grid, height_mm, random)
            if cut is not None:
                break
        if cut is None:
            self._tell("run-ended", "", "complete")
        self._power(random)
        readings = [row for _, row in sorted(self.rows, key=lambda pair: pair[0])]
        return write_rows(folder, opts.plan, readings, self.events, closed=cut is None)

    def _tell(self, event: str, subject: str = "", detail: str = "") -> None:
        self.events.append(
            EventRow(
                elapsed_s=self.now_s,
                utc=BEGUN_UTC + timedelta(seconds=self.now_s),
                event=event,
                subject=subject,
                detail=detail,
            )
        )

    def _dark(self, grid: Grid, height_mm: float, random: np.random.Generator) -> None:
        opts = self.options
        points = opts.plan["dark"]["points"]
        if points == 0:
            if opts.plan["dark"].get("skip_reason"):
                self._tell("dark-skipped", "", opts.plan["dark"]["skip_reason"])
            return
        self._tell("dark-begun")
        self.power_roles.append((self.now_s, "dark"))
        order = serpentine(grid)
        count = len(order) if points == "all" else min(points, len(order))
        for index in order[np.linspace(0, len(order) - 1, count).astype(int)]:
            self._visit(grid, int(index), "dark", height_mm, random)

    def _warm_up(self, grid: Grid, height_mm: float, random: np.random.Generator) -> None:
        opts = self.options
        self.power_roles.append((self.now_s, "warm-up"))
        self.lit_s = self.now_s
        if not opts.warm_up_s:
            return
        self._tell("lamp-lit", "L-01")
        self._tell("warm-up-begun", "", "bench")
        index = int(grid.index_of([opts.reference[0]], [opts.reference[1]])[0])
        end_s = self.now_s + opts.warm_up_s
        sample = 0
        while self.now_s + 5.0 <= end_s:
            self.now_s += 5.0 - opts.sample_s
            sample += 1
            self._read(grid, index, "warm-up", height_mm, sample, random)
        self.now_s = end_s
        self._tell("lamp-stable", "L-01")

    def _map(self, grid: Grid, height_mm: float, random: np.random.Generator) -> None:
        opts = self.options
        if self.map_s is None:
            self.map_s = self.now_s
        self.power_roles.append((self.now_s, "background"))
        reference = int(grid.index_of([opts.reference[0]], [opts.reference[1]])[0])
        sampling = opts.plan["sampling"]
        order = [int(index) for index in serpentine(grid)]
        if sampling["quick_look"]:
            self._tell("quick-look")
            for index in order[:: max(len(order) // 4, 1)]:
                self._visit(grid, index, "quick-look", height_mm, random)
        detail = f"installation {self.installation}, mounting height {height_mm:g} mm"
        self._tell("map-begun", "Reflector S", detail)
        every = sampling["reference_every"]
        if every:
            self._visit(grid, reference, "reference", height_mm, random)
        for done, index in enumerate(order):
            if done == opts.cut_after_points:
                return
            if done and done == opts.new_lamp_lit_after:
                self._relight()
                if opts.reference_after_new_light:
                    self._visit(grid, reference, "reference", height_mm, random)
            elif every and done and done % every == 0:
                self._visit(grid, reference, "reference", height_mm, random)
            if (int(grid.row[index]), int(grid.column[index])) not in set(opts.skip):
                self._visit(grid, index, "grid", height_mm, random)
        for row, column in opts.reread:
            self._visit(grid, int(grid.index_of([row], [column])[0]), "grid", height_mm, random)
        if every and (opts.new_lamp_lit_after is None or opts.reference_after_new_light):
            self._visit(grid, reference, "reference", height_mm, random)
        self._tell("map-ended", "Reflector S")

    def _relight(self) -> None:
        self.outages.append((self.now_s, self.now_s + 1200.0))
        self._tell("fault", "lamp", "the lamp went out")
        self.now_s += 1200.0
        self._tell("lamp-lit", "L-01")
        self._tell("warm-up-begun", "", "bench")
        self.now_s += 60.0
        self._tell("lamp-stable", "L-01")

    def _visit(
        self, grid: Grid, index: int, role: str, height_mm: float, random: np.random.Generator
    ) -> None:
        opts = self.options
        self.now_s += opts.travel_s + opts.settle_s
        place = (int(grid.row[index]), int(grid.column[index]))
        for _ in range(opts.fail.get(place, 0) if role == "grid" else 0):
            self.now_s += 1.0
            self._add(grid, index, role, height_mm, None, math.nan, status="failed", raw=b"0+5")
        for sample in range(1, opts.plan["sampling"]["samples_per_point"] + 1):
            self._read(grid, index, role, height_mm, sample, random)

    def _read(
        self,
        grid: Grid,
        index: int,
        role: str,
        height_mm: float,
        sample: int,
        random: np.random.Generator,
    ) -> None:
        opts = self.options
        self.now_s += opts.sample_s
        x, y = float(grid.x_mm[index]), float(grid.y_mm[index])
        level = self._light_level(self.now_s - opts.sample_s / 2)
        light = float(np.asarray(opts.field(np.asarray(x), np.asarray(y), height_mm))) * level
        dark = float(opts.dark(x, y)) if callable(opts.dark) else opts.dark
        value = light * (1 + opts.noise * random.normal()) + dark
        self._add(grid, index, role, height_mm, sample, value)
        if opts.monitor_ppfd is not None:
            shown = opts.monitor_ppfd * level * (1 + opts.noise * random.normal()) + 0.3
            self._add(grid, index, "monitor", height_mm, sample, shown, instrument="monitor_sensor")

    def _light_level(self, at_s: float) -> float:
        if self.lit_s is None:
            return 0.0
        if self.map_s is None:
            return 1 - math.exp(-(at_s - self.lit_s) / WARM_UP_TIME_CONSTANT_S)
        return float(self.options.light_drift(at_s - self.map_s))

    def _power_level(self, at_s: float) -> float:
        if self.lit_s is None or at_s < self.lit_s:
            return 0.0
        if any(start <= at_s < end for start, end in self.outages):
            return 0.0
        if self.map_s is None or at_s < self.map_s:
            share = 1 - 0.5 * math.exp(-(at_s - self.lit_s) / POWER_TIME_CONSTANT_S)
            return float(self.options.power_w(0.0)) * share
        return float(self.options.power_w(at_s - self.map_s))

    def _add(
        self,
        grid: Grid,
        index: int,
        role: str,
        height_mm: float,
        sample: int | None,
        value: float,
        *,
        status: str = "ok",
        raw: bytes = b"",
        instrument: str = "light_sensor",
    ) -> None:
        begun = None if status == "failed" else self.now_s - self.options.sample_s
        row = ReadingRow(
            elapsed_s=self.now_s,
            utc=BEGUN_UTC + timedelta(seconds=self.now_s),
            window_start_s=begun,
            window_end_s=None if begun is None else self.now_s,
            instrument=instrument,
            quantity="ppfd_umol_m2_s",
            value=None if math.isnan(value) else value,
            unit="umol/m2/s",
            role=role,
            installation=self.installation,
            grid_row=int(grid.row[index]),
            grid_column=int(grid.column[index]),
            x_mm=float(grid.x_mm[index]),
            y_mm=float(grid.y_mm[index]),
            mounting_height_mm=height_mm,
            sample=sample,
            status=status,
            raw=raw,
        )
        self.rows.append((self.now_s, row))

    def _power(self, random: np.random.Generator) -> None:
        opts = self.options
        moments = np.arange(opts.power_interval_s, self.now_s + 1.0, opts.power_interval_s)
        starts = [start for start, _ in self.power_roles]
        for end_s in moments:
            middle_s = end_s - opts.power_window_s / 2
            power = self._power_level(middle_s) * (1 + opts.power_noise * random.normal())
            place = int(np.searchsorted(starts, middle_s, side="right")) - 1
            role = self.power_roles[place][1] if place >= 0 else "background"
            values = {"wall_power_w": (power, "W")}
            if opts.other_electrical:
                volts, factor = opts.line_voltage_v(middle_s - (self.map_s or 0.0)), 0.98
                values["line_voltage_v"] = (volts, "V")
                values["line_current_a"] = (power / volts / factor, "A")
                values["power_factor"] = (factor, "1")
            for quantity, (value, unit) in values.items():
                row = ReadingRow(
                    elapsed_s=float(end_s),
                    utc=BEGUN_UTC + timedelta(seconds=float(end_s)),
                    window_start_s=float(end_s - opts.power_window_s),
                    window_end_s=float(end_s),
                    instrument="power_meter",
                    quantity=quantity,
                    value=float(value),
                    unit=unit,
                    role=role,
                    installation=self.installation,
                )
                self.rows.append((float(end_s), row))
