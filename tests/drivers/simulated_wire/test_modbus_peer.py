"""The simulated power meter against a second implementation and published frames.

The second implementation is minimalmodbus (its own framing and check sums), given a port that
hands its bytes to the peer. Frame examples and their check sums: Modbus over Serial Line V1.02,
appendix B, as computed with crcmod, crccheck and minimalmodbus.
"""

import math
import struct

import minimalmodbus
import pytest
from crccheck.crc import CrcModbus

from drivers.simulated.modbus_makes import ModbusMeter, Register
from drivers.simulated.modbus_peer import ModbusPeer
from drivers.simulated.peer import Fault

VALUES = {
    "wall_power_w": 1234.5,
    "line_voltage_v": 229.75,
    "line_current_a": 5.5,
    "power_factor": 0.977,
    "line_frequency_hz": 50.01,
}


def make(*faults, values=VALUES, **data):
    return ModbusPeer(ModbusMeter(faults=faults, **data), lambda a, b: values)


def framed(*body):
    data = bytes(body)
    return data + CrcModbus.calc(data).to_bytes(2, "little")


def ask(peer, request, at_s=10.0):
    peer.receive(request, at_s)
    moment = peer.next_s()
    return peer.take(moment) if moment < math.inf else b""


class Port:
    """As much of a serial port as minimalmodbus wants, with the peer behind it."""

    def __init__(self, peer):
        self.peer, self.now_s, self.reply = peer, 100.0, b""
        self.port, self.baudrate, self.timeout, self.is_open = "peer", 9600, 0.05, True

    def reset_input_buffer(self):
        self.reply = b""

    def reset_output_buffer(self):
        pass

    def write(self, data):
        self.now_s += 1.0
        self.reply = ask(self.peer, bytes(data), self.now_s)

    def read(self, count):
        data, self.reply = self.reply[:count], self.reply[count:]
        return data


@pytest.fixture
def second():
    def make_second(peer, address=1):
        client = minimalmodbus.Instrument.__new__(minimalmodbus.Instrument)
        client.address, client.mode, client.precalculate_read_size = address, "rtu", True
        client.debug = client.handle_local_echo = client.close_port_after_each_call = False
        client.clear_buffers_before_each_transaction = True
        client.byteorder_default = minimalmodbus.BYTEORDER_BIG
        client.serial = Port(peer)
        return client

    return make_second


def test_power_is_read_by_a_second_library(second):
    client = second(make())
    assert client.read_float(0) == pytest.approx(1234.5)
    assert client.read_float(2) == pytest.approx(229.75)
    assert [round(client.read_float(2 * n), 3) for n in range(5)] == list(VALUES.values())


def test_float_on_the_wire_is_the_published_pattern():
    # 1234.5 = 449A5000, big-endian (IEEE 754; worked out with struct of the standard library).
    assert struct.pack(">f", 1234.5).hex() == "449a5000"
    assert ask(make(), framed(1, 3, 0, 0, 0, 2)) == framed(1, 3, 4, 0x44, 0x9A, 0x50, 0x00)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"type": "int16", "scale": 0.1}, [12345]),
        ({"type": "uint16", "scale": 1.0}, [1234]),
        ({"type": "uint16", "scale": 0.01}, [0xFFFF]),  # does not fit: the highest it can say
        ({"type": "int32", "scale": 0.001}, [1234500 >> 16, 1234500 & 0xFFFF]),
        ({"type": "uint32", "scale": 0.001, "word_order": "little"}, [1234500 & 0xFFFF, 18]),
        ({"type": "float32", "word_order": "little"}, [0x5000, 0x449A]),
        ({"type": "float32", "scale": 1000.0}, [0x3F9E, 0x0419]),  # 1.2345
    ],
)
def test_registers_hold_the_declared_type(second, data, words):
    registers = (Register(quantity="wall_power_w", register=40, **data),)
    client = second(make(registers=registers))
    assert client.read_registers(40, len(words)) == words


def test_negative_power_is_twos_complement(second):
    registers = (Register(quantity="wall_power_w", register=7, type="int16"),)
    client = second(make(registers=registers, values={"wall_power_w": -2.0}))
    assert client.read_register(7, signed=True) == -2


def test_input_registers_are_another_space(second):
    registers = (
        Register(quantity="wall_power_w", register=0, function=4),
        Register(quantity="line_voltage_v", register=0, function=3),
    )
    client = second(make(registers=registers))
    assert client.read_float(0, functioncode=4) == pytest.approx(1234.5)
    assert client.read_float(0, functioncode=3) == pytest.approx(229.75)


def test_address_without_a_register_is_exception_2(second):
    assert ask(make(), framed(1, 3, 0, 9, 0, 2)) == framed(1, 0x83, 2)
    with pytest.raises(minimalmodbus.IllegalRequestError, match="data address"):
        second(make()).read_register(1000)


