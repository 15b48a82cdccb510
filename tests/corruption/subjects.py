"""The protocols of the campaign. A further one is one entry here."""

from __future__ import annotations

from tests.corruption.modbus_subjects import ModbusOneNumber, ModbusRtu, ModbusTcp
from tests.corruption.subject import Subject
from tests.corruption.text_subjects import (
    GcodeStatus,
    PlainAscii,
    PlainAsciiTwice,
    Scpi,
    ScpiPattern,
    Sdi12,
    Sdi12Crc,
)

SUBJECTS: dict[str, type[Subject]] = {
    subject.name: subject
    for subject in (
        Sdi12,
        Sdi12Crc,
        ModbusRtu,
        ModbusOneNumber,
        ModbusTcp,
        PlainAscii,
        PlainAsciiTwice,
        Scpi,
        ScpiPattern,
        GcodeStatus,
    )
}
