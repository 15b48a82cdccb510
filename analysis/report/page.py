"""What all pages of a report share: templates, style, moments, versions, the words explained."""

from __future__ import annotations

import platform
import re
from collections.abc import Sequence
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analysis.report import sentences, words
from analysis.results import RunSummary

_HERE: Final = Path(__file__).parent
_LIBRARIES: Final = ("evenfall", "jinja2", "matplotlib", "numpy", "pandas", "scipy")
# A number and its unit, and the parts of a unit, stay on one line.
_BREAKS: Final = re.compile(
    r"(?<=[\d⁻¹²]) (?=(?:mm|m|m⁻²|m²|W|V|A|%|min|h|s|s⁻¹|J⁻¹|d⁻¹|µmol|mol)(?:\W|$))"
    r"|(?<=mol) (?=[msJ][⁻²])|(?<=±) |(?<=\d) (?=[×±])|(?<=×) "
)


def fill(template: str, **what: Any) -> str:
    """Fill a template of this folder.

    Parameters
    ----------
    template : str
        Its name.
    what
        Names in it; one that is missing raises.
    """
    return _environment().get_template(template).render(**what)


@cache
def _environment() -> Environment:
    """The templates of this folder, read once."""
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_tight,
    )
    environment.filters["svg"] = Markup
    environment.globals["terms_in"] = words.terms_in
    environment.globals["style"] = Markup((_HERE / "report.css").read_text(encoding="utf-8"))
    return environment


def _tight(value: Any) -> Any:
    if isinstance(value, str) and not isinstance(value, Markup):
        return _BREAKS.sub("\u00a0", value)
    return value


def moment(text: str) -> str:
    """Write an ISO moment as people do; anything else stays as it was given."""
    found = re.fullmatch(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(?::[\d.]+)?(?:Z|\+00:00)?", text)
    return f"{found[1]} {found[2]} UTC" if found else text


def title(runs: Sequence[RunSummary]) -> str:
    """Name what a report is about."""
    return f"Light on the plane: {devices(runs)}"


def devices(runs: Sequence[RunSummary]) -> str:
    """List the devices of these runs, each once."""
    return sentences.listed(list(dict.fromkeys(sentences.device(run) for run in runs)))


def measured_with(runs: Sequence[RunSummary]) -> list[str]:
    """Say for each run which software recorded it."""
    said = []
    for run in runs:
        ours: Any = run.descriptor.get("evenfall", {})
        software = ours.get("software") if isinstance(ours, dict) else None
        if isinstance(software, dict) and software:
            text = ", ".join(f"{name} {version}" for name, version in sorted(software.items()))
            said.append(f"{run.run_name} was recorded with {text}.")
        else:
            said.append(f"{run.run_name} does not state the software that recorded it.")
    return said


def made_with() -> str:
    """Name the software that makes the page, with versions."""
    found = [f"python {platform.python_version()}"]
    found += [f"{name} {metadata.version(name)}" for name in _LIBRARIES]
    return ", ".join(found)
