"""An instrument that prints a number as a line of text, on request or of its own accord.

::

    mode "poll"     request ──▶ reply line                    its window ends as the line begins
    mode "listen"   …ine | whole line | whole line | …        the first whole one since the start

Before each reading the line is drained, so that a line printed earlier is never taken for a new
one. In mode "listen" the rest of a line that was under way is left out too: cut in front, it
might still have the form of a whole one. A line is known to begin where the one before it ended,
or after a pause longer than any inside a line.

Tested with: the virtual bench only.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar

from attrs import define, frozen

from drivers.ascii_line import codec
from drivers.ascii_line.options import AsciiLineOptions
from drivers.bus import Bus
from drivers.clock import Clock
from drivers.conversing import RequestReplyInstrument
from drivers.errors import DriverError, GarbledReply, NoReply, describe_bytes
from drivers.line import Line
from drivers.reading import Reading
from drivers.talk import Conversation, wait

Found = TypeVar("Found")

#: Values asked for in all until two in a row agree.
VALUES_AT_MOST = 5
_LINES_AT_MOST = 4  # in one reply: a heading and the like
_DRAINS_AT_MOST = 64


@frozen
class _Printed:
    value: float
    raw: bytes
    began_s: float


@define
class _Ear:
    """What has been heard of lines that come unasked."""

    since_s: float  # when the line last carried a character, or was first listened to
    heard: bytes = b""
    at_start: bool = False  # whether what comes next, or was heard, begins a line
    is_broken: bool = False  # whether a line stopped in its middle and may yet go on


class AsciiLineInstrument(RequestReplyInstrument):
    """One quantity, from lines of text that the profile describes.

    Parameters
    ----------
    options : AsciiLineOptions
        From the rig profile.
    line : Line or Bus
        The port.
    clock : Clock
        Deadlines and time stamps.
    device : str
        What messages call the instrument, e.g. ``"light sensor"``.
    quantity : str
        What the number is, once scaled; a name of the glossary.
    """

    def __init__(
        self,
        options: AsciiLineOptions,
        line: Line | Bus,
        clock: Clock,
        device: str,
        *,
        quantity: str = "ppfd_umol_m2_s",
    ) -> None:
        super().__init__(line, clock, f"{device}, {line.name}")
        self._options = options
        self._quantity = quantity
        self._request = codec.parse_bytes(options.request)
        self._line_end = codec.parse_bytes(options.line_end)
        self._form = codec.LineForm(
            value=codec.compile_value_form(options.pattern),
            no_value=tuple(codec.compile_form(one) for one in options.no_value_patterns),
            decimal_comma=options.decimal_comma,
            scale=options.scale,
            plausible=options.plausible,
        )
        self._late_until_s = -math.inf  # a reply given up on may still come until then

    def start(self) -> float:
        """Begin one measurement; return the elapsed time before which it cannot be ready. [s]"""
        self._talk.begin(self._bus.turn(self._talk, self._measure()))
        sent = len(self._request) if self._options.mode == "poll" else 0
        characters = sent + len(self._line_end) + 1
        return self._clock.elapsed_s() + characters * self._line.seconds_per_byte

    def poll(self) -> tuple[Reading, ...] | None:
        """Return the reading, or None before it is there.

        Raises
        ------
        NoReply
            No line came.
        GarbledReply
            What came does not have the form of the profile, is not plausible, or no two values
            in a row agree where the profile asks for that.
        PortLost, WriteStalled
            The line failed.
        """
        readings: tuple[Reading, ...] | None = self._advance()
        return readings

    # -- measuring --------------------------------------------------------------------------

    def _measure(self) -> Conversation[tuple[Reading, ...]]:
        ear = self._lend_ear()
        printed = yield from self._next_value(ear)
        if self._options.agrees_within is not None:
            printed = yield from self._agreed(printed, self._options.agrees_within, ear)
        window_end_s = printed.began_s - self._options.lag_s
        return (
            Reading(
                quantity=self._quantity,
                value=printed.value,
                window_start_s=window_end_s - self._options.averaging_s,
                window_end_s=window_end_s,
                raw=printed.raw,
            ),
        )

    def _agreed(self, printed: _Printed, within: float, ear: _Ear) -> Conversation[_Printed]:
        """Go on until a value agrees with the one before it; return the later one."""
        seen = [printed]
        while len(seen) < VALUES_AT_MOST:
            seen.append((yield from self._next_value(ear)))
            self.retries += len(seen) > 2
            before, latest = seen[-2].value, seen[-1].value
            if abs(latest - before) <= within or (math.isnan(latest) and math.isnan(before)):
                return seen[-1]
        raise GarbledReply(
            self._device,
            f"no two of {len(seen)} values in a row agree within {within:g}: "
            + ", ".join(f"{one.value:g}" for one in seen)
            + ".",
            remedy="Check the cable for noise; allow more in 'agrees_within' if the light changes.",
            request=self._request,
            reply=b"".join(one.raw for one in seen),
        )

    def _next_value(self, ear: _Ear) -> Conversation[_Printed]:
        if self._options.mode == "listen":
            return self._listen(ear)
        return self._ask()

    def _ask(self) -> Conversation[_Printed]:
        """Send the request once; return the first line of the reply that has a value."""
        problem = "no line end"

        def find(heard: bytes) -> _Printed | None:
            nonlocal problem
            lines, rest = codec.split_lines(heard, self._line_end)
            after = len(rest)
            for line in lines:
                if codec.is_blank(line):
                    continue
                try:
                    value = self._form.decode(line)
                except codec.CodecError as error:
                    problem = str(error)
                    continue
                return self._printed(value, line, after)
            return None

        found, reply = yield from self._exchange(self._request, find, lambda one: one.raw)
        if found:
            return found
        raise self._failure(self._request, reply, problem, self._options.reply_within_s)

    def _listen(self, ear: _Ear) -> Conversation[_Printed]:
        """Return the newest line that has begun, and ended, since the ear was lent."""
        problem, last = "no line end", b""
        # Up to one interval may be left of the line under way, which is left out.
        allowed_s = 2 * self._options.interval_s + self._options.reply_within_s
        deadline_s = self._clock.elapsed_s() + allowed_s
        while True:
            data, now_s = self._line.read(), self._clock.elapsed_s()
            if data:
                ear.since_s = self._active_s = now_s
                if line := self._newest_line(ear, data):
                    try:
                        return self._printed(self._form.decode(line), line, len(ear.heard))
                    except codec.CodecError as error:
                        problem, last = str(error), line
            elif now_s >= ear.since_s + self._options.pause_within_s:
                ear.is_broken |= bool(ear.heard)
                ear.at_start, ear.heard = not ear.is_broken, b""
            if now_s >= deadline_s:
                raise self._failure(b"", last or ear.heard, problem, allowed_s)
            silent_s = ear.since_s + self._options.pause_within_s
            is_settled = ear.is_broken or (ear.at_start and not ear.heard)
            yield deadline_s if is_settled else min(deadline_s, silent_s)

    def _newest_line(self, ear: _Ear, data: bytes) -> bytes:
        """Return the last whole line in what was heard, if there is one; keep what follows it."""
        lines, ear.heard = codec.split_lines(ear.heard + data, self._line_end)
        is_headless = bool(lines) and not ear.at_start
        if lines:
            ear.at_start, ear.is_broken = True, False
        if is_headless:
            del lines[0]
        if len(ear.heard) > codec.LONGEST_LINE:
            ear.heard, ear.at_start, ear.is_broken = b"", False, True
        return next((line for line in reversed(lines) if not codec.is_blank(line)), b"")

    def _printed(self, value: float, line: bytes, after: int) -> _Printed:
        """Say when a line began, of which, and of what came after it, the last byte is here."""
        characters = len(line) + len(self._line_end) + after
        began_s = self._clock.elapsed_s() - characters * self._line.seconds_per_byte
        return _Printed(value, line + self._line_end, began_s)

    # -- who it is --------------------------------------------------------------------------

    def _identify(self) -> Conversation[str]:
        return self._bus.turn(self._talk, self._ask_identity())

    def _ask_identity(self) -> Conversation[str]:
        ear = self._lend_ear()
        if not self._options.identity_request:
            printed = yield from self._next_value(ear)
            text = printed.raw.removesuffix(self._line_end).decode("latin-1")
            return f"prints {text!r}; it has no name to ask for"
        request = codec.parse_bytes(self._options.identity_request)
        form = codec.compile_form(self._options.identity_pattern or ".*")

        def find(heard: bytes) -> str | None:
            for line in codec.split_lines(heard, self._line_end)[0]:
                text = line.decode("latin-1")
                if codec.is_blank(line) or not form.fullmatch(text) or not text.isprintable():
                    continue
                if self._options.identity_pattern or not self._has_value(line):
                    return text.strip()
            return None

        found, reply = yield from self._exchange(request, find)
        if found is None:
            problem = "no line that could be its name"
            raise self._failure(request, reply, problem, self._options.reply_within_s)
        return found

    def _has_value(self, line: bytes) -> bool:
        try:
            self._form.decode(line)
        except codec.CodecError:
            return False
        return True

    # -- the line ---------------------------------------------------------------------------

    def _lend_ear(self) -> _Ear:
        """Begin to listen; what had come and did not end is a line that may yet go on."""
        since_s = self._clock.elapsed_s()
        self.unasked = self._drain()
        is_broken = bool(self.unasked) and not self.unasked.endswith(self._line_end)
        return _Ear(since_s, is_broken=is_broken)

    def _drain(self) -> bytes:
        """Take off the line what had come before anybody asked."""
        drained = b""
        for _ in range(_DRAINS_AT_MOST):
            if not (data := self._line.read()):
                break
            drained += data
        return drained

    def _exchange(
        self,
        request: bytes,
        find: Callable[[bytes], Found | None],
        bytes_of: Callable[[Found], bytes] | None = None,
    ) -> Conversation[tuple[Found | None, bytes]]:
        """Send a request once; return what was found in the reply, and the reply."""
        # Replies carry no number: a late one would be taken for that to the next request, and
        # so would what comes right behind the last one.
        quiet_s = max(self._late_until_s, self._active_s + self._options.pause_within_s)
        last_s = max(quiet_s, self._clock.elapsed_s()) + self._options.reply_within_s
        while late := (yield from wait(self._clock, self._line, quiet_s)):
            self.unasked += late
            # Its rest would follow the request, and cut in front it might still have the form.
            quiet_s = self._clock.elapsed_s() + self._options.pause_within_s
            if quiet_s > last_s:
                break
        found, reply, _ = yield from self._collect(
            request,
            find,
            within_s=self._options.reply_within_s,
            lump_s=self._options.pause_within_s,
            longest=_LINES_AT_MOST * codec.LONGEST_LINE,
            bytes_of=bytes_of,
        )
        if found is None:
            self._late_until_s = self._clock.elapsed_s() + self._options.reply_within_s
        return found, reply

    def _failure(self, request: bytes, reply: bytes, problem: str, within_s: float) -> DriverError:
        asked = f" to {describe_bytes(request)}" if request else ""
        if not reply:
            return NoReply(
                self._device,
                f"no {'reply' if request else 'line'}{asked} in {within_s:g} s.",
                remedy="Check supply and cable, then 'baud', "
                + ("'request' and 'mode'" if request else "'interval_s' and 'mode'")
                + " in the rig profile.",
                request=request,
            )
        high = any(byte > 0x7F for byte in reply)
        return GarbledReply(
            self._device,
            f"not a valid {'reply' if request else 'line'}{asked}: {problem}. "
            f"Received {describe_bytes(reply, 60)}.",
            remedy="Characters beyond ASCII: check 'baud' and 'character_format' in the profile."
            if high
            else "Compare it with 'pattern' and 'line_end' in the rig profile; if they agree, "
            "check the cable for noise.",
            request=request,
            reply=reply,
        )
