"""The drawings of a page as files of their own, taken from the page as they are."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from analysis.figures.style import standing_alone
from analysis.lab_folder import slug
from analysis.replicates import replicate_words
from analysis.report.findings import Findings
from analysis.report.sentences import height
from analysis.results import MapSummary

_DRAWN: Final = re.compile(r'<svg [^>]*data-figure="([^"]+)".*?</svg>', re.DOTALL)
_OF_A_RUN: Final = {
    "w": "warm-up",
    "p": "wall-power",
    "d": "drift",
    "h": "mounting-height",
    "b": "uncertainty",
    "v": "cost",
}


def map_stem(found: Findings, at: int, map_: MapSummary) -> str:
    """Return the name, without its ending, of a picture of a map of the run at this place."""
    which = f"{map_.installation}-{slug(height(map_) + replicate_words(map_.replicate))}"
    return f"{run_stem(found, at)}-{which}"


def run_stem(found: Findings, at: int) -> str:
    """Return what the names of all pictures of the run at this place begin with."""
    names = [slug(run.device) for run in found.runs]
    again = f"-run-{names[: at + 1].count(names[at])}" if names.count(names[at]) > 1 else ""
    return f"{names[at]}{again}"


def keep_drawings(found: Findings, report: Path, figures: Path) -> None:
    """Write each drawing of the report as an SVG file; differences have files already.

    Parameters
    ----------
    found : Findings
        What the report was made of.
    report : Path
        The report, as written.
    figures : Path
        The folder of the pictures; made where it is missing.

    Raises
    ------
    OSError
        A file could not be read or written.
    """
    figures.mkdir(exist_ok=True)
    for drawing in _DRAWN.finditer(report.read_text(encoding="utf-8")):
        stem = _stem(found, drawing[1])
        if stem:
            (figures / f"{stem}.svg").write_bytes(standing_alone(drawing[0]))


def _stem(found: Findings, name: str) -> str:
    if name == "sheet":
        return "all-maps"
    part = re.fullmatch(r"([a-z])(\d+)(?:-(\d+))?(-profile)?", name)
    if part is None:
        return ""
    kind, at = part[1], int(part[2])
    if kind == "m":
        return map_stem(found, at, found.runs[at].maps[int(part[3])]) + (part[4] or "")
    if kind not in _OF_A_RUN:
        return ""
    number = f"-{int(part[3]) + 1}" if part[3] else ""
    return f"{run_stem(found, at)}-{_OF_A_RUN[kind]}{number}"
