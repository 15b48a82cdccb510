"""What can befall a reply on its way, in listed classes.

Bits are counted as on the wire: start bit, data bits from the least significant one, parity,
stop bits. A burst of n bits has its first and its last bit wrong, and those between at random.
Only wrong data bits are played: what a wrong start or stop bit makes of the characters after it
is among the longer bursts, the insertions and the deletions; a wrong parity bit is ignored, as
by a port that does not check it.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from attrs import frozen

Pieces = list[tuple[float, bytes]]
"""What arrives instead: after which further delay [s], and which bytes."""


@frozen(kw_only=True)
class Context:
    """What a class of damage needs to know of the line and the protocol.

    Attributes
    ----------
    data_bits, bits_per_character : int
        Of one character, without and with start, parity and stop bits.
    alphabet : bytes
        Characters that the protocol itself uses: the hardest noise there is.
    strangers : tuple of bytes
        Sound replies that belong to another request or to another instrument on the bus.
    within_s : float
        Time that the driver allows a reply. [s]
    pause_s : float
        Time after which the rig asks again. [s]
    """

    data_bits: int
    bits_per_character: int
    alphabet: bytes
    strangers: tuple[bytes, ...]
    within_s: float
    pause_s: float


Damage = Callable[[random.Random, bytes, Context], Pieces]


def flipped(data: bytes, first: int, pattern: int, context: Context) -> bytes:
    """Invert the bits of `pattern`, the lowest at wire bit `first`, as far as they are data."""
    changed = bytearray(data)
    start_bits = context.bits_per_character > context.data_bits
    while pattern:
        place, bit = divmod(first, context.bits_per_character)
        bit -= start_bits
        if pattern & 1 and 0 <= bit < context.data_bits:
            changed[place] ^= 1 << bit
        pattern >>= 1
        first += 1
    return bytes(changed)


def _burst(rng: random.Random, reply: bytes, context: Context, least: int, most: int) -> Pieces:
    bits = len(reply) * context.bits_per_character
    while True:
        length = rng.randint(min(least, bits), min(most, bits))
        inner = rng.getrandbits(length - 2) << 1 if length > 2 else 0
        pattern = inner | 1 | 1 << length - 1
        changed = flipped(reply, rng.randrange(bits - length + 1), pattern, context)
        if changed != reply:
            return [(0.0, changed)]


def single_bit(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    return _burst(rng, reply, context, 1, 1)


def short_burst(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    return _burst(rng, reply, context, 2, 16)


def long_burst(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    return _burst(rng, reply, context, 17, 80)


def _noise(rng: random.Random, length: int, context: Context) -> bytes:
    if rng.random() < 0.5:
        return bytes(rng.choice(context.alphabet) for _ in range(length))
    return bytes(rng.randrange(1 << context.data_bits) for _ in range(length))


def insertion(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    where = rng.randrange(len(reply) + 1)
    return [(0.0, reply[:where] + _noise(rng, rng.randint(1, 3), context) + reply[where:])]


def deletion(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    length = min(rng.randint(1, 3), len(reply))
    where = rng.randrange(len(reply) - length + 1)
    return [(0.0, reply[:where] + reply[where + length :])]


def swapped_bytes(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    pairs = [(i, i + 1) for i in range(len(reply) - 1) if reply[i] != reply[i + 1]]
    if rng.random() < 0.5 or not pairs:
        pairs = [(i, j) for j in range(len(reply)) for i in range(j) if reply[i] != reply[j]]
    i, j = rng.choice(pairs)
    changed = bytearray(reply)
    changed[i], changed[j] = changed[j], changed[i]
    return [(0.0, bytes(changed))]


def swapped_reply(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    return [(0.0, rng.choice(context.strangers))]


def late(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    """After the driver has given up, before the rig asks again."""
    return [(context.within_s + rng.uniform(0.01, 0.95) * context.pause_s, reply)]


def stale(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    """So late that the rig has asked again and waits for the next reply."""
    return [(context.within_s + context.pause_s + rng.uniform(0.0, 1.0) * context.within_s, reply)]


def doubled(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    """Twice, at once or after a short pause."""
    return [(0.0, reply), (rng.choice((0.0, rng.uniform(0.0, 0.2))), reply)]


def truncated(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    return [(0.0, reply[: rng.randrange(len(reply))])]


def noise_only(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    """No instrument at all: random characters, half of the time those of the protocol."""
    return [(0.0, _noise(rng, rng.randint(1, 40), context))]


def noise_around(rng: random.Random, reply: bytes, context: Context) -> Pieces:
    """A sound reply in the midst of noise."""
    before = _noise(rng, rng.randint(0, 6), context)
    after = _noise(rng, rng.randint(0, 6), context)
    return [(0.0, before + reply + after)]


CLASSES: dict[str, Damage] = {
    "single bit": single_bit,
    "burst of 2 to 16 bits": short_burst,
    "burst of 17 to 80 bits": long_burst,
    "inserted bytes": insertion,
    "deleted bytes": deletion,
    "swapped bytes": swapped_bytes,
    "swapped reply": swapped_reply,
    "late reply": late,
    "stale reply": stale,
    "doubled reply": doubled,
    "truncated": truncated,
    "noise around": noise_around,
    "noise only": noise_only,
}
#: Classes that strike every reply of an exchange, retries included; any other strikes one.
THROUGHOUT = frozenset({"noise only"})
