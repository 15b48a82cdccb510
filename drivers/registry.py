"""The kinds of instrument that a rig profile can name: the one place to add a device.

Options are known without loading any driver; `make` loads the one it needs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from attrs import frozen

from drivers.ascii_line import options as ascii_line
from drivers.ascii_line import thermometer_options as ascii_thermometer
from drivers.clock import Clock
from drivers.control_line import options as control_line
from drivers.gcode import options as gcode
from drivers.line import Line, SerialSettings
from drivers.manual import options as manual
from drivers.modbus import options as modbus
from drivers.modbus import relay_options, thermometer_options
from drivers.scpi import options as scpi
from drivers.sdi12 import options as sdi12


@frozen(kw_only=True)
class Kind:
    """One kind of instrument.

    Attributes
    ----------
    name : str
        What the profile writes as ``kind``.
    role : str
        ``"light_sensor"``, ``"power_meter"``, ``"stage"``, ``"lamp_relay"`` or
        ``"thermometer"``.
    options : type
        An attrs class; each field carries unit and explanation in its metadata.
    make : callable
        ``make(options, line, clock, device)`` gives the instrument; `line` is a line of its
        own or the bus that it shares, `device` what error messages call it, e.g.
        ``"light sensor"``.
    line_settings : callable
        ``line_settings(options)`` gives the settings of its port.
    bus : str
        Name of the protocol by which several of them share a port, each with an ``address`` of
        its own; empty where each needs a port to itself.
    by_hand : bool
        A person serves it: in place of a line it is given a `drivers.manual.desk.Desk`.
    """

    name: str
    role: str
    options: type
    make: Callable[[Any, Any, Clock, str], Any]
    line_settings: Callable[[Any], SerialSettings]
    bus: str = ""
    by_hand: bool = False


def _make_quantum_sensor(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.sdi12.sensor import QuantumSensor

    return QuantumSensor(options, line, clock, device)


def _make_ascii_light_sensor(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.ascii_line.sensor import AsciiLineInstrument

    return AsciiLineInstrument(options, line, clock, device, quantity="ppfd_umol_m2_s")


def _make_modbus_quantum_sensor(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.modbus.register_sensor import RegisterSensor

    return RegisterSensor("ppfd_umol_m2_s", options, line, clock, device)


def _make_power_meter(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.modbus.power_meter import PowerMeter

    return PowerMeter(options, line, clock, device)


def _make_sunspec_meter(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.modbus.sunspec_meter import SunSpecMeter

    return SunSpecMeter(options, line, clock, device)


def _make_scpi_power_meter(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.scpi.power_meter import PowerMeter

    return PowerMeter(options, line, clock, device)


def _make_gantry(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.gcode.gantry import Gantry

    return Gantry(options, line, clock, device)


def _make_modbus_thermometer(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.modbus.register_sensor import RegisterSensor

    return RegisterSensor("temperature_c", options, line, clock, device)


def _make_ascii_thermometer(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.ascii_line.sensor import AsciiLineInstrument

    return AsciiLineInstrument(options, line, clock, device, quantity="temperature_c")


def _make_coil_relay(options: Any, line: Line, clock: Clock, device: str) -> Any:
    from drivers.modbus.coil_relay import CoilRelay

    return CoilRelay(options, line, clock, device)


def _make_control_line_relay(options: Any, line: Any, clock: Clock, device: str) -> Any:
    from drivers.control_line.relay import ControlLineRelay

    return ControlLineRelay(options, line, clock, device)


def _make_manual_stage(options: Any, desk: Any, clock: Clock, device: str) -> Any:
    from drivers.manual.stage import ManualStage

    return ManualStage(options, desk, clock, device)


def _make_keyed_sensor(options: Any, desk: Any, clock: Clock, device: str) -> Any:
    from drivers.manual.keyed import KeyedSensor

    return KeyedSensor(options, desk, clock, device)


def _make_keyed_power_meter(options: Any, desk: Any, clock: Clock, device: str) -> Any:
    from drivers.manual.keyed import KeyedPowerMeter

    return KeyedPowerMeter(options, desk, clock, device)


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            name="sdi12-quantum-sensor",
            role="light_sensor",
            options=sdi12.QuantumSensorOptions,
            make=_make_quantum_sensor,
            line_settings=sdi12.line_settings,
            bus="sdi-12",
        ),
        Kind(
            name="ascii-line-light-sensor",
            role="light_sensor",
            options=ascii_line.AsciiLightSensorOptions,
            make=_make_ascii_light_sensor,
            line_settings=ascii_line.line_settings,
        ),
        Kind(
            name="modbus-quantum-sensor",
            role="light_sensor",
            options=modbus.QuantumSensorOptions,
            make=_make_modbus_quantum_sensor,
            line_settings=modbus.line_settings,
            bus="modbus",
        ),
        Kind(
            name="modbus-power-meter",
            role="power_meter",
            options=modbus.PowerMeterOptions,
            make=_make_power_meter,
            line_settings=modbus.line_settings,
            bus="modbus",
        ),
        Kind(
            name="sunspec-power-meter",
            role="power_meter",
            options=modbus.SunSpecMeterOptions,
            make=_make_sunspec_meter,
            line_settings=modbus.line_settings,
            bus="modbus",
        ),
        Kind(
            name="scpi-power-meter",
            role="power_meter",
            options=scpi.ScpiPowerMeterOptions,
            make=_make_scpi_power_meter,
            line_settings=scpi.line_settings,
        ),
        Kind(
            name="gcode-gantry",
            role="stage",
            options=gcode.GantryOptions,
            make=_make_gantry,
            line_settings=gcode.line_settings,
        ),
        Kind(
            name="modbus-coil-relay",
            role="lamp_relay",
            options=relay_options.CoilRelayOptions,
            make=_make_coil_relay,
            line_settings=modbus.line_settings,
            bus="modbus",
        ),
        Kind(
            name="control-line-relay",
            role="lamp_relay",
            options=control_line.ControlLineRelayOptions,
            make=_make_control_line_relay,
            line_settings=control_line.line_settings,
        ),
        Kind(
            name="modbus-thermometer",
            role="thermometer",
            options=thermometer_options.ModbusThermometerOptions,
            make=_make_modbus_thermometer,
            line_settings=modbus.line_settings,
            bus="modbus",
        ),
        Kind(
            name="ascii-line-thermometer",
            role="thermometer",
            options=ascii_thermometer.AsciiThermometerOptions,
            make=_make_ascii_thermometer,
            line_settings=ascii_line.line_settings,
        ),
        Kind(
            name="manual",
            role="stage",
            options=manual.ManualStageOptions,
            make=_make_manual_stage,
            line_settings=manual.no_line,
            by_hand=True,
        ),
        Kind(
            name="keyed",
            role="light_sensor",
            options=manual.KeyedSensorOptions,
            make=_make_keyed_sensor,
            line_settings=manual.no_line,
            by_hand=True,
        ),
        Kind(
            name="keyed-power-meter",
            role="power_meter",
            options=manual.KeyedPowerMeterOptions,
            make=_make_keyed_power_meter,
            line_settings=manual.no_line,
            by_hand=True,
        ),
    )
}
