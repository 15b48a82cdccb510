"""The rig profile: which instruments are fitted and how, read from ``rig.toml``.

Each instrument section names its ``kind``; the driver of that kind says which other keys the
section has (`drivers/registry.py`), so a new driver brings its own checks with it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import attrs
import numpy as np
from attrs import frozen

from analysis.grid import Grid, grid_from_plan
from analysis.stabilisation import resolvability, rule_from_plan
from drivers.arming import LONGEST_SILENCE_S
from drivers.registry import KINDS
from drivers.simulated.scenario import ScenarioError, device_named
from drivers.simulated.scenario import load as load_scenario
from drivers.simulated.script import script_file
from rig import correction_checks, profile_checks
from rig.correction_keys import LightSensorCalibration, PowerMeterCalibration
from rig.plan import Plan
from rig.toml_faults import Fault, Faults, did_you_mean, either, shown
from rig.toml_keys import file_format, number, text
from rig.toml_structure import make, read_sections
from rig.uncertainty_keys import Uncertainty

FORMAT: Final = 1
#: What a kind may also be called in a section of its role.
SHORT: Final = {("power_meter", "keyed"): "keyed-power-meter"}
#: The sections that hold an instrument, in the order in which they are opened.
SECTIONS: Final = (
    "light_sensor",
    "monitor_sensor",
    "power_meter",
    "stage",
    "lamp_relay",
    "thermometer",
)


@frozen
class Fitted:
    """One instrument of the rig.

    Attributes
    ----------
    kind : str
        Name of its kind, a key of `drivers.registry.KINDS`.
    options : object
        Its options, of the class that the kind names.
    """

    kind: str
    options: Any


@frozen(kw_only=True)
class BenchSection:
    """Section ``[bench]``: the virtual bench in this process."""

    scenario: str = text(
        "Name of a scenario of ours, or its file, counted from the folder of the profile.",
        example="quick",
        empty=False,
    )
    instruments: str | None = text(
        "Name or file of its instruments and of the faults that they are to play, counted from "
        "the folder of the profile.",
        default=None,
        example="faults-example",
    )
    evening: int = number(
        "1",
        "Which evening of the bench this is: each has its own date, mains and noise.",
        default=1,
        at_least=-1000,
        at_most=1000,
        example=1,
    )


def kinds_for(section: str) -> tuple[str, ...]:
    """Return the kinds that a section can have.

    A monitor sensor is read in the window of each light reading, which nobody can do by hand.
    """
    is_monitor = section == "monitor_sensor"
    role = "light_sensor" if is_monitor else section
    return tuple(
        kind.name
        for kind in KINDS.values()
        if kind.role == role and not (is_monitor and kind.by_hand)
    )


def _instrument(section: str, doc: str) -> dict[str, Any]:
    return {
        "doc": doc,
        "allowed": f"give a section with kind = {either(kinds_for(section))}",
        "structure": lambda raw: fitted(raw, section),
    }


@frozen(kw_only=True)
class Profile:
    """A rig profile that has passed every check.

    Attributes
    ----------
    light_sensor, power_meter, stage : Fitted
        The instruments that every rig has.
    monitor_sensor : Fitted or None
        A second light sensor, fixed for the whole session.
    lamp_relay : Fitted or None
        Opens and closes the lamp circuit.
    thermometer : Fitted or None
        Watches one temperature, with a limit if it has one.
    light_sensor_calibration, power_meter_calibration : object or None
        What is known of these instruments, see `rig.correction_keys`.
    uncertainty : Uncertainty or None
        What is known of the bench without measuring it.
    bench : BenchSection or None
        Present where the instruments are those of the virtual bench.
    path : Path
        The file; names inside it are counted from its folder.
    text : bytes
        The file as it was read.
    raw : dict
        Its content as `tomllib` gives it.
    """

    format: int = file_format(FORMAT)
    name: str = text("Name of the rig.", default="", example="bench 1")
    bench: BenchSection | None = attrs.field(
        default=None, metadata={"allowed": "give a section [bench] with scenario"}
    )
    light_sensor: Fitted = attrs.field(
        metadata=_instrument("light_sensor", "The sensor that is carried to the points.")
    )
    monitor_sensor: Fitted | None = attrs.field(
        default=None,
        metadata=_instrument("monitor_sensor", "A second sensor, fixed for the whole session."),
    )
    power_meter: Fitted = attrs.field(
        metadata=_instrument("power_meter", "The meter of ballast and lamp.")
    )
    stage: Fitted = attrs.field(metadata=_instrument("stage", "What carries the sensor."))
    lamp_relay: Fitted | None = attrs.field(
        default=None, metadata=_instrument("lamp_relay", "What closes the lamp circuit.")
    )
    thermometer: Fitted | None = attrs.field(
        default=None, metadata=_instrument("thermometer", "What watches one temperature.")
    )
    light_sensor_calibration: LightSensorCalibration | None = attrs.field(
        default=None, metadata={"allowed": "give a section of its keys, or leave it out"}
    )
    power_meter_calibration: PowerMeterCalibration | None = attrs.field(
        default=None, metadata={"allowed": "give a section of its keys, or leave it out"}
    )
    uncertainty: Uncertainty | None = attrs.field(
        default=None, metadata={"allowed": "give a section of its keys, or leave it out"}
    )
    path: Path = attrs.field(metadata={"internal": True})
    text: bytes = attrs.field(repr=False, metadata={"internal": True})
    raw: dict[str, Any] = attrs.field(repr=False, metadata={"internal": True})

    @property
    def instruments(self) -> dict[str, Fitted]:
        """What is fitted, by the name of its section."""
        return {name: fitted for name in SECTIONS if (fitted := getattr(self, name)) is not None}

    @property
    def is_by_hand(self) -> bool:
        """Whether a person carries the sensor."""
        return KINDS[self.stage.kind].by_hand

    @property
    def scenario(self) -> Path | None:
        """File of the virtual bench's scenario, or None on a real rig."""
        return None if self.bench is None else script_file(self.bench.scenario, self.path.parent)

    @property
    def script(self) -> Path | None:
        """File of the virtual bench's instruments and faults, or None where none is named."""
        if self.bench is None or self.bench.instruments is None:
            return None
        return script_file(self.bench.instruments, self.path.parent)


