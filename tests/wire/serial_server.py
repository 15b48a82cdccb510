"""pymodbus's own serial server on a pseudo-terminal, and a wire from it to another one.

A server opens the client's end of a terminal as a client does, so two terminals are needed,
with a thread that carries bytes between their far ends.
"""

from __future__ import annotations

import asyncio
import os
import pty
import select
import struct
import threading

from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice


class Wire:
    """Two terminals, joined: what is written into one comes out of the other."""

    def __init__(self) -> None:
        self._ends = [pty.openpty(), pty.openpty()]
        self.ports = [os.ttyname(slave) for _, slave in self._ends]
        self._ended, self._end = os.pipe()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        masters = [master for master, _ in self._ends]
        while True:
            ready, _, _ = select.select([*masters, self._ended], [], [])
            if self._ended in ready:
                return
            for source in ready:
                os.write(masters[1 - masters.index(source)], os.read(source, 4096))

    def close(self) -> None:
        os.write(self._end, b"x")
        self._thread.join(5.0)
        for descriptor in (*self._ends[0], *self._ends[1], self._ended, self._end):
            os.close(descriptor)


def words_of_float(value: float) -> list[int]:
    return list(struct.unpack(">HH", struct.pack(">f", value)))


class SerialServer:
    """A meter at address 1 that holds `words` from register 40 on, served by a thread."""

    def __init__(self, port: str, words: list[int], baud: int = 9600) -> None:
        self._port = port
        self._words = words
        self._baud = baud
        self._is_up = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._is_up.wait(10.0)

    async def _serve(self) -> None:
        block = SimData(40, values=self._words, datatype=DataType.REGISTERS)
        self._server = ModbusSerialServer(
            SimDevice(1, [block]),
            framer=FramerType.RTU,
            identity=ModbusDeviceIdentification(
                info_name={
                    "VendorName": "Evenfall",
                    "ProductCode": "PM-1",
                    "MajorMinorRevision": "1.0",
                }
            ),
            port=self._port,
            baudrate=self._baud,
        )
        self._loop = asyncio.get_running_loop()
        await self._server.serve_forever(background=True)
        self._is_up.set()
        await self._server.serving

    def close(self) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(10.0)
        self._thread.join(10.0)
