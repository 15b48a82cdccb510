"""A bench that errs as `benches.toml` says, and its maps, read through the real analysis."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import Factory, define, frozen
from numpy.typing import NDArray

from analysis.causes import Budget
from analysis.declared import Declared
from analysis.grid import serpentine
from analysis.identity import Identity
from analysis.map_budget import budget_of
from analysis.map_corrections import MapCorrections
from analysis.map_remarks import Limits
from analysis.map_summary import MapReadings, summarise_map
from analysis.results import Dark, MapSummary
from analysis.samples import Readings, Sets
from tests.coverage.fields import BENCHES, Field

Floats = NDArray[np.float64]

REFERENCE_EVERY = 9
POINT_S = 6.0
LIMITS = Limits(
    drift=0.1,
    peak_ppfd_umol_m2_s=None,
    target_ppfd_umol_m2_s=None,
    minimum_to_mean=None,
    rated_flux_umol_s=None,
    samples_per_point=1,
)


@frozen(kw_only=True)
class Reading:
    """One map as read, and what was true while it was read."""

    map_: MapSummary
    budget: Budget
    true_flux: float
    true_efficacy: float


@define
class Bench:
    """Errors that stay with a bench while devices come and go.

    Parameters
    ----------
    random : Generator
    sizes : dict
        Changes of single figures of `benches.toml`: section → key → value.
    """

    random: np.random.Generator
    sizes: dict[str, dict[str, Any]]
    gain: float = 0.0
    linearity: float = 0.0
    response: Floats = Factory(lambda: np.zeros(0))
    tilt: Floats = Factory(lambda: np.zeros(2))
    origin_mm: Floats = Factory(lambda: np.zeros(2))
    height_mm: float = 0.0
    meter: float = 0.0
    number: int = 0

    @classmethod
    def draw(cls, seed: int, sizes: dict[str, dict[str, Any]] | None = None) -> Bench:
        """Set up a bench with errors of its own."""
        bench = cls(random=np.random.default_rng([seed, 77]), sizes=sizes or {})
        within, sensor = bench._within, bench._of("sensor")
        calibration = bench.random.normal(0.0, sensor["calibration_sd_percent"])
        bench.gain = (1 + calibration / 100) * (
            1 + within("sensor", "spectral_limit_percent") / 100
        )
        bench.linearity = within("sensor", "nonlinearity_limit_percent") / 100
        limits, kinship = np.array(sensor["cosine_limit_percent"]) / 100, sensor["cosine_kinship"]
        kin, curve = bench.random.uniform(-1, 1), []
        for limit in limits:
            curve.append(limit * np.clip(kin, -1, 1))
            # The spread of one even draw at every knot, whatever the kinship.
            kin = kinship * kin + np.sqrt(1 - kinship**2) * bench.random.uniform(-1, 1)
        bench.response = np.array(curve)
        bench.tilt = np.radians([within("sensor", "tilt_limit_deg") for _ in range(2)])
        bench.origin_mm = np.array([within("stage", "origin_limit_mm") for _ in range(2)])
        bench.height_mm = within("stage", "height_limit_mm")
        bench.meter = (1 + within("wattmeter", "gain_limit_percent") / 100) * (
            1 + within("wattmeter", "distorted_limit_percent") / 100
        )
        return bench

    def _of(self, section: str) -> dict[str, Any]:
        return {**BENCHES[section], **self.sizes.get(section, {})}

    def _within(self, section: str, name: str) -> float:
        limit = self._of(section)[name]
        return float(self.random.uniform(-limit, limit))

    def read(
        self,
        field: Field,
        device: str,
        declared: Declared,
        *,
        flux: float = 1.0,
        known: bool = True,
    ) -> Reading:
        """Hang a device and read its map.

        Parameters
        ----------
        field : Field
            Its light.
        device : str
            Its name.
        declared : Declared
            What the owner says of the bench.
        flux : float
            A device that delivers so much more. [1]
        known : bool
            Whether the plan states that the device has one opening above the centre.
        """
        self.number += 1
        random, lamp, sensor = self.random, self._of("lamp"), self._of("sensor")
        hung = 1 + random.normal(0.0, self._of("installation")["flux_sd_percent"]) / 100
        grid = field.grid
        order, is_reference = _visits(len(grid), serpentine(grid))
        n = len(order)
        begun = POINT_S * np.arange(n)
        trend = random.normal(0.0, lamp["trend_sd_percent"], 2) / 100
        along = np.linspace(-1, 1, n)
        light = 1 + trend[0] * along + trend[1] * (along**2 - 1 / 3)
        light = light * (1 + random.normal(0.0, lamp["wander_percent"] / 100, n))
        power = 1 + (light - 1) / lamp["light_over_power"]
        warm = random.uniform(-1, 1) * sensor["temperature_limit_percent"] / 100

        limit = self._of("stage")["position_limit_mm"]
        off = random.uniform(-limit, limit, (2, n)) + self.origin_mm[:, None]
        x = np.clip(grid.x_mm[order] + off[0], 1.0, grid.width_mm - 1.0)
        y = np.clip(grid.y_mm[order] + off[1], 1.0, grid.depth_mm - 1.0)
        here = field.view.at(x, y) / field.view.at(grid.x_mm[order], grid.y_mm[order])
        change = (
            self.response @ field.by_knot[:, order]
            + self.tilt @ field.by_tilt[:, order]
            + self.height_mm * field.by_height[order]
        )
        true = lamp["flux_umol_s"] * flux * hung * field.cells[order] * light
        seen = true * here * (1 + change)
        seen = seen * (1 + self.linearity * seen / sensor["full_scale_umol_m2_s"])
        noise = random.standard_t(sensor["tail_degrees"], n) / np.sqrt(2.0)
        seen = seen * self.gain * (1 + warm) * (1 + noise * sensor["noise_percent"] / 100)
        dark = sensor["dark_offset_umol_m2_s"] + sensor["dark_noise_umol_m2_s"] * (
            random.standard_normal(5)
        )
        shown_w = lamp["power_w"] * power * self.meter
        shown_w = shown_w * (
            1 + random.normal(0.0, self._of("wattmeter")["noise_percent"] / 100, n)
        )
        map_ = summarise_map(
            grid,
            LIMITS,
            MapReadings(
                installation=self.number,
                mounting_height_mm=field.mounting_height_mm,
                sets=_sets(
                    grid,
                    order,
                    is_reference,
                    begun,
                    seen + sensor["dark_offset_umol_m2_s"],
                    shown_w,
                ),
                monitor=_sets(grid, order[:0], is_reference[:0], begun[:0], seen[:0], shown_w[:0]),
                corrections=MapCorrections(dark=np.full(len(grid), dark.mean())),
                power=_no_power(),
                entered_power_w=None,
                n_retried=0,
            ),
        )
        identity = Identity(
            run=f"run {self.number}",
            light_sensor="sensor",
            power_meter="meter",
            lamp="lamp",
            ballast="ballast",
            rig="rig",
            device=device,
            is_opening_known=known,
        )
        read_dark = Dark(
            status="measured",
            mean=float(dark.mean()),
            sd=float(dark.std(ddof=1)),
            points=5,
            reason="",
        )
        budget = budget_of(map_, read_dark, identity, declared)
        assert budget is not None
        on_grid = ~is_reference
        share = lamp["flux_umol_s"] * flux * hung * field.share
        return Reading(
            map_=map_,
            budget=budget,
            true_flux=share * float(light[on_grid].mean()),
            true_efficacy=share * float((light / power)[on_grid].mean()) / lamp["power_w"],
        )


def _visits(count: int, order: Any) -> tuple[Any, NDArray[np.bool_]]:
    """Points in the order read, with the point nearest the middle visited again and again."""
    middle = count // 2
    places, flags = [], []
    for done, at in enumerate(order):
        if done % REFERENCE_EVERY == 0:
            places.append(middle)
            flags.append(True)
        places.append(int(at))
        flags.append(False)
    return np.array([*places, middle]), np.array([*flags, True])


def _sets(
    grid: Any, order: Any, is_reference: Any, begun: Floats, mean: Floats, power: Floats
) -> Sets:
    n = len(order)
    return Sets(
        role=np.where(is_reference, "reference", "grid").astype(object),
        grid_row=grid.row[order],
        grid_column=grid.column[order],
        segment=np.zeros(n, dtype=np.int64),
        count=np.ones(n, dtype=np.int64),
        mean=mean,
        sd=np.full(n, np.nan),
        start_s=begun,
        end_s=begun + 1.0,
        middle_s=begun + 0.5,
        duration_s=np.ones(n),
        power_w=power,
    )


def _no_power() -> Readings:
    none, whole = np.zeros(0), np.zeros(0, dtype=np.int64)
    text = np.zeros(0, dtype=object)
    return Readings(
        elapsed_s=none,
        window_start_s=none,
        window_end_s=none,
        value=none,
        mounting_height_mm=none,
        installation=whole,
        grid_row=whole,
        grid_column=whole,
        sample=whole,
        instrument=text,
        quantity=text,
        role=text,
        status=text,
    )
