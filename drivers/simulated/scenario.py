"""What a virtual bench is made of, read from a scenario file.

A scenario names the test area, the lamp and its ballast, the mains, the gantry and the
devices (reflectors or luminaires) that can be hung. The errors of the instruments stand in a
file of their own, which the analysis never reads. All values are invented or common
practice; what is known of their source stands beside the defaults.
"""

# `table` only describes a field to attrs; nothing mutable is shared.
# ruff: noqa: RUF009

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from attrs import frozen

from drivers.simulated.sensor_errors import InstrumentErrors
from drivers.simulated.spec import (
    ScenarioError,
    number,
    numbers,
    read_file,
    read_table,
    table,
    text,
)

FORMAT = 1
FOLDER = Path(__file__).parent / "scenarios"


@frozen(kw_only=True)
class Area:
    """The box that is lit: four diffuse walls over the measurement plane."""

    width_mm: float = number("mm", above=0)
    depth_mm: float = number("mm", above=0)
    wall_height_mm: float = number("mm", above=0)
    wall_reflectance: tuple[float, ...] = numbers("1", length=4, at_least=0, at_most=0.99)
    """West (x = 0), east, south (y = 0), north."""
    floor_reflectance: float = number("1", at_least=0, at_most=0.99)
    above: str = text("open", choices=("open", "lid", "reflector"))
    above_reflectance: float = number("1", 0.0, at_least=0, at_most=0.99)
    """Of the lid, or of the underside of the reflector."""


@frozen(kw_only=True)
class Lamp:
    """A discharge lamp. Defaults are common practice for high-pressure sodium, no source."""

    name: str = text()
    rated_power_w: float = number("W", above=0)
    rated_flux_umol_s: float = number("µmol/s", above=0)
    """At 100 h, at rated power, warm."""
    hours: float = number("h", 100.0, at_least=0)
    unseasoned_excess_percent: float = number("%", 4.0, at_least=0)
    """Extra light of a new lamp, fading over its first hundred hours."""
    loss_percent_per_1000_h: float = number("%", 0.75, at_least=0)
    """7 to 8 % at 10 000 h for high-pressure sodium (maintenance article, low)."""
    strike_light: float = number("1", 0.03, at_least=0, at_most=1)
    strike_power: float = number("1", 0.45, at_least=0, at_most=1)
    heating_s: float = number("s", 50.0, above=0)
    first_stage_s: float = number("s", 60.0, above=0)
    second_stage_s: float = number("s", 260.0, above=0)
    first_stage_share: float = number("1", 0.85, at_least=0, at_most=1)
    power_run_up_s: float = number("s", 45.0, above=0)
    creep_s: float = number("s", 1500.0, above=0)
    creep_light_percent: float = number("%", 0.8)
    creep_power_percent: float = number("%", 0.3)
    cooling_s: float = number("s", 150.0, above=0)
    restrike_s: float = number("s", 60.0, at_least=0)
    """Wait before a hot lamp strikes again: 0.5 to 1 min for sodium, 5 to 15 min for metal
    halide (note on ignitors)."""
    light_per_power: float = number("1", 1.3, at_least=0)
    """Relative change of light per relative change of lamp power; above 1 (common practice)."""
    wander_light_percent: float = number("%", 0.12, at_least=0)
    wander_power_percent: float = number("%", 0.06, at_least=0)
    wander_s: float = number("s", 40.0, above=0)


@frozen(kw_only=True)
class Ballast:
    """What stands between mains and lamp."""

    kind: str = text(choices=("electronic", "magnetic"))
    loss_percent: float = number("%", at_least=0)
    """Of lamp power."""
    standby_w: float = number("W", 3.0, at_least=0)
    power_factor: float = number("1", above=0, at_most=1)
    voltage_exponent: float = number("1", at_least=0)
    """Relative change of lamp power per relative change of line voltage: about 2 on a choke
    (a high-reactance ballast page, low), nearly 0 for electronic (common practice)."""
    drop_out_fraction: float = number("1", above=0, at_most=1)
    """Of nominal voltage; below it the arc is not held."""
    hold_s: float = number("s", at_least=0)
    """A sag shorter than this is ridden through; half a cycle can put a lamp on a choke out."""


