"""Build the report from run folders alone; the same folders give the same bytes."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from attrs import frozen

from analysis.calibration_dates import undated
from analysis.digits import EFFICACY_UNIT, FLUX_UNIT, PPFD_UNIT, fixed, plus_minus, significant
from analysis.figures.plane import Setting
from analysis.figures.sheets import published_map
from analysis.figures.style import Scale
from analysis.report import facts, height_words, page, pictures, sentences, tables, words
from analysis.report.budget_part import budget_parts, term_lines
from analysis.report.correction_part import CorrectionLine, correction_lines, mark_notes
from analysis.report.difference_part import difference_part
from analysis.report.findings import Findings, find
from analysis.report.height_part import height_parts
from analysis.report.journal import Journal, journal
from analysis.report.value_part import value_part
from analysis.results import MapSummary, RunSummary
from analysis.run_folder import Run
from analysis.stated import of_efficacy, of_flux, of_points, of_wall_power
from analysis.summary import summarise


@frozen(kw_only=True)
class _MapPart:
    title: str
    height: str
    map_: MapSummary
    plan_view: pictures.Picture
    profiles: pictures.Picture | None
    spots: list[tables.SpotLine]
    points_sentence: str
    spots_sentence: str
    deficit_sentence: str
    drift_sentence: str


@frozen(kw_only=True)
class _WarmUpPart:
    sentence: str
    picture: pictures.Picture | None


@frozen(kw_only=True)
class _RunPart:
    name: str
    journal: Journal | None
    caveats: list[str]
    maps: list[_MapPart]
    warm_ups: list[_WarmUpPart]
    power: pictures.Picture | None
    power_sentence: str
    drift: pictures.Picture | None
    happenings: list[tuple[str, str]]
    corrections: list[CorrectionLine]
    remarks: list[str]


def write_report(
    runs: Sequence[Run], out: Path, *, made_utc: str, accept: Collection[str] = ()
) -> Path:
    """Write the report of these runs, each one column and one section of it.

    Parameters
    ----------
    runs : sequence of Run
        At least one, in the order in which they shall appear.
    out : Path
        The HTML file; its folder must exist.
    made_utc : str
        When the report is made, as it shall be printed. The only input that is not in the
        run folders, so that the same folders give the same bytes.
    accept : collection of str
        Mismatches between runs that are put up with, see `analysis.likeness.FACTS`.

    Returns
    -------
    Path
        `out`.

    Raises
    ------
    ValueError
        No run was given; `NotAFactError`: `accept` holds a name that is no fact.
    OSError
        The file could not be written.
    """
    found = find([summarise(run) for run in runs], accept=accept)
    html = render(found, made_utc=made_utc)
    Path(out).write_text(html, encoding="utf-8", newline="\n")
    return Path(out)


def render(found: Findings, *, made_utc: str, bench: Sequence[str] = ()) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    found : Findings
    made_utc : str
        As of `write_report`.
    bench : sequence of str
        What the lab's control reflector says of the time of these runs; it is printed with the
        comparison.
    """
    runs, together = found.runs, found.standing
    verdicts = [sentences.verdict(run) for run in runs]
    if together is not None:
        # Each device's own figures stand right below, in the table of key numbers.
        own = [] if together.tables else verdicts
        verdicts = [together.headline, *together.sentences, *own]
    return page.fill(
        "report.html",
        title=page.title(runs),
        headline=verdicts[0],
        verdicts=verdicts[1:],
        standing=together,
        differences=difference_part(found.differences, found.no_differences, stamps=found.stamps),
        bench=bench,
        value=value_part(runs, found.ranking),
        heights=height_parts(found),
        height_headings=height_words.HEADINGS,
        budgets=budget_parts(runs),
        terms_of_ratio=term_lines(() if together is None else together.terms),
        parts=[_run_part(at, run, found) for at, run in enumerate(runs)],
        rules=sentences.rule_sentences(runs),
        how_to_read=pictures.how_to_read(found.scale),
        sheet=pictures.sheet_picture(runs, found.scale, stamps=found.stamps),
        key_headings=tables.KEY_HEADINGS,
        key_numbers=tables.key_numbers(runs),
        metric_columns=_spans(runs),
        metric_heights=[sentences.height(map_) for _, map_ in tables.columns(runs)],
        metrics=tables.metrics(runs),
        unstated=tables.unstated(runs),
        mark_notes=mark_notes(runs),
        conditions=facts.conditions(runs),
        instruments=facts.instruments(runs),
        files=facts.files(runs),
        cautions=words.CAUTIONS,
        measured_with=page.measured_with(runs),
        made_with=page.made_with(),
        made_utc=page.moment(made_utc),
    )


