"""The network line against plain sockets on the loopback."""

from __future__ import annotations

import socket

import pytest

from drivers.clock import SystemClock
from drivers.errors import PortLost, WriteStalled
from drivers.tcp_line import TcpLine

pytestmark = pytest.mark.wire


@pytest.fixture
def pair():
    with socket.create_server(("127.0.0.1", 0)) as server:
        clock = SystemClock()
        line = TcpLine("127.0.0.1", server.getsockname()[1], clock)
        far, _ = server.accept()
        with far:
            yield line, far, clock
        line.close()


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


def write_for_ever(line):
    while True:
        line.write(bytes(65536))


def test_bytes_go_both_ways_without_waiting(pair):
    line, far, clock = pair
    assert line.read() == b""
    assert not line.readable()
    line.write(b"ask")
    assert far.recv(16) == b"ask"
    far.sendall(b"\x00answer\xff")
    clock.wait_until(clock.elapsed_s() + 1.0, watching=[line])
    assert line.readable()
    assert line.read() == b"\x00answer\xff"


def test_a_hang_up_is_a_lost_port_and_closes_the_line(pair):
    line, far, clock = pair
    far.close()
    clock.wait_until(clock.elapsed_s() + 1.0, watching=[line])
    assert line.readable()
    with pytest.raises(PortLost, match="the other end hung up"):
        line.read()
    assert line.fileno() is None
    assert not line.readable()
    with pytest.raises(PortLost, match="connection is closed"):
        line.write(b"x")
    line.close()
    line.close()


def test_what_came_before_a_hang_up_is_still_read(pair):
    line, far, clock = pair
    far.sendall(b"last words")
    far.close()
    clock.wait_until(clock.elapsed_s() + 1.0, watching=[line])
    assert line.read() == b"last words"
    with pytest.raises(PortLost):
        line.read()


def test_a_reset_is_a_lost_port(pair):
    line, far, clock = pair
    far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    far.close()
    clock.wait_until(clock.elapsed_s() + 1.0, watching=[line])
    with pytest.raises(PortLost, match="connection is gone"):
        line.read()


def test_a_write_that_nobody_takes_is_stalled_and_does_not_wait(pair):
    line, _, clock = pair
    began_s = clock.elapsed_s()
    with pytest.raises(WriteStalled, match="no room"):
        write_for_ever(line)
    assert clock.elapsed_s() - began_s < 2.0


def test_nobody_at_the_port_is_said_at_once():
    clock = SystemClock()
    with pytest.raises(PortLost, match="nobody listens at that port number"):
        TcpLine("127.0.0.1", free_port(), clock)
    assert clock.elapsed_s() < 1.0


def test_a_connection_that_is_not_made_is_given_up_at_its_deadline():
    # A server whose queue is full answers to nobody, as a host that is off does.
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen(0)
        port = server.getsockname()[1]
        waiting = []
        for _ in range(3):
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex(("127.0.0.1", port))
            waiting.append(one)
        clock = SystemClock()
        with pytest.raises(PortLost, match=r"no connection in 0\.2 s"):
            TcpLine("127.0.0.1", port, clock, connect_within_s=0.2)
        assert 0.2 <= clock.elapsed_s() < 0.6
        for one in waiting:
            one.close()


def test_a_host_that_has_no_address_is_named():
    with pytest.raises(PortLost, match=r"^tcp://no such host\.invalid:502: no such host"):
        TcpLine("no such host.invalid", 502, SystemClock())


def test_a_break_is_refused(pair):
    line, _, _ = pair
    line.set_break(False)
    with pytest.raises(PortLost, match="carries no break"):
        line.set_break(True)


def test_an_ipv6_address_is_shown_in_brackets():
    with pytest.raises(PortLost, match=r"^tcp://\[::1\]:"):
        TcpLine("::1", free_port(), SystemClock())


def test_there_are_no_control_lines(pair):
    line, _, _ = pair
    with pytest.raises(PortLost, match="no control lines"):
        line.set_control_line("rts", True)
    with pytest.raises(PortLost, match="no control lines"):
        line.control_line("cts")
