"""The pages that are made together: the report, one for the lab's file, one for the public."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from analysis.figures.style import many_figures
from analysis.report import build, lab_page, public_page
from analysis.report.findings import Findings

KINDS: Final = ("lab", "public")


def paths(report: Path) -> tuple[Path, Path, Path]:
    """Return where the pages stand, given the first: report, lab's file, public."""
    lab, public = (report.with_name(f"{report.stem}-{kind}{report.suffix}") for kind in KINDS)
    return report, lab, public


def write_pages(
    found: Findings, out: Path, *, made_utc: str, bench: Sequence[str] = ()
) -> tuple[Path, ...]:
    """Write the report, and beside it the page for the lab's file and the one for the public.

    Parameters
    ----------
    found : Findings
    out : Path
        The report; its folder must exist.
    made_utc, bench
        As of `analysis.report.build.render`.

    Returns
    -------
    tuple of Path
        As of `paths`.

    Raises
    ------
    OSError
        One could not be written.
    """
    written = paths(out)
    with many_figures():
        texts = (
            build.render(found, made_utc=made_utc, bench=bench),
            lab_page.render(found, made_utc=made_utc),
            public_page.render(found, made_utc=made_utc),
        )
    for path, text in zip(written, texts, strict=True):
        path.write_text(text, encoding="utf-8", newline="\n")
    return written
