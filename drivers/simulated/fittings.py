"""How each make of simulated instrument is put on a line, and what a rig profile says of it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

from attrs import frozen

from drivers.line import SerialSettings
from drivers.simulated.ascii_peer import AsciiPeer
from drivers.simulated.ascii_printer import AsciiPrinter, AsciiThermometer
from drivers.simulated.bench import VirtualBench
from drivers.simulated.gcode_peer import GcodePeer
from drivers.simulated.gcode_position_peer import PositionReportPeer
from drivers.simulated.instruments import GcodeStage, Sdi12Sensor
from drivers.simulated.lamp_relay import (
    BlinkedRelay,
    BlinkedRelayPeer,
    CoilRelay,
    CoilRelayPeer,
)
from drivers.simulated.modbus_makes import (
    ModbusMeter,
    ModbusSensor,
    ModbusThermometer,
    SunSpecMeter,
)
from drivers.simulated.modbus_peer import ModbusPeer
from drivers.simulated.peer import BenchPeer
from drivers.simulated.scpi_meter import ScpiMeter
from drivers.simulated.scpi_peer import ScpiPeer
from drivers.simulated.sdi12_peer import Sdi12Peer


@frozen(kw_only=True)
class Site:
    """Where an instrument stands.

    Attributes
    ----------
    section : str
        Its section of the rig profile.
    port : str
        What its port is called.
    settings : SerialSettings
        Of its line.
    carries_breaks : bool
        Whether its line can show a break: one in memory can, a pseudo-terminal cannot.
    """

    section: str
    port: str
    settings: SerialSettings
    carries_breaks: bool


@frozen(kw_only=True)
class Fitting:
    """What one make needs.

    Attributes
    ----------
    peer : callable
        ``peer(data, section, bench, carries_breaks)`` gives its end of the line.
    settings : callable
        ``settings(data, plain)`` gives those of its line; `plain` asks for eight bits without
        parity, which is all that a pseudo-terminal knows.
    profile : callable
        ``profile(data, site)`` gives the lines of its section, heading left out.
    """

    peer: Callable[[Any, str, VirtualBench, bool], BenchPeer]
    settings: Callable[[Any, bool], SerialSettings]
    profile: Callable[[Any, Site], list[str]]


def toml_lines(**values: Any) -> list[str]:
    """Write each key that has a value as one line of TOML."""
    # Basic strings, numbers, booleans and lists of numbers look the same in TOML and in JSON.
    return [
        f"{key} = {json.dumps(value, ensure_ascii=False)}"
        for key, value in values.items()
        if value is not None
    ]


def _sdi12_sensor(data: Sdi12Sensor, site: Site) -> list[str]:
    return toml_lines(
        kind="sdi12-quantum-sensor",
        port=site.port,
        address=data.address,
        baud=site.settings.baud,
        character_format=site.settings.character_format,
        send_break=site.carries_breaks,
        crc=True,
        averaging_s=data.averaging_s,
        lag_s=data.lag_s,
        step_umol_m2_s=data.step_umol_m2_s,
        noise_umol_m2_s=data.noise_umol_m2_s,
        serial_number=data.serial or None,
    )


def _ascii_sensor(data: AsciiPrinter, site: Site) -> list[str]:
    return toml_lines(
        kind="ascii-line-light-sensor",
        **_printed(data, site),
        step_umol_m2_s=data.step_umol_m2_s,
        noise_umol_m2_s=data.noise_umol_m2_s,
    )


def _ascii_thermometer(data: AsciiThermometer, site: Site) -> list[str]:
    return toml_lines(
        kind="ascii-line-thermometer", **_printed(data, site), highest_c=data.highest_c
    )


def _printed(data: AsciiPrinter, site: Site) -> dict[str, Any]:
    """Return the keys of whatever prints lines."""
    mark = "," if data.decimal_comma else "."
    number = r"-?\d+" + (rf"{re.escape(mark)}\d{{{data.decimals}}}" if data.decimals else "")
    return {
        "port": site.port,
        "baud": site.settings.baud,
        "character_format": site.settings.character_format,
        "mode": "listen" if data.free_running else "poll",
        "request": None if data.free_running else data.request,
        "pattern": f"{re.escape(data.before)}(?P<value>{number}){re.escape(data.after)}",
        "no_value_patterns": [re.escape(data.no_value)],
        "line_end": data.line_end,
        "decimal_comma": data.decimal_comma,
        "interval_s": data.interval_s,
        "averaging_s": data.averaging_s,
        "lag_s": data.lag_s,
        "identity_request": data.identity_request,
        "identity_pattern": re.escape(data.identity),
    }


def _modbus_meter(data: ModbusMeter, site: Site) -> list[str]:
    lines = toml_lines(
        kind="modbus-power-meter",
        port=site.port,
        baud=data.baud,
        character_format="8N1",
        address=data.address,
        averaging_s=data.averaging_s,
        serial_number=data.serial or None,
    )
    for register in data.registers:
        lines += [
            f"[[{site.section}.registers]]",
            *toml_lines(
                quantity=register.quantity,
                register=register.register,
                type=register.type,
                scale=register.scale,
                function=register.function,
                word_order=register.word_order,
            ),
        ]
    return lines


def _sunspec_meter(data: SunSpecMeter, site: Site) -> list[str]:
    return toml_lines(
        kind="sunspec-power-meter",
        port=site.port,
        baud=data.baud,
        character_format="8N1",
        address=data.address,
        averaging_s=data.averaging_s,
        serial_number=data.serial or None,
    )


def _modbus_sensor(data: ModbusSensor, site: Site) -> list[str]:
    (register,) = data.registers
    return toml_lines(
        kind="modbus-quantum-sensor",
        port=site.port,
        baud=data.baud,
        character_format="8N1",
        address=data.address,
        register=register.register,
        type=register.type,
        scale=register.scale,
        function=register.function,
        word_order=register.word_order,
        averaging_s=data.averaging_s,
        lag_s=data.lag_s,
        step_umol_m2_s=data.step_umol_m2_s,
        noise_umol_m2_s=data.noise_umol_m2_s,
    )


def _scpi_meter(data: ScpiMeter, site: Site) -> list[str]:
    lines = toml_lines(
        kind="scpi-power-meter",
        port=site.port,
        baud=data.baud,
        character_format="8N1",
        terminator=data.terminator,
        averaging_s=data.averaging_s,
        serial_number=None if data.serial == "0" else data.serial,
    )
    # Of the queries that know all of a quantity, the one that brings most is the quickest.
    quantities = {name for known in data.queries for name in known.quantities}
    for quantity in sorted(quantities, key=lambda name: (name != "wall_power_w", name)):
        known = max(
            (known for known in data.queries if quantity in known.quantities),
            key=lambda known: len(known.quantities),
        )
        lines += [
            f"[[{site.section}.queries]]",
            *toml_lines(
                quantity=quantity,
                query=known.short_form,
                field=known.quantities.index(quantity) + 1,
                fields=len(known.quantities),
            ),
        ]
    return lines


def _gcode_stage(data: GcodeStage, site: Site) -> list[str]:
    return toml_lines(
        kind="gcode-gantry",
        port=site.port,
        dialect=data.dialect,
        baud=data.baud,
        speed_mm_s=data.speed_mm_s,
        acceleration_mm_s2=data.acceleration_mm_s2,
        travel_x_mm=data.travel_x_mm,
        travel_y_mm=data.travel_y_mm,
        travel_z_mm=data.travel_z_mm,
        x_at_origin_mm=data.x_at_origin_mm,
        y_at_origin_mm=data.y_at_origin_mm,
    )


def _modbus_thermometer(data: ModbusThermometer, site: Site) -> list[str]:
    (register,) = data.registers
    return toml_lines(
        kind="modbus-thermometer",
        port=site.port,
        baud=data.baud,
        address=data.address,
        register=register.register,
        type=register.type,
        scale=register.scale,
        function=register.function,
        averaging_s=data.averaging_s,
        highest_c=data.highest_c,
    )


def _coil_relay(data: CoilRelay, site: Site) -> list[str]:
    return toml_lines(
        kind="modbus-coil-relay",
        port=site.port,
        baud=data.baud,
        address=data.address,
        coil=data.coil,
        refresh=data.heeds,
        opens_after_silence_s=data.opens_after_silence_s,
    )


def _blinked_relay(data: BlinkedRelay, site: Site) -> list[str]:
    return toml_lines(
        kind="control-line-relay",
        port=site.port,
        control_line=data.control_line,
        read_back=data.read_back,
        opens_after_silence_s=data.opens_after_silence_s,
    )


def _sdi12_peer(
    data: Sdi12Sensor, section: str, bench: VirtualBench, carries_breaks: bool
) -> BenchPeer:
    return Sdi12Peer(
        data,
        lambda start_s, end_s: bench.measured_ppfd(section, start_s, end_s),
        carries_breaks=carries_breaks,
    )


def _ascii_peer(
    data: AsciiPrinter, section: str, bench: VirtualBench, carries_breaks: bool
) -> BenchPeer:
    return AsciiPeer(data, lambda start_s, end_s: bench.measured_ppfd(section, start_s, end_s))


def _modbus_sensor_peer(
    data: ModbusSensor, section: str, bench: VirtualBench, carries_breaks: bool
) -> BenchPeer:
    return ModbusPeer(
        data,
        lambda start_s, end_s: {"ppfd_umol_m2_s": bench.measured_ppfd(section, start_s, end_s)},
    )


#: Each make of simulated instrument; the one place to add another.
FITTINGS: dict[type, Fitting] = {
    Sdi12Sensor: Fitting(
        peer=_sdi12_peer,
        settings=lambda data, plain: SerialSettings.from_text(1200, "8N1" if plain else "7E1"),
        profile=_sdi12_sensor,
    ),
    AsciiPrinter: Fitting(
        peer=_ascii_peer,
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_ascii_sensor,
    ),
    AsciiThermometer: Fitting(
        peer=lambda data, section, bench, _: AsciiPeer(
            data, lambda start_s, end_s: bench.measured_temperature(start_s, end_s)["temperature_c"]
        ),
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_ascii_thermometer,
    ),
    ModbusMeter: Fitting(
        peer=lambda data, section, bench, _: ModbusPeer(data, bench.measured_electrical),
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_modbus_meter,
    ),
    SunSpecMeter: Fitting(
        peer=lambda data, section, bench, _: ModbusPeer(data, bench.measured_electrical),
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_sunspec_meter,
    ),
    ModbusSensor: Fitting(
        peer=_modbus_sensor_peer,
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_modbus_sensor,
    ),
    ScpiMeter: Fitting(
        peer=lambda data, section, bench, _: ScpiPeer(data, bench.measured_electrical),
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_scpi_meter,
    ),
    ModbusThermometer: Fitting(
        peer=lambda data, section, bench, _: ModbusPeer(data, bench.measured_temperature),
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_modbus_thermometer,
    ),
    CoilRelay: Fitting(
        peer=lambda data, section, bench, _: CoilRelayPeer(data, bench.switch_lamp),
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_coil_relay,
    ),
    BlinkedRelay: Fitting(
        peer=lambda data, section, bench, _: BlinkedRelayPeer(data, bench.switch_lamp),
        settings=lambda data, plain: SerialSettings(baud=9600, control_lines="down"),
        profile=_blinked_relay,
    ),
    GcodeStage: Fitting(
        peer=lambda data, section, bench, _: (
            GcodePeer if data.dialect == "status-report" else PositionReportPeer
        )(data, bench.gantry),
        settings=lambda data, plain: SerialSettings(baud=data.baud),
        profile=_gcode_stage,
    ),
}