def _spans(summaries: Sequence[RunSummary]) -> list[tuple[str, int]]:
    return [(sentences.device(summary), len(summary.maps)) for summary in summaries if summary.maps]


def _run_part(at: int, summary: RunSummary, found: Findings) -> _RunPart:
    scale, stamps = found.scale, found.stamps
    maps = []
    for number, map_ in enumerate(summary.maps):
        name = f"m{at}-{number}"
        maps.append(
            _MapPart(
                title=sentences.map_title(summary, map_),
                height=sentences.height(map_),
                map_=map_,
                plan_view=pictures.map_picture(summary, map_, scale, name=name, stamps=stamps),
                profiles=pictures.profile_picture(summary, map_, scale, name=f"{name}-profile"),
                spots=tables.spots(map_),
                points_sentence=sentences.points_sentence(map_),
                spots_sentence=sentences.spots_sentence(map_),
                deficit_sentence=sentences.deficit_sentence(map_),
                drift_sentence=sentences.drift_sentence(map_),
            )
        )
    return _RunPart(
        name=sentences.device(summary),
        journal=journal(summary),
        caveats=sentences.caveats(summary),
        maps=maps,
        warm_ups=[
            _WarmUpPart(
                sentence=sentences.warm_up_sentence(warm),
                picture=pictures.warm_up_picture(summary, warm, name=f"w{at}-{number}"),
            )
            for number, warm in enumerate(summary.warm_ups)
        ],
        power=pictures.power_picture(summary, name=f"p{at}"),
        power_sentence=sentences.power_sentence(summary),
        drift=pictures.drift_picture(summary, name=f"d{at}"),
        happenings=[
            (f"{fixed(elapsed_s / 60, 1)}", told)
            for elapsed_s, told in sentences.happenings(summary)
        ],
        corrections=correction_lines(summary),
        remarks=[*summary.remarks, *undated(summary.instruments)],
    )


def write_map_png(
    summary: RunSummary, map_: MapSummary, out: Path, *, scale: Scale, stamps: Sequence[str] = ()
) -> Path:
    """Write one map as a 16:9 PNG for publication: verdict number, scale and grid on it.

    Parameters
    ----------
    summary : RunSummary
        The run that the map belongs to.
    map_ : MapSummary
    out : Path
        The PNG file.
    scale : Scale
        Give the same scale to every map that will be seen beside this one, e.g. that of
        `analysis.report.pictures.shared_scale`.
    stamps : sequence of str
        Mismatches that were accepted where it is compared with others.
    """
    if map_.stated_efficacy_umol_j is not None:
        whole, unit = plus_minus(*of_efficacy(map_)), EFFICACY_UNIT
        means = "delivered to the plane per joule"
    elif map_.delivered_flux_umol_s is not None:
        whole, unit = plus_minus(*of_flux(map_, "delivered_flux_umol_s")), FLUX_UNIT
        means = "delivered to the plane"
    else:
        whole, unit = f"{map_.n_used} of {map_.n_expected}", "points read"
        means = "no figure for the whole plane"
    number, _, reach = whole.partition(" ± ")
    if reach:
        unit = f"± {reach} {unit}"
    lines = [
        ("min/mean", plus_minus(*of_points(map_, "min_to_mean"))),
        (f"mean, {PPFD_UNIT}", plus_minus(*of_flux(map_, "mean_ppfd_umol_m2_s"))),
    ]
    if map_.mean_wall_power_w is not None:
        lines.append(("wall power, W", plus_minus(*of_wall_power(map_))))
    foot = (
        f"PPFD in {PPFD_UNIT}; scale 0 to {significant(scale.top_umol_m2_s)}; "
        f"{fixed(map_.grid.width_mm, 0)} × {fixed(map_.grid.depth_mm, 0)} mm, {map_.grid.label}"
    )
    if reach:
        foot += "; ± at 95 %"
    Path(out).write_bytes(
        published_map(
            map_,
            scale,
            Setting.from_plan(summary.plan),
            title=f"{sentences.device(summary)}\nmounting height {sentences.height(map_)}",
            number=number,
            number_unit=unit,
            number_means=means,
            facts=lines,
            foot=foot,
            stamps=tuple(dict.fromkeys([*stamps, *summary.marks])),
        )
    )
    return Path(out)
