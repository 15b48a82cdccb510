"""Finding addresses, and changing one only with consent and reading it back."""

import math
from functools import reduce
from operator import and_

import pytest

from drivers.clock import VirtualClock
from drivers.errors import DeviceFault, GarbledReply, NoReply
from drivers.memory_line import MemoryLine
from drivers.sdi12.addressing import Addressing, ConsentMissing, consent_words
from drivers.sdi12.options import QuantumSensorOptions, line_settings
from drivers.simulated.instruments import Sdi12Sensor
from drivers.simulated.peer import Fault
from drivers.simulated.sdi12_peer import Sdi12Peer
from tests.drivers.far_end import finish


class Collision:
    """Sensors on one pair of wires: whoever speaks at the same time is heard superimposed.

    On an SDI-12 line a zero is the driven level, so it wins over a one, bit by bit.
    """

    def __init__(self, peers):
        self.peers = peers
        self.heard = []

    def receive(self, data, at_s):
        self.heard.append(data)
        for peer in self.peers:
            peer.receive(data, at_s)

    def line_break(self, start_s, end_s):
        for peer in self.peers:
            peer.line_break(start_s, end_s)

    def next_s(self):
        return min(peer.next_s() for peer in self.peers)

    def take(self, at_s):
        said = [data for peer in self.peers if (data := peer.take(at_s))]
        longest = max(map(len, said), default=0)
        padded = [data + b"\x7f" * (longest - len(data)) for data in said]
        return bytes(reduce(and_, column) for column in zip(*padded, strict=True))


def bus(*addresses, reply_within_s=0.05, **sensor):
    peers = [
        Sdi12Peer(
            Sdi12Sensor(address=address, serial=f"S{number}", **sensor), lambda start, end: 1.0
        )
        for number, address in enumerate(addresses)
    ]
    wires = Collision(peers)
    options = QuantumSensorOptions(port="memory", reply_within_s=reply_within_s)
    clock = VirtualClock()
    line = MemoryLine("memory", line_settings(options), clock, wires)
    return clock, wires, Addressing(options, line, clock, "SDI-12 bus")


def query(clock, addressing):
    addressing.start_query()
    return finish(addressing, clock, poll=addressing.poll_query)


def change(clock, addressing, address, to, consent=None):
    addressing.start_change(address, to, consent=consent or consent_words(address, to))
    return finish(addressing, clock, poll=addressing.poll_change)


def test_one_sensor_alone_says_its_address_and_who_it_is():
    clock, _, addressing = bus("7")
    assert query(clock, addressing) == ("7", "SDI-12 1.4: VIRTUAL QUANT1 100 S0")


def test_an_empty_bus_is_silent():
    clock, _, addressing = bus("7", faults=(Fault(kind="drop", at_exchange=1, exchanges=1e9),))
    with pytest.raises(NoReply, match=r"SDI-12 bus, memory: no reply to '\?!'"):
        query(clock, addressing)


def test_two_that_answer_at_once_are_garbled_and_the_message_says_what_to_do():
    # '3' & 'd' = 0x33 & 0x64 = 0x20, a space: no address.
    clock, _, addressing = bus("3", "d")
    with pytest.raises(GarbledReply) as caught:
        query(clock, addressing)
    assert "garbled reply to '?!'" in str(caught.value)
    assert "connect one alone, or search address by address" in str(caught.value)


def test_two_whose_answers_make_up_a_third_address_are_found_out():
    # '1' & '2' = 0x31 & 0x32 = 0x30 = '0', where nobody is.
    clock, _, addressing = bus("1", "2")
    with pytest.raises(GarbledReply, match=r"answered by address '0', but no sensor answers there"):
        query(clock, addressing)


def test_two_that_answer_one_after_the_other_are_found_out():
    clock, wires, addressing = bus("4")
    late = Sdi12Peer(Sdi12Sensor(address="5", reply_delay_s=0.04), lambda start_s, end_s: 1.0)
    wires.peers.append(late)
    with pytest.raises(GarbledReply, match="answered by the addresses 4, 5"):
        query(clock, addressing)


