"""The quantum sensor on SDI-12: one measurement is aM!, perhaps a wait, and aD0!.

On a shared bus it measures by aC!, so that others can be spoken to meanwhile.

Without a check sum (``crc = false``) a wrong value is caught by the form of the reply: the
address in front, signed numbers of up to 7 digits, no more of them than announced, the line
end. A digit that turned into another digit, or was lost, passes. With the check sum it does not,
but for one in 65 536 of garbled replies.

Tested with: the virtual bench only.
"""

from __future__ import annotations

import math

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.line import Line
from drivers.reading import Reading
from drivers.sdi12 import codec
from drivers.sdi12.conversation import Measured, Sdi12Instrument, Values
from drivers.sdi12.options import QuantumSensorOptions
from drivers.talk import Conversation


class QuantumSensor(Sdi12Instrument):
    """Photosynthetic photon flux density over SDI-12.

    Parameters
    ----------
    options : QuantumSensorOptions
        From the rig profile.
    line : Line or Bus
        The bus, or the adapter to it.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the sensor, e.g. ``"light sensor"``.

    Attributes
    ----------
    serial_number : str or None
        As it stated it when last asked who it is.
    """

    def __init__(
        self, options: QuantumSensorOptions, line: Line | Bus, clock: Clock, device: str
    ) -> None:
        super().__init__(options, line, clock, f"{device}, {line.name} address {options.address}")
        self._options = options
        self._address = options.address
        self.serial_number: str | None = None

    def start(self) -> float:
        """Begin one measurement; return the elapsed time before which it cannot be ready. [s]"""
        self._talk.begin(self._read())
        is_one_exchange = self._options.command == "R"
        characters = len("0R0!0+1\r\n" if is_one_exchange else "0M!00011\r\n0D0!0+1\r\n")
        return self._clock.elapsed_s() + characters * self._line.seconds_per_byte

    def poll(self) -> tuple[Reading, ...] | None:
        """Return the reading, or None before it is there.

        Raises
        ------
        NoReply, GarbledReply
            After the retries that the standard prescribes.
        DeviceFault
            The sensor has no value to give, or fewer than the profile says.
        PortLost, WriteStalled
            The line failed.
        """
        readings: tuple[Reading, ...] | None = self._advance()
        return readings

    def start_verification(self) -> float:
        """Begin aV!, by which the sensor tests itself; `poll_verification` has the answer. [s]"""
        self._talk.begin(self._verify(self._address))
        return self._clock.elapsed_s()

    def poll_verification(self) -> Values | None:
        """Return the sensor's verification values, or None before they are there.

        What they mean is in the sensor's manual; there may be none, which is no failure.

        Raises
        ------
        DriverError
            As `poll`.
        """
        values: Values | None = self._advance()
        return values

    def _read(self) -> Conversation[tuple[Reading, ...]]:
        options = self._options
        measured = yield from self._measure()
        value = measured.page.value[measured.index]
        window_end_s = measured.ready_s - options.lag_s
        return (
            Reading(
                quantity="ppfd_umol_m2_s",
                value=math.nan if value in options.no_value_codes else value * options.scale,
                window_start_s=window_end_s - options.averaging_s,
                window_end_s=window_end_s,
                raw=measured.page.raw,
            ),
        )

    def _measure(self) -> Conversation[Measured]:
        options, address, number = self._options, self._address, self._options.measurement
        command = options.command
        if command == "auto":
            command = "C" if self._bus.is_shared else "M"
        encode, measure = {
            "M": (codec.start_measurement, self._measure_plain),
            "C": (codec.start_concurrent, self._measure_concurrently),
            "R": (codec.read_continuous, self._read_continuous),
        }[command]
        request = encode(address, number, crc=options.crc)
        return measure(address, request, options.value_number, crc=options.crc)

    def _identify(self) -> Conversation[str]:
        answer = yield from self._alone(
            self._ask(
                codec.identify(self._address), lambda r: codec.decode_identity(r, self._address)
            )
        )
        self.serial_number = answer.value.serial or None
        return str(answer.value)