@frozen(kw_only=True)
class Sag:
    """One dip of the line voltage."""

    at_s: float = number("s", at_least=0)
    depth: float = number("1", above=0, at_most=1)
    """Share of the voltage that goes missing; 1 is an interruption."""
    duration_s: float = number("s", above=0)


@frozen(kw_only=True)
class Mains:
    """The supply at the socket."""

    nominal_v: float = number("V", above=0)
    mean_v: float = number("V", above=0)
    ramp_percent_per_hour: float = number("%/h", 0.0)
    slow_percent: float = number("%", 0.4, at_least=0)
    slow_s: float = number("s", 1800.0, above=0)
    fast_percent: float = number("%", 0.1, at_least=0)
    fast_s: float = number("s", 8.0, above=0)
    frequency_hz: float = number("Hz", 50.0, above=0)
    frequency_sd_hz: float = number("Hz", 0.02, at_least=0)
    sags: tuple[Sag, ...] = table(Sag, (), many=True)


@frozen(kw_only=True)
class Gantry:
    """The axes that carry the sensor, and perhaps the lamp."""

    travel_x_mm: tuple[float, ...] = numbers("mm", length=2)
    travel_y_mm: tuple[float, ...] = numbers("mm", length=2)
    travel_z_mm: tuple[float, ...] | None = numbers("mm", None, length=2)
    """Mounting heights that the height axis reaches; without it heights are hung by hand."""
    top_speed_mm_s: float = number("mm/s", 200.0, above=0)
    top_z_speed_mm_s: float = number("mm/s", 20.0, above=0)
    acceleration_mm_s2: float = number("mm/s²", 500.0, above=0)
    homing_speed_mm_s: float = number("mm/s", 50.0, above=0)
    standing_at_mm: tuple[float, ...] = numbers("mm", (200.0, 150.0), length=2)
    """Where it happens to stand when switched on."""
    repeatable_error_mm: float = number("mm", 0.3, at_least=0)
    random_error_mm: float = number("mm", 0.1, at_least=0)
    scale_error_percent: float = number("%", 0.02)

    def __attrs_post_init__(self) -> None:
        for name in ("travel_x_mm", "travel_y_mm", "travel_z_mm"):
            travel = getattr(self, name)
            if travel is not None and travel[1] <= travel[0]:
                raise ValueError(f"{name} must rise, got {list(travel)}")


@frozen(kw_only=True)
class Installation:
    """How well a hanging of the device repeats the one before it. Standard deviations."""

    position_sd_mm: float = number("mm", 2.0, at_least=0)
    height_sd_mm: float = number("mm", 1.0, at_least=0)
    flux_sd_percent: float = number("%", 0.2, at_least=0)


@frozen(kw_only=True)
class Lobe:
    """A streak or a facet: a part of the light thrown in one direction."""

    share: float = number("1", above=0, at_most=1)
    """Of the flux that leaves the device."""
    theta_deg: float = number("deg", at_least=0, at_most=85)
    phi_deg: float = number("deg", 0.0)
    length_deg: float = number("deg", above=0, at_most=60)
    """Standard deviation along the lobe, in the direction of `turn_deg`."""
    width_deg: float = number("deg", above=0, at_most=60)
    turn_deg: float = number("deg", 0.0)
    x_mm: float = number("mm", 0.0)
    y_mm: float = number("mm", 0.0)
    """Where on the aperture it leaves, from its centre."""


