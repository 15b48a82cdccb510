"""Write a plan or a profile with an explanation at every key, whole or not at all."""

from __future__ import annotations

import errno
import inspect
import json
import math
import os
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Any, Final

import attrs

from drivers.registry import KINDS
from rig.new_answers import bare_type, field_of
from rig.profile import Fitted
from rig.profile_reference import rows_of
from rig.toml_faults import ConfigError
from rig.toml_structure import is_key

_WIDTH: Final = 92
_NO_LINKS: Final = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS)


def render(raw: Mapping[str, Any], cls: type, head: Sequence[str]) -> str:
    """Write the content of a file, every key of its class explained.

    Keys that `raw` holds stand there; the others stand as comments, with their default.

    Parameters
    ----------
    raw : mapping
        Content as TOML has it.
    cls : type
        `rig.plan.Plan` or `rig.profile.Profile`.
    head : sequence of str
        First lines, without their number signs.
    """
    lines = [f"# {line}".rstrip() for line in head]
    sections = []
    for field in attrs.fields(cls):
        if not is_key(field) or field.name == "entered":
            continue
        kind = bare_type(field_of(cls, field.name))
        if "unit" in field.metadata:
            lines += _key(field, raw)
        elif "structure" in field.metadata and field.name not in raw:
            sections += ["", *_comment(f"No [{field.name}]: {field.metadata['doc']}")]
        else:
            # Where a section may be empty its head stands, so that a key can be put in force alone.
            empty: dict[str, Any] | None = None if field.default is None else {}
            sections += _section(field.name, kind, raw.get(field.name, empty))
    return "\n".join([*lines, *sections]) + "\n"


def _section(name: str, kind: type, content: Mapping[str, Any] | None) -> Iterator[str]:
    yield ""
    told: Mapping[str, Any] = content or {}
    fitted = KINDS.get(told.get("kind", "")) if kind is Fitted else None
    options = fitted.options if fitted else kind
    first = inspect.cleandoc(options.__doc__ or "").split("\n\n")[0].replace("\n", " ")
    yield from _comment(first.replace("``", "").removeprefix(f"Section [{name}]: "))
    yield f"[{name}]" if content is not None else f"# [{name}]"
    if fitted:
        yield f"kind = {toml(told['kind'])}"
    rows: list[str] = []
    for field in attrs.fields(options):
        inner = rows_of(options, field.name) if is_key(field) else []
        if not inner:
            if is_key(field):
                yield from _key(field, told)
        elif isinstance(told.get(field.name), list):
            for row in told[field.name]:
                rows += ["", f"[[{name}.{field.name}]]"]
                for item in attrs.fields(inner[0]):
                    rows += _key(item, row)
    yield from rows


def _key(field: attrs.Attribute[Any], told: Mapping[str, Any]) -> Iterator[str]:
    unit = field.metadata.get("unit", "")
    doc = field.metadata["doc"] + (f" [{unit}]" if unit not in ("", "1") else "")
    if field.name in told:
        yield from _comment(doc)
        yield f"{field.name} = {toml(told[field.name])}"
        return
    default = getattr(field.default, "factory", lambda: field.default)()
    if default in (None, "", (), attrs.NOTHING) or default != default:
        yield from _comment(f"{field.name}, not stated: {doc}")
    else:
        yield from _comment(f"{doc} Taken if left out:")
        yield f"# {field.name} = {toml(default)}"


def _comment(text: str) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent="# ",
        subsequent_indent="# ",
        break_on_hyphens=False,
        break_long_words=False,
    )


def toml(value: Any) -> str:
    """Write a value as TOML has it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value.isoformat() if isinstance(value, date) else repr(value)


def write_files(files: Mapping[Path, tuple[str, Callable[[Path], object]]]) -> None:
    """Write files that are not there yet: all of them, each judged first, or none.

    Parameters
    ----------
    files : mapping
        For each file its text, and what reads and judges it.

    Raises
    ------
    ConfigError
        A file is there already, or is not accepted by its reader. Nothing was written.
    OSError
        It could not be written.
    """
    with ExitStack() as at_the_end:
        ready: dict[Path, Path] = {}
        for file, (text, judge) in files.items():
            file.parent.mkdir(parents=True, exist_ok=True)
            draft = file.with_name(f".{file.stem}.{os.getpid()}.new{file.suffix}")
            at_the_end.callback(draft.unlink, missing_ok=True)
            with draft.open("w", encoding="utf-8") as writer:
                writer.write(text)
                writer.flush()
                os.fsync(writer.fileno())
            try:
                judge(draft)
            except ConfigError as error:
                raise ConfigError(str(file), error.problems) from None
            ready[file] = draft
        with ExitStack() as on_failure:
            for file, draft in ready.items():
                _put(draft, file)
                on_failure.callback(file.unlink, missing_ok=True)
            on_failure.pop_all()


def _put(draft: Path, file: Path) -> None:
    """Give a finished file its name, unless that name is taken."""
    try:
        os.link(draft, file)
    except FileExistsError:
        raise there_already(file) from None
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        try:
            with file.open("x", encoding="utf-8") as writer:  # a file system without links
                writer.write(draft.read_text(encoding="utf-8"))
        except FileExistsError:
            raise there_already(file) from None


def there_already(file: Path) -> ConfigError:
    """Say that a file is kept as it is."""
    return ConfigError(
        str(file),
        [
            "is there already and is kept as it is; give another folder with --out, or make only "
            'the other file with --only "plan" or --only "rig"'
        ],
    )
