"""The page for the lab's file: how it was measured, how sure it is, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from attrs import frozen

from analysis.report import facts, page, sentences, tables
from analysis.report.budget_part import budget_parts
from analysis.report.correction_part import CorrectionLine, correction_lines, mark_notes
from analysis.report.facts import FileLine
from analysis.report.findings import Findings
from analysis.report.journal import Journal, journal
from analysis.report.method import DEFINITIONS, method_parts
from analysis.results import RunSummary

SIGNED: Final = ("measured by", "checked by", "released by")


@frozen(kw_only=True)
class _Part:
    name: str
    maps: tuple[_Column, ...]
    corrections: list[CorrectionLine]
    journal: Journal | None
    caveats: list[str]
    remarks: list[str]


@frozen
class _Column:
    height: str


def render(found: Findings, *, made_utc: str) -> str:
    """Return the page as HTML; `made_utc` as of `analysis.report.build.render`."""
    runs, together = found.runs, found.standing
    files = facts.files(runs)
    return page.fill(
        "lab.html",
        title=f"Record of measurement: {page.devices(runs)}",
        verdicts=[sentences.verdict(run) for run in runs]
        if together is None or not together.order
        else [together.headline, *together.sentences],
        stamps=found.stamps,
        parts=[_part(run) for run in runs],
        methods=method_parts(runs),
        definitions=DEFINITIONS,
        key_headings=tables.KEY_HEADINGS,
        key_numbers=tables.key_numbers(runs),
        mark_notes=mark_notes(runs),
        conditions=facts.conditions(runs),
        instruments=facts.instruments(runs),
        budgets=budget_parts(runs),
        files=files,
        checked=checked(files),
        measured_with=page.measured_with(runs),
        made_with=page.made_with(),
        made_utc=page.moment(made_utc),
        signed=SIGNED,
    )


def _part(run: RunSummary) -> _Part:
    return _Part(
        name=sentences.device(run),
        maps=tuple(_Column(sentences.height(map_)) for map_ in run.maps),
        corrections=correction_lines(run),
        journal=journal(run),
        caveats=sentences.caveats(run),
        remarks=list(run.remarks),
    )


def checked(files: Sequence[FileLine]) -> list[str]:
    """Say for each run folder whether its files are those that were closed."""
    said = []
    for run in dict.fromkeys(line.run for line in files):
        own = [line for line in files if line.run == run]
        wrong = [line.name for line in own if line.state in (facts.CHANGED, facts.GONE)]
        same = sum(line.state == facts.AS_CLOSED for line in own)
        unknown = sum(line.state == "" for line in own)
        if wrong:
            told = f"NOT as it was closed: {sentences.listed(wrong)}"
        elif same:
            told = f"{same} file{'s' if same != 1 else ''} with the hashes of the closing"
        else:
            told = "no hash was recorded, so nothing can be checked"
        if unknown and same:
            told += f"; {unknown} without a recorded hash"
        said.append(f"{run}: {told}.")
    return said
