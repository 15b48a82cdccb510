"""Who is on an SDI-12 bus, and giving a sensor another address.

For setting up a bench: several sensors leave the factory with the same address, and must have
different ones before they share a bus. Nothing here is used during a run.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress

from drivers.bus import Bus
from drivers.clock import Clock
from drivers.errors import DeviceFault, GarbledReply, NoReply
from drivers.line import Line
from drivers.sdi12 import codec
from drivers.sdi12.conversation import TRIES, Answer, Sdi12Instrument
from drivers.sdi12.options import Sdi12Options
from drivers.talk import Conversation, wait

#: Tries at an address that may well be nobody's.
SEARCH_TRIES = 2
#: A sensor that stores its new address may be deaf for so long (from memory of the standard). [s]
STORING_S = 1.0
_ONE_ALONE = (
    "If several sensors are on the bus, all answer '?!' at once: connect one alone, or search "
    "address by address."
)


class ConsentMissing(ValueError):
    """Somebody wants a sensor's address changed, but nobody agreed to just that."""


def consent_words(address: str, to: str) -> str:
    """Return the words by which a person agrees to a change of address."""
    return f"change address {address} to {to}"


class Addressing(Sdi12Instrument):
    """The addresses on one bus.

    Parameters
    ----------
    options : Sdi12Options
        Timing of the bus and its adapter; the address in it is not used.
    line : Line or Bus
    clock : Clock
    device : str
        What messages call the bus, e.g. ``"SDI-12 bus"``.
    """

    def __init__(self, options: Sdi12Options, line: Line | Bus, clock: Clock, device: str) -> None:
        super().__init__(options, line, clock, f"{device}, {line.name}")

    def start_query(self) -> float:
        """Begin asking the one sensor on the bus for its address; see `poll_query`. [s]"""
        self._talk.begin(self._alone(self._query()))
        return self._clock.elapsed_s()

    def poll_query(self) -> tuple[str, str] | None:
        """Return address and identity of the one sensor on the bus, or None before they are there.

        The query is meant for one sensor. Where several answer at once their characters fall on
        each other, and may even read as an address; so the address found is asked who it is. If
        that happens to be the address of one of them, the others go unnoticed: `start_search`
        finds them all.

        Raises
        ------
        NoReply, GarbledReply
            Nobody answers, or several do.
        """
        found: tuple[str, str] | None = self._advance()
        return found

    def start_search(self, addresses: Iterable[str] = codec.ADDRESSES) -> float:
        """Begin asking each address in turn who is there; see `poll_search`. [s]"""
        self._talk.begin(self._search(tuple(addresses)))
        return self._clock.elapsed_s()

    def poll_search(self) -> dict[str, str] | None:
        """Return identity by address, or None before the search is through.

        Where the answer is garbled, as by two sensors of the same address, what was received
        stands in place of the identity.
        """
        found: dict[str, str] | None = self._advance()
        return found

    def start_change(self, address: str, to: str, *, consent: str) -> float:
        """Begin giving a sensor another address, and reading it back; see `poll_change`. [s]

        Parameters
        ----------
        address, to : str
            The address it has, and the one it shall have.
        consent : str
            The words of `consent_words`, as a person has given them.

        Raises
        ------
        ConsentMissing
            The words are others. Nothing was sent.
        ValueError
            One of the addresses is none, or both are the same. Nothing was sent.
        """
        for given in (address, to):
            if len(given) != 1 or given not in codec.ADDRESSES:
                raise ValueError(f"{given!r} is not an SDI-12 address; give one letter or digit")
        if address == to:
            raise ValueError(f"the sensor is to keep address {address!r}: nothing to change")
        if consent != consent_words(address, to):
            raise ConsentMissing(
                f"the address is changed only on the words {consent_words(address, to)!r}; "
                f"received {consent!r}"
            )
        self._talk.begin(self._alone(self._change(address, to)))
        return self._clock.elapsed_s()

    def poll_change(self) -> str | None:
        """Return the sensor's identity as read at its new address, or None before that.

        Raises
        ------
        DeviceFault
            The new address is taken, or the sensor kept the old one.
        NoReply, GarbledReply
            It answers at neither; the message says what to do.
        """
        identity: str | None = self._advance()
        return identity

    def _query(self) -> Conversation[tuple[str, str]]:
        request = codec.query_address()
        heard: set[str] = set()

        def decode(reply: bytes) -> str:
            address = codec.decode_acknowledgement(reply)
            heard.add(address)
            return address

        # Another one may answer a little later.
        found = yield from self._ask(
            request, decode, is_doubtful=lambda address: True, remedy=_ONE_ALONE
        )
        if len(heard) > 1:
            raise self._several(f"answered by the addresses {', '.join(sorted(heard))}", found.raw)
        address = found.value
        try:
            identity = yield from self._who_is(address)
        except (NoReply, GarbledReply) as error:
            problem = (
                f"answered by address {address!r}, but no sensor answers there: several may have "
                "answered at once"
            )
            raise self._several(problem, found.raw) from error
        return address, str(identity.value)

    def _several(self, problem: str, reply: bytes) -> GarbledReply:
        return GarbledReply(
            self._device,
            f"'?!' was {problem}.",
            remedy=_ONE_ALONE,
            request=codec.query_address(),
            reply=reply,
        )

    def _search(self, addresses: tuple[str, ...]) -> Conversation[dict[str, str]]:
        found: dict[str, str] = {}
        for address in addresses:
            try:
                identity = yield from self._alone(self._who_is(address, tries=SEARCH_TRIES))
            except NoReply:
                continue
            except GarbledReply as error:
                found[address] = error.problem
                continue
            found[address] = str(identity.value)
        return found

    def _change(self, address: str, to: str) -> Conversation[str]:
        before = yield from self._who_is(address)
        if (yield from self._is_taken(to)):
            raise DeviceFault(
                self._device,
                f"address {to!r} is taken by another sensor; {address!r} was not changed.",
                remedy="Choose another address.",
            )
        request = codec.change_address(address, to)
        # Sent once: a sensor that has obeyed would not hear it again. What came of it is read
        # back, whatever the reply.
        self._others_spoke = True
        with suppress(NoReply, GarbledReply):
            yield from self._ask(request, lambda r: codec.decode_acknowledgement(r, to), tries=1)
        self.unasked += yield from wait(
            self._clock, self._line, self._clock.elapsed_s() + STORING_S
        )
        try:
            after = yield from self._who_is(to)
        except NoReply:
            if (yield from self._is_taken(address)):
                raise DeviceFault(
                    self._device,
                    f"the sensor kept address {address!r}: it did not obey "
                    f"'{request.decode('ascii')}'.",
                    remedy="Its manual says how its address is set, and whether it is locked.",
                    request=request,
                ) from None
            raise
        if after.value != before.value:
            raise DeviceFault(
                self._device,
                f"another sensor answers at {to!r}: {after.value}; it was {before.value}.",
                remedy="Connect one sensor alone, and ask for its address.",
                request=request,
                reply=after.raw,
            )
        return str(after.value)

    def _who_is(self, address: str, *, tries: int = TRIES) -> Conversation[Answer[codec.Identity]]:
        self._others_spoke = True  # whoever was asked before may have been another sensor
        return self._ask(
            codec.identify(address), lambda r: codec.decode_identity(r, address), tries=tries
        )

    def _is_taken(self, address: str) -> Conversation[bool]:
        """Ask whether anybody answers at an address, however garbled."""
        self._others_spoke = True
        try:
            yield from self._ask(
                codec.acknowledge(address),
                lambda r: codec.decode_acknowledgement(r, address),
                tries=SEARCH_TRIES,
            )
        except NoReply:
            return False
        except GarbledReply:
            return True
        return True