def read_profile(path: Path) -> Profile:
    """Read and check a rig profile.

    Raises
    ------
    ConfigError
        With everything that is wrong with it.
    """
    path = Path(path)

    def check(sections: Mapping[str, Any], _raw: Mapping[str, Any]) -> Iterator[Fault]:
        yield from profile_checks.faults(sections, path.parent)
        yield from correction_checks.profile_faults(sections, path.parent)

    data, raw, sections = read_sections(path, Profile, check)
    return Profile(**sections, path=path, text=data, raw=raw)


def fitted(raw: object, section: str) -> Fitted:
    """Turn an instrument section into its kind and options.

    Raises
    ------
    Faults
        Everything that is wrong with the section.
    """
    names = kinds_for(section)
    allowed = f"give {either(names)}"
    if not isinstance(raw, Mapping):
        raise Faults([Fault((), f"is {shown(raw)}; give a section with kind = {either(names)}")])
    if "kind" not in raw:
        raise Faults([Fault(("kind",), f"is missing; {allowed}")])
    name = raw["kind"]
    if isinstance(name, str):
        name = SHORT.get((section, name), name)
    if name not in names:
        raise Faults([Fault(("kind",), f"is {shown(name)}; {allowed}{did_you_mean(name, names)}")])
    options = {key: value for key, value in raw.items() if key != "kind"}
    return Fitted(name, make(options, KINDS[name].options))


# --- a plan on this rig -----------------------------------------------------------------------


def cross_check(plan: Plan, profile: Profile) -> list[str]:
    """List what the rig of a profile cannot do of a plan.

    Parameters
    ----------
    plan : Plan
        A plan that is sound in itself.
    profile : Profile
        A profile that is sound in itself.

    Returns
    -------
    list of str
        Each a whole line: where, what, what is allowed. Empty if the plan can be run.
    """
    if plan.entered is not None:
        return [
            "entered: this plan was written by 'evenfall enter' for readings taken by hand; "
            "for a run copy it, take [entered] out and state lamp, dark reading and warm-up"
        ]
    grid = grid_from_plan(plan.raw)
    return [
        *_virtual_device(plan, profile),
        *_travel(grid, profile),
        *_height_axis(plan, profile),
        *_resolution(plan, grid, profile),
        *lighting_faults(plan, profile),
        *correction_checks.cross_faults(plan, profile),
    ]


