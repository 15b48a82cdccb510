"""Tell somebody that a run has begun, is in trouble, or has ended.

How is said in ``notices.toml`` in the lab folder: by a command of the user's, by e-mail, by a
webhook, or several of them. Passwords and the webhook's address, which mostly is a secret too,
come from the environment; the file only names the variables, and nothing of it goes into a run
folder.

A notice is sent by a process of its own (`rig/notice_sender.py`), started and never waited for:
whatever hangs or fails there, the run does not notice. What came of it stands in ``notices.csv``.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

import attrs
from attrs import frozen

from analysis.durable import append
from analysis.lab_records import header
from drivers.clock import Clock
from rig.toml_faults import Fault
from rig.toml_keys import choice, file_format, number, text
from rig.toml_structure import read_sections

FILE: Final = "notices.toml"
LOG: Final = "notices.csv"
COLUMNS: Final = ("utc", "event", "way", "result", "subject")
FORMAT: Final = 1
#: A pipe takes so much at once, even if nobody reads it. [characters]
_LONGEST_TEXT: Final = 4000


@frozen(kw_only=True)
class Command:
    """Section ``[command]``: a program of the user's, which gets the notice on its input."""

    arguments: tuple[str, ...] = attrs.field(
        metadata={
            "unit": "",
            "doc": "Program and arguments; no shell. The text comes on its standard input, the "
            "event and the subject in EVENFALL_EVENT and EVENFALL_SUBJECT.",
            "allowed": 'give a list of texts, e.g. ["/usr/local/bin/tell-me"]',
            "example": ["/usr/local/bin/tell-me"],
        }
    )


@frozen(kw_only=True)
class Email:
    """Section ``[email]``: by SMTP."""

    host: str = text("Mail server.", example="mail.example.org", empty=False)
    port: int = number("1", "Its port.", default=587, at_least=1, at_most=65535, example=587)
    security: str = choice(
        "How the connection is kept private.", "starttls", "tls", "none", default="starttls"
    )
    sender: str = text("Address it comes from.", example="bench@example.org", empty=False)
    to: tuple[str, ...] = attrs.field(
        metadata={
            "unit": "",
            "doc": "Addresses it goes to.",
            "allowed": 'give a list of addresses, e.g. ["me@example.org"]',
            "example": ["me@example.org"],
        }
    )
    user: str = text("Name to sign in with; none if left out.", default="", example="bench")
    password_from: str = text(
        "Environment variable that holds the password.",
        default="",
        example="EVENFALL_SMTP_PASSWORD",
    )


@frozen(kw_only=True)
class Webhook:
    """Section ``[webhook]``: a JSON object posted to an address."""

    url_from: str = text(
        "Environment variable that holds the address.", example="EVENFALL_WEBHOOK", empty=False
    )


@frozen(kw_only=True)
class Ways:
    """The file: how notices are sent."""

    format: int = file_format(FORMAT)
    command: Command | None = attrs.field(
        default=None, metadata={"allowed": "give a section [command] with arguments"}
    )
    email: Email | None = attrs.field(
        default=None, metadata={"allowed": "give a section [email] with host, sender and to"}
    )
    webhook: Webhook | None = attrs.field(
        default=None, metadata={"allowed": "give a section [webhook] with url_from"}
    )


def read_ways(path: Path) -> Ways:
    """Read how notices are sent.

    Raises
    ------
    ConfigError
        With everything that is wrong with the file.
    """
    _, _, sections = read_sections(path, Ways, _faults)
    return Ways(**sections)


def _faults(sections: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterator[Fault]:
    command, email = sections.get("command"), sections.get("email")
    if command is not None and not command.arguments:
        yield Fault(("command", "arguments"), "is empty; give the program")
    if email is None:
        return
    if not email.to:
        yield Fault(("email", "to"), "is empty; give an address")
    for key, value in (("sender", email.sender), *(("to", one) for one in email.to)):
        if "@" not in value or any(letter in value for letter in "\r\n,"):
            yield Fault(("email", key), f"is {value!r}; give one address, e.g. me@example.org")
    if bool(email.user) != bool(email.password_from):
        yield Fault(("email", "password_from"), "and user belong together; give both or neither")
    if email.user and email.security == "none":
        yield Fault(
            ("email", "security"),
            'is "none", and there is a password: it would go over the network as it is; give '
            '"starttls" or "tls"',
        )


def missing_secrets(ways: Ways, environment: Mapping[str, str] = os.environ) -> list[str]:
    """List the environment variables that are named and not set."""
    named = [
        ways.email.password_from if ways.email is not None else "",
        ways.webhook.url_from if ways.webhook is not None else "",
    ]
    return [name for name in named if name and not environment.get(name)]


class Notices:
    """Sends notices for one lab.

    Parameters
    ----------
    lab : Path
    clock : Clock
    ways : Ways or None
        How; None sends nothing.
    """

    def __init__(self, lab: Path, clock: Clock, ways: Ways | None) -> None:
        self._lab = lab
        self._clock = clock
        self._ways = ways

    @classmethod
    def of_lab(cls, lab: Path, clock: Clock) -> Notices:
        """Return what sends notices as the lab's file says; nothing without one.

        Raises
        ------
        ConfigError
            The file is there and not sound.
        """
        path = Path(lab) / FILE
        return cls(Path(lab), clock, read_ways(path) if path.is_file() else None)

    @contextmanager
    def around(self, what: str) -> Iterator[None]:
        """Tell of the start of what is done inside, and of its end or what stopped it."""
        self.send("start", f"{what} has begun", f"{what} has begun.")
        try:
            yield
        except BaseException as fault:
            folder = getattr(fault, "folder", None)
            kept = "" if folder is None else f" Everything read until then is in {folder}."
            self.send("trouble", f"{what} was stopped", f"{_one_line(fault)}.{kept}")
            raise
        self.send("end", f"{what} is complete", f"{what} is complete.")

    def send(self, event: str, subject: str, text: str) -> None:
        """Have a notice sent, and do not wait; never raises what goes wrong with it.

        Parameters
        ----------
        event : str
            ``"start"``, ``"trouble"`` or ``"end"``.
        subject, text : str
            What to say.
        """
        if self._ways is None:
            return
        log = self._lab / LOG
        notice = {
            "event": event,
            "subject": f"Evenfall: {subject}",
            "text": text[:_LONGEST_TEXT],
            "utc": f"{self._clock.utc():%Y-%m-%dT%H:%M:%SZ}",
            "log": str(log.absolute()),
            "ways": attrs.asdict(self._ways),
        }
        with suppress(OSError):  # a full disk is what may have to be told
            if not log.exists():
                append(log, header(COLUMNS))
        try:
            sender = subprocess.Popen(
                [sys.executable, "-m", "rig.notice_sender"],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # it outlives us, and Ctrl-C is not for it
            )
            assert sender.stdin is not None
            with sender.stdin:
                sender.stdin.write(json.dumps(notice).encode())
        except OSError:
            return  # no process, no pipe: a run goes on without its notice


def _one_line(fault: BaseException) -> str:
    return " ".join(str(fault).split()).rstrip(".") or type(fault).__name__
