"""Sends one notice, given as JSON on standard input: ``python -m rig.notice_sender``.

A process of its own, so that nothing of this can hold up a run. It ends by itself after a bounded
time, whatever a mail server, a web server or a user's command do, and leaves a line for each way
in the lab's ``notices.csv``. The one place that speaks SMTP and HTTP.
"""

from __future__ import annotations

import json
import os
import signal
import smtplib
import ssl
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from contextlib import suppress
from email.message import EmailMessage
from pathlib import Path
from typing import Any, Final

from analysis.durable import append
from analysis.lab_records import csv_line

#: Longest time for one way, and for one answer within it. [s]
WITHIN_S: Final = 60.0
ANSWER_WITHIN_S: Final = 20.0


def send(notice: Mapping[str, Any], *, within_s: float = WITHIN_S) -> dict[str, str]:
    """Send a notice by every way it names, all at once.

    Returns
    -------
    dict of str to str
        For each way ``"sent"``, or why not.
    """
    ways = {name: options for name, options in notice["ways"].items() if name in _WAYS and options}
    results = dict.fromkeys(ways, f"not sent: no end within {within_s:g} s")
    threads = []
    for name, options in ways.items():

        def carry(name: str = name, options: Mapping[str, Any] = options) -> None:
            try:
                _WAYS[name](options, notice)
                results[name] = "sent"
            except Exception as fault:  # whatever a server says or does not say
                results[name] = f"not sent: {_plain(fault)}"

        # Left behind where it hangs: the end of this process ends it.
        threads.append(threading.Thread(target=carry, daemon=True))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(within_s)
    return dict(results)


class NotSent(Exception):
    """A way of sending failed; the message is ours and holds no secret."""


def _plain(fault: Exception) -> str:
    """Tell a fault in one line; of texts that may quote an address or a password, nothing."""
    if isinstance(fault, NotSent):
        return str(fault)
    if isinstance(fault, urllib.error.HTTPError):
        return f"the server answered {fault.code}"
    if isinstance(fault, smtplib.SMTPResponseException):
        return f"the mail server answered {fault.smtp_code}"
    if isinstance(fault, urllib.error.URLError) and isinstance(fault.reason, Exception):
        return _plain(fault.reason)
    if isinstance(fault, OSError) and fault.strerror:
        return fault.strerror
    return type(fault).__name__


def _command(
    options: Mapping[str, Any],
    notice: Mapping[str, Any],
    answer_within_s: float = ANSWER_WITHIN_S,
) -> None:
    words = {"EVENFALL_EVENT": notice["event"], "EVENFALL_SUBJECT": notice["subject"]}
    program = subprocess.Popen(
        list(options["arguments"]),
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **words},
        start_new_session=True,
    )
    try:
        program.communicate(notice["text"].encode(), timeout=answer_within_s)
    except subprocess.TimeoutExpired:
        os.killpg(program.pid, signal.SIGKILL)  # whatever it has started, too
        raise NotSent(f"it had not ended after {answer_within_s:g} s, and was ended") from None
    if program.returncode:
        raise NotSent(f"it ended with {program.returncode}")


def _email(options: Mapping[str, Any], notice: Mapping[str, Any]) -> None:
    message = EmailMessage()
    message["Subject"] = " ".join(notice["subject"].split())
    message["From"] = options["sender"]
    message["To"] = ", ".join(options["to"])
    message.set_content(f"{notice['text']}\n\n{notice['utc']}\n")
    place = (options["host"], options["port"])
    context = ssl.create_default_context()
    server: smtplib.SMTP
    if options["security"] == "tls":
        server = smtplib.SMTP_SSL(*place, timeout=ANSWER_WITHIN_S, context=context)
    else:
        server = smtplib.SMTP(*place, timeout=ANSWER_WITHIN_S)
    with server:
        if options["security"] == "starttls":
            server.starttls(context=context)
        if options["user"]:
            server.login(options["user"], _secret(options["password_from"]))
        server.send_message(message)


def _webhook(options: Mapping[str, Any], notice: Mapping[str, Any]) -> None:
    address = _secret(options["url_from"])
    if not address.startswith(("https://", "http://")):
        raise NotSent("the address begins with neither https:// nor http://")
    content = {key: notice[key] for key in ("event", "subject", "text", "utc")}
    request = urllib.request.Request(
        address,
        data=json.dumps(content).encode(),
        headers={"Content-Type": "application/json"},
        method="POST",
    )
    with urllib.request.urlopen(request, timeout=ANSWER_WITHIN_S):
        pass  # anything but success has been raised


def _secret(name: str) -> str:
    value = os.environ.get(name, "")
    if not value:
        raise NotSent(f"the environment variable {name} is not set")
    return value


_WAYS: Final[dict[str, Callable[[Mapping[str, Any], Mapping[str, Any]], None]]] = {
    "command": _command,
    "email": _email,
    "webhook": _webhook,
}


def main() -> int:
    """Send what stands on standard input, and note what came of it."""
    notice = json.load(sys.stdin)
    results = send(notice)
    log = Path(notice["log"])
    with suppress(OSError):
        for way, result in results.items():
            cells = (notice["utc"], notice["event"], way, result, notice["subject"])
            append(log, csv_line(cells))
    sys.stdout.flush()
    os._exit(0)  # threads that hang are not waited for


if __name__ == "__main__":
    main()
