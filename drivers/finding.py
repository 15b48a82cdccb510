"""Which serial ports there are, by which names they last, and who stands in the way of one.

Nothing here opens a port: it is all read from the names and the process table that the system
keeps. Tested with: pseudo-terminals and made-up process tables; the names under /dev/serial/
follow the rules that come with the device manager of Linux (from memory).
"""

from __future__ import annotations

import grp
import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

from attrs import frozen
from serial.tools import list_ports

NAMES: Final = Path("/dev/serial")
PROC: Final = Path("/proc")
#: Folders of lasting names, the better one first: by who the adapter is, by where it is plugged.
LASTING: Final = ("by-id", "by-path")


@frozen
class Grabber:
    """A service of the operating system that opens serial ports by itself.

    Attributes
    ----------
    process : str
        Its name in the process table.
    does : str
        What it is there for.
    remedy : str
        How to keep it away.
    """

    process: str
    does: str
    remedy: str


#: Services known to take ports, from memory; each belongs to common desktop systems.
GRABBERS: Final = (
    Grabber(
        "ModemManager",
        "modem manager: it tries new ports for a telephone modem",
        "sudo systemctl disable --now ModemManager (hardware/computer.md has a gentler way).",
    ),
    Grabber(
        "brltty",
        "braille display daemon: it takes adapters that some displays share",
        "sudo systemctl disable --now brltty-udev brltty, where nobody needs it.",
    ),
    Grabber(
        "gpsd",
        "satellite receiver daemon: it takes serial adapters for receivers",
        "sudo systemctl disable --now gpsd.socket gpsd.",
    ),
)


@frozen(kw_only=True)
class FoundPort:
    """A serial port of this computer.

    Attributes
    ----------
    device : str
        Its name of today, e.g. ``/dev/ttyUSB0``; another one after replugging.
    names : tuple of str
        Its lasting names, the best one first.
    says : str
        What the adapter says of itself, not the instrument behind it.
    """

    device: str
    names: tuple[str, ...] = ()
    says: str = ""

    @property
    def name(self) -> str:
        """The name to put into a profile."""
        return self.names[0] if self.names else self.device


@frozen
class Holder:
    """A program that has a port open."""

    pid: int
    process: str

    @property
    def grabber(self) -> Grabber | None:
        """The known service that it is, if it is one."""
        return next((one for one in GRABBERS if one.process == self.process), None)


@frozen
class Trouble:
    """Why a port cannot be used, and what to do about it."""

    problem: str
    remedy: str


def serial_ports(names: Path = NAMES) -> tuple[FoundPort, ...]:
    """Return the serial ports present, in the order of their names of today."""
    lasting = _lasting_names(names)
    return tuple(
        FoundPort(
            device=port.device,
            names=lasting.get(os.path.realpath(port.device), ()),
            says=_says(port.description, port.manufacturer, port.serial_number),
        )
        for port in sorted(list_ports.comports(), key=lambda port: port.device)
    )


def same_port(one: str, other: str) -> bool:
    """Say whether two names lead to the same device."""
    return os.path.realpath(one) == os.path.realpath(other)


def trouble_with(port: str, proc: Path = PROC) -> Trouble | None:
    """Say what keeps us from opening a port, as far as can be seen without opening it.

    Parameters
    ----------
    port : str
        A device file.
    proc : Path
        The process table.

    Returns
    -------
    Trouble or None
        Missing, not a serial port, no permission, or open in another program.
    """
    try:
        status = os.stat(port)
    except OSError:
        return Trouble("is not there.", _missing_remedy(port))
    if not stat.S_ISCHR(status.st_mode):
        return Trouble("is not a serial port.", "Correct 'port' in the profile.")
    if not os.access(port, os.R_OK | os.W_OK):
        return Trouble("may not be opened by you.", _permission_remedy(status.st_gid))
    if found := list(holders(port, proc)):
        return busy(found)
    return None


def busy(found: Iterable[Holder]) -> Trouble:
    """Say who holds a port, and how to make them let go."""
    found = list(found)
    if not found:
        return Trouble(
            "is in use by a program that is not yours to see.",
            "'sudo fuser -v PORT' names it. Close it.",
        )
    named = ", ".join(f"{holder.process} (process {holder.pid})" for holder in found)
    for holder in found:
        if holder.grabber is not None:
            return Trouble(f"is in use by {named}, a {holder.grabber.does}.", holder.grabber.remedy)
    return Trouble(
        f"is in use by {named}.",
        "Close it: two programs on one port each get a part of the bytes.",
    )


def holders(port: str, proc: Path = PROC) -> Iterator[Holder]:
    """Find the programs that have a port open, as far as we may look; ourselves left out."""
    device = os.path.realpath(port)
    for folder in _processes(proc):
        if folder.name == str(os.getpid()):
            continue
        # A process that ends meanwhile, or belongs to another user, is passed over.
        with suppress(OSError):
            if any(_leads_to(link, device) for link in (folder / "fd").iterdir()):
                yield Holder(int(folder.name), _process_name(folder))


def running_grabbers(proc: Path = PROC) -> tuple[Grabber, ...]:
    """Return the known services that run, whether they hold a port now or not."""
    running = set()
    for folder in _processes(proc):
        with suppress(OSError):
            running.add(_process_name(folder))
    return tuple(one for one in GRABBERS if one.process in running)


def _lasting_names(names: Path) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for folder in LASTING:
        with suppress(OSError):  # No adapter has been plugged in yet.
            for link in sorted((names / folder).iterdir()):
                device = os.path.realpath(link)
                found[device] = (*found.get(device, ()), str(link))
    return found


def _says(*words: str | None) -> str:
    told: list[str] = []
    for word in words:
        if word and word != "n/a" and not any(word in one for one in told):
            told.append(word)
    return ", ".join(told)


def _missing_remedy(port: str) -> str:
    present = ", ".join(found.name for found in serial_ports()) or "none"
    return (
        f"Check plug and supply of the adapter, or correct 'port'. Serial ports present: {present}."
    )


def _permission_remedy(group_id: int) -> str:
    try:
        owners = grp.getgrgid(group_id)
    except KeyError:
        return f"Ask for membership in group {group_id}, which owns it, and sign in again."
    user = os.environ.get("USER", "")
    if user and user in owners.gr_mem:
        return f"You are in group {owners.gr_name}, but signed in before: sign in again."
    if owners.gr_name == "root":
        return (
            "It belongs to root alone: add a rule for its group, as in hardware/computer.md, "
            "and plug it in again."
        )
    return f"sudo usermod -aG {owners.gr_name} $USER, then sign in again."


def _processes(proc: Path) -> list[Path]:
    try:
        return sorted(
            (folder for folder in proc.iterdir() if folder.name.isdigit()),
            key=lambda folder: int(folder.name),
        )
    except OSError:
        return []


def _process_name(folder: Path) -> str:
    return (folder / "comm").read_text(encoding="utf-8", errors="replace").strip()


def _leads_to(link: Path, device: str) -> bool:
    try:
        return os.readlink(link) == device
    except OSError:
        return False
