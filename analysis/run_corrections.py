"""Which corrections a run is given: its profile's facts and its plan's requests, read once.

What was asked for and cannot be done is not done, and a remark says why: a result is never
corrected by half a fact.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from attrs import evolve, frozen

from analysis.corrections import Applied
from analysis.curves import Curve, CurveError, curves_of_run, spectral_factor_from
from analysis.digits import MINUS
from analysis.grid import Grid
from analysis.map_corrections import MapCorrections
from analysis.run_folder import Run
from analysis.samples import POWER, Floats, Readings
from analysis.sensor_corrections import Geometry, Temperature

TEMPERATURE: Final = "temperature_c"
PLACES: Final = ("sensor", "plane")
"""A thermometer whose place names one of these tells the temperature of the light sensor."""
COVERAGE: Final = 2.0
"""Certificates state expanded uncertainties with this factor."""


@frozen(kw_only=True, eq=False)
class RunCorrections:
    """What is to be corrected in a run.

    Attributes
    ----------
    constant : tuple of Applied
        Calibration and spectral factor of the light sensor.
    temperature : Temperature or None
    geometry : Geometry or None
        Tilt, cosine response and height of the light sensor, as far as they are known.
    power : Applied or None
        Calibration of the power meter.
    nominal_v : float or None
        Line voltage to scale to, if that is asked for. [V]
    stray_umol_m2_s : float or None
        Stray light that was measured apart, for maps without a reading of it. [µmol m⁻² s⁻¹]
    """

    constant: tuple[Applied, ...] = ()
    temperature: Temperature | None = None
    geometry: Geometry | None = None
    power: Applied | None = None
    nominal_v: float | None = None
    stray_umol_m2_s: float | None = None

    def corrected(self, readings: Readings) -> Readings:
        """Return the readings with the calibration of the power meter in all wall power."""
        if self.power is None:
            return readings
        of_power = readings.quantity == POWER
        value = readings.value * self.power.factor + self.power.offset
        return evolve(readings, value=np.where(of_power, value, readings.value))

    def for_map(
        self,
        grid: Grid,
        mounting_height_mm: float | None,
        remarks: list[str],
        *,
        dark: Floats,
        stray: Floats | None,
    ) -> MapCorrections:
        """Return what is to be done to one map; what cannot be done is remarked."""
        is_stray_stated = stray is None and self.stray_umol_m2_s is not None
        if is_stray_stated:
            stray = np.full(len(grid), self.stray_umol_m2_s)
        by_point: tuple[Applied, ...] = ()
        if self.geometry is not None:
            by_point = self.geometry.by_point(grid, mounting_height_mm, remarks)
        return MapCorrections(
            dark=dark,
            stray=stray,
            is_stray_stated=is_stray_stated,
            constant=self.constant,
            temperature=self.temperature,
            by_point=by_point,
            geometry=self.geometry,
            power=self.power,
        )


def corrections_of(
    run: Run, grid: Grid | None, readings: Readings, remarks: list[str]
) -> RunCorrections:
    """Read from a run which corrections it is to be given.

    Parameters
    ----------
    run : Run
        Its plan says what is asked for, its profile what is known.
    grid : Grid or None
        For the middle of the plane.
    readings : Readings
        As read.
    remarks : list of str
        Gets what is known or asked for, but cannot be done.
    """
    sensor = _table(run.rig, "light_sensor_calibration")
    asked = _table(run.plan, "corrections")
    nominal_v = None
    if asked.get("line_voltage") == "nominal":
        nominal_v = _figure(_table(run.plan, "ballast"), "nominal_voltage_v")
        if nominal_v is None:
            remarks.append(
                "Nothing is scaled to the nominal line voltage: ballast.nominal_voltage_v is not "
                "stated."
            )
    constant = (_calibration(run.rig, sensor), _spectral(run, sensor, asked, remarks))
    return RunCorrections(
        constant=tuple(one for one in constant if one is not None),
        temperature=_temperature(run, sensor, readings, remarks),
        geometry=_geometry(sensor, asked, grid, remarks),
        power=_power(run.rig, _table(run.rig, "power_meter_calibration")),
        nominal_v=nominal_v,
        stray_umol_m2_s=_figure(asked, "stray_umol_m2_s"),
    )


def _table(whole: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    table = whole.get(name, {})
    return table if isinstance(table, Mapping) else {}


def _figure(table: Mapping[str, Any], key: str) -> float | None:
    value = table.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _figures(table: Mapping[str, Any], key: str) -> list[float]:
    values = table.get(key, [])
    return [float(value) for value in values] if isinstance(values, list) else []


def _standard(table: Mapping[str, Any], key: str = "uncertainty_percent") -> float | None:
    """Relative standard uncertainty from an expanded one in per cent. [fraction]"""
    percent = _figure(table, key)
    return None if percent is None else percent / 100 / COVERAGE


def _certificate(rig: Mapping[str, Any], instrument: str) -> str:
    """Say where the figures of a calibration come from, with their dates."""
    held = _table(rig, instrument)
    done, due = held.get("calibrated_on"), held.get("calibration_due")
    return f"profile: calibrated on {done or 'a day not stated'}" + (f", due {due}" if due else "")


def _calibration(rig: Mapping[str, Any], sensor: Mapping[str, Any]) -> Applied | None:
    factor = _figure(sensor, "factor")
    if factor is None:
        return None
    return Applied(
        name="sensor calibration",
        on="light",
        factor=factor,
        source=_certificate(rig, "light_sensor"),
        setting=f"factor {factor:g}",
        uncertainty=_standard(sensor),
    )


def _spectral(
    run: Run, sensor: Mapping[str, Any], asked: Mapping[str, Any], remarks: list[str]
) -> Applied | None:
    way = asked.get("spectral", "none")
    if way == "lamp kind":
        kind = _table(run.plan, "lamp").get("kind")
        for row in sensor.get("spectral_factors", ()):
            factor = _figure(row, "factor")
            if row.get("lamp_kind") == kind and factor is not None:
                return Applied(
                    name="spectral factor",
                    on="light",
                    factor=factor,
                    source=f"profile: factor for {kind}",
                    setting=f"factor {factor:g} for {kind}",
                    uncertainty=_standard(row),
                )
        remarks.append(f"No spectral factor is applied: the profile has none for {kind!r}.")
    if way == "curves":
        held = curves_of_run(run.path, run.descriptor)
        curves: list[Curve] = []
        for key in (
            "light_sensor_calibration.response",
            "light_sensor_calibration.calibration_spectrum",
            "corrections.lamp_spectrum",
        ):
            curve = held.get(key, f"the run folder holds no curve for {key}")
            if isinstance(curve, str):
                remarks.append(f"No spectral factor is applied: {curve}.")
                return None
            curves.append(curve)
        try:
            factor = spectral_factor_from(*curves)
        except CurveError as error:
            remarks.append(f"No spectral factor is applied: {error}.")
            return None
        lamp = asked.get("lamp_spectrum")
        return Applied(
            name="spectral factor",
            on="light",
            factor=factor,
            source=f"computed from the sensor's response and {lamp}",
            setting=f"factor {factor:.5g} from curves",
            uncertainty=_standard(asked, "spectral_uncertainty_percent"),
        )
    return None


def _temperature(
    run: Run, sensor: Mapping[str, Any], readings: Readings, remarks: list[str]
) -> Temperature | None:
    percent = _figure(sensor, "temperature_coefficient_percent_per_k")
    reference_c = _figure(sensor, "temperature_reference_c")
    if not percent or reference_c is None:
        return None
    place = str(_table(run.rig, "thermometer").get("place", "reflector"))
    logged = readings.where(readings.is_good & (readings.quantity == TEMPERATURE))
    known = any(word in place.lower() for word in PLACES)
    if not len(logged) or not known:
        why = f"the thermometer is at the {place}" if len(logged) else "none was logged"
        signed = f"{percent:g}".replace("-", MINUS)
        remarks.append(
            f"The temperature of the light sensor is not corrected for ({signed} % for 1 K): "
            f"{why}. Its temperature has to be logged, with thermometer.place naming the sensor "
            "or the plane."
        )
        return None
    order = np.argsort(logged.middle_s, kind="stable")
    return Temperature(
        coefficient=percent / 100,
        reference_c=reference_c,
        elapsed_s=logged.middle_s[order],
        temperature_c=logged.value[order],
    )


def _geometry(
    sensor: Mapping[str, Any], asked: Mapping[str, Any], grid: Grid | None, remarks: list[str]
) -> Geometry | None:
    angles, response = _figures(sensor, "cosine_angle_deg"), _figures(sensor, "cosine_response")
    tilt = (_figure(sensor, "tilt_x_deg") or 0.0, _figure(sensor, "tilt_y_deg") or 0.0)
    height_mm = _figure(sensor, "height_mm") or 0.0
    known = [
        name
        for name, is_known in (
            ("tilt", tilt != (0.0, 0.0)),
            ("cosine response", bool(angles) and len(angles) == len(response)),
            ("height", height_mm != 0),
        )
        if is_known
    ]
    if not known or grid is None:
        return None
    share = _figure(asked, "direct_share")
    if share is None:
        remarks.append(
            f"Known of the light sensor and not corrected: {', '.join(known)}. The plan does not "
            "state where the light comes from (corrections.direct_share)."
        )
        return None
    x_mm, y_mm = _figure(asked, "source_x_mm"), _figure(asked, "source_y_mm")
    table = "cosine response" in known
    return Geometry(
        direct_share=share,
        x_mm=grid.width_mm / 2 if x_mm is None else x_mm,
        y_mm=grid.depth_mm / 2 if y_mm is None else y_mm,
        height_mm=height_mm,
        tilt_deg=tilt,
        angle_deg=np.array(angles if table else []),
        response=np.array(response if table else []),
    )


def _power(rig: Mapping[str, Any], meter: Mapping[str, Any]) -> Applied | None:
    factor, offset_w = _figure(meter, "factor"), _figure(meter, "offset_w")
    if factor is None and offset_w is None:
        return None
    factor, offset_w = 1.0 if factor is None else factor, offset_w or 0.0
    return Applied(
        name="power meter",
        on="power",
        factor=factor,
        offset=offset_w,
        source=_certificate(rig, "power_meter"),
        setting=f"factor {factor:g}, offset {offset_w:g} W",
        uncertainty=_standard(meter),
    )
