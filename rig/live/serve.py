"""Open the port for the live page and serve it until somebody says stop; nowhere else."""

from __future__ import annotations

import errno
import ipaddress
import socket
from collections.abc import Callable
from contextlib import suppress
from typing import Final

import uvicorn

from drivers.clock import SystemClock
from rig.live.app import make_app
from rig.live.gate import new_token
from rig.live.shelf import Shelf

EVERYWHERE: Final = ("0.0.0.0", "::")


def serve(shelf: Shelf, host: str, port: int, tell: Callable[[str], None]) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    shelf : Shelf
        What may be shown.
    host : str
        Address or name to listen on.
    port : int
        0 lets the system choose.
    tell : callable
        Handed a line for the terminal: where the page is.

    Raises
    ------
    OSError
        The port cannot be opened; `filename` says which.
    KeyboardInterrupt
        Somebody stopped it.
    """
    token = "" if is_this_computer(host) else new_token()
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listening = socket.create_server((host, port), family=family)
    except OSError as error:
        why = str(error.strerror).split(" (while", 1)[0]
        remedy = "give another --port" if error.errno == errno.EADDRINUSE else "see --host, --port"
        raise OSError(error.errno, f"{why}; {remedy}", f"{host}, port {port}") from None
    with listening:
        real_port = int(listening.getsockname()[1])
        tell(f"Live page: {_address(host, real_port)}{f'?token={token}' if token else ''}")
        if token:
            if host == "0.0.0.0" and (number := _in_the_network()):
                tell(f"The same by its number, which a phone always finds: "
                     f"{_address(number, real_port)}?token={token}")  # fmt: skip
            tell(
                "Whoever has this address can look, and only look. It goes through the network "
                "unencrypted: for a network of your own. Each start has a new token."
            )
        app = make_app(shelf, SystemClock(), token=token)
        # No log: nothing of an address, and so of the token, is written anywhere.
        config = uvicorn.Config(
            app,
            lifespan="off",
            access_log=False,
            log_config=None,
            log_level="critical",
            server_header=False,
            timeout_graceful_shutdown=1,
            ws="none",
        )
        uvicorn.Server(config).run(sockets=[listening])


def is_this_computer(host: str) -> bool:
    """Whether nobody but this computer can reach that address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _in_the_network() -> str:
    """Return this computer's address as the network sees it; empty where it is in none.

    Nothing is sent: the system only says by which of its addresses it would speak.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked, suppress(OSError):
        asked.connect(("192.0.2.1", 9))  # an address for examples (RFC 5737)
        return str(asked.getsockname()[0])
    return ""


def _address(host: str, port: int) -> str:
    if host in EVERYWHERE:
        host = socket.gethostname()
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
