"""What is wrong with a file that a person wrote: every fault at once, with its place.

A message says where, what was received, what is allowed and what was perhaps meant::

    3 problems in rig.toml:
      light_sensor.adress is not a known key; did you mean 'address'?
      power_meter.baud is true; give a whole number from 300 to 1000000
      stage.port is missing; give some text in quotes
"""

from __future__ import annotations

import datetime
import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import attrs
from attrs import frozen

SHOWN_PROBLEMS: Final = 40  # more than this is a wrong file, not a file with mistakes


class ConfigError(Exception):
    """A file that a person wrote cannot be used as it is.

    Parameters
    ----------
    file : str
        The file as the user named it.
    problems : sequence of str
        Each a whole line: where, what was received, what is allowed.
    """

    def __init__(self, file: str, problems: Sequence[str]) -> None:
        self.file = file
        self.problems = tuple(problems)
        super().__init__(self._text())

    def __reduce__(self) -> tuple[type[ConfigError], tuple[str, tuple[str, ...]]]:
        """Let it cross from one process to another, as from the demo's runs."""
        return type(self), (self.file, self.problems)

    def _text(self) -> str:
        if len(self.problems) == 1:
            return f"{self.file}: {self.problems[0]}"
        lines = [f"{len(self.problems)} problems in {self.file}:"]
        lines += [f"  {problem}" for problem in self.problems[:SHOWN_PROBLEMS]]
        if (unseen := len(self.problems) - SHOWN_PROBLEMS) > 0:
            lines.append(f"  and {unseen} more")
        return "\n".join(lines)


@frozen
class Fault:
    """One thing that is wrong: where, and the rest of the sentence."""

    path: tuple[str | int, ...]
    text: str

    def within(self, *outer: str | int) -> Fault:
        """Return the same fault seen from further out."""
        return attrs.evolve(self, path=(*outer, *self.path))

    def __str__(self) -> str:
        return f"{_place(self.path)} {self.text}".strip()


class Faults(Exception):
    """Everything that is wrong with one value."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(str(fault) for fault in self.faults))


class NotAllowed(ValueError):
    """A validator's word: the value is not one of those allowed.

    Parameters
    ----------
    allowed : str
        What is allowed instead, as an instruction.
    paths : sequence of path
        Where inside the value; by default the value as a whole.
    """

    def __init__(self, allowed: str, paths: Sequence[tuple[int, ...]] = ((),)) -> None:
        self.allowed = allowed
        self.paths = tuple(paths)
        super().__init__(allowed)


def _place(path: tuple[str | int, ...]) -> str:
    text = ""
    after_entry = False
    for step in path:
        if isinstance(step, int):
            text += f", entry {step + 1}" if not after_entry else f".{step + 1}"
        elif after_entry:
            text += f": {step}"
        else:
            text += f".{step}" if text else step
        after_entry = isinstance(step, int)
    return text


def needs_folder(out: Path) -> None:
    """Refuse a file in the place of a folder to write into.

    Raises
    ------
    ConfigError
        It is there and no folder.
    """
    if out.exists() and not out.is_dir():
        raise ConfigError(f"--out {out}", ["is a file; give a folder, new or there already"])


def shown(value: object) -> str:
    """Show a value as the file has it: ``true`` for True, a table as what it is."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    else:
        text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…" + text[-1]


def either(words: Sequence[str]) -> str:
    """Write ``"a", "b" or "c"``."""
    quoted = [f'"{word}"' for word in words]
    return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + f" or {quoted[-1]}"


def did_you_mean(value: object, words: Iterable[str]) -> str:
    """Write ``; did you mean 'x'?`` where a word is near, else nothing."""
    lower = {word.lower(): word for word in words}
    found = difflib.get_close_matches(str(value).lower(), lower, n=1, cutoff=0.6)
    return f"; did you mean '{lower[found[0]]}'?" if found else ""


def read_toml(path: Path) -> tuple[bytes, dict[str, Any]]:
    """Read a TOML file; return its bytes as they are and its content.

    Raises
    ------
    ConfigError
        The file is not there, cannot be read, is not UTF-8 or is not TOML; with line and
        column where there is one.
    """
    file = str(path)
    try:
        data = Path(path).read_bytes()
    except FileNotFoundError:
        raise ConfigError(file, ["the file is not there. Check the path."]) from None
    except OSError as error:
        what = (
            "give a file"
            if isinstance(error, IsADirectoryError)
            else "see to that, or give another"
        )
        raise ConfigError(file, [f"cannot be read: {error.strerror}; {what}"]) from None
    try:
        # Editors on some systems begin a file with a byte-order mark; TOML knows none.
        content = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problem = f"line {line}: not UTF-8 text (byte 0x{data[error.start]:02X}). Save it as UTF-8."
        raise ConfigError(file, [problem]) from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file, [_syntax(str(error), data)]) from None
    return data, content


def _syntax(message: str, data: bytes) -> str:
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    if not found:
        return f"not valid TOML: {message}."
    what = message[: found.start()]
    lines = data.decode("utf-8-sig").splitlines()
    if found[1] is None:
        return f"line {len(lines)}, at the end of the file: not valid TOML: {what}."
    line = lines[int(found[1]) - 1] if int(found[1]) <= len(lines) else ""
    return f"line {found[1]}, column {found[2]}: not valid TOML: {what}, in {shown(line)}."