def test_a_search_finds_them_all_with_their_names():
    clock, _, addressing = bus("0", "1", "z")
    addressing.start_search()
    found = finish(addressing, clock, poll=addressing.poll_search)
    assert found == {
        "0": "SDI-12 1.4: VIRTUAL QUANT1 100 S0",
        "1": "SDI-12 1.4: VIRTUAL QUANT1 100 S1",
        "z": "SDI-12 1.4: VIRTUAL QUANT1 100 S2",
    }
    # 62 addresses, two tries of some 0.1 s at each that is nobody's: bounded.
    assert clock.elapsed_s() < 62 * 2 * 0.15


def test_a_search_shows_two_of_the_same_address_as_garbled():
    # Their names differ in the last character, 'S0' and 'S1', which superimposed is 'S0' …
    clock, wires, addressing = bus("3")
    # … so one of them is given a maker whose letters make up characters that are none.
    wires.peers.append(
        Sdi12Peer(Sdi12Sensor(address="3", vendor="!!!!!!!!"), lambda start_s, end_s: 1.0)
    )
    addressing.start_search("23")
    found = finish(addressing, clock, poll=addressing.poll_search)
    assert list(found) == ["3"]
    assert found["3"].startswith("garbled reply to '3I!'")


def test_an_address_is_changed_and_read_back():
    clock, wires, addressing = bus("0")
    assert change(clock, addressing, "0", "5") == "SDI-12 1.4: VIRTUAL QUANT1 100 S0"
    assert wires.heard.count(b"0A5!") == 1
    assert query(clock, addressing)[0] == "5"


def test_a_change_whose_answer_was_lost_is_not_sent_again_and_still_found_done():
    # Exchanges: 0I!, then 0A5! (5! is nobody's).
    clock, wires, addressing = bus("0", faults=(Fault(kind="drop", at_exchange=2),))
    assert change(clock, addressing, "0", "5") == "SDI-12 1.4: VIRTUAL QUANT1 100 S0"
    assert wires.heard.count(b"0A5!") == 1


@pytest.mark.parametrize("words", ["", "yes", "change address 0 to 6", "change address 5 to 0"])
def test_without_the_very_words_nothing_is_sent(words):
    clock, wires, addressing = bus("0")
    with pytest.raises(ConsentMissing, match="'change address 0 to 5'; received"):
        addressing.start_change("0", "5", consent=words)
    clock.wait_until(2.0)
    assert wires.heard == []
    assert addressing.wake_s == math.inf


@pytest.mark.parametrize(
    ("address", "to"), [("0", "?"), ("0", "10"), ("", "1"), ("0", "0"), ("ä", "1")]
)
def test_what_is_no_change_or_no_address_is_refused_before_anything_is_sent(address, to):
    _, wires, addressing = bus("0")
    with pytest.raises(ValueError, match=r"nothing to change|not an SDI-12 address"):
        addressing.start_change(address, to, consent=consent_words(address, to))
    assert wires.heard == []


def test_an_address_that_is_taken_is_not_given_again():
    clock, wires, addressing = bus("0", "5")
    with pytest.raises(DeviceFault, match="address '5' is taken by another sensor; '0' was not"):
        change(clock, addressing, "0", "5")
    assert b"0A5!" not in wires.heard


def test_a_sensor_that_keeps_its_address_is_reported():
    clock, _, addressing = bus("0", keeps_address=True)
    with pytest.raises(DeviceFault, match="kept address '0': it did not obey '0A5!'"):
        change(clock, addressing, "0", "5")


def test_a_sensor_that_is_not_there_is_not_changed():
    clock, wires, addressing = bus("3")
    with pytest.raises(NoReply, match="'0I!'"):
        change(clock, addressing, "0", "5")
    assert b"0A5!" not in wires.heard