def _virtual_device(plan: Plan, profile: Profile) -> Iterator[str]:
    """On the virtual bench only what its scenario knows can hang."""
    if profile.scenario is None:
        return
    try:
        device_named(load_scenario(profile.scenario)[0], plan.device.name)
    except ScenarioError as error:
        yield f"device.name: {'; '.join(error.faults)} (the virtual bench of the profile)"


def lighting_faults(plan: Plan, profile: Profile) -> list[str]:
    """List what a rig lacks for a plan that has the relay light the lamp."""
    if plan.lamp.switching != "relay":
        return []
    if profile.is_by_hand:
        return [
            'lamp.switching is "relay", but a person carries the sensor (stage.kind "manual") and '
            'reaches into the area: no lamp may light by itself then; give "hand"'
        ]
    if profile.lamp_relay is None:
        return [
            'lamp.switching is "relay", but the profile has no [lamp_relay]; fit one, or give '
            '"hand"'
        ]
    declared_s = profile.lamp_relay.options.opens_after_silence_s
    if declared_s is None or declared_s > LONGEST_SILENCE_S:
        return [
            'lamp.switching is "relay", but lamp_relay.opens_after_silence_s is '
            f"{'missing' if declared_s is None else declared_s}; a relay that does not open by "
            f"itself within {LONGEST_SILENCE_S:g} s of silence must not light a lamp: declare the "
            'time that is set in it, or give "hand"'
        ]
    return []


def _travel(grid: Grid, profile: Profile) -> Iterator[str]:
    if profile.is_by_hand:
        return
    stage = profile.stage.options
    for axis, points_mm, origin_mm, travel_mm in (
        ("x", grid.x_mm, stage.x_at_origin_mm, stage.travel_x_mm),
        ("y", grid.y_mm, stage.y_at_origin_mm, stage.travel_y_mm),
    ):
        lowest_mm, highest_mm = travel_mm
        at_mm = points_mm + origin_mm
        out = (at_mm < lowest_mm) | (at_mm > highest_mm)
        if out.any():
            worst = int(np.argmax(np.maximum(lowest_mm - at_mm, at_mm - highest_mm)))
            yield (
                f"grid: {int(out.sum())} of {len(grid)} points lie beyond the travel of the "
                f"stage, the worst at {axis} {points_mm[worst]:g} mm (stage {axis} "
                f"{at_mm[worst]:g} mm); stage.travel_{axis}_mm is {lowest_mm:g} to "
                f"{highest_mm:g} mm: change the grid, or stage.{axis}_at_origin_mm"
            )


def _height_axis(plan: Plan, profile: Profile) -> Iterator[str]:
    travel_mm = profile.stage.options.travel_z_mm
    if travel_mm is None:
        return
    lowest_mm, highest_mm = travel_mm
    for position, height_mm in enumerate(plan.heights.mounting_height_mm):
        if not lowest_mm <= height_mm <= highest_mm:
            fault = Fault(
                ("heights", "mounting_height_mm", position),
                f"is {height_mm} mm, outside the travel of the height axis; give "
                f"{lowest_mm:g} to {highest_mm:g} mm (stage.travel_z_mm)",
            )
            yield str(fault)


def _resolution(plan: Plan, grid: Grid, profile: Profile) -> Iterator[str]:
    """Judge the sensor by the level that the plan lets expect, if it lets any be expected."""
    sensor = profile.light_sensor.options
    step, noise = sensor.step_umol_m2_s, sensor.noise_umol_m2_s
    if step is None and noise is None:
        return
    if plan.limits.target_ppfd_umol_m2_s is not None:
        level = plan.limits.target_ppfd_umol_m2_s
    elif plan.lamp.rated_flux_umol_s is not None:
        level = plan.lamp.rated_flux_umol_s / grid.area_m2
    else:
        return
    problem = resolvability(
        rule_from_plan(plan.raw),
        step=step or 0.0,
        noise=noise or 0.0,
        level=level,
        interval_s=max(sensor.averaging_s, plan.sampling.power_interval_s),
    )
    if problem is not None:
        yield f"light_sensor against warm_up: {problem}"
