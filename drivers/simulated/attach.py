"""Wire the instruments of a virtual bench to lines, and write the rig profile that fits them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from drivers.clock import VirtualClock
from drivers.line import SerialSettings
from drivers.memory_line import MemoryLine
from drivers.simulated.bench import LIGHT_SENSOR, MONITOR_SENSOR, VirtualBench
from drivers.simulated.gcode_peer import GcodePeer
from drivers.simulated.instruments import GcodeStage, Instruments, ModbusMeter, Sdi12Sensor
from drivers.simulated.modbus_peer import ModbusPeer
from drivers.simulated.peer import BenchPeer
from drivers.simulated.sdi12_peer import Sdi12Peer

POWER_METER = "power_meter"
STAGE = "stage"
#: The sections of a rig profile that the bench has an instrument for.
SECTIONS = (LIGHT_SENSOR, POWER_METER, STAGE, MONITOR_SENSOR)
#: What the ports of the bench in this process are called: this, and the section.
PREFIX = "bench:"


def usual_instruments(bench: VirtualBench) -> Instruments:
    """Return instruments that suit a bench: the controller knows the travel of its gantry."""
    gantry = bench.scenario.gantry
    return Instruments(
        stage=GcodeStage(
            travel_x_mm=_pair(gantry.travel_x_mm),
            travel_y_mm=_pair(gantry.travel_y_mm),
            travel_z_mm=_pair(gantry.travel_z_mm) if gantry.travel_z_mm else None,
            speed_mm_s=gantry.top_speed_mm_s,
            acceleration_mm_s2=gantry.acceleration_mm_s2,
        )
    )


def bench_peers(
    bench: VirtualBench, instruments: Instruments, *, carries_breaks: bool
) -> dict[str, BenchPeer]:
    """Return the far end of each line, by the section of the rig profile.

    Parameters
    ----------
    bench : VirtualBench
    instruments : Instruments
    carries_breaks : bool
        Whether the lines can show a break.
    """

    def sensor(name: str, data: Sdi12Sensor) -> Sdi12Peer:
        return Sdi12Peer(
            data,
            lambda start_s, end_s: bench.measured_ppfd(name, start_s, end_s),
            carries_breaks=carries_breaks,
        )

    return {
        LIGHT_SENSOR: sensor(LIGHT_SENSOR, instruments.light_sensor),
        POWER_METER: ModbusPeer(instruments.power_meter, bench.measured_electrical),
        STAGE: GcodePeer(instruments.stage, bench.gantry),
        MONITOR_SENSOR: sensor(MONITOR_SENSOR, instruments.monitor_sensor),
    }


def line_settings(instruments: Instruments, *, plain: bool = False) -> dict[str, SerialSettings]:
    """Return the settings of each line, by section.

    `plain` puts all of them at eight bits without parity, which is all that a
    pseudo-terminal knows.
    """
    sdi12 = SerialSettings.from_text(1200, "8N1" if plain else "7E1")
    return {
        LIGHT_SENSOR: sdi12,
        POWER_METER: SerialSettings(baud=instruments.power_meter.baud),
        STAGE: SerialSettings(baud=instruments.stage.baud),
        MONITOR_SENSOR: sdi12,
    }


def attach(
    bench: VirtualBench, clock: VirtualClock, instruments: Instruments | None = None
) -> dict[str, MemoryLine]:
    """Wire a bench to lines in memory; return them by the port names of a rig profile.

    Parameters
    ----------
    bench : VirtualBench
    clock : VirtualClock
        Carries the bytes and is the bench's time.
    instruments : Instruments, optional
        Default: those that suit the bench.

    Returns
    -------
    dict of str to MemoryLine
        ``"bench:light_sensor"``, ``"bench:power_meter"``, ``"bench:stage"`` and
        ``"bench:monitor_sensor"``.
    """
    instruments = instruments or usual_instruments(bench)
    settings = line_settings(instruments)
    lines = {}
    for section, peer in bench_peers(bench, instruments, carries_breaks=True).items():
        port = PREFIX + section
        peer.opened(clock.elapsed_s())
        lines[port] = MemoryLine(port, settings[section], clock, peer)
    return lines


def rig_text(
    instruments: Instruments,
    *,
    name: str,
    scenario: str | None = None,
    ports: Mapping[str, str] | None = None,
    remarks: str = "",
) -> str:
    """Write the rig profile of a bench.

    Parameters
    ----------
    instruments : Instruments
        What stands on the bench.
    name : str
        Name of the rig.
    scenario : str, optional
        Name or file of the scenario, for the bench in the process of the run.
    ports : mapping of str to str, optional
        Port of each section, for a bench on pseudo-terminals. Default: the bench in the
        process of the run.
    remarks : str
        Lines of comment at the head.

    Returns
    -------
    str
        Content of a ``rig.toml``.
    """
    in_process = ports is None
    ports = ports or {section: PREFIX + section for section in SECTIONS}
    settings = line_settings(instruments, plain=not in_process)
    head = [f"# {line}".rstrip() for line in remarks.splitlines()]
    parts = [*head, *toml_lines(format=1, name=name)]
    if scenario is not None:
        parts += ["", "[bench]", *toml_lines(scenario=scenario)]

    def sensor(section: str, data: Sdi12Sensor) -> list[str]:
        return [
            "",
            f"[{section}]",
            *toml_lines(
                kind="sdi12-quantum-sensor",
                port=ports[section],
                address=data.address,
                baud=settings[section].baud,
                character_format=settings[section].character_format,
                send_break=in_process,
                crc=True,
                averaging_s=data.averaging_s,
                lag_s=data.lag_s,
                step_umol_m2_s=data.step_umol_m2_s,
                noise_umol_m2_s=data.noise_umol_m2_s,
                serial_number=data.serial or None,
            ),
        ]

    parts += sensor(LIGHT_SENSOR, instruments.light_sensor)
    parts += _meter(instruments.power_meter, ports[POWER_METER])
    parts += _stage(instruments.stage, ports[STAGE])
    parts += sensor(MONITOR_SENSOR, instruments.monitor_sensor)
    return "\n".join(parts) + "\n"


def _meter(meter: ModbusMeter, port: str) -> list[str]:
    lines = [
        "",
        f"[{POWER_METER}]",
        *toml_lines(
            kind="modbus-power-meter",
            port=port,
            baud=meter.baud,
            character_format="8N1",
            address=meter.address,
            averaging_s=meter.averaging_s,
        ),
    ]
    for register in meter.registers:
        lines += [
            f"[[{POWER_METER}.registers]]",
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


def _stage(stage: GcodeStage, port: str) -> list[str]:
    return [
        "",
        f"[{STAGE}]",
        *toml_lines(
            kind="gcode-gantry",
            port=port,
            baud=stage.baud,
            speed_mm_s=stage.speed_mm_s,
            acceleration_mm_s2=stage.acceleration_mm_s2,
            travel_x_mm=stage.travel_x_mm,
            travel_y_mm=stage.travel_y_mm,
            travel_z_mm=stage.travel_z_mm,
            x_at_origin_mm=stage.x_at_origin_mm,
            y_at_origin_mm=stage.y_at_origin_mm,
        ),
    ]


def toml_lines(**values: Any) -> list[str]:
    """Write each key that has a value as one line of TOML."""
    # Basic strings, numbers, booleans and lists of numbers look the same in TOML and in JSON.
    return [
        f"{key} = {json.dumps(value, ensure_ascii=False)}"
        for key, value in values.items()
        if value is not None
    ]


def _pair(limits: tuple[float, ...]) -> tuple[float, float]:
    lowest, highest = limits
    return lowest, highest
