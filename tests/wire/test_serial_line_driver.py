"""The life of a real port: opened, busy, written, stalled, read, hung up, closed."""

import os
import pty
import stat
import termios
import time
from contextlib import suppress

import pytest

from drivers.clock import SystemClock
from drivers.errors import PortLost, WriteStalled
from drivers.line import SerialSettings
from drivers.serial_line import SerialLine

pytestmark = pytest.mark.wire

N81 = SerialSettings(9600)


@pytest.fixture
def far_end():
    """Return the descriptors of a pseudo-terminal: the far end's, and one that keeps it alive."""
    master, slave = pty.openpty()
    yield master, slave
    for descriptor in (master, slave):
        with suppress(OSError):  # the test may have hung it up
            os.close(descriptor)


@pytest.fixture
def line(far_end):
    line = SerialLine(os.ttyname(far_end[1]), N81, SystemClock())
    yield line
    line.close()


def test_bytes_go_both_ways_unchanged(line, far_end):
    everything = bytes(range(256))
    line.write(everything)
    assert os.read(far_end[0], 300) == everything
    os.write(far_end[0], everything)
    assert line.readable()
    assert line.read() == everything
    assert not line.readable()
    assert line.read() == b""


def test_nothing_waits(line):
    began = time.perf_counter()
    for _ in range(100):
        line.read()
        line.readable()
        line.write(b"x")
    assert time.perf_counter() - began < 0.5


def test_write_says_when_the_last_byte_leaves_at_this_baud_rate(line):
    clock = line._clock
    before_s = clock.elapsed_s()
    first_s = line.write(b"12345678")
    assert first_s >= before_s + 80 / 9600
    # The second request queues behind the first.
    assert line.write(b"12345678") == pytest.approx(first_s + 80 / 9600)


def test_a_clock_waits_on_the_line(line, far_end):
    clock = line._clock
    os.write(far_end[0], b"x")
    clock.wait_until(clock.elapsed_s() + 5.0, watching=(line,))
    assert clock.elapsed_s() < 2.0
    assert line.read() == b"x"


def test_a_port_that_takes_no_more_is_reported_not_waited_for(line, monkeypatch):
    began = time.perf_counter()

    def write_without_end():
        for _ in range(10_000):
            line.write(b"x" * 100)

    with pytest.raises(WriteStalled, match="no room for 100 more bytes"):
        write_without_end()
    # From now on the system is not even asked: some drivers would wait in spite of O_NONBLOCK.
    monkeypatch.setattr("drivers.serial_line.os.write", None)
    with pytest.raises(WriteStalled):
        line.write(b"x")
    assert time.perf_counter() - began < 2.0


def test_a_second_opening_is_refused_as_busy(line):
    with pytest.raises(PortLost, match=r"in use by another program. Close the other program"):
        SerialLine(line.name, N81, SystemClock())
    line.close()
    SerialLine(line.name, N81, SystemClock()).close()


def test_no_such_port_names_those_present():
    with pytest.raises(PortLost, match=r"/dev/no-such: no such port. Serial ports present: "):
        SerialLine("/dev/no-such", N81, SystemClock())


def test_a_file_is_not_a_port(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text("x")
    for port in (str(path), "/dev/null", str(tmp_path)):
        with pytest.raises(PortLost, match="not a serial port"):
            SerialLine(port, N81, SystemClock())
    assert path.read_text() == "x"


def test_no_permission_says_how_to_get_it(far_end, monkeypatch):
    # Played at the system call: the superuser, as whom tests may run, is never refused.
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    port = os.ttyname(far_end[1])
    monkeypatch.setattr("serial.serialposix.os.open", refuse)
    with pytest.raises(PortLost, match=f"no permission.*Join the group.*ls -l {port}"):
        SerialLine(port, N81, SystemClock())


def test_a_format_that_the_port_cannot_have_is_named(far_end):
    # A pseudo-terminal drops parity, and refuses it the second time it is asked for.
    port = os.ttyname(far_end[1])
    odd = SerialSettings(1200, data_bits=7, parity="even")
    SerialLine(port, odd, SystemClock()).close()
    with pytest.raises(PortLost, match=r"refuses 1200 baud 7E1 \(.*takes only 8N1"):
        SerialLine(port, odd, SystemClock())


def test_a_hang_up_is_a_lost_port_whoever_notices_it_first(far_end):
    for notice in (
        lambda line: line.read(),
        lambda line: line.write(b"x"),
        lambda line: line.set_break(True),
    ):
        master, slave = pty.openpty()
        line = SerialLine(os.ttyname(slave), N81, SystemClock())
        os.close(master)
        os.close(slave)
        assert line.readable()  # so that a waiting clock wakes up
        with pytest.raises(PortLost, match="the port is gone"):
            notice(line)
        # It is closed at once, and stays so.
        assert line.fileno() is None
        assert not line.readable()
        with pytest.raises(PortLost, match=r"gone.*Check the plug.*another name.*by-id"):
            line.read()
        line.close()


def test_closing_twice_is_harmless_and_leaves_no_descriptor(far_end):
    before = set(os.listdir("/proc/self/fd"))
    line = SerialLine(os.ttyname(far_end[1]), N81, SystemClock())
    line.close()
    line.close()
    assert set(os.listdir("/proc/self/fd")) == before
    with pytest.raises(PortLost):
        line.write(b"x")


def test_control_lines_are_left_alone_when_the_port_is_closed(far_end):
    # Without HUPCL closing does not drop DTR, on which many motion controllers restart.
    attributes = termios.tcgetattr(far_end[1])
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(far_end[1], termios.TCSANOW, attributes)
    SerialLine(os.ttyname(far_end[1]), N81, SystemClock()).close()
    assert not termios.tcgetattr(far_end[1])[2] & termios.HUPCL


def test_break_is_accepted_and_released(line):
    line.set_break(True)
    line.set_break(False)
    line.write(b"x")


def test_the_port_is_a_character_device(line):
    assert stat.S_ISCHR(os.stat(line.name).st_mode)
