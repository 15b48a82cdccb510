"""A power meter with the open SunSpec models: it says itself where its quantities are.

The marker is looked for once, then the models are walked; from then on one request brings all
quantities of one moment.

Tested with: the virtual bench, and pymodbus's own server holding models laid out by pysunspec2.
"""

from __future__ import annotations

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.errors import DeviceFault, NoReply
from drivers.line import Line
from drivers.modbus import registers, sunspec
from drivers.modbus.device import ModbusDevice
from drivers.modbus.options import SunSpecMeterOptions
from drivers.reading import Reading
from drivers.talk import Conversation

READ_HOLDING = 3


class SunSpecMeter(ModbusDevice[SunSpecMeterOptions]):
    """Wall power, and voltage, current, power factor, frequency where the meter has them.

    Voltage is that of a phase against neutral; current is the sum over the phases.

    Parameters
    ----------
    options : SunSpecMeterOptions
        From the rig profile.
    line : Line or Bus
        The adapter to the bus, or its share of one.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the meter, e.g. ``"power meter"``.
    """

    def __init__(
        self, options: SunSpecMeterOptions, line: Line | Bus, clock: Clock, device: str
    ) -> None:
        super().__init__(options, line, clock, device)
        self._bases = sunspec.BASES if options.base == "find" else (int(options.base),)
        self.serial_number = ""  # as the meter says it, once it was asked who it is
        self._common: int | None = None  # register at which the common model begins
        self._meter: tuple[int, sunspec.Model] | None = None

    def _least(self) -> tuple[registers.Request, ...]:
        return (registers.Request(READ_HOLDING, 0, sunspec.HEADER, ()),)

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        at, model = yield from self._find_meter()
        answer = yield from self._read(registers.Request(READ_HOLDING, at, model.count, ()))
        if answer.words[1] != model.length or sunspec.METERS.get(answer.words[0]) is not model:
            self._meter = None
            raise DeviceFault(
                self._device,
                f"register {at} held a meter model before, and now model {answer.words[0]} of "
                f"length {answer.words[1]}.",
                remedy="It may have been exchanged. The next try looks for its models again.",
                reply=answer.frame,
            )
        window_end_s = answer.sent_s - self._options.lag_s
        return tuple(
            Reading(
                quantity=quantity,
                value=value,
                window_start_s=window_end_s - self._options.averaging_s,
                window_end_s=window_end_s,
                raw=answer.frame,
            )
            for quantity, value in sunspec.decode_meter(model, answer.words).items()
        )

    def _identify(self) -> Conversation[str]:
        yield from self._find_meter()
        if self._common is None:
            return f"Modbus address {self._address}: a SunSpec meter that does not say who it is"
        request = registers.Request(READ_HOLDING, self._common, sunspec.COMMON_COUNT, ())
        answer = yield from self._read(request)
        identity = sunspec.decode_identity(answer.words)
        self.serial_number = identity.serial_number
        expected = self._options.serial_number
        if expected and identity.serial_number not in ("", expected):
            raise DeviceFault(
                self._device,
                f"has the serial number {identity.serial_number!r}; the rig profile has "
                f"{expected!r}.",
                remedy="Two instruments may be swapped: check cables and addresses, then "
                "'serial_number' in the rig profile.",
                reply=answer.frame,
            )
        return f"Modbus address {self._address}: {identity}"

    # -- where the models are -----------------------------------------------------------------

    def _find_meter(self) -> Conversation[tuple[int, sunspec.Model]]:
        if self._meter is None:
            base = yield from self._find_marker()
            self._meter = yield from self._walk(base + len(sunspec.MARKER))
        return self._meter

    def _find_marker(self) -> Conversation[int]:
        silence: NoReply | None = None
        held = []
        for base in self._bases:
            try:
                answer = yield from self._read(
                    registers.Request(READ_HOLDING, base, len(sunspec.MARKER), ())
                )
            except DeviceFault as fault:
                held.append(f"{base}: {fault.problem.rstrip('.')}")
            except NoReply as fault:  # some devices are silent about what they have not
                silence = fault
                held.append(f"{base}: no reply")
            else:
                if tuple(answer.words) == sunspec.MARKER:
                    return base
                shown = " ".join(f"{word:04X}" for word in answer.words)
                held.append(f"{base}: {shown}")
        if silence is not None and all(said.endswith("no reply") for said in held):
            raise silence
        raise DeviceFault(
            self._device,
            f"no SunSpec marker (5375 6E53) at register {'; '.join(held)}.",
            remedy='Switch SunSpec on in the meter, or use kind = "modbus-power-meter" with the '
            "registers of its manual.",
        )

    def _walk(self, at: int) -> Conversation[tuple[int, sunspec.Model]]:
        seen: list[int] = []
        self._common = None
        while len(seen) < sunspec.MOST_MODELS and at + sunspec.HEADER <= 0x10000:
            answer = yield from self._read(registers.Request(READ_HOLDING, at, sunspec.HEADER, ()))
            number, length = answer.words
            if number == sunspec.END:
                break
            if number == sunspec.COMMON and self._common is None:
                self._common = at
            model = sunspec.METERS.get(number)
            if model is not None and length == model.length:
                return at, model
            seen.append(number)
            at += sunspec.HEADER + length
        raise DeviceFault(
            self._device,
            f"holds the SunSpec models {', '.join(map(str, seen)) or 'none'}, and no meter among "
            f"them; meters are {', '.join(map(str, sunspec.METERS))}.",
            remedy='Use kind = "modbus-power-meter" with the registers of its manual.',
        )
