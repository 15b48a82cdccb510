"""The section on uncertainty: what it says of budgets worked out by hand, and that it is there."""

import math
import re

import numpy as np
import pytest
from attrs import evolve

from analysis.budget import Term
from analysis.report import write_report
from analysis.report.budget_part import ADVICE, OF_THE_RUN, SHOWN, budget_parts, term_lines
from analysis.results import RunSummary
from analysis.run_folder import RIG, load
from analysis.scaling_influence import NAME as SCALING
from analysis.summary import summarise
from analysis.uncertainty import BudgetRow, Interval
from tests.analysis.one_map import budget
from tests.synthetic_run import entered_run, lambertian, plan, to_toml, write_run

PERCENT = "\u202f%"


def row(name, percent, whole, **given):
    facts = {
        "kind": "B",
        "distribution": "normal",
        "degrees_of_freedom": math.inf,
        "source": f"source of {name}",
        "is_default": False,
        **given,
    }
    return BudgetRow(name=name, percent=percent, share=percent**2 / whole**2, **facts)


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> RunSummary:
    values = np.add.outer(np.arange(4.0), np.arange(4.0)) + 400
    return summarise(load(entered_run(tmp_path_factory.mktemp("run") / "run", values)))


ROWS = (
    row("calibration of the light sensor", 4.0, 5.0),
    row("gain of the wattmeter", math.sqrt(9 - 0.25**2 - 2 * 0.01**2), 5.0, is_default=True),
    row("repeatability of a reading", 0.25, 5.0, kind="A", distribution="t",
        degrees_of_freedom=4.4),
    row("dark reading", 0.01, 5.0, is_default=True),
    row("where the grid lies", 0.01, 5.0),
)  # fmt: skip


def with_rows(run, rows=ROWS, **changes):
    """The run with the budget of `ROWS`: 5 % of 1.2 µmol/J, 95 % interval of ± 9.8 %."""
    map_ = run.maps[0]
    efficacy = Interval(
        value=1.2, low=1.2 - 1.96 * 0.06, high=1.2 + 1.96 * 0.06, standard=0.06,
        degrees_of_freedom=654.3,
    )  # fmt: skip
    held = evolve(map_.uncertainty, rows=rows, plane_efficacy_umol_j=efficacy, assumptions=())
    return evolve(run, maps=(evolve(map_, uncertainty=evolve(held, **changes)),))


def test_the_largest_cause_is_named_with_what_would_be_left_and_how_to_improve_it(run):
    # 4 of 5 %: 16/25 of the variance; without it √(25 − 16) = 3, twice that is 6 %.
    (part,) = budget_parts([with_rows(run)])
    assert part.sentences[0] == (
        f"The plane efficacy is known to ± 9.8{PERCENT} (95 %). The largest part of that is "
        f"calibration of the light sensor, 64{PERCENT} of the variance; without it ± 6.0{PERCENT} "
        "would be left."
    )
    assert part.sentences[1] == ("It is best improved by a calibration with a smaller uncertainty.")


def test_the_table_has_the_largest_first_and_ends_with_the_whole(run):
    (part,) = budget_parts([with_rows(run)])
    assert [line.name for line in part.lines] == [
        "calibration of the light sensor",
        "gain of the wattmeter",
        "repeatability of a reading",
        "2 more, each below 0.02 %",
    ]
    first, _, measured, small = part.lines
    assert (first.percent, first.share, first.degrees_of_freedom) == ("4.00", "64.0", "∞")
    assert (measured.kind, measured.distribution) == ("A", "t")
    assert measured.degrees_of_freedom == "4"
    assert (small.percent, small.source) == ("0.01", "dark reading, where the grid lies")
    whole = part.whole
    assert (whole.percent, whole.share, whole.degrees_of_freedom) == ("5.00", "100.0", "654")
    assert whole.source == f"× 1.96 for 95 %: ± 9.8{PERCENT}"


def test_what_is_assumed_is_told_by_whether_bench_or_run_could_have_said_it(run):
    ours = [evolve(one, is_default=True) for one in ROWS[:3]]
    stated = row("linearity of the light sensor", 0.3, 5.0)
    (part,) = budget_parts([with_rows(run, (*ours, stated))])
    assert part.sentences[-2:] == (
        "Assumed by default, for want of a statement in the rig profile: calibration of the light "
        "sensor and gain of the wattmeter.",
        "Assumed by default, as this run did not measure it: repeatability of a reading.",
    )
    # Where nothing at all is stated, one sentence says so and no list repeats the table.
    (part,) = budget_parts([with_rows(run, tuple(ours), assumptions=("Nothing is stated.",))])
    assert not any("rig profile" in one for one in part.sentences)
    assert "Nothing is stated." in part.sentences


