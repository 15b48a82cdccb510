"""A network connection that never makes anybody wait, once it stands.

Instruments with a network socket, and serial device servers, are reached through it. It is
connected on opening, within a deadline; afterwards nothing here waits. However the connection
ends, hung up, reset, or timed out by the system, it leaves here as `PortLost`.
"""

from __future__ import annotations

import errno
import os
import select
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from drivers.clock import Clock
from drivers.errors import PortLost, WriteStalled

#: A bench network answers within milliseconds; a switch that is still starting takes longer. [s]
CONNECT_WITHIN_S = 3.0
_READ_AT_MOST = 4096


class TcpLine:
    """A `drivers.line.Line` over TCP.

    Parameters
    ----------
    host : str
        Numeric address, or a name. A name is looked up by the system, which may take its own
        time; a numeric address depends on nothing.
    port : int
        TCP port number.
    clock : Clock
        Deadlines.
    connect_within_s : float
        Time allowed to the connection. [s]

    Raises
    ------
    PortLost
        Nobody there, refused, or no such name.
    """

    def __init__(
        self, host: str, port: int, clock: Clock, *, connect_within_s: float = CONNECT_WITHIN_S
    ) -> None:
        self._name = f"tcp://{f'[{host}]' if ':' in host else host}:{port}"
        self._clock = clock
        self._socket: socket.socket | None = None
        self._open(host, port, connect_within_s)

    @property
    def name(self) -> str:
        """The address as the rig profile has it."""
        return self._name

    @property
    def seconds_per_byte(self) -> float:
        """Zero: what a network takes for a byte is nothing beside a reply. [s]"""
        return 0.0

    def fileno(self) -> int | None:
        """Return the descriptor a clock can wait on, or None once the connection is gone."""
        return None if self._socket is None else self._socket.fileno()

    def readable(self) -> bool:
        """Say whether `read` would return or raise something now."""
        return self._socket is not None and bool(select.select([self._socket], [], [], 0.0)[0])

    def write(self, data: bytes) -> float:
        """Hand bytes over; return the elapsed time, at which they are on their way. [s]

        Raises
        ------
        PortLost
            The connection is gone.
        WriteStalled
            The other end takes no more bytes. Some of them may have been taken.
        """
        with self._guarded("write", data) as connection:
            left = memoryview(data)
            # Each turn hands over at least one byte, so the loop ends.
            while left:
                try:
                    taken = connection.send(left)
                except BlockingIOError:
                    raise WriteStalled(
                        self._name,
                        f"no room for {len(data)} more bytes: the other end does not take what "
                        "was sent before.",
                        remedy="Restart the instrument or the device server.",
                        request=data,
                    ) from None
                left = left[taken:]
        return self._clock.elapsed_s()

    def read(self) -> bytes:
        """Take what has arrived, which may be nothing.

        Raises
        ------
        PortLost
            The other end hung up, or the connection is gone.
        """
        with self._guarded("read") as connection:
            try:
                data = connection.recv(_READ_AT_MOST)
            except BlockingIOError:
                return b""
            if not data:
                raise ConnectionResetError(0, "the other end hung up")
            return data

    def set_break(self, on: bool) -> None:
        """Refuse: a network connection carries no break.

        Raises
        ------
        PortLost
            Always, when asked to hold one; the instrument would not wake.
        """
        if on:
            raise PortLost(
                self._name,
                "a network connection carries no break.",
                remedy="Let the adapter send it and set send_break = false, or use a serial port.",
            )

    def set_control_line(self, which: str, raised: bool) -> None:
        """Refuse: a network connection has no control lines.

        Raises
        ------
        PortLost
            Always.
        """
        raise self._no_control_lines()

    def control_line(self, which: str) -> bool:
        """Refuse, as `set_control_line` does."""
        raise self._no_control_lines()

    def _no_control_lines(self) -> PortLost:
        return PortLost(
            self._name,
            "a network connection has no control lines.",
            remedy="Use a serial port of this computer.",
        )

    def close(self) -> None:
        """End the connection. Safe to call twice, and when it is gone."""
        connection, self._socket = self._socket, None
        if connection is not None:
            with suppress(OSError):
                connection.close()

    # -- opening ----------------------------------------------------------------------------

    def _open(self, host: str, port: int, within_s: float) -> None:
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(
                host, port, type=socket.SOCK_STREAM
            )[0]
        except OSError as error:
            raise PortLost(
                self._name,
                f"no such host ({error.strerror or error}).",
                remedy="Correct 'port' in the rig profile; a numeric address depends on nothing.",
            ) from error
        connection = socket.socket(family, kind, protocol)
        connection.setblocking(False)
        # A request is smaller than a packet and must not wait for another one.
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        try:
            code = connection.connect_ex(address)
            if code == errno.EINPROGRESS:
                code = self._result_of(connection, within_s)
        except BaseException:
            connection.close()
            raise
        if code:
            connection.close()
            raise self._cannot_connect(code, within_s)
        self._socket = connection

    def _result_of(self, connection: socket.socket, within_s: float) -> int:
        """Wait for a connection to be made; return the system's error number, 0 if it was."""
        with _Connecting(connection) as connecting:
            self._clock.wait_until(self._clock.elapsed_s() + within_s, watching=[connecting])
            if not connecting.readable():
                return errno.ETIMEDOUT
        return connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)

    def _cannot_connect(self, code: int, within_s: float) -> PortLost:
        if code == errno.ECONNREFUSED:
            return PortLost(
                self._name,
                "the host is there, but nobody listens at that port number.",
                remedy="Correct the number in 'port'; some instruments take one client only, so "
                "close the other program.",
            )
        return PortLost(
            self._name,
            f"no connection in {within_s:g} s ({os.strerror(code).lower()}).",
            remedy="Check its supply and cable, then the address, then whether both are on one "
            "network.",
        )

    @contextmanager
    def _guarded(self, doing: str, request: bytes = b"") -> Iterator[socket.socket]:
        if self._socket is None:
            raise PortLost(
                self._name, f"cannot {doing}: the connection is closed.", remedy="Open it anew."
            )
        try:
            yield self._socket
        except OSError as error:
            self.close()
            raise PortLost(
                self._name,
                f"the connection is gone ({(error.strerror or str(error)).lower()}).",
                remedy="Check the instrument's supply and cable.",
                request=request,
            ) from error


class _Connecting:
    """Something that a clock can wait on, readable once a connection was made or refused."""

    def __init__(self, connection: socket.socket) -> None:
        # A clock waits for what can be read; a connection that was made can be written only.
        self._poll = select.epoll()
        self._poll.register(connection, select.EPOLLOUT)

    def __enter__(self) -> _Connecting:
        return self

    def __exit__(self, *_: object) -> None:
        self._poll.close()

    def fileno(self) -> int | None:
        return self._poll.fileno()

    def readable(self) -> bool:
        return bool(self._poll.poll(0))