@pytest.mark.parametrize("function", [5, 6, 16, 65])
def test_function_it_does_not_have_is_exception_1(function):
    body = {
        5: (0, 0, 0xFF, 0),
        6: (0, 0, 0, 1),
        16: (0, 0, 0, 1, 2, 0, 1),
        65: (1, 2, 3),  # a code that no library has a class for
    }[function]
    assert ask(make(), framed(1, function, *body)) == framed(1, function | 0x80, 1)


@pytest.mark.parametrize("count", [0, 126])
def test_count_that_is_not_allowed_is_exception_3(count):
    assert ask(make(), framed(1, 3, 0, 0, 0, count)) == framed(1, 0x83, 3)


def test_refusals_are_meant_for_its_own_address_only():
    assert ask(make(), framed(2, 3, 0, 0, 0, 126)) == b""
    assert ask(make(), framed(2, 65, 1, 2)) == b""


def test_other_addresses_and_broadcasts_are_not_answered():
    assert ask(make(), framed(2, 3, 0, 0, 0, 2)) == b""
    assert ask(make(), framed(0, 3, 0, 0, 0, 2)) == b""
    assert ask(make(address=17), bytes.fromhex("11 03 00 6B 00 03 76 87")) == framed(17, 0x83, 2)


def test_device_identification_names_vendor_product_revision():
    # Function 43 / 14, basic objects 0 to 2: Modbus Application Protocol V1.1b3, section 6.21.
    peer = make(vendor="Acorn", product="W1", serial="", revision="9")
    objects = b"\x00\x05Acorn\x01\x02W1\x02\x019"
    head = bytes([1, 0x2B, 0x0E, 1, 0x83, 0, 0, 3])
    assert ask(peer, framed(1, 0x2B, 0x0E, 1, 0)) == framed(*head, *objects)


def test_request_is_found_at_every_split_point():
    request = framed(1, 3, 0, 0, 0, 2)
    whole = ask(make(), request)
    for cut in range(1, len(request)):
        peer = make()
        byte_s = 11 / 9600
        peer.receive(request[:cut], 10.0)
        assert ask(peer, request[cut:], 10.0 + (len(request) - cut) * byte_s) == whole


def test_bad_check_sum_is_not_answered_and_the_next_request_is():
    peer = make()
    request = framed(1, 3, 0, 0, 0, 2)
    assert ask(peer, request[:-1] + b"\x00", 10.0) == b""
    assert ask(peer, request, 10.5) != b""


def test_half_a_request_is_forgotten_after_a_silence():
    peer = make()
    request = framed(1, 3, 0, 0, 0, 2)
    assert ask(peer, request[:5], 10.0) == b""
    assert ask(peer, request, 10.5) != b""


def test_reply_leaves_after_the_silence_that_the_protocol_wants():
    # 3.5 characters of 11 bits at 9600 baud are 4.0104 ms (V1.02, section 2.5.1.1).
    peer = make(reply_delay_s=0.0)
    peer.receive(framed(1, 3, 0, 0, 0, 2), 10.0)
    assert peer.next_s() - 10.0 == pytest.approx(4.010417e-3, abs=1e-9)
    assert ModbusMeter(baud=19_200).silence_s == pytest.approx(2.005208e-3, abs=1e-9)
    assert ModbusMeter(baud=115_200).silence_s == 0.00175


def test_reply_holds_the_mean_before_the_last_refresh():
    windows = []

    def measure(start_s, end_s):
        windows.append((start_s, end_s))
        return VALUES

    peer = ModbusPeer(ModbusMeter(refresh_s=0.5, averaging_s=2.0), measure)
    ask(peer, framed(1, 3, 0, 0, 0, 10), 10.3)
    assert windows == [(8.0, 10.0)]


@pytest.mark.parametrize(
    ("fault", "reply"),
    [
        (Fault(kind="exception", at_exchange=2, code=6), framed(1, 0x83, 6)),
        (
            Fault(kind="wrong-address", at_exchange=2, address="9"),
            framed(9, 3, 4, 0x44, 0x9A, 0x50, 0),
        ),
        (
            Fault(kind="value", at_exchange=2, value=math.nan),
            framed(1, 3, 4, 0x7F, 0xC0, 0, 0),
        ),
        (Fault(kind="drop", at_exchange=2), b""),
        (Fault(kind="truncate", at_exchange=2, keep_bytes=4), bytes([1, 3, 4, 0x44])),
    ],
)
def test_fault_strikes_the_exchange_it_names(fault, reply):
    peer = make(fault)
    request = framed(1, 3, 0, 0, 0, 2)
    sound = ask(peer, request, 10.0)
    assert ask(peer, request, 11.0) == reply
    assert ask(peer, request, 12.0) == sound


def test_garbled_reply_fails_its_check_sum(second):
    client = second(make(Fault(kind="garble", at_exchange=1, at_byte=4)))
    with pytest.raises(minimalmodbus.InvalidResponseError, match=r"[Cc]hecksum"):
        client.read_float(0)
