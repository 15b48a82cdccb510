"""The events of a run in plain words, for people who stand far from the bench."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

Event = Mapping[str, str]

_LONGEST: Final = 240
_NAMES: Final = {
    "light_sensor": "Light sensor",
    "monitor_sensor": "Monitor sensor",
    "power_meter": "Wattmeter",
    "thermometer": "Thermometer",
    "stage": "Stage",
    "lamp_relay": "Lamp relay",
}
#: What is being done from this event on.
DOING: Final[dict[str, str]] = {
    "run-begun": "Making ready",
    "run-resumed": "Making ready to go on",
    "identified": "Asking the instruments who they are",
    "homed": "The stage knows where it is",
    "dark-begun": "Dark reading",
    "lamp-lit": "The lamp is lit",
    "lamp-burned-on": "The lamp burned on",
    "warm-up-begun": "Warming up",
    "lamp-stable": "The lamp is stable",
    "warm-up-timeout": "The lamp was not stable in time",
    "quick-look": "Quick look",
    "map-begun": "Reading the map",
    "map-resumed": "Reading the map",
    "map-ended": "The map is read",
    "lamp-off": "The lamp is off",
}
_SAID: Final[dict[str, Callable[[Event], str]]] = {
    "run-begun": lambda event: f"Run begun: {event['detail'] or event['subject']}.",
    "run-resumed": lambda event: f"Gone on with the run, {event['detail']}.",
    "prompt": lambda event: f"Asked: {event['detail']}",
    "answer": lambda event: f"Answered: {event['detail']}.",
    "identified": lambda event: f"{_name(event)} answers.",
    "homed": lambda _: "The stage has homed.",
    "dark-begun": lambda _: "Dark reading begun.",
    "hung": lambda event: f"Hung: {event['subject']}, {event['detail']}.",
    "lamp-lit": lambda event: f"Lamp {event['subject']} is lit.",
    "lamp-off": lambda event: f"Lamp {event['subject']} is off.",
    "relay-closed": lambda _: "The relay has closed the lamp circuit.",
    "relay-opened": lambda _: "The relay has opened the lamp circuit.",
    "warm-up-begun": lambda event: (
        f"Warm-up begun; it ends when the lamp is stable (rule: {event['detail']})."
    ),
    "lamp-stable": lambda event: f"Lamp {event['subject']} is stable.",
    "quick-look": lambda _: "Quick look at a few points.",
    "map-begun": lambda event: f"Map begun, {event['detail']}.",
    "map-resumed": lambda event: f"Map gone on with, {event['detail']}.",
    "map-ended": lambda _: "Map read.",
    "reference-chosen": lambda event: f"Reference point: {event['subject']}.",
    "note": lambda event: f"Note: {event['detail']}.",
    "paused": lambda event: f"Paused: {event['detail']}",
    "pause-ended": lambda _: "Going on after the pause.",
    "fault": lambda event: f"{_name(event)}: a try failed. {event['detail']}",
    "retry": lambda event: f"{_name(event)}: another try failed. {event['detail']}",
    "reference-agrees": lambda event: f"The reference point agrees: {event['detail']}.",
    "reference-unlike": lambda event: f"The reference point does not agree: {event['detail']}.",
    "readings-doubted": lambda event: f"Not trusted, to be read again: {event['detail']}",
    "point-redo": lambda event: f"To be read again: {event['subject']}.",
    "point-back": lambda event: f"Back to {event['subject']}.",
    "point-skipped": lambda event: f"Left out: {event['subject']}. {event['detail']}.",
    "reference-replaced": lambda _: "The reference point is read again.",
    "typed-value": lambda event: f"Typed: {event['detail']}.",
    "lamp-burned-on": lambda event: f"Lamp {event['subject']} burned on meanwhile.",
    "warm-up-timeout": lambda event: f"Not stable in time: {event['detail']}.",
    "return-check": lambda event: f"Back at the first height: {event['detail']}.",
    "clock-stepped": lambda event: f"The computer's clock was set: {event['detail']}.",
    "torn-tail": lambda event: f"A row was cut off as it was written: {event['detail']}.",
    "run-ended": lambda _: "The run has ended.",
    "stopped": lambda event: f"Stopped: {event['detail']}",
}
#: Said to nobody: what was acknowledged stands in its own answer.
_UNTOLD: Final = frozenset({"caution-acknowledged"})


def said(event: Event) -> str:
    """Return what an event says to a person; empty for one that says nothing."""
    name = event["event"]
    if name in _UNTOLD:
        return ""
    if name == "prompt" and event["subject"] == "cautions":
        return "Asked to read the cautions and clear the test area."
    tell = _SAID.get(name)
    if tell is not None:
        return short(tell(event))
    parts = (name.replace("-", " "), event["subject"].replace("_", " "), event["detail"])
    return short(": ".join(part for part in parts if part))


def asked(event: Event) -> str:
    """Return what a person is asked for by a prompt, in short."""
    if event["subject"] == "cautions":
        return "Are the cautions read, and is the test area clear?"
    return short(event["detail"])


def short(text: str) -> str:
    """Return a text in one line that is not too long, with one full stop at most."""
    flat = " ".join(text.split())
    while flat.endswith(".."):
        flat = flat[:-1]
    return flat if len(flat) <= _LONGEST else flat[:_LONGEST].rsplit(" ", 1)[0] + " …"


def _name(event: Event) -> str:
    return _NAMES.get(event["subject"], event["subject"].replace("_", " ").capitalize() or "Run")
