"""What the check sums see without exception, gone through pattern by pattern.

Both are linear: whether a pattern of errors is seen does not depend on what was sent. So each
wire bit has a syndrome, and a pattern passes only if the syndromes of its bits cancel. Theory
for comparison: a CRC of 16 bits sees each burst of up to 16 bits, and of those of 17 bits all
but one pattern in 2¹⁵ (Peterson and Brown, Proc. IRE 49 (1961) 228; from memory).
"""

import numpy as np
import pytest

from drivers.modbus import frames
from drivers.sdi12 import codec


def sdi12_syndromes(characters, data_bits):
    """Return what each wire bit of a reply changes: in the sum computed, or in that received."""
    syndromes = []
    for place in range(characters):
        for bit in range(data_bits):
            error = bytearray(characters)
            error[place] = 1 << bit
            # From 0, the sum of an error is what the error changes; 0x40 is no part of it.
            computed = int.from_bytes(codec.check_sum(bytes(error)), "big") ^ 0x404040
            syndromes.append(computed)
    for place in range(3):
        syndromes += [1 << (8 * (2 - place) + bit) for bit in range(data_bits)]
    return syndromes


def modbus_syndromes(characters):
    nothing = frames.FramerRTU.compute_CRC(bytes(characters))
    syndromes = []
    for place in range(characters):
        for bit in range(8):
            error = bytearray(characters)
            error[place] = 1 << bit
            syndromes.append(frames.FramerRTU.compute_CRC(bytes(error)) ^ nothing)
    for place in range(2):
        syndromes += [1 << (8 * (1 - place) + bit) for bit in range(8)]
    return syndromes


def unseen_bursts(syndromes, length):
    """Count the bursts of just this length, at any place, whose syndromes cancel."""
    count = 0
    for first in range(len(syndromes) - length + 1):
        part = syndromes[first : first + length]
        ends = part[0] ^ part[-1] if length > 1 else part[0]
        sums = np.array([ends], dtype=np.int64)
        for inner in part[1:-1]:
            sums = np.concatenate([sums, sums ^ inner])
        count += int((sums == 0).sum())
    return count


def test_sdi12_sum_at_7e1_sees_every_burst_of_up_to_16_bits_on_the_wire():
    # 16 bits on the wire, start, parity and stop bits included, hold 13 data bits at most.
    syndromes = sdi12_syndromes(len("0+1234.5"), 7)
    assert [unseen_bursts(syndromes, length) for length in range(1, 15)] == [0] * 14
    # Data bits are what it sees: 15 of them, 21 on the wire, may cancel.
    assert unseen_bursts(syndromes, 15) > 0


def test_sdi12_sum_of_octets_misses_one_short_burst_which_the_form_of_the_reply_catches():
    # Its three characters hold the high bits first, while the wire has the low bits of each
    # character first. So a burst across the border to the sum may cancel: one does, with the
    # two highest bits of the last digit wrong, which is then no digit.
    syndromes = sdi12_syndromes(len("0+1234.5"), 8)
    assert [unseen_bursts(syndromes, length) for length in range(1, 17)] == [0] * 4 + [1] + [0] * 11
    last_digit, first_of_sum = 0xC0, 0x05
    reply = bytearray(b"0+1234.5" + codec.check_sum(b"0+1234.5") + b"\r\n")
    reply[7] ^= last_digit
    reply[8] ^= first_of_sum
    assert codec.check_sum(bytes(reply[:8])) == bytes(reply[8:11])
    with pytest.raises(codec.CodecError, match="not a row of signed numbers"):
        codec.decode_values(bytes(reply), "0", crc=True)


def test_modbus_sum_sees_every_burst_of_up_to_16_bits_and_no_longer_ones():
    syndromes = modbus_syndromes(len("\x01\x03\x04\x44\x9a\x50\x00"))
    assert [unseen_bursts(syndromes, length) for length in range(1, 17)] == [0] * 16
    # One pattern, the polynomial itself, at every place that it fits into.
    assert unseen_bursts(syndromes, 17) == len(syndromes) - 17 + 1


def test_both_sums_see_every_odd_number_of_wrong_bits():
    # x + 1 divides the polynomial. For SDI-12 it is the parity of its 16 bits, spread over
    # three characters, that shows it.
    for syndromes in (modbus_syndromes(7), sdi12_syndromes(8, 7)):
        assert all(syndrome.bit_count() % 2 == 1 for syndrome in syndromes)


def test_three_characters_of_sdi12_sum_hold_no_more_than_16_bits():
    sums = {codec.check_sum(bytes([a, b])) for a in range(256) for b in range(256)}
    assert len(sums) == 2**16
    assert all(0x40 <= c < 0x80 for s in sums for c in s)
    # The two bits that stay free in the first character are seen when they are wrong.
    assert all(s[0] < 0x50 for s in sums)