@frozen(kw_only=True)
class Distribution:
    """Relative intensity of the aperture, before lobes are added.

    Either the two exponents of a cosine power, along x and along y; or `theta_deg` and
    `intensity`, a list of `len(phi_deg) * len(theta_deg)` values, plane after plane, where
    the planes cover 0 to 90° and the other quadrants mirror them.
    """

    exponent_x: float | None = number("1", None, at_least=0)
    exponent_y: float | None = number("1", None, at_least=0)
    theta_deg: tuple[float, ...] | None = numbers("deg", None, at_least=0, at_most=90)
    phi_deg: tuple[float, ...] = numbers("deg", (0.0,), at_least=0, at_most=90)
    intensity: tuple[float, ...] | None = numbers("1", None, at_least=0)

    def __attrs_post_init__(self) -> None:
        if self.theta_deg is None and self.intensity is None:
            if self.exponent_x is None:
                raise ValueError("give exponent_x, or theta_deg with intensity")
            return
        if self.theta_deg is None or self.intensity is None or self.exponent_x is not None:
            raise ValueError("give either exponent_x, or theta_deg with intensity, not both")
        for name, angles in (("theta_deg", self.theta_deg), ("phi_deg", self.phi_deg)):
            if any(b <= a for a, b in pairwise(angles)):
                raise ValueError(f"{name} must rise")
        if len(self.theta_deg) < 2 or self.theta_deg[0] != 0.0:
            raise ValueError("theta_deg must begin at 0 and hold at least 2 angles")
        wanted = len(self.theta_deg) * len(self.phi_deg)
        if len(self.intensity) != wanted:
            raise ValueError(f"intensity holds {len(self.intensity)} values; {wanted} are wanted")
        if not any(self.intensity):
            raise ValueError("intensity is zero everywhere")


@frozen(kw_only=True)
class Device:
    """A reflector or luminaire that can be hung."""

    name: str = text()
    price: str = text("")
    efficiency: float = number("1", above=0, at_most=1)
    """Share of the lamp's flux that leaves the aperture."""
    outline: str = text("rectangle", choices=("rectangle", "round", "point"))
    aperture_x_mm: float = number("mm", 0.0, at_least=0)
    aperture_y_mm: float = number("mm", 0.0, at_least=0)
    """Of a round outline only `aperture_x_mm` counts: its diameter."""
    offset_x_mm: float = number("mm", 0.0)
    offset_y_mm: float = number("mm", 0.0)
    """From the middle of the area."""
    lamp_power_effect_percent: float = number("%", 0.0)
    """Heat thrown back at the arc tube shifts the lamp's power."""
    distribution: Distribution = table(Distribution)
    lobes: tuple[Lobe, ...] = table(Lobe, (), many=True)

    def __attrs_post_init__(self) -> None:
        if self.outline != "point" and not self.aperture_x_mm:
            raise ValueError("aperture_x_mm must be above 0 unless the outline is 'point'")
        if self.outline == "rectangle" and not self.aperture_y_mm:
            raise ValueError("aperture_y_mm must be above 0 for a rectangle")
        if sum(lobe.share for lobe in self.lobes) > 1.0:
            raise ValueError("the shares of the lobes add up to more than 1")


