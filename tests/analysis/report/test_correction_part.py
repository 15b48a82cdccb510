"""What report and terminal say about corrections, read from the page itself."""

import io
import re

import numpy as np
import pytest
from attrs import evolve
from rich.console import Console

from analysis import run_folder
from analysis.corrections import Applied
from analysis.report.build import write_report
from analysis.report.correction_part import correction_lines, mark_notes
from analysis.report.sentences import verdict
from analysis.summary import summarise
from rig.results import show_results
from tests.synthetic_run import plan, to_toml, write_run

MARKED = "scaled to a line voltage of 230 V"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    sections = {"grid": {"rows": 4, "columns": 4}, "sampling": {"quick_look": False}}
    folder = write_run(
        tmp_path_factory.mktemp("c") / "run",
        plan=plan(**sections),
        warm_up_s=0.0,
        dark=lambda x_mm, y_mm: 0.5,
    )
    sensor = {"factor": 1.02, "uncertainty_percent": 4.0}
    meter = {"factor": 0.99, "offset_w": -0.4}
    rig = {"format": 1, "light_sensor_calibration": sensor, "power_meter_calibration": meter}
    (folder / run_folder.RIG).write_text(to_toml(rig), encoding="utf-8")
    return run_folder.load(folder)


def scaled(summary):
    """Return the summary as if its light and power had been scaled by 2 % and 1 %."""
    both = [
        Applied(
            name="nominal line voltage",
            on=on,
            factor=factor,
            source="fitted",
            setting="to 230 V",
            mark=MARKED,
        )
        for on, factor in (("light", 1.02), ("power", 1.01))
    ]
    (one,) = summary.maps
    return evolve(summary, maps=(evolve(one, corrections=(*one.corrections, *both)),))


def test_each_correction_is_a_line_in_its_order(run):
    lines = [(one.name, one.on, one.done, one.uncertainty) for one in
             correction_lines(scaled(summarise(run)))]  # fmt: skip
    assert lines == [
        ("dark reading", "light", ("−0.500 µmol m⁻² s⁻¹",), "not stated"),
        ("sensor calibration", "light", ("× 1.0200",), "2.00\u202f%"),
        ("drift", "light", ("no change",), "not stated"),
        ("nominal line voltage", "light", ("× 1.0200",), "not stated"),
        ("power meter", "wall power", ("× 0.9900, −0.400 W",), "not stated"),
        ("nominal line voltage", "wall power", ("× 1.0100",), "not stated"),
    ]


def test_factors_that_differ_from_point_to_point_are_given_as_a_range(run):
    summary = summarise(run)
    tilt = Applied(
        name="sensor tilt",
        on="light",
        factor=np.linspace(0.98, 1.03, 16),
        source="profile",
        setting="",
    )
    one = evolve(summary.maps[0], corrections=(tilt,))
    (line,) = correction_lines(evolve(summary, maps=(one,)))
    assert line.done == ("× 0.9800 to 1.0300",)


def test_the_page_holds_the_table_of_corrections(run, tmp_path):
    page = write_report([run], tmp_path / "report.html", made_utc="2026-01-06").read_text("utf-8")
    table = page[page.index("<caption>Corrections of Reflector S") :]
    rows = re.findall(r'<tr><th scope="row">([^<]+)</th>', table[: table.index("</table>")])
    assert rows == ["dark reading", "sensor calibration", "drift", "power meter"]
    assert MARKED not in page


def test_every_number_of_a_scaled_map_is_marked_and_the_mark_explained(run):
    from analysis.report import tables

    summary = scaled(summarise(run))
    numbers = [entry for _, _, entries in tables.key_numbers([summary]) for entry in entries]
    assert [entry.text.endswith("*") for entry in numbers] == [bool(n.value) for n in numbers]
    for group in tables.metrics([summary]):
        for line in group.rows:
            for entry in line.entries:
                is_number = bool(entry.value) and group.name != "Readings"
                assert entry.text.endswith("*") == is_number, (group.name, line.name)
    note = "*\u202fScaled to a line voltage of 230 V: Reflector S."
    assert mark_notes([summary]) == [note]
    assert verdict(summary).endswith(" Scaled to a line voltage of 230 V.")
    shown = io.StringIO()
    show_results([summary], Console(file=shown, width=120))
    assert note in shown.getvalue()
    # 500 × 1.02 on 1.44 m² is 734.4 µmol/s; 640 × 0.99 − 0.4 is 633.2 W; both are marked.
    assert re.search(r"\b400 +\d\.\d\d±\d\.\d\d\* +734±\d\d\* .* 633±\d\* ", shown.getvalue())


def test_nothing_is_marked_that_was_not_scaled(run):
    summary = summarise(run)
    assert mark_notes([summary]) == []
    shown = io.StringIO()
    show_results([summary], Console(file=shown, width=120))
    assert "*" not in shown.getvalue()
    assert "The angles of the light are not stated" in shown.getvalue()
