"""Installations: which device hangs where, and the light that it throws on the plane."""

from __future__ import annotations

import math
from collections import OrderedDict
from functools import lru_cache

from attrs import frozen

from drivers.simulated.light_field import FloorView, LightField, Room
from drivers.simulated.noise import HashedNoise, stream
from drivers.simulated.scenario import Area, Device, Scenario, device_named
from drivers.simulated.sources import Response, Source

_KEPT_FIELDS, _KEPT_ROOMS = 48, 12
_HEIGHT_STEP_MM = 0.1
"""Heights closer than this share one light field."""


@frozen
class Hanging:
    """One installation, with what it does not repeat of the one before."""

    number: int
    device: Device
    since_s: float
    shift_x_mm: float
    shift_y_mm: float
    shift_z_mm: float
    flux_factor: float


class Hangings:
    """All installations of a bench so far, and their light fields.

    Parameters
    ----------
    scenario : Scenario
        Area, devices, and how well a hanging repeats.
    noise : HashedNoise
        What differs from one hanging to the next.
    """

    def __init__(self, scenario: Scenario, noise: HashedNoise) -> None:
        self._scenario = scenario
        self._noise = noise
        self._all: list[Hanging] = []
        self._flux_shares: dict[tuple[int, int], float] = {}
        self._fields: OrderedDict[tuple[int, int], LightField] = OrderedDict()

    def hang(self, device_name: str, at_s: float) -> Hanging:
        """Take down what hangs and hang a device.

        Raises
        ------
        ScenarioError
            There is no such device.
        """
        device = device_named(self._scenario, device_name)
        spread = self._scenario.installation
        number = len(self._all) + 1
        # Two benches that hang different devices do not share the luck of the hanging.
        name = float(stream(0, device.name))
        draws = [self._noise.normal(number, name, which) for which in range(4)]
        hung = Hanging(
            number,
            device,
            -math.inf if not self._all else at_s,
            spread.position_sd_mm * draws[0],
            spread.position_sd_mm * draws[1],
            spread.height_sd_mm * draws[2],
            1.0 + spread.flux_sd_percent / 100.0 * draws[3],
        )
        self._all.append(hung)
        return hung

    def at(self, at_s: float) -> Hanging:
        """Return the installation of a moment. [s]"""
        return next(hung for hung in reversed(self._all) if hung.since_s <= at_s)

    def view(self, hung: Hanging, height_mm: float, response: Response | None) -> FloorView:
        """Return the plane under an installation at a mounting height. [mm]

        Raises
        ------
        ValueError
            The height is not above the plane, or not below a lid.
        """
        step = self._step(hung, height_mm)
        key = (hung.number, step)
        field = self._fields.get(key)
        if field is None:
            field = self._fields[key] = self._field(hung, step)
            if len(self._fields) > _KEPT_FIELDS:
                self._fields.popitem(last=False)
        else:
            self._fields.move_to_end(key)
        return field.view(response)

    def flux_share(self, hung: Hanging, height_mm: float) -> float:
        """Return the flux on the plane over the flux that leaves the aperture. [1]"""
        key = (hung.number, self._step(hung, height_mm))
        if key not in self._flux_shares:
            self._flux_shares[key] = self.view(hung, height_mm, None).flux_share()
        return self._flux_shares[key]

    @staticmethod
    def _step(hung: Hanging, height_mm: float) -> int:
        return round((height_mm + hung.shift_z_mm) / _HEIGHT_STEP_MM)

    def _field(self, hung: Hanging, step: int) -> LightField:
        area, device = self._scenario.area, hung.device
        height_mm = step * _HEIGHT_STEP_MM
        if height_mm <= 0.0:
            raise ValueError(f"mounting height is {height_mm:g} mm; give a height above 0 mm")
        if area.above != "open" and height_mm > area.wall_height_mm:
            raise ValueError(
                f"mounting height is {height_mm:g} mm; with {area.above!r} above the walls it "
                f"must be at most {area.wall_height_mm:g} mm"
            )
        lamp_m = (
            (area.width_mm / 2 + device.offset_x_mm + hung.shift_x_mm) / 1000.0,
            (area.depth_mm / 2 + device.offset_y_mm + hung.shift_y_mm) / 1000.0,
            height_mm / 1000.0,
        )
        return _light_field(area, device, lamp_m)


# A bench that is built again finds its light computed: it follows from nothing but these.


@lru_cache(maxsize=_KEPT_FIELDS)
def _light_field(area: Area, device: Device, lamp_m: tuple[float, float, float]) -> LightField:
    # Only where the reflector is what lies above does the room depend on what hangs in it.
    is_above = area.above == "reflector"
    room = _room(area, device if is_above else None, lamp_m[2] if is_above else 0.0)
    return LightField(room, _source(device), lamp_m)


@lru_cache(maxsize=_KEPT_ROOMS)
def _room(area: Area, above: Device | None, lamp_height_m: float) -> Room:
    return Room(area, above, lamp_height_m)


@lru_cache(maxsize=_KEPT_FIELDS)
def _source(device: Device) -> Source:
    return Source(device)
