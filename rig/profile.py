"""The rig profile: which instruments are fitted and how, read from ``rig.toml``.

Each instrument section names its ``kind``; the driver of that kind says which other keys the
section has (`drivers/registry.py`), so a new driver brings its own checks with it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import attrs
from attrs import frozen

from drivers.registry import KINDS
from rig.toml_faults import Fault, Faults, did_you_mean, either, make, read_sections, shown
from rig.toml_keys import file_format, text

FORMAT: Final = 1
BENCH: Final = "bench:"


@frozen
class Fitted:
    """One instrument of the rig.

    Attributes
    ----------
    kind : str
        Name of its kind, a key of `drivers.registry.KINDS`.
    options : object
        Its options, of the class that the kind names.
    """

    kind: str
    options: Any


@frozen(kw_only=True)
class BenchSection:
    """Section ``[bench]``: the virtual bench in this process."""

    scenario: str = text(
        "File of the scenario, from the folder of the profile.",
        example="bench.toml",
        empty=False,
    )


def _instrument(role: str, doc: str) -> dict[str, Any]:
    names = [kind.name for kind in KINDS.values() if kind.role == role]
    return {
        "doc": doc,
        "allowed": f"give a section with kind = {either(names)}",
        "structure": lambda raw: fitted(raw, role),
    }


@frozen(kw_only=True)
class Profile:
    """A rig profile that has passed every check.

    Attributes
    ----------
    light_sensor, power_meter, stage : Fitted
        The instruments that every rig has.
    monitor_sensor : Fitted or None
        A second light sensor, fixed for the whole session.
    bench : BenchSection or None
        Present where the instruments are those of the virtual bench.
    path : Path
        The file; names inside it are counted from its folder.
    text : bytes
        The file as it was read.
    raw : dict
        Its content as `tomllib` gives it.
    """

    format: int = file_format(FORMAT)
    name: str = text("Name of the rig.", default="", example="bench 1")
    bench: BenchSection | None = attrs.field(
        default=None, metadata={"allowed": "give a section [bench] with scenario"}
    )
    light_sensor: Fitted = attrs.field(
        metadata=_instrument("light_sensor", "The sensor that is carried to the points.")
    )
    monitor_sensor: Fitted | None = attrs.field(
        default=None,
        metadata=_instrument("light_sensor", "A second sensor, fixed for the whole session."),
    )
    power_meter: Fitted = attrs.field(
        metadata=_instrument("power_meter", "The meter of ballast and lamp.")
    )
    stage: Fitted = attrs.field(metadata=_instrument("stage", "What carries the sensor."))
    path: Path = attrs.field(metadata={"internal": True})
    text: bytes = attrs.field(repr=False, metadata={"internal": True})
    raw: dict[str, Any] = attrs.field(repr=False, metadata={"internal": True})

    @property
    def instruments(self) -> dict[str, Fitted]:
        """What is fitted, by the name of its section."""
        return {
            name: fitted
            for name in ("light_sensor", "monitor_sensor", "power_meter", "stage")
            if (fitted := getattr(self, name)) is not None
        }

    @property
    def scenario(self) -> Path | None:
        """File of the virtual bench's scenario, or None on a real rig."""
        return None if self.bench is None else self.path.parent / self.bench.scenario


def read_profile(path: Path) -> Profile:
    """Read and check a rig profile.

    Raises
    ------
    ConfigError
        With everything that is wrong with it.
    """
    path = Path(path)

    def check(sections: Mapping[str, Any], _raw: Mapping[str, Any]) -> Iterator[Fault]:
        yield from _bench_faults(sections, path.parent)
        yield from _port_faults(sections)

    data, raw, sections = read_sections(path, Profile, check)
    return Profile(**sections, path=path, text=data, raw=raw)


def fitted(raw: object, role: str) -> Fitted:
    """Turn an instrument section into its kind and options.

    Raises
    ------
    Faults
        Everything that is wrong with the section.
    """
    names = [kind.name for kind in KINDS.values() if kind.role == role]
    allowed = f"give {either(names)}"
    if not isinstance(raw, Mapping):
        raise Faults([Fault((), f"is {shown(raw)}; give a section with kind = {either(names)}")])
    if "kind" not in raw:
        raise Faults([Fault(("kind",), f"is missing; {allowed}")])
    name = raw["kind"]
    if name not in names:
        raise Faults([Fault(("kind",), f"is {shown(name)}; {allowed}{did_you_mean(name, names)}")])
    options = {key: value for key, value in raw.items() if key != "kind"}
    return Fitted(name, make(options, KINDS[name].options))


def _instruments(sections: Mapping[str, Any]) -> dict[str, Fitted]:
    return {name: item for name, item in sections.items() if isinstance(item, Fitted)}


def _bench_faults(sections: Mapping[str, Any], folder: Path) -> Iterator[Fault]:
    bench: BenchSection | None = sections.get("bench")
    for name, instrument in _instruments(sections).items():
        port = instrument.options.port
        if port.startswith(BENCH) and "bench" in sections and bench is None:
            yield Fault(
                (name, "port"),
                f"is {port!r}, on the virtual bench, but there is no section [bench]; add it "
                "with its scenario",
            )
        if port.startswith(BENCH) and port != BENCH + name:
            yield Fault(
                (name, "port"), f"is {port!r}; the virtual bench has it at {BENCH + name!r}"
            )
        if bench is not None and not port.startswith(BENCH):
            yield Fault(
                (name, "port"),
                f"is {port!r}, but section [bench] says that this is the virtual bench; give "
                f'"{BENCH}{name}", or leave [bench] out. Real and virtual instruments have '
                "different clocks.",
            )
    if bench is not None and not (folder / bench.scenario).is_file():
        yield Fault(
            ("bench", "scenario"),
            f"is {bench.scenario!r}, and {folder / bench.scenario} is not there; give a file, "
            "counted from the folder of the profile",
        )


def _port_faults(sections: Mapping[str, Any]) -> Iterator[Fault]:
    """One owner for each port: two conversations on one line would garble each other."""
    owners: dict[str, str] = {}
    for name, instrument in _instruments(sections).items():
        port = instrument.options.port
        if port in owners:
            yield Fault(
                (name, "port"),
                f"is {port!r}, which {owners[port]} has already; give each instrument a port of "
                "its own",
            )
        owners.setdefault(port, name)
