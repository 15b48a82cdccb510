"""pymodbus's own network server on the loopback, served by a thread."""

from __future__ import annotations

import asyncio
import threading

from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


class TcpServer:
    """Units that each hold blocks of registers: ``{unit: {first register: words}}``."""

    def __init__(self, units: dict[int, dict[int, list[int]]], *, framer=FramerType.SOCKET) -> None:
        self._units = units
        self._framer = framer
        self._is_up = threading.Event()
        self.port = 0
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._is_up.wait(10.0)

    async def _serve(self) -> None:
        devices = [
            SimDevice(
                unit,
                [
                    SimData(first, values=words, datatype=DataType.REGISTERS)
                    for first, words in blocks.items()
                ],
            )
            for unit, blocks in self._units.items()
        ]
        self._server = ModbusTcpServer(
            devices,
            framer=self._framer,
            identity=ModbusDeviceIdentification(
                info_name={
                    "VendorName": "Evenfall",
                    "ProductCode": "PM-2",
                    "MajorMinorRevision": "2.0",
                }
            ),
            address=("127.0.0.1", 0),
        )
        self._loop = asyncio.get_running_loop()
        await self._server.serve_forever(background=True)
        self.port = self._server.transport.sockets[0].getsockname()[1]
        self._is_up.set()
        await self._server.serving

    def close(self) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(10.0)
        self._thread.join(10.0)
