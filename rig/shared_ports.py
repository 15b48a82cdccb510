"""A port has one owner, or several that take turns and can be told apart by address."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from drivers.registry import KINDS
from rig.toml_faults import Fault


def faults(instruments: Mapping[str, Any]) -> Iterator[Fault]:
    """Find instruments that cannot share their port.

    Parameters
    ----------
    instruments : mapping
        Name of the section to what is fitted, see `rig.profile.Fitted`.
    """
    owners: dict[str, list[tuple[str, Any]]] = {}
    for name, instrument in instruments.items():
        if KINDS[instrument.kind].by_hand:
            continue
        others = owners.setdefault(instrument.options.port, [])
        for other, owner in others:
            if fault := _clash(name, instrument, other, owner):
                yield fault
                break
        others.append((name, instrument))


def _clash(name: str, instrument: Any, other: str, owner: Any) -> Fault | None:
    """Say why two instruments cannot share their port, or None if they can."""
    kind, its = KINDS[instrument.kind], KINDS[owner.kind]
    options = instrument.options
    if not kind.bus or kind.bus != its.bus:
        return Fault(
            (name, "port"),
            f"is {options.port!r}, which {other} has already, and {kind.name} cannot share a "
            f"line with {its.name}; give each of them a port of its own",
        )
    mine, theirs = kind.line_settings(options), its.line_settings(owner.options)
    if mine != theirs:
        key = "baud" if mine.baud != theirs.baud else "character_format"
        return Fault(
            (name, key),
            f"makes it {mine.baud} baud {mine.character_format}, but {other} on the same port "
            f"has {theirs.baud} baud {theirs.character_format}; set both instruments, and both "
            "sections, alike",
        )
    if options.address == owner.options.address:
        return Fault(
            (name, "address"),
            f"is {options.address!r}, as that of {other} on the same port; give each instrument "
            "on a line an address of its own",
        )
    return None
