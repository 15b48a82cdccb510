"""The bench on pseudo-terminals: pacing first, by a plain loop; then opening and closing."""

import os
import select
import statistics
import threading
import time
import tty

import pytest

from drivers.clock import SystemClock
from drivers.simulated.peer import Outbox
from drivers.simulated.terminals import Terminals

pytestmark = pytest.mark.wire


class Parrot:
    """Says all that it hears, at once, and remembers when."""

    def __init__(self):
        self.outbox = Outbox()
        self.heard = []
        self.openings = []

    def opened(self, at_s):
        self.openings.append(at_s)

    def receive(self, data, at_s):
        self.heard.append((at_s, data))
        self.outbox.put(at_s, data)

    def line_break(self, start_s, end_s):
        raise AssertionError("a pseudo-terminal carries no break")

    def next_s(self):
        return self.outbox.next_s()

    def take(self, at_s):
        return self.outbox.take(at_s)


class Served:
    """Parrots on terminals, served by a thread for as long as the test lasts."""

    def __init__(self, *baud):
        self.clock = SystemClock()
        self.peers = {str(n): Parrot() for n in range(len(baud))}
        paces = {str(n): 10 / rate for n, rate in enumerate(baud)}
        self.terminals = Terminals(self.peers, paces, self.clock)
        self.ports = list(self.terminals.ports.values())
        self._ended = False
        self._thread = threading.Thread(target=self._serve)

    def _serve(self):
        while not self._ended:
            self.terminals.serve(self.clock.elapsed_s() + 0.05)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ended = True
        self._thread.join(5.0)
        self.terminals.close()

    def opened(self, number=0):
        port = os.open(self.ports[number], os.O_RDWR | os.O_NOCTTY)
        tty.setraw(port)
        return port


def wait_for(happened, within_s=3.0):
    deadline = time.monotonic() + within_s
    while not happened() and time.monotonic() < deadline:
        select.select([], [], [], 0.002)
    assert happened()


def read(port, count, within_s=3.0):
    """Return bytes, and the moment at which each lump of them came."""
    data, moments = b"", []
    deadline = time.monotonic() + within_s
    while len(data) < count and select.select([port], [], [], deadline - time.monotonic())[0]:
        lump = os.read(port, 4096)
        moments += [time.monotonic()] * len(lump)
        data += lump
    return data, moments


@pytest.mark.parametrize(("baud", "count"), [(1200, 12), (9600, 60), (19_200, 100), (115_200, 200)])
def test_bytes_take_the_time_of_their_baud_rate_there_and_back(baud, count):
    byte_s = 10 / baud
    message = bytes(range(32, 32 + 64)) * 4
    lates = []
    with Served(baud) as served:
        port = served.opened()
        for _ in range(5):
            sent = time.monotonic()
            os.write(port, message[:count])
            data, moments = read(port, count)
            assert data == message[:count]
            for n, moment in enumerate(moments):
                # All bytes must have gone there before the first comes back.
                lates.append(moment - sent - (count + n + 1) * byte_s)
        os.close(port)
    assert min(lates) >= 0.0
    assert statistics.median(lates) < 0.003


def test_slow_and_fast_lines_do_not_wait_for_one_another():
    with Served(1200, 115_200) as served:
        slow, fast = served.opened(0), served.opened(1)
        began = time.monotonic()
        os.write(slow, b"x" * 20)
        os.write(fast, b"y" * 20)
        assert read(fast, 20)[0] == b"y" * 20
        assert time.monotonic() - began < 0.15
        assert read(slow, 20)[0] == b"x" * 20
        assert time.monotonic() - began >= 40 * 10 / 1200
        os.close(slow)
        os.close(fast)


def test_client_may_close_and_open_again():
    with Served(9600) as served:
        for n in range(3):
            port = served.opened()
            os.write(port, b"hello %d" % n)
            assert read(port, 7)[0] == b"hello %d" % n
            os.close(port)
            wait_for(lambda: not served.terminals.is_open("0"))
        assert len(served.peers["0"].openings) == 3


def test_what_was_on_its_way_to_a_client_that_closed_is_lost():
    with Served(1200) as served:
        port = served.opened()
        os.write(port, b"x" * 10)
        wait_for(lambda: served.peers["0"].heard)
        os.close(port)
        wait_for(lambda: not served.terminals.is_open("0"))
        port = served.opened()
        assert read(port, 1, within_s=0.2)[0] == b""
        os.close(port)


def test_bytes_sent_just_before_closing_still_reach_the_instrument():
    with Served(115_200) as served:
        port = served.opened()
        os.write(port, b"hello")
        read(port, 5)
        os.write(port, b"!\x18")
        os.close(port)
        wait_for(lambda: len(served.peers["0"].heard) == 2)
        assert [data for _, data in served.peers["0"].heard] == [b"hello", b"!\x18"]


def test_client_that_never_reads_stalls_nobody():
    with Served(4_000_000, 115_200) as served:
        deaf, other = served.opened(0), served.opened(1)
        for _ in range(8):
            select.select([], [deaf], [], 1.0)
            os.write(deaf, b"z" * 2000)
        os.write(other, b"still here")
        assert read(other, 10)[0] == b"still here"
        os.close(deaf)
        os.close(other)


def test_closed_bench_takes_its_ports_away():
    served = Served(9600)
    port = served.ports[0]
    assert os.path.exists(port)
    served.terminals.close()
    served.terminals.close()
    assert not os.path.exists(port)


def test_the_name_of_a_lost_port_goes_to_no_other_device_while_the_bench_is_there():
    served = Served(9600)
    (terminal,) = served.terminals._terminals.values()
    lost = terminal.port
    terminal.lose()
    assert not os.path.exists(lost)
    pairs = [os.openpty() for _ in range(4)]
    names = [terminal.port, *(os.ttyname(slave) for _, slave in pairs)]
    for pair in pairs:
        for descriptor in pair:
            os.close(descriptor)
    served.terminals.close()
    assert lost not in names


def test_idle_bench_uses_next_to_no_processor_time():
    with Served(1200, 9600, 115_200, 1200) as served:
        ports = [served.opened(n) for n in range(4)]
        begun = time.process_time()
        select.select([], [], [], 0.5)
        assert time.process_time() - begun < 0.05
        for port in ports:
            os.close(port)
