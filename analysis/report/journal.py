"""The journal that a person reads first in the morning: what happened, when, what it means.

Made of the events of a run alone. What went as planned is one sentence; a line stands for each
thing that did not, with what it does to the data. All events stand further down in the report.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from attrs import frozen

from analysis.interruptions import DOUBTED, REPLACED
from analysis.results import RunSummary

Event = Mapping[str, Any]

#: More lines than this are counted, not shown; all events stand further down.
MOST_LINES: Final = 12
_LONGEST: Final = 220
_TRIES: Final = ("fault", "retry")
_FAILED: Final = {
    "stage": "Nobody knew then where it stood; it homes before it moves again.",
    "lamp_relay": "The relay opens by itself if nobody can speak to it.",
    "": "",
}
_FAILED_READING: Final = (
    "Tried again; failed tries are on record without a value and are in no result."
)


@frozen
class Line:
    """One thing out of the ordinary.

    Attributes
    ----------
    when : str
        Time of day, UTC; with the day where that is not the first.
    what : str
        What happened.
    means : str
        What it means for the data; empty where nothing is to be said.
    """

    when: str
    what: str
    means: str = ""


@frozen(kw_only=True)
class Journal:
    """What a run came to, and what was out of the ordinary.

    Attributes
    ----------
    headline : str
        How it ended, when, and what was measured.
    lines : tuple of Line
        In the order of time.
    further : int
        How many more there were.
    is_watched : bool
        Whether the program was there while it was measured; if not, nothing can be said of it.
    """

    headline: str
    lines: tuple[Line, ...]
    further: int = 0
    is_watched: bool = True


def journal(run: RunSummary) -> Journal | None:
    """Sum up the events of a run; None without the event that begins it."""
    began = next((one for one in run.events if one["event"] == "run-begun"), None)
    if began is None:
        return None
    if "entered" in run.plan:
        return Journal(headline=_entered(run, began), lines=(), is_watched=False)
    clock = _Times(run.events)
    lines = unusual(run.events)
    if run.events[-1]["event"] == "stopped":
        lines = lines[:-1]  # the headline has it
    return Journal(
        headline=_headline(run, clock),
        lines=lines[:MOST_LINES],
        further=max(0, len(lines) - MOST_LINES),
    )


def unusual(events: Sequence[Event]) -> tuple[Line, ...]:
    """Return a line for each event, or group of tries, that did not go as planned.

    Parameters
    ----------
    events : sequence of mapping
        Of one run, in the order of time.
    """
    return tuple(_lines(events, _Times(events))) if events else ()


class _Times:
    """Times of day as they were recorded, and lengths by the time that does not jump."""

    def __init__(self, events: Sequence[Event]) -> None:
        self._first = _moment(events[0])
        self.length = _length(float(events[-1]["elapsed_s"]) - float(events[0]["elapsed_s"]))
        self.began = f"{self._first:%Y-%m-%d %H:%M}"
        self.ended = self.of(events[-1])

    def of(self, event: Event) -> str:
        moment = _moment(event)
        if moment.date() == self._first.date():
            return f"{moment:%H:%M}"
        return f"{moment.day} {moment:%b %H:%M}"


def _headline(run: RunSummary, clock: _Times) -> str:
    last = [one for one in run.events if one["event"] in ("run-ended", "stopped")][-1:]
    later = [one for one in run.events if one["event"] == "run-resumed"]
    still_open = not last or (later and later[-1]["elapsed_s"] > last[0]["elapsed_s"])
    if still_open:
        how = "Ended without a word (killed, or power cut)"
    elif last[0]["event"] == "run-ended":
        how = "Complete" if run.is_complete else "Ended, not complete"
    else:
        how = "Stopped"
    read = _read(run)
    if how == "Stopped":
        why = _short(last[0]["detail"])
        return (
            f"{how} at {clock.ended} UTC, {clock.length} after it began ({clock.began}): {why}. "
            f"{read}"
        )
    return f"{how}: {clock.began} to {clock.ended} UTC, {clock.length}. {read}"


def _entered(run: RunSummary, began: Event) -> str:
    """Say of a table that was entered by hand when that was, and what nobody wrote down."""
    held = run.plan["entered"]
    day = held.get("measured_on")
    measured = f"measured on {day}" if day else "measured on a day that is not stated"
    table = held.get("table")
    return (
        f"Entered by hand on {_moment(began):%Y-%m-%d %H:%M} UTC"
        + (f" from the table {table}" if table else "")
        + f", {measured}. When each point was read, how the lamp was, and what happened "
        f"meanwhile is not on record. {_read(run)}"
    )


def _read(run: RunSummary) -> str:
    if not run.maps:
        return "No map was read; what was read until then is kept."
    partial = [one for one in run.maps if not one.is_complete]
    count = f"{len(run.maps)} map{'s' if len(run.maps) != 1 else ''}"
    if not partial:
        return f"{count} read, every point of {'them' if len(run.maps) != 1 else 'it'}."
    told = "; ".join(f"{one.label}: {one.n_used} of {one.n_expected} points" for one in partial)
    return f"{count} begun; not all read: {told}. What was read is kept."


def _lines(events: Sequence[Event], clock: _Times) -> Iterator[Line]:
    """Tell of each thing out of the ordinary; tries of one instrument in a row are one thing."""
    lightings = 0
    is_hung_anew = False
    at = 0
    while at < len(events):
        event = events[at]
        name = str(event["event"])
        if name in _TRIES:
            end = at
            while end < len(events) and events[end]["event"] in _TRIES:
                end += 1
            yield from _failed(events[at:end], clock)
            at = end
            continue
        if name == "paused":
            yield Line(clock.of(event), *_pause(events, at))
        elif name == "hung":
            is_hung_anew = True
        elif name == "lamp-lit":
            lightings += 1
            expected, is_hung_anew = lightings == 1 or is_hung_anew, False
            if not expected:
                yield Line(
                    clock.of(event),
                    "The lamp was lit again.",
                    "Another warm-up came before the next point; see its curve.",
                )
        elif name == "answer" and event["subject"] == "suspect":
            if told := _SUSPECT.get(str(event["detail"])):
                yield Line(clock.of(event), *told)
        elif told_of := _TOLD.get(name):
            yield Line(clock.of(event), *told_of(event))
        at += 1


def _failed(tries: Sequence[Event], clock: _Times) -> Iterator[Line]:
    """Tell of failed tries between two other events, those of one instrument together."""
    for subject in dict.fromkeys(str(event["subject"]) for event in tries):
        own = [event for event in tries if event["subject"] == subject]
        name = _words(subject)
        first = _without(name, _short(own[0]["detail"]))
        if len(own) == 1:
            what = f"a try failed ({first})"
        elif clock.of(own[0]) == clock.of(own[-1]):
            what = f"{len(own)} tries failed (the first: {first})"
        else:
            what = f"{len(own)} tries failed until {clock.of(own[-1])} (the first: {first})"
        yield Line(
            clock.of(own[0]),
            f"{name[:1].upper()}{name[1:]}: {what}." if name else f"Trouble: {first}.",
            _FAILED.get(subject, _FAILED_READING),
        )


def _without(name: str, detail: str) -> str:
    """Take the name off the head of a message that begins with it."""
    if name and detail.lower().startswith(name):
        return detail[len(name) :].lstrip(" ,:")
    return detail


def _pause(events: Sequence[Event], at: int) -> tuple[str, str]:
    began = events[at]
    why = _short(began["detail"])
    for event in events[at + 1 :]:
        if event["event"] == "pause-ended":
            lasted = _length(float(event["elapsed_s"]) - float(began["elapsed_s"]))
            if began["subject"] == "operator":
                return (
                    f"Paused by the operator for {lasted}.",
                    "After it the reference point was read before any other.",
                )
            return (
                f"Paused for {lasted}: {why}.",
                "No point was read meanwhile. After it the stage homed and the reference point "
                "was read before any other.",
            )
        if event["event"] in ("stopped", "run-resumed"):
            break
    return f"Paused: {why}.", "The pause did not end by itself."


def _resumed(event: Event) -> tuple[str, str]:
    return (
        f"Gone on with, {_short(event['detail'])}.",
        "Points read before stand; the missing ones were read after homing, a steady lamp and a "
        "look at the reference point.",
    )


def _unlike(event: Event) -> tuple[str, str]:
    return (
        f"The reference point did not agree after the interruption: {_short(event['detail'])}.",
        "What was read before and after is joined by the drift correction alone: judge the map "
        "by its drift.",
    )


_SUSPECT: Final = {
    "re-read": (
        "Points whose samples disagreed were read again.",
        "The later reading counts; the earlier one stays on record.",
    ),
    "keep": ("Points whose samples disagreed were kept as they were.", "Their noise is larger."),
}
_TOLD: Final[dict[str, Callable[[Event], tuple[str, str]]]] = {
    "unattended": lambda event: (
        f"Run with nobody there: {_short(event['detail'])}"
        + (f", by {event['subject']}." if event["subject"] else "."),
        "Nobody saw the bench; look at it before you rely on the figures.",
    ),
    "dark-skipped": lambda event: (
        f"No dark reading: {_short(event['detail']) or 'no reason given'}.",
        "Nothing was subtracted: other light in the room counts as the lamp's.",
    ),
    "warm-up-timeout": lambda _event: (
        "The longest wait passed before the lamp was stable.",
        "It may have gone on settling while points were read: see the drift of each map.",
    ),
    "reference-agrees": lambda event: (
        f"The reference point agrees after the interruption: {_short(event['detail'])}.",
        "What was read before and after belongs together.",
    ),
    "reference-unlike": _unlike,
    "run-resumed": _resumed,
    DOUBTED: lambda event: (
        f"Put in doubt what was read since the last good reference: {_short(event['detail'])}.",
        "Those readings are on record and in no result; their points were read again where the "
        "run went on.",
    ),
    REPLACED: lambda _event: (
        "The reference point was read again at once.",
        "The reading before stays on record and counts no more.",
    ),
    "point-redo": lambda event: (
        f"{_capital(event['subject'])} was read again.",
        "The later reading counts; the earlier one stays on record.",
    ),
    "point-skipped": lambda event: (
        f"{_capital(event['subject'])} was left out: {_short(event['detail'])}.",
        "Unless it was read later it is missing in the map.",
    ),
    "typed-value": lambda event: (
        f"A typed number was asked about: {_short(event['detail'])}.",
        "The last word was the person's, and counts.",
    ),
    "return-check": lambda event: (
        f"Back at the first height at the end: {_short(event['detail'])}.",
        "Shows how far lamp, walls and sensor stayed the same over the run.",
    ),
    "clock-stepped": lambda event: (
        f"The computer's clock was set: {_short(event['detail'])}.",
        "Order and intervals are right; only times of day before and after do not join.",
    ),
    "torn-tail": lambda event: (
        f"A row was cut off as it was written: {_short(event['detail'])}.",
        "It had not been acknowledged; what is left of it is kept aside.",
    ),
    "stopped": lambda event: (
        f"Stopped: {_short(event['detail'])}.",
        "What was read until then is kept and counted as far as it goes.",
    ),
}


def _short(text: object) -> str:
    """Return a detail in one line, without its full stop."""
    flat = " ".join(str(text).split()).rstrip(".")
    return flat if len(flat) <= _LONGEST else flat[:_LONGEST].rsplit(" ", 1)[0] + " …"


def _capital(subject: object) -> str:
    text = str(subject)
    return text[:1].upper() + text[1:]


def _words(subject: object) -> str:
    return str(subject or "").replace("_", " ")


def _moment(event: Event) -> datetime:
    return datetime.fromisoformat(str(event["utc"]))


def _length(seconds: float) -> str:
    minutes = round(seconds / 60)
    if minutes < 1:
        return f"{seconds:.0f} s"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"