def test_a_cause_too_small_to_be_shown_is_not_said_to_be_assumed(run):
    (part,) = budget_parts([with_rows(run)])
    assert ROWS[3].percent < SHOWN
    assert not any("dark reading" in one for one in part.sentences)


def test_the_chart_is_described_in_words(run):
    (part,) = budget_parts([with_rows(run)])
    assert "calibration of the light sensor 4.00 %, gain of the wattmeter 2.99 %" in (
        part.picture.svg
    )
    assert part.picture.caption.startswith("Reflector S, 400 mm: standard uncertainty")


def test_without_power_the_section_is_about_the_delivered_flux(run):
    (part,) = budget_parts([with_rows(run, plane_efficacy_umol_j=None)])
    flux = run.maps[0].uncertainty.delivered_flux_umol_s
    assert part.sentences[0].startswith(
        f"The delivered flux is known to ± {100 * flux.relative_half_width:.1f}{PERCENT} (95 %)."
    )
    assert "of the delivered flux from its largest causes" in part.picture.caption


def test_a_run_is_spoken_for_by_its_map_of_highest_efficacy(run):
    map_ = with_rows(run).maps[0]
    low = evolve(map_, plane_efficacy_umol_j=1.0, mounting_height_mm=300.0)
    high = evolve(map_, plane_efficacy_umol_j=1.3, mounting_height_mm=500.0)
    none = evolve(map_, plane_efficacy_umol_j=9.0, uncertainty=None)
    (part,) = budget_parts([evolve(run, maps=(low, high, none))])
    assert part.name == "Reflector S, 500 mm"
    assert budget_parts([evolve(run, maps=(none,)), evolve(run, maps=())]) == []


def test_every_cause_of_a_map_has_an_advice():
    names = {one.cause.name for one in budget().influences}
    assert names | {SCALING} == ADVICE.keys()
    assert names >= OF_THE_RUN


def test_a_cause_that_cancels_is_said_to_and_one_that_does_not_names_its_source():
    def term(name, in_a, in_b, is_shared, source):
        return Term(name=name, in_a=in_a, in_b=in_b, is_shared=is_shared, source=source)

    lines = term_lines(
        [
            term("calibration", 0.025, 0.025, True, "k = 2"),
            term("cosine error", 0.010, 0.006, True, "limits"),
            term("cosine error", 0.003, 0.0, False, "limits of a"),
            term("cosine error", 0.0, 0.0, False, "limits of a"),
            term("re-installation", 0.010, 0.0, False, "declared"),
        ]
    )
    # The largest first; 0.4 and 0.3 % make 0.5 %.
    assert [(line.name, line.percent) for line in lines] == [
        ("re-installation", "1.00"), ("cosine error", "0.50"), ("calibration", "0.00"),
    ]  # fmt: skip
    assert lines[1].source == "limits · limits of a"
    assert lines[2].source.startswith("the same in both")


def section(folder, path):
    out = write_report([load(path)], folder / "report.html", made_utc="2026-01-09 10:00")
    text = out.read_text(encoding="utf-8")
    found = re.search(r'<section id="sure">.*?</section>', text, re.S)
    assert ('href="#sure"' in text) == bool(found)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", found[0])) if found else None


def test_the_section_is_printed_with_what_the_profile_states(tmp_path):
    path = write_run(
        tmp_path / "run",
        plan=plan(
            grid={"rows": 3, "columns": 3},
            dark={"points": 1},
            sampling={"samples_per_point": 1, "reference_every": 3, "quick_look": False},
        ),
        field=lambertian,
        noise=0.003,
    )
    rig = {"format": 1, "name": "bench 1", "stage": {"kind": "gcode-gantry"},
           "uncertainty": {"wattmeter_percent": 0.5}}  # fmt: skip
    (path / RIG).write_text(to_toml(rig))
    text = section(tmp_path, path)
    assert "How sure these figures are" in text
    assert "± 0.5 %; stated in the rig profile" in text
    # One dark point says nothing of how dark points scatter.
    assert "± 1 µmol m⁻² s⁻¹; default: common practice, no source" in text
    assert "as this run did not measure it: dark reading." in text
    assert "all together" in text


def test_the_section_is_printed_for_a_table_without_power_and_height(tmp_path):
    path = entered_run(tmp_path / "run", np.full((4, 4), 400.0), wall_power_w=None, height_mm=None)
    text = section(tmp_path, path)
    assert "The delivered flux is known to ±" in text
    assert "Nothing is stated of the instruments and the bench: this is the default budget" in text
    assert "The mounting height is not stated: the width of the area stands for it." in text
    assert "nan" not in text.lower()


def test_there_is_no_section_where_no_map_is_complete(tmp_path):
    values = np.full((4, 4), 400.0)
    values[0, 0] = np.nan
    assert section(tmp_path, entered_run(tmp_path / "run", values)) is None