@frozen(kw_only=True)
class Scenario:
    """All of one virtual bench except the errors of its instruments."""

    format: float = number("1", at_least=1)
    name: str = text()
    seed: float = number("1", 1.0, at_least=0)
    errors: str = text("")
    """File of instrument errors, beside the scenario; empty means instruments without error."""
    device: str = text("")
    """Hung at the start; the first one if empty."""
    mounting_height_mm: float = number("mm", above=0)
    ambient_umol_m2_s: float = number("µmol m⁻² s⁻¹", 0.0, at_least=0)
    """Light from elsewhere, lamp on or off."""
    ambient_wander_percent: float = number("%", 0.0, at_least=0)
    monitor_at_mm: tuple[float, ...] = numbers("mm", (40.0, 40.0), length=2)
    """Where the fixed monitor sensor lies on the plane."""
    area: Area = table(Area)
    lamp: Lamp = table(Lamp)
    ballast: Ballast = table(Ballast)
    mains: Mains = table(Mains)
    gantry: Gantry = table(Gantry)
    installation: Installation = table(Installation, Installation())
    devices: tuple[Device, ...] = table(Device, many=True)

    def __attrs_post_init__(self) -> None:
        names = [device.name for device in self.devices]
        if not names:
            raise ValueError("devices is empty; give at least one [[devices]]")
        if len(set(names)) != len(names):
            raise ValueError(f"devices: names must differ, got {', '.join(names)}")
        if self.device and self.device not in names:
            raise ValueError(f"device is {self.device!r}; give one of {', '.join(names)}")
        for device in self.devices:
            self._check_fits(device)
        self._check_heights()

    def _check_heights(self) -> None:
        highest_mm = max(self.mounting_height_mm, *(self.gantry.travel_z_mm or (0.0,)))
        if self.area.above != "open" and highest_mm > self.area.wall_height_mm:
            raise ValueError(
                f"mounting height reaches {highest_mm:g} mm; with {self.area.above!r} above the "
                f"walls it must be at most {self.area.wall_height_mm:g} mm"
            )

    def _check_fits(self, device: Device) -> None:
        reach_x = abs(device.offset_x_mm) + device.aperture_x_mm / 2
        across = device.aperture_x_mm if device.outline == "round" else device.aperture_y_mm
        reach_y = abs(device.offset_y_mm) + across / 2
        if reach_x >= self.area.width_mm / 2 or reach_y >= self.area.depth_mm / 2:
            raise ValueError(f"devices: the aperture of {device.name!r} reaches into a wall")


def packaged(name: str) -> Path:
    """Return the path of a scenario that comes with the program, e.g. ``"demo"``.

    Raises
    ------
    ScenarioError
        There is none of that name.
    """
    path = FOLDER / f"{name}.toml"
    if not path.is_file():
        others = ("errors", "faults-example")
        known = sorted(p.stem for p in FOLDER.glob("*.toml") if not p.stem.endswith(others))
        raise ScenarioError(name, [f"no scenario of that name; known are {', '.join(known)}"])
    return path


def load(source: Path | str | Mapping[str, Any]) -> tuple[Scenario, InstrumentErrors]:
    """Read a scenario and the file of instrument errors that it names.

    Parameters
    ----------
    source : path or mapping
        The file, or its content. In a mapping ``errors`` may be the table itself, or the
        path of a file.

    Raises
    ------
    ScenarioError
        With every fault of the file, each with its path in it.
    """
    if isinstance(source, Mapping):
        content, folder, shown = dict(source), Path(), "the scenario"
    else:
        path = Path(source)
        content, folder, shown = read_file(path), path.parent, path.name
    given = content.get("format")
    if isinstance(given, int) and given > FORMAT:
        raise ScenarioError(
            shown, [f"format is {given}; this program reads format {FORMAT}. Use a newer program"]
        )
    errors: Any = content.get("errors", "")
    if isinstance(errors, Mapping):
        content["errors"] = "(inline)"
    scenario = read_table(Scenario, content, shown)
    if isinstance(errors, Mapping):
        return scenario, read_table(InstrumentErrors, errors, "the instrument errors")
    if not errors:
        return scenario, InstrumentErrors()
    path = folder / str(errors)
    return scenario, read_table(InstrumentErrors, read_file(path), path.name)


def device_named(scenario: Scenario, name: str) -> Device:
    """Return one device of the scenario.

    Raises
    ------
    ScenarioError
        There is none of that name.
    """
    for device in scenario.devices:
        if device.name == name:
            return device
    known = ", ".join(device.name for device in scenario.devices)
    raise ScenarioError(scenario.name, [f"no device {name!r}; known are {known}"])
